"""Every notebook runs as it stands: each claim in it is asserted in it, so that one that stops being true fails here."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from tests.notebooks.execute import NOTEBOOKS, pictures

ROOT = NOTEBOOKS.parent
WANTED = {"first_look", "one_evacuation", "telling_apart", "wear_and_oil", "are_we_fair"}
SOURCES = sorted(NOTEBOOKS.glob("*.py"))


def test_those_that_the_guide_names_are_there() -> None:
    assert {s.stem for s in SOURCES} >= WANTED


@pytest.mark.scheduled
@pytest.mark.parametrize("source", SOURCES, ids=lambda s: s.stem)
def test_notebook_runs_and_shows_pictures(source: Path, tmp_path: Path) -> None:
    """In a process of its own: kernels and their sockets outlive what pytest would call clean."""
    out = tmp_path / "run.ipynb"
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"), "1")
    env = {**os.environ, **threads, "IPYTHONDIR": str(tmp_path / "ipython"), "PYTHONWARNINGS": "default"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.notebooks.execute", str(source), str(out)],
        cwd=ROOT, env=env, capture_output=True, text=True, check=False, timeout=1800,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-4000:]
    notebook = nbformat.read(out, as_version=4)
    said = [o["text"] for c in notebook.cells for o in c.get("outputs", []) if o.get("name") == "stderr"]
    assert not said, f"a notebook warns of nothing: {said}"
    assert len(pictures(notebook)) >= 2, "a reader sees pictures"


@pytest.mark.parametrize("source", SOURCES, ids=lambda s: s.stem)
def test_notebook_is_short_and_asserts_its_claims(source: Path) -> None:
    text = source.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 260, "readable in three minutes"
    assert len(re.findall(r"^\s*assert ", text, re.M)) >= 4
    assert "from tests" not in text
    assert "import tests" not in text


def test_every_picture_is_shown_on_the_folders_page() -> None:
    page = (NOTEBOOKS / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"\]\((pictures/[^)]+)\)", page)
    assert sorted(shown) == sorted(f"pictures/{p.name}" for p in (NOTEBOOKS / "pictures").iterdir())
    assert all(f"({s.name})" in page for s in SOURCES)
