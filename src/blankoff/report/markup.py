"""Template filters for the pieces that occur thousands of times on a page: text, links, cells as safe HTML.

Inside, plain strings that are escaped where they are made; only the filters hand out markup.
"""

from __future__ import annotations

from functools import lru_cache
from html import escape

from markupsafe import Markup

from blankoff.report.charts.base import Table
from blankoff.report.layout import Cell, Link, LivelyTable
from blankoff.report.words import NONE

LONG_WORD = 24


@lru_cache(maxsize=4096)
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


def lively_rows(table: LivelyTable, root: str) -> Markup:
    """Return the rows of a table that sorts and filters."""
    out: list[str] = []
    heads = [(' class="n"' if h.number else "", escape(h.text)) for h in table.headers]
    for row in table.rows:
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
    return Markup("".join(out))


def data_rows(table: Table, root: str) -> Markup:
    """Return the rows of the table under a chart."""
    out: list[str] = []
    for place, row in enumerate(table.rows):
        person = table.people[place] if table.people else None
        first = _thing(Link(row[0], table.links[place] if table.links else ""), root)
        if person is not None:
            first = _hidden_name(first, person[1])
        mine = "" if person is None else f' class="person other" data-person="{escape(person[0])}"'
        out.append(f'<tr{mine}><th scope="row">{first}</th>')
        out.extend([f"<td>{_words(text)}</td>" for text in row[1:]])
        out.append("</tr>\n")
    return Markup("".join(out))
