"""Every page as a reader meets it: opened from the disk in Chromium, offline, wide and narrow, by keyboard, read aloud."""

from __future__ import annotations

import json
import re
import shutil
import struct
import time
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.conftest import FLEETS, watch
from tests.browser.screens import SCREENS, take

pytestmark = pytest.mark.browser
WIDTHS = (1280, 390)


def chosen(folder: Path, most: int) -> list[str]:
    """The readers' pages, and of each folder of pages the largest and evenly more up to ``most``."""
    names = ["index.html", "operations.html", "maintenance.html", "training.html", "glossary.html"]
    for kind in ("pump", "hose", "gauge", "technician", "evacuation"):
        found = sorted((folder / kind).glob("*.html"), key=lambda p: (-p.stat().st_size, p.name))
        step = max(len(found) // most, 1)
        names += [p.relative_to(folder).as_posix() for p in found[::step][:most]]
    return names


def every_page(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*.html"))


def open_each(browser, folder, names):
    """Open pages wide and narrow; fail on any complaint, request, undrawn chart or sideways scroll."""
    assert len(names) > 10
    context = browser.new_context(viewport={"width": WIDTHS[0], "height": 900}, offline=True)
    tab = watch(context, folder)
    for place, name in enumerate(names):
        page = tab.open(name)
        for width in WIDTHS[:: -1 if place % 2 else 1]:  # every second page opens narrow: one change of size a page
            page.set_viewport_size({"width": width, "height": 900})
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, (name, width, wide)
        counts = page.evaluate(
            "[document.querySelectorAll('figure.chart').length, document.querySelectorAll('figure.chart.drawn svg').length]"
        )
        assert counts[0] == counts[1], (name, "a chart was not drawn")
        tab.check(name)
    context.close()


def test_every_page_of_the_demo_fleet(browser, demo_pages):
    open_each(browser, demo_pages, every_page(demo_pages))


@pytest.mark.parametrize("fleet", FLEETS)
def test_no_complaint_no_request_no_sideways_scroll(browser, fleets, fleet):
    folder = fleets[fleet]
    open_each(browser, folder, every_page(folder) if fleet.startswith("one") else chosen(folder, 6))


@pytest.mark.parametrize("fleet", ["usual", "wild", "500 technicians"])
def test_charts_are_no_wider_than_a_narrow_screen(browser, fleets, fleet):
    folder = fleets[fleet]
    context = browser.new_context(viewport={"width": 390, "height": 844}, offline=True)
    tab = watch(context, folder)
    for name in chosen(folder, 2):
        page = tab.open(name)
        widest = page.evaluate(
            "Math.max(0, ...[...document.querySelectorAll('.plot svg')].map(s => s.getBoundingClientRect().right))"
        )
        assert widest <= 390, (name, widest)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, name
        tab.check(name)
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("fleet", ["demo", "usual", "wild", "one technician, no optional register"])
def test_axe_finds_nothing_serious(browser, fleets, demo_pages, fleet, scheme):
    """axe-core, WCAG 2 A and AA and best practice; nothing serious or critical [RUN]."""
    folder = demo_pages if fleet == "demo" else fleets[fleet]
    axe = Axe()
    for width in WIDTHS if scheme == "light" else WIDTHS[:1]:
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True)
        tab = watch(context, folder)
        for name in chosen(folder, 1):
            page = tab.open(name)
            page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
            found = axe.run(page, options={"resultTypes": ["violations"]}).response[
                "violations"
            ]  # what passes is not listed
            bad = [
                (v["id"], v["impact"], [n["html"][:160] for n in v["nodes"][:3]])
                for v in found
                if v["impact"] in ("serious", "critical")
            ]
            assert bad == [], (name, width, json.dumps(bad, indent=1))
        context.close()


@pytest.mark.parametrize("name", ["index.html", "operations.html", "maintenance.html", "training.html", "technician"])
def test_the_keyboard_reaches_everything(browser, fleets, name):
    folder = fleets["usual"]
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, folder)
    page = tab.open(name if name.endswith(".html") else chosen(folder, 1)[-2])
    wanted = page.evaluate(
        """[...document.querySelectorAll('a[href],button,input,select,summary')]
           .filter(e => e.checkVisibility() && !e.closest('details:not([open])') || (e.tagName === 'SUMMARY' && e.checkVisibility())).length"""
    )
    assert wanted > 8
    seen: set[str] = set()
    page.evaluate("window.seen = new Set()")
    for _ in range(3 * wanted + 60):
        page.keyboard.press("Tab")
        done = page.evaluate(
            "(() => { const e = document.activeElement; if (e === document.body) return true; const n = window.seen.size; window.seen.add(e); return window.seen.size === n; })()"
        )
        if done:
            break
    seen_count = page.evaluate("[...window.seen].filter(e => e.matches('a[href],button,input,select,summary')).length")
    assert seen_count >= wanted, (seen_count, wanted, seen)
    outline = page.evaluate(
        "(() => { const a = document.querySelector('main a'); a.focus(); return getComputedStyle(a).outlineStyle; })()"
    )
    assert outline != "none"
    context.close()


