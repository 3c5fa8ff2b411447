"""All pages of a month, written into one folder that works offline from a disk, a share or a web server."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeAlias

import jinja2
import vl_convert

from blankoff.report import markup, theme
from blankoff.report.beside import shared_out
from blankoff.report.book import Book, open_book
from blankoff.report.book_frames import ASSETS, PEOPLE
from blankoff.report.data import MonthData, no_haste, no_log
from blankoff.report.handover import write_handover
from blankoff.report.layout import Block, Page
from blankoff.report.names import page_path
from blankoff.report.stamps import page_stamps
from blankoff.report.views.asset import asset_page
from blankoff.report.views.entry import entry_page
from blankoff.report.views.evacuation import evacuation_page
from blankoff.report.views.maintenance import maintenance_page
from blankoff.report.views.operations import operations_page
from blankoff.report.views.person import logs_to_look_at, person_extras, person_page
from blankoff.report.views.training import training_page
from blankoff.report.words import CAUTIONS, GLOSSARY, day, month_name, months_up_to
from blankoff.report.worklist import work_list
from blankoff.samples import SampleBatch

NAV = (
    ("index", "Overview"),
    ("operations", "Operations"),
    ("maintenance", "Maintenance"),
    ("training", "Training"),
    ("glossary", "Glossary"),
)
MANY_PAGES = 800
"""Pages from which other processes are started to write some of them: one takes two seconds to begin."""
MOST_OTHERS = 3
"""Other processes at most: each holds the month's frames."""
PAGES_AT_ONCE = 128
"""Pages that are one piece of work: nobody waits for another for longer than these take."""
LOGS_AT_ONCE = 1024
"""Logs fetched together: a question to the store costs as much as hundreds of them."""
STAMPS = "static/stamps.txt"
"""What each page of a single thing was made of; kept beside the pages."""
Earlier: TypeAlias = Callable[[str, str], Path | None]
Piece: TypeAlias = tuple[tuple[str, str], ...]
"""Things whose pages are written together, each as its kind and id."""


def _nothing(name: str, stamp: str) -> Path | None:
    return None


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
    for piece in _pieces(book):
        book.data.read_ahead(wanted_logs(book, piece))
        for kind, id_ in piece:
            yield page_path(kind, id_), _page_of(book, kind, id_)


def _own_pages(book: Book) -> Iterator[tuple[str, Page]]:
    """The month's own pages, which are of no single thing."""
    yield "index.html", entry_page(book)
    yield "operations.html", operations_page(book)
    yield "maintenance.html", maintenance_page(book)
    yield "training.html", training_page(book)
    yield "glossary.html", _glossary_page()


def _page_of(book: Book, kind: str, id_: str) -> Page:
    if kind == "evacuation":
        return evacuation_page(book, id_)
    return person_page(book, id_) if kind == PEOPLE else asset_page(book, kind, id_)


