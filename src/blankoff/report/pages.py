"""All pages of a month, written into one folder that works offline from a disk, a share or a web server."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import jinja2
import vl_convert

from blankoff.report import markup, theme
from blankoff.report.beside import done_beside
from blankoff.report.book import ASSETS, PEOPLE, Book, open_book
from blankoff.report.data import MonthData, no_haste, no_log
from blankoff.report.handover import write_handover
from blankoff.report.layout import Block, Page
from blankoff.report.names import page_path
from blankoff.report.views.asset import asset_page
from blankoff.report.views.entry import entry_page
from blankoff.report.views.evacuation import evacuation_page
from blankoff.report.views.maintenance import maintenance_page
from blankoff.report.views.operations import operations_page
from blankoff.report.views.person import logs_to_look_at, person_extras, person_page
from blankoff.report.views.training import training_page
from blankoff.report.words import CAUTIONS, GLOSSARY, day, month_name, months_up_to
from blankoff.report.worklist import work_list

NAV = (
    ("index", "Overview"),
    ("operations", "Operations"),
    ("maintenance", "Maintenance"),
    ("training", "Training"),
    ("glossary", "Glossary"),
)
_BUNDLE = "static/charts.js"
MANY_ASSETS = 150
"""Pumps, hose sets and gauges from which a second process is started to write their pages: it takes a second to begin."""
LOGS_AT_ONCE = 256
"""Logs fetched together: a question to the store costs as much as some ten of them."""


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("blankoff.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        auto_reload=False,
        finalize=markup.tied,
    )
    environment.filters |= {f.__name__: f for f in (markup.words, markup.thing, markup.common_block, markup.glossed)}
    environment.tests |= {"made_here": markup.made_here}
    return environment


@lru_cache(maxsize=1)
def charts_bundle() -> str:
    """Return the charting libraries as one script, shared by all pages."""
    return str(vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;", vl_version=theme.VEGA_LITE))


def style_sheet() -> str:
    """Return the style sheet with the palette put in."""
    source = (files("blankoff.report") / "assets" / "blankoff.css.j2").read_text(encoding="utf-8")
    light, dark = theme.css_variables(theme.LIGHT), theme.css_variables(theme.DARK)
    return source.replace("{{ light }}", light).replace("{{ dark }}", dark)


def render(page: Page, site: dict[str, Any], root: str) -> str:
    """Return a page as HTML; ``root`` leads from its folder to the pages' folder."""
    return _environment().get_template("page.html.j2").render(page=page, site=site, root=root)


def _glossary_page() -> Page:
    return Page(
        "glossary",
        "Glossary",
        "Glossary",
        "The words on these pages, in plain language",
        (),
        (Block("plain", list(GLOSSARY.items())),),
    )


def _site(data: MonthData) -> dict[str, Any]:
    return {
        "month_name": month_name(data.month),
        "as_of": day(data.as_of),
        "nav": NAV,
        "cautions": CAUTIONS,
        "glossary": GLOSSARY,
    }


def month_pages(book: Book) -> Iterator[tuple[str, Page]]:
    """Yield every page of the month with its path, one at a time."""
    yield from _own_pages(book)
    yield from asset_pages(book)


