"""README's pictures of the demo's pages: ``python -m tests.browser.screens demo/pages`` takes them again."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tests.browser.conftest import ARGUMENTS, CHROMIUM, watch

SCREENS = Path(__file__).resolve().parents[2] / "notebooks" / "screens"


@dataclass(frozen=True)
class Screen:
    """One picture: which page (of a folder the one with the most on it), from which element down, how wide and high."""

    page: str
    top: str
    width: int
    height: int
    dark: bool = False
    telling: str = "What was found"


WANTED = {
    "operations": Screen("operations.html", "body", 1060, 900),
    "maintenance": Screen("maintenance.html", "body", 1060, 820),
    "pump": Screen("pump", "#history", 1060, 1090, telling="Oil due: "),
    "technician": Screen("technician", "body", 1060, 1120),
    "evacuation": Screen("evacuation", "body", 1060, 1240, telling=": failed, rose over the limit: leak"),
    "phone": Screen("index.html", "body", 390, 844, dark=True),
}


def which(folder: Path, page: str, telling: str) -> str:
    """Path of the page to show: a reader's page itself, or of a folder's pages the fullest one that tells something."""
    if page.endswith(".html"):
        return page
    found = sorted((folder / page).glob("*.html"), key=lambda p: (-p.stat().st_size, p.name))
    those = [p for p in found if telling in p.read_text(encoding="utf-8")]
    return (those or found)[0].relative_to(folder).as_posix()


def take(browser: Browser, folder: Path, out: Path) -> list[Path]:
    """Take every picture of README; returns their paths."""
    out.mkdir(parents=True, exist_ok=True)
    taken = []
    for name, screen in WANTED.items():
        context = browser.new_context(
            viewport={"width": screen.width, "height": screen.height},
            color_scheme="dark" if screen.dark else "light",
            offline=True,
        )
        tab = watch(context, folder.resolve())
        page = tab.open(which(folder, screen.page, screen.telling))
        top = page.evaluate("at => document.querySelector(at).getBoundingClientRect().top", screen.top)
        path = out / f"{name}.png"
        page.screenshot(
            path=path,
            full_page=True,
            clip={"x": 0, "y": max(top, 0), "width": screen.width, "height": screen.height},
        )
        tab.check(name)
        context.close()
        taken.append(path)
    return taken


def main(folder: str) -> None:
    """Take the pictures of a folder of demo pages into the repository."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        for path in take(browser, Path(folder), SCREENS):
            print(path.name, path.stat().st_size)
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1])