def test_tables_sort_and_filter_by_keyboard(browser, fleets):
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, fleets["usual"])
    page = tab.open("training.html")
    table = page.locator("table.lively", has_text="like work").last
    button = table.locator("thead button", has_text="hold skipped")
    button.focus()
    page.keyboard.press("Enter")
    rates = table.evaluate("t => [...t.tBodies[0].rows].map(r => Number(r.cells[3].dataset.key))")
    assert rates == sorted(rates)
    page.keyboard.press("Enter")
    rates = table.evaluate("t => [...t.tBodies[0].rows].map(r => Number(r.cells[3].dataset.key))")
    assert rates == sorted(rates, reverse=True)
    page = tab.open("maintenance.html")
    page.locator("label.filter input").first.fill("gauge")
    shown = page.locator("table.lively").first.evaluate(
        "t => [...t.tBodies[0].rows].filter(r => !r.hidden).map(r => r.textContent)"
    )
    assert shown
    assert all("gauge" in text for text in shown)
    tab.check("maintenance.html")
    context.close()


def test_names_of_others_can_be_hidden(browser, fleets):
    """On the trainer's page and on paper: the one chosen is named, nobody else, neither in tables nor in charts."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, fleets["usual"])
    page = tab.open("training.html")
    people = page.evaluate(
        "[...document.querySelectorAll('select[data-switch=person] option')].slice(1).map(o => [o.value, o.textContent])"
    )
    assert len(people) == 8
    stem, name = people[3]
    page.select_option("select[data-switch=person]", stem)
    page.wait_for_timeout(800)
    for media in ("screen", "print"):
        page.emulate_media(media=media)
        text = page.evaluate(
            "document.querySelector('main').innerText.replace(document.querySelector('select').innerText, '')"
        )
        drawn = page.evaluate("[...document.querySelectorAll('.plot svg text')].map(t => t.textContent).join('\\n')")
        assert name in text
        assert name in drawn
        for _, other in people:
            if other != name:
                assert other not in text, (media, other)
                assert other not in drawn, (media, other)
    tab.check("training.html")
    context.close()


def test_a_technicians_page_hides_others_from_the_start(browser, fleets):
    folder = fleets["usual"]
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, folder)
    training = tab.open("training.html")
    people = training.evaluate(
        "[...document.querySelectorAll('select[data-switch=person] option')].slice(1).map(o => [o.value, o.textContent])"
    )
    for stem, name in people:
        page = tab.open(f"technician/{stem}.html")
        text = page.evaluate("document.querySelector('main').innerText")
        assert name in text
        for _, other in people:
            if other != name:
                assert other not in text, (name, other)
    context.close()


def opened_in(browser, folder, name):
    """Best of up to six openings until what is in sight is drawn, s: what the page needs, not what else the machine does."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, folder)
    took: list[float] = []
    while len(took) < 6 and min(took, default=1.0) >= 1.0:
        start = time.perf_counter()
        tab.open(name, "body[data-ready=yes]")
        took.append(time.perf_counter() - start)
    context.close()
    return min(took)


@pytest.mark.parametrize("name", ["operations.html", "maintenance.html", "training.html", "technician"])
def test_a_page_opens_in_a_second_and_is_small(browser, fleets, name):
    """The bundle aside, a page is under 3 MB, also with 500 technicians."""
    for fleet in ("usual", "500 technicians"):
        folder = fleets[fleet]
        page = name if name.endswith(".html") else next(n for n in chosen(folder, 1) if n.startswith(f"{name}/"))
        assert (folder / page).stat().st_size < 3_000_000, fleet
        assert opened_in(browser, folder, page) < 1.0, fleet


