"""The jobs an operator schedules run as they stand, on the public API alone."""

from __future__ import annotations

import ast
import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

import blankoff
from tests.pipeline.fleets import copy_sample

SCRIPTS = Path(__file__).resolve().parents[2] / "pipelines"


def load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, SCRIPTS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("script", sorted(p.name for p in SCRIPTS.glob("*.py")))
def test_scripts_use_public_names_only(script: str) -> None:
    tree = ast.parse((SCRIPTS / script).read_text(encoding="utf-8"))
    used = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "bo"
    }
    assert used
    assert used <= set(blankoff.__all__)


def test_nightly_then_monthly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet, store = copy_sample(tmp_path / "fleet"), tmp_path / "s.duckdb"
    nightly, monthly = load("nightly_ingest"), load("monthly_review")
    assert nightly.main(str(fleet), str(store)) == 1  # the sample holds broken files on purpose
    assert "read just now: 0" not in capsys.readouterr().out
    assert nightly.main(str(fleet), str(store)) == 1
    assert "read just now: 0 log files" in capsys.readouterr().out
    assert monthly.main(str(fleet), str(store), str(tmp_path / "out")) == 1
    assert "The pages begin at" in capsys.readouterr().out
    assert list((tmp_path / "out").glob("*/index.html"))
    assert (tmp_path / "out" / "tables" / "result.csv").is_file()
    assert nightly.main(str(tmp_path / "nowhere"), str(store)) == 2
    assert "nothing was done" in capsys.readouterr().err