def _pieces(book: Book) -> list[Piece]:
    """Everything that has a page of its own, some at a time: what asks for much of the store first."""
    things: list[tuple[list[tuple[str, str]], int]] = [
        ([("evacuation", e) for e in sorted(book.paged["evacuation"])], PAGES_AT_ONCE),
        ([(PEOPLE, id_) for id_ in sorted(book.paged[PEOPLE])], PAGES_AT_ONCE // 2),
        (book.in_company, PAGES_AT_ONCE // 2),
    ]
    return [tuple(all_[k : k + most]) for all_, most in things for k in range(0, len(all_), most)]


def wanted_logs(book: Book, piece: Piece) -> list[str]:
    """Return the evacuations whose readings the pages of some things show."""
    out: list[str] = []
    for kind, id_ in piece:
        if kind == "evacuation":
            out += [id_, *book.twins_of(id_)]
        elif kind == PEOPLE:
            out += [e for e, _ in logs_to_look_at(book, id_)]
    return list(dict.fromkeys(out))


class Writer:
    """Writes pages of single things, here or in another process; readings are handed to it.

    Parameters
    ----------
    data, out, all_evacuations
        As for `write_month`; the folders are there.
    extra
        More evacuations that have pages.
    """

    def __init__(self, data: MonthData, extra: Sequence[str], out: Path, all_evacuations: bool) -> None:
        self._logs: Mapping[str, SampleBatch] = {}
        given = replace(data, load_log=lambda e: self._logs[e], read_ahead=no_haste)
        self.book = open_book(given, all_evacuations=all_evacuations, extra=extra)
        self._out, self._site = out, _site(data)

    def __call__(self, piece: Piece, logs: Mapping[str, SampleBatch]) -> None:
        """Write the pages of some things; ``logs`` are the readings of `wanted_logs`, as far as there are any."""
        self._logs = logs
        for kind, id_ in piece:
            _write_page(self._out, page_path(kind, id_), _page_of(self.book, kind, id_), self._site)


def write_month(
    data: MonthData, out: Path, *, all_evacuations: bool = False, base: str = "", earlier: Earlier = _nothing
) -> list[Path]:
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
    base
        See `stamps.page_stamps`; without it no page says what it was made of.
    earlier
        Called with the path of a page and what it is to be made of: where such a page lies, if there is one. It is taken as it is.

    Returns
    -------
    list of Path
        Everything written, the entry page first.
    """
    out.mkdir(parents=True, exist_ok=True)
    for folder in ("static", *ASSETS, PEOPLE, "evacuation"):
        (out / folder).mkdir(exist_ok=True)
    extra = person_extras(data.work, data.finding, months_up_to(data.month, 13))
    write = Writer(data, extra, out, all_evacuations)
    book, site = write.book, _site(data)
    bare = replace(data, load_log=no_log, read_ahead=no_haste)
    stamps = page_stamps(book, base) if base else {}
    kept = {name for name, stamp in stamps.items() if _taken_over(earlier(name, stamp), out / name)}
    pieces = [left for piece in _pieces(book) if (left := tuple(t for t in piece if page_path(*t) not in kept))]
    logs_of = _Fetching(book, data, pieces)
    others = min((os.cpu_count() or 1) - 1, MOST_OTHERS) if sum(map(len, pieces)) >= MANY_PAGES else 0
    with shared_out(pieces, others, Writer, (bare, extra, out, all_evacuations), lambda p: (p, logs_of(p))) as shared:
        written = [_write_page(out, name, page, site) for name, page in _own_pages(book)]
        written += write_handover(work_list(book), data.as_of, out)
        written += _write_shared(out)
        for piece in shared:
            write(piece, logs_of(piece))
    of_things = {page_path(kind, id_) for piece in pieces for kind, id_ in piece} | kept
    written += [out / name for name in sorted(of_things)]
    if stamps:
        written.append(out / STAMPS)
        lines = "".join([f"{stamps[name]} {name}\n" for name in sorted(of_things)])
        written[-1].write_text(lines, encoding="utf-8", newline="\n")
    _forget_old(out, written)
    return written


def _taken_over(lies: Path | None, target: Path) -> bool:
    """Give a page that is there a second name, or copy it; return whether that was done."""
    if lies is None:
        return False
    try:
        os.link(lies, target)
    except OSError:  # a file system without such names
        try:
            shutil.copyfile(lies, target)
        except OSError:
            return False
    return True


class _Fetching:
    """Readings for pieces of work, which are done in about the order of ``pieces``, by several threads: many fetched together."""

    def __init__(self, book: Book, data: MonthData, pieces: Sequence[Piece]) -> None:
        self._book, self._data, self._pieces = book, data, pieces
        self._place = {piece: k for k, piece in enumerate(pieces)}
        self._ahead: dict[Piece, dict[str, SampleBatch]] = {}
        self._one_at_a_time = threading.Lock()

    def __call__(self, piece: Piece) -> dict[str, SampleBatch]:
        """Return what `wanted_logs` names of a piece, as far as there is any."""
        with self._one_at_a_time:
            if piece not in self._ahead:
                self._fetch(self._place[piece])
            return self._ahead.pop(piece)

    def _fetch(self, first: int) -> None:
        wanted: dict[Piece, list[str]] = {}
        held = 0
        for piece in self._pieces[first:]:
            wanted[piece] = wanted_logs(self._book, piece)
            held += len(wanted[piece])
            if held >= LOGS_AT_ONCE:
                break
        self._data.read_ahead(list(dict.fromkeys(e for logs in wanted.values() for e in logs)))
        self._ahead |= {piece: dict(_known_logs(self._data, logs)) for piece, logs in wanted.items()}


def _known_logs(data: MonthData, evacuation_ids: Iterable[str]) -> Iterator[tuple[str, SampleBatch]]:
    for e in evacuation_ids:
        try:
            yield e, data.load_log(e)
        except LookupError:
            continue


def _write_page(out: Path, name: str, page: Page, site: dict[str, Any]) -> Path:
    path = out / name
    text = render(page, site, "../" if "/" in name else "")
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")
    return path


def _write_shared(out: Path) -> list[Path]:
    """Write what all pages share."""
    assets, written = files("blankoff.report") / "assets", []
    for name, text in (
        ("site.js", (assets / "site.js").read_text(encoding="utf-8")),
        ("mark.svg", (assets / "mark.svg").read_text(encoding="utf-8")),
        ("blankoff.css", style_sheet()),
        ("charts.js", charts_bundle()),
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