def test_a_page_of_fifteen_charts_opens_in_a_second(browser, fleets, tmp_path):
    """Every chart of an evacuation's page and of a pump's, again and again on one page; then all of them get drawn."""
    folder = fleets["usual"]
    whole = (folder / next(n for n in chosen(folder, 1) if n.startswith("technician/"))).read_text(encoding="utf-8")
    figures = re.findall(r"<figure class=\"chart\".*?</figure>", whole, flags=re.S)
    assert len(figures) >= 6
    fifteen = "\n".join(re.sub(r'id="[^"]*"', f'id="c{i}"', figures[i % len(figures)], count=1) for i in range(15))
    shutil.copytree(folder / "static", tmp_path / "static")
    (tmp_path / "technician").mkdir()
    page = re.sub(r"(<main.*?>).*(</main>)", lambda m: m[1] + fifteen + m[2], whole, flags=re.S)
    (tmp_path / "technician" / "fifteen.html").write_text(page, encoding="utf-8")
    assert (tmp_path / "technician" / "fifteen.html").stat().st_size < 3_000_000
    assert opened_in(browser, tmp_path.resolve(), "technician/fifteen.html") < 1.0
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, tmp_path.resolve())
    start = time.perf_counter()
    drawn = tab.open("technician/fifteen.html").locator("figure.chart.drawn svg").count()
    assert drawn == 15
    assert time.perf_counter() - start < 4.0
    context.close()


def test_arrow_keys_reach_every_mark_that_the_pointer_does(browser, fleets):
    """Tab to a chart, arrows from mark to mark: each is read aloud, and Enter opens the page that a click opens."""
    folder = fleets["usual"]
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, folder)
    page = tab.open("training.html")
    figure = page.locator("#fault-skipped")
    plot = figure.locator(".plot")
    spec = json.loads(figure.locator("script").evaluate("s => s.textContent"))
    page.locator("[data-switch=person]").focus()
    for _ in range(80):
        page.keyboard.press("Tab")
        if plot.evaluate("p => p === document.activeElement"):
            break
    assert plot.evaluate("p => p === document.activeElement"), "Tab reaches the chart"
    heard = []
    for _ in range(40):
        page.keyboard.press("ArrowDown")
        heard.append(page.locator(".unseen[role=status]").inner_text())
    assert {d["tip"].split("\n")[0] for d in spec["datasets"]["dots"]} == {h.split(";")[0] for h in heard}
    assert page.locator(".tip.on").count() == 1
    page.keyboard.press("Home")
    assert heard[0] == page.locator(".unseen[role=status]").inner_text()
    page.keyboard.press("Escape")
    assert page.locator(".tip.on").count() == 0
    page.keyboard.press("Home")
    page.keyboard.press("Enter")
    page.wait_for_url("**/technician/*")
    assert page.url.endswith(spec["datasets"]["dots"][0]["href"])
    tab.check("training.html")
    context.close()


def test_a_chart_of_five_hundred_people_turns_its_pages(browser, fleets):
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, fleets["500 technicians"])
    page = tab.open("training.html")
    figure = page.locator("#fault-skipped")
    of = int(figure.get_attribute("data-of"))
    assert of > 400
    first = figure.locator(".plot svg").text_content()
    assert f"1 to 20 of {of}" in figure.inner_text()
    assert figure.locator("button", has_text="Previous").is_disabled()
    figure.locator("button", has_text="Next").press("Enter")
    page.wait_for_function(
        "before => document.querySelector('#fault-skipped .plot svg').textContent !== before", arg=first
    )
    assert f"21 to 40 of {of}" in figure.inner_text()
    spec = json.loads(figure.locator("script").evaluate("s => s.textContent"))
    labels = next(p["value"] for p in spec["params"] if p["name"] == "labels")
    drawn = figure.locator(".plot svg text").all_text_contents()
    assert set(labels[20:40]) <= set(drawn)
    assert not set(labels[:20]) & set(drawn)
    year = page.locator("#year")
    everybody = [
        i["title"] for i in json.loads(year.locator(":scope > script").evaluate("s => s.textContent"))["items"]
    ]
    assert len(everybody) == int(year.get_attribute("data-of")) > 400
    assert year.locator(".many figure.drawn svg").count() == 12
    year.locator("button", has_text="Next").press("Enter")
    page.wait_for_function("document.querySelectorAll('#year .many figure.drawn svg').length === 12")
    assert year.locator(".many .real a").all_text_contents() == everybody[12:24]
    tab.check("training.html")
    context.close()


