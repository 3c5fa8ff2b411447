"""Pages of several fleets, and Debian's Chromium to open them with."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from blankoff.demo import run_demo
from blankoff.report.pages import write_month
from tests.report.invented_month import WILD_NAMES, Plan, invented_month

CHROMIUM = Path(os.environ.get("BLANKOFF_CHROMIUM", "/usr/bin/chromium"))
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
FLEETS = {
    "usual": Plan(technicians=8, pumps=9, per_month=40, months=14),
    "wild": Plan(technicians=8, pumps=9, per_month=24, months=14, units="pa", names=WILD_NAMES),
    "one technician, no optional register": Plan(technicians=1, pumps=1, per_month=2, months=3, registers=False),
    "500 technicians": Plan(technicians=500, pumps=60, per_month=700, months=3),
}


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if os.environ.get("BLANKOFF_NO_BROWSER") == "1":
        pytest.skip("BLANKOFF_NO_BROWSER=1: the pages are not opened in a browser in this run")
    if not CHROMIUM.is_file():
        pytest.fail(
            f"No Chromium at {CHROMIUM}. Install Debian's package 'chromium' (apt-get install chromium), name another one in "
            "BLANKOFF_CHROMIUM, or set BLANKOFF_NO_BROWSER=1 to leave these tests out.",
            pytrace=False,
        )
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield opened
        opened.close()


def made_once(tmp_path_factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return a folder that ``make`` has filled: once for all processes of a test run, by whichever wants it first."""
    shared = tmp_path_factory.getbasetemp().resolve()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder, mine = shared / name, shared / f"{name}.making"
    while not folder.is_dir():
        try:
            mine.mkdir()
        except FileExistsError:
            time.sleep(0.2)
            continue
        try:
            make(mine)
            mine.rename(folder)
        except BaseException:
            shutil.rmtree(mine)  # the next one may try
            raise
    return folder


class Fleets(Mapping[str, Path]):
    """Fleet name → folder of its pages, made when first asked for."""

    def __init__(self, tmp_path_factory: pytest.TempPathFactory) -> None:
        self._factory = tmp_path_factory

    def __getitem__(self, name: str) -> Path:
        plan, place = FLEETS[name], f"pages_{list(FLEETS).index(name)}"
        return made_once(self._factory, place, lambda folder: write_month(invented_month(plan), folder))

    def __iter__(self) -> Iterator[str]:
        return iter(FLEETS)

    def __len__(self) -> int:
        return len(FLEETS)


@pytest.fixture(scope="session")
def fleets(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Path]:
    return Fleets(tmp_path_factory)


@pytest.fixture(scope="session")
def demo_pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo fleet's pages: those in BLANKOFF_PAGES where a run has made them already, else made here."""
    given = os.environ.get("BLANKOFF_PAGES")
    if given:
        folder = Path(given).resolve()
        if not (folder / "index.html").is_file():
            pytest.fail(f"BLANKOFF_PAGES={given} holds no index.html; point it at the pages of a demo", pytrace=False)
        return folder
    return made_once(tmp_path_factory, "demo", run_demo) / "pages"


@pytest.fixture(scope="session")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where screenshots go: BLANKOFF_PICTURES, else a folder of this test run."""
    wanted = os.environ.get("BLANKOFF_PICTURES")
    folder = Path(wanted) if wanted else tmp_path_factory.mktemp("pictures")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@dataclass
class Watched:
    """A tab that remembers every complaint and every request."""

    page: Page
    folder: Path
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def open(self, name: str, until: str = "body[data-drawn=all]") -> Page:
        """Open a page of the folder and wait until all its charts are drawn, or until what is in sight is there."""
        self.page.goto((self.folder / name).as_uri())
        self.page.wait_for_selector(until, timeout=30_000)
        return self.page

    def check(self, name: str) -> None:
        """Fail on any console message, page error, or request outside the folder."""
        assert self.complaints == [], (name, self.complaints)
        base = self.folder.as_uri()
        assert [r for r in self.requests if not r.startswith(base)] == [], name
        self.requests.clear()


def watch(context: BrowserContext, folder: Path) -> Watched:
    """Open a watched tab."""
    page = context.new_page()
    watched = Watched(page, folder)
    page.on("console", lambda m: watched.complaints.append(f"{m.type}: {m.text}"))
    page.on("pageerror", lambda e: watched.complaints.append(f"error: {e}"))
    page.on("request", lambda r: watched.requests.append(r.url))
    return watched
