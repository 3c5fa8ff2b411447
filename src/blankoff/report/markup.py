"""Template filters for the pieces that occur thousands of times on a page: text, links, cells as safe HTML.

Inside, plain strings that are escaped where they are made; only the filters hand out markup.
"""

from __future__ import annotations

import html
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import markupsafe
from markupsafe import Markup

from blankoff.report.charts.base import Chart, Table
from blankoff.report.layout import Block, Cell, Link, LivelyTable
from blankoff.report.words import GLOSSARY, NBSP, NONE

LONG_WORD = 24
_KEPT = 32_768
"""Texts kept escaped: ids, days and names come again on many pages."""
escape = lru_cache(maxsize=_KEPT)(html.escape)


@lru_cache(maxsize=_KEPT)
def _plain(text: str) -> str:
    """Escape as templates do, a per cent sign kept with its number."""
    return str(markupsafe.escape(tied(text)))


def tied(value: Any) -> Any:
    """Keep a per cent sign on its number's line, in prose; markup and what is no text stay as they are."""
    return value.replace(" %", f"{NBSP}%") if type(value) is str else value


@lru_cache(maxsize=_KEPT)
def _words(shown: str) -> str:
    long = len(shown) > LONG_WORD and any(len(w) > LONG_WORD for w in shown.split())
    return f'<bdi class="long">{escape(shown)}</bdi>' if long else f"<bdi>{escape(shown)}</bdi>"


def _thing(link: Link | Cell, root: str) -> str:
    if not link.href:
        return _words(link.text)
    return f'<a href="{escape(root + link.href)}">{_words(link.text)}</a>'


def words(text: object) -> Markup:
    """Return any text escaped and kept apart in its own direction; a very long word may break anywhere."""
    return Markup(_words(str(text)))


def thing(link: Link | Cell, root: str) -> Markup:
    """Return a name, as a link where it has a page."""
    return Markup(_thing(link, root))


def _hidden_name(shown: str, alias: str) -> str:
    return f'<span class="real">{shown}</span><span class="alias">{escape(alias)}</span>'


def _cell(c: Cell, root: str) -> str:
    if c.verdict is not None:
        v = c.verdict
        return f'<span class="tag {v.code}"><i aria-hidden="true">{v.sign}</i>{v.word}</span>'
    if c.alias:
        return _hidden_name(_thing(c, root), c.alias)
    return escape(c.joint).join([_thing(part, root) for part in c.parts])


def _lively_rows(table: LivelyTable, root: str) -> str:
    """Rows of a table that sorts and filters."""
    out: list[str] = []
    heads = [(_NUMBER if h.number else "", escape(h.text)) for h in table.headers]
    for row in table.rows:
        if row.made and row.made[0] is table.headers and row.made[1] == root:
            out.append(row.made[2])
            continue
        begun = len(out)
        id_ = f' id="{escape(row.id)}"' if row.id else ""
        person = f' class="person other" data-person="{escape(row.person)}"' if row.person else ""
        out.append(f"<tr{id_}{person}>")
        element, scope = "th", ' scope="row"'
        for c, (number, name) in zip(row.cells, heads, strict=True):
            if element == "td" and c.text == NONE and c.verdict is None:
                number = ' class="n none"' if number else ' class="none"'
            key = "" if c.key is None else f' data-key="{escape(str(c.key))}"'
            out.append(f'<{element}{scope}{number} data-head="{name}"{key}>{_cell(c, root)}</{element}>')
            element, scope = "td", ""
        out.append("</tr>\n")
        row.made[:] = table.headers, root, "".join(out[begun:])
    return "".join(out)


@lru_cache(maxsize=_KEPT)
def _data_row(row: tuple[str, ...], link: str, root: str) -> str:
    cells = "".join([f"<td>{_words(text)}</td>" for text in row[1:]])
    return f'<tr><th scope="row">{_thing(Link(row[0], link), root)}</th>{cells}</tr>\n'