def test_it_is_all_there_without_scripts(browser, fleets):
    """Where scripts are barred, text, tables and the charts' numbers are still reachable."""
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto((fleets["usual"] / "operations.html").as_uri())
    assert page.locator("details summary").count() > 3
    assert "proven" in page.locator("main").inner_text()
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize("width", WIDTHS)
def test_pictures(browser, demo_pages, pictures, scheme, width):
    """Screenshots of one page of each sort, and the printed page's own background is white."""
    folder = demo_pages
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme="dark" if scheme != "light" else "light", offline=True
    )
    tab = watch(context, folder)
    for name in chosen(folder, 1):
        page = tab.open(name)
        page.emulate_media(
            media="print" if scheme == "print" else "screen", color_scheme="dark" if scheme != "light" else "light"
        )
        path = pictures / f"{name.replace('/', '-').removesuffix('.html')[:40]}-{width}-{scheme}.png"
        page.screenshot(path=path, full_page=True)
        assert path.stat().st_size > 10_000
        paper, ink = page.evaluate(
            "[getComputedStyle(document.documentElement).backgroundColor, getComputedStyle(document.body).color]"
        )
        if scheme == "print":
            assert paper == "rgb(255, 255, 255)"
            assert max(int(x) for x in ink[4:-1].split(",")) < 80
        if scheme == "dark":
            assert max(int(x) for x in paper[4:-1].split(",")) < 60
        tab.check(name)
    context.close()


def test_readmes_pictures_can_be_taken_again(browser, demo_pages, tmp_path):
    """The same script that took README's pictures takes them of this very build; a picture is of its page's size."""
    taken = take(browser, demo_pages, tmp_path)
    assert {p.stem for p in taken} == {p.stem for p in SCREENS.iterdir()}
    for path in taken:
        made, kept = (struct.unpack(">II", p.read_bytes()[16:24]) for p in (path, SCREENS / path.name))
        assert made == kept, path.name


@pytest.mark.parametrize("name", ["operations.html", "maintenance.html", "training.html", "technician", "pump"])
def test_a_page_printed_in_its_first_moment_has_every_chart(browser, fleets, tmp_path, name):
    """Charts below the fold are drawn while nothing else is to do; paper does not wait for that, so printing draws them."""
    import pypdf

    folder = fleets["usual"]
    which = name if name.endswith(".html") else next(n for n in chosen(folder, 1) if n.startswith(f"{name}/"))
    printed = {}
    for when in ("in its first moment", "later"):
        context = browser.new_context(viewport={"width": 1280, "height": 300}, offline=True)
        tab = watch(context, folder)
        if when == "later":
            page = tab.open(which)
        else:  # the moment lasts: a page that is never idle draws nothing by itself but what is in sight
            page = tab.page
            page.add_init_script("window.requestIdleCallback = () => 0;")
            page.goto((folder / which).as_uri())
            page.wait_for_selector("body[data-ready=yes]")
            drawn = page.locator("figure.chart.drawn").count()
            assert drawn < page.locator("figure.chart").count()
        page.pdf(path=tmp_path / "page.pdf", format="A4")
        charts = page.locator("figure.chart").count()
        assert page.locator("figure.chart.drawn svg").count() == charts > 3, when
        printed[when] = [p.get_contents().get_data() for p in pypdf.PdfReader(tmp_path / "page.pdf").pages]
        tab.check(name)
        context.close()
    assert printed["in its first moment"] == printed["later"]


def test_a_printed_page_is_a_few_sheets(browser, fleets, tmp_path):
    """The technician's page on paper: a handful of A4 sheets, with the charts on them."""
    import pypdf

    folder = fleets["usual"]
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    tab = watch(context, folder)
    page = tab.open(next(n for n in chosen(folder, 1) if n.startswith("technician/")))
    path = tmp_path / "page.pdf"
    page.pdf(path=path, format="A4")
    reader = pypdf.PdfReader(path)
    assert 1 < len(reader.pages) <= 7
    text = " ".join(p.extract_text() for p in reader.pages)
    assert "share of jobs" in text  # an axis title: the charts are on the paper, as drawings with text
    context.close()