def _own_pages(book: Book) -> Iterator[tuple[str, Page]]:
    """All but the pages of assets."""
    yield "index.html", entry_page(book)
    yield "operations.html", operations_page(book)
    yield "maintenance.html", maintenance_page(book)
    yield "training.html", training_page(book)
    yield "glossary.html", _glossary_page()
    people = sorted(book.paged[PEOPLE])
    for first in range(0, len(people), LOGS_AT_ONCE // 4):
        some = people[first : first + LOGS_AT_ONCE // 4]
        book.data.read_ahead([e for id_ in some for e, _ in logs_to_look_at(book, id_)])
        for id_ in some:
            yield page_path(PEOPLE, id_), person_page(book, id_)
    ids = sorted(book.paged["evacuation"])
    for first in range(0, len(ids), LOGS_AT_ONCE):
        some = ids[first : first + LOGS_AT_ONCE]
        book.data.read_ahead(some)
        for id_ in some:
            yield page_path("evacuation", id_), evacuation_page(book, id_)


def asset_pages(book: Book) -> Iterator[tuple[str, Page]]:
    """Yield the pages of pumps, hose sets and gauges with their paths, one at a time."""
    for factor, id_ in book.in_company:
        yield page_path(factor, id_), asset_page(book, factor, id_)


def write_month(data: MonthData, out: Path, *, all_evacuations: bool = False) -> list[Path]:
    """Write all pages of a month, the maintenance list and what they share.

    Parameters
    ----------
    data
        The month's frames.
    out
        The folder; made when missing. Files of an earlier run that this one does not write again are removed if, and
        only if, that run listed them.
    all_evacuations
        Write a page for every evacuation on record, not only for the month's and those that findings name.

    Returns
    -------
    list of Path
        Everything written, the entry page first.
    """
    out.mkdir(parents=True, exist_ok=True)
    for folder in ("static", *ASSETS, PEOPLE, "evacuation"):
        (out / folder).mkdir(exist_ok=True)
    extra = person_extras(data.work, data.finding, months_up_to(data.month, 13))
    many = (os.cpu_count() or 1) > 1 and sum(data.work[f"{f}_id"].n_unique() for f in ASSETS) >= MANY_ASSETS
    bare = replace(data, load_log=no_log, read_ahead=no_haste)  # pages of assets draw no log
    with done_beside(write_assets, bare, extra, out, all_evacuations) if many else nullcontext() as done:
        book = open_book(data, all_evacuations=all_evacuations, extra=extra)
        site = _site(data)
        written = [_write_page(out, name, page, site) for name, page in _own_pages(book)]
        written += write_handover(work_list(book), data.as_of, out)
        written += _write_shared(out)
        if done is None or not done():
            _write_assets(book, out)
    assets = [page_path(factor, id_) for factor in ASSETS for id_ in sorted(book.paged[factor])]
    written += [out / name for name in (_BUNDLE, *assets)]
    _forget_old(out, written)
    return written


def write_assets(data: MonthData, extra: Sequence[str], out: Path, all_evacuations: bool) -> None:
    """Write the pages of pumps, hose sets and gauges and the charting libraries, as a second process does beside the rest.

    Parameters
    ----------
    data, out, all_evacuations
        As for `write_month`; the folders are there.
    extra
        More evacuations that have pages.
    """
    _write_assets(open_book(data, all_evacuations=all_evacuations, extra=extra), out)


def _write_assets(book: Book, out: Path) -> None:
    site = _site(book.data)
    for name, page in asset_pages(book):
        _write_page(out, name, page, site)
    (out / _BUNDLE).write_text(charts_bundle(), encoding="utf-8", newline="\n")


def _write_page(out: Path, name: str, page: Page, site: dict[str, Any]) -> Path:
    path = out / name
    text = render(page, site, "../" if "/" in name else "")
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")
    return path


def _write_shared(out: Path) -> list[Path]:
    """Write what all pages share but the charting libraries."""
    assets, written = files("blankoff.report") / "assets", []
    for name, text in (
        ("site.js", (assets / "site.js").read_text(encoding="utf-8")),
        ("mark.svg", (assets / "mark.svg").read_text(encoding="utf-8")),
        ("blankoff.css", style_sheet()),
    ):
        path = out / "static" / name
        path.write_text(text, encoding="utf-8", newline="\n")
        written.append(path)
    return written


def _forget_old(out: Path, written: list[Path]) -> None:
    """Remove what an earlier run listed as its own and this one did not write; then list this run's files."""
    listing = out / "static" / "files.txt"
    now = {p.relative_to(out).as_posix() for p in written}
    if listing.is_file():
        for name in listing.read_text(encoding="utf-8").splitlines():
            old = out / name
            if name and name not in now and old.resolve().is_relative_to(out.resolve()) and old.is_file():
                old.unlink()
    listing.write_text("\n".join(sorted(now)) + "\n", encoding="utf-8", newline="\n")
    written.append(listing)


__all__ = ["charts_bundle", "month_pages", "render", "style_sheet", "write_month"]
