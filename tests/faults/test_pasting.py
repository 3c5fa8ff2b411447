"""No SQL and no HTML is put together from data: looked for in the code itself, beside the tests that feed it what would show."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from blankoff.report import markup

SOURCE = Path(__file__).resolve().parents[2] / "src" / "blankoff"
RUNS_SQL = {"execute", "executemany", "sql", "from_query"}
OUR_OWN_TEXT = {
    ("connection.py", "sql"),  # a migration's file
    ("editing.py", "made_by"),  # the definition of a table of ours, as the database tells it
    ("store.py", "sql"),  # a statement by name, or one of `queries`
}
HTML_IS_MADE_IN = {"markup.py"}
"""Everywhere else templates do, which escape."""


def nodes_of(told_by: str) -> Iterator[tuple[Path, ast.AST]]:
    """Nodes of those modules whose text has a pattern in it: parsing all would take longer than the rest of this file."""
    for path in sorted(SOURCE.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if re.search(told_by, text):
            yield from ((path, node) for node in ast.walk(ast.parse(text)))


def is_ours(node: ast.expr, file: str) -> bool:
    """Whether an SQL text is a constant, a named statement, or made by `queries` from names of our own."""
    if isinstance(node, ast.Constant):
        return True
    if isinstance(node, ast.Name):
        return (file, node.id) in OUR_OWN_TEXT
    text = ast.unparse(node)
    return bool(re.match(r"(queries\.)?statements\(\)\[|queries\.\w+\(", text))


def test_every_statement_that_is_run_is_ours() -> None:
    ran = 0
    for path, node in nodes_of(r"\.(?:execute|executemany|sql|from_query)\("):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in RUNS_SQL:
            assert path.parent.name == "store", f"{path.name}:{node.lineno}: SQL is the store's business"
            if node.args:
                ran += 1
                assert is_ours(node.args[0], path.name), f"{path.name}:{node.lineno}: {ast.unparse(node)}"
    assert ran > 15


def test_a_statement_put_together_would_be_noticed() -> None:
    for text in ('f"SELECT {x}"', '"SELECT " + x', '"SELECT {}".format(x)', '"SELECT %s" % x', "x", "read(x)"):
        assert not is_ours(ast.parse(text, mode="eval").body, "store.py"), text


def test_markup_is_made_in_one_module_and_escapes_what_it_is_given() -> None:
    """Tags in f-strings, and text declared safe, elsewhere than in the module of that purpose."""
    made = set()
    tag = re.compile(r"</?[a-z][a-z0-9]*[ >]")
    for path, node in nodes_of(rf"Markup|{tag.pattern}"):
        pieces = (
            [v.value for v in node.values if isinstance(v, ast.Constant)] if isinstance(node, ast.JoinedStr) else []
        )
        if any(tag.search(str(piece)) for piece in pieces):
            made.add(path.name)
        if isinstance(node, ast.Call) and getattr(node.func, "attr", getattr(node.func, "id", "")) == "Markup":
            made.add(path.name)
    drawn = {"paper.py"}  # SVG for the printed sheet, whose texts it escapes: tests/report/test_paper.py
    assert made - drawn <= HTML_IS_MADE_IN, made
    templates = [p for p in SOURCE.rglob("*.j2") if p.name.endswith(".html.j2")]
    safe = [line.strip() for p in templates for line in p.read_text(encoding="utf-8").splitlines() if "| safe" in line]
    assert len(templates) >= 3
    assert safe == ['<script type="application/json">{{ m.json | safe }}</script>'], "JSON whose brackets are escaped"


@pytest.mark.parametrize("nasty", ["<b>x</b>", '" onload="x', "' x='", "</script>", "&lt;", "x" * 30 + "<i>"])
def test_words_and_links_come_out_as_text(nasty: str) -> None:
    from html.parser import HTMLParser

    class Seen(HTMLParser):
        def __init__(self) -> None:
            super().__init__()
            self.tags: list[str] = []
            self.attributes: list[tuple[str, str | None]] = []
            self.text = ""

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            self.tags.append(tag)
            self.attributes += attrs

        def handle_data(self, data: str) -> None:
            self.text += data

    for made in (markup.words(nasty), markup.thing(markup.Link(nasty, f"pump/{nasty}.html"), "../")):
        seen = Seen()
        seen.feed(str(made))
        assert seen.text == nasty
        assert set(seen.tags) <= {"a", "bdi"}
        assert {k for k, _ in seen.attributes} <= {"href", "class"}
        assert dict(seen.attributes).get("href", f"../pump/{nasty}.html") == f"../pump/{nasty}.html"