def _data_rows(table: Table, root: str) -> str:
    """Rows of the table under a chart."""
    if not table.people:
        links = table.links or [""] * len(table.rows)
        return "".join([_data_row(row, link, root) for row, link in zip(table.rows, links, strict=True)])
    out: list[str] = []
    for place, row in enumerate(table.rows):
        person = table.people[place]
        first = _thing(Link(row[0], table.links[place] if table.links else ""), root)
        first = _hidden_name(first, person[1])
        mine = f' class="person other" data-person="{escape(person[0])}"'
        out.append(f'<tr{mine}><th scope="row">{first}</th>')
        out.extend([f"<td>{_words(text)}</td>" for text in row[1:]])
        out.append("</tr>\n")
    return "".join(out)


def _numbers(table: Table, root: str, caption: str) -> str:
    """The table under a chart."""
    heads = "".join([f'<th scope="col">{_plain(h)}</th>' for h in table.headers])
    named = _plain(caption)
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{named}">\n<table>\n<caption>{named}</caption>'
        f"<thead><tr>{heads}</tr></thead>\n<tbody>\n{_data_rows(table, root)}</tbody>\n</table>\n</div>"
    )


def _figure(c: Chart, root: str) -> str:
    """A chart: place to draw on, numbers, and the drawing itself."""
    pages = f' data-rows="{c.rows_per_page}" data-of="{c.rows}"' if c.rows_per_page else ""
    note = f'<p class="note">{_plain(c.note)}</p>' if c.note else ""
    return (
        f'<figure class="chart" id="{_plain(c.key)}" data-high="{c.high}"{pages}>\n'
        f"<figcaption>{_plain(c.title)}</figcaption>\n"
        f'<div class="plot" role="img" aria-label="{_plain(c.alt)}"></div>\n{note}'
        f"<details><summary>The numbers of this chart</summary>\n{_numbers(c.table, root, 'The numbers of: ' + c.title)}\n"
        f'</details>\n<script type="application/json">{c.spec_json}</script>\n</figure>'
    )


def _figures(charts: list[Chart], root: str) -> str:
    return f'<div class="pair">{"".join([_figure(c, root) for c in charts])}</div>'


def _lively(table: LivelyTable, root: str) -> str:
    """A table that sorts, filters and unfolds."""
    heads = "".join([f'<th scope="col"{_NUMBER if h.number else ""}>{_plain(h.text)}</th>' for h in table.headers])
    paper = ' data-paper="folded"' if table.folded_on_paper else ""
    caption = _plain(table.caption)
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{caption}">\n'
        f'<table class="lively stack" data-first="{table.first}"{paper}>\n<caption>{caption}</caption>\n'
        f"<thead><tr>{heads}</tr></thead>\n<tbody>\n{_lively_rows(table, root)}</tbody>\n</table>\n</div>"
    )


def _pairs(items: list[tuple[str, Link | str]], root: str) -> str:
    """Names with what they are of this thing."""
    rows = [
        f"<dt>{_plain(name)}</dt><dd>{_thing(value, root) if isinstance(value, Link) else _words(str(value))}</dd>"
        for name, value in items
    ]
    return f'<dl class="plain">{"".join(rows)}</dl>'


_NUMBER = ' class="n"'
_MADE_HERE: dict[str, Callable[[Any, str], str]] = {
    "chart": _figure,
    "charts": _figures,
    "table": _lively,
    "plain": _pairs,
    "missing": lambda text, root: f'<p class="missing">{_plain(text)}</p>',
    "quiet": lambda text, root: f'<p class="note">{_plain(text)}</p>',
}
"""Kinds of blocks that occur on thousands of pages; the template lays out the others."""


def made_here(block: Block) -> bool:
    """Whether a block is of a kind that `common_block` lays out."""
    return block.kind in _MADE_HERE


def common_block(block: Block, root: str) -> Markup:
    """Return a block of one of the common kinds."""
    return Markup(_MADE_HERE[block.kind](block.value, root) + "\n")


@lru_cache(maxsize=256)
def glossed(words: tuple[str, ...]) -> Markup:
    """Return words with what they mean, the same on many pages."""
    return Markup("".join([f"<dt>{_plain(w)}</dt><dd>{_plain(GLOSSARY[w])}</dd>\n" for w in words]))
