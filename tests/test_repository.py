"""The repository keeps to its own rules: what stands at the top, how long modules are, what no file may name."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "src", "pipelines", "notebooks", "tests", "synthetic_data",
}  # fmt: skip
LONGEST = 450
LONGER = {
    "synthetic_data/blankoff_synthetic/kernel.py": 455,
}
"""Modules that want splitting and may not grow meanwhile; nothing is to be added here."""
TEXT = {
    ".py",
    ".md",
    ".toml",
    ".sql",
    ".j2",
    ".typ",
    ".js",
    ".css",
    ".csv",
    ".json",
    ".txt",
    ".yml",
    ".yaml",
    ".svg",
    "",
}
MACHINE_PATH = re.compile(r"(?<![\w.])/(?:home|root|Users|work|tmp|var/folders|mnt|opt)/[\w.-]+")


def in_version_control() -> list[str]:
    """Paths that are, or would be, kept; none outside a clone."""
    if not (ROOT / ".git").exists():
        return []
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    )  # fmt: skip
    return [p for p in listed.stdout.split("\0") if p] if listed.returncode == 0 else []


KEPT = in_version_control()
needs_git = pytest.mark.skipif(not KEPT, reason="no clone: what is kept is known to version control only")


@needs_git
def test_only_the_known_names_stand_at_the_top() -> None:
    visible = {p.split("/")[0] for p in KEPT if not p.startswith(".")}
    assert visible <= TOP, visible - TOP
    assert visible >= {"README.md", "DEVELOPERS.md", "pyproject.toml", "src", "tests"}


@pytest.mark.parametrize("folder", ["src", "synthetic_data"])
def test_modules_are_short(folder: str) -> None:
    modules = [*(ROOT / folder).rglob("*.py")]
    assert len(modules) > 10
    lengths = {str(p.relative_to(ROOT)): len(p.read_text(encoding="utf-8").splitlines()) for p in modules}
    assert not {p: n for p, n in lengths.items() if n > LONGER.get(p, LONGEST)}
    mended = [p for p in LONGER if p.startswith(f"{folder}/") and lengths.get(p, 0) <= LONGEST]
    assert not mended, "short now: take them off the list"


@needs_git
def test_no_file_names_a_place_on_somebodys_machine() -> None:
    found = []
    for path in KEPT:
        file = ROOT / path
        if file.suffix not in TEXT or not file.is_file() or path.startswith("synthetic_data/sample_fleet/logs"):
            continue
        for number, line in enumerate(file.read_text(encoding="utf-8", errors="replace").splitlines(), start=1):
            if MACHINE_PATH.search(line):
                found.append(f"{path}:{number}: {line.strip()[:100]}")
    assert not found


@needs_git
def test_nothing_generated_is_kept() -> None:
    parts = {"__pycache__", ".venv", "node_modules", ".mypy_cache", ".ruff_cache", ".pytest_cache", "dist", "build"}
    assert not [p for p in KEPT if parts & set(p.split("/"))]
    assert not [p for p in KEPT if p.endswith((".pyc", ".duckdb", ".egg-info", ".ipynb", ".lock"))]
    assert sum((ROOT / p).stat().st_size for p in KEPT if (ROOT / p).is_file()) < 8_000_000


def test_the_pattern_for_machine_paths_can_fail() -> None:
    assert MACHINE_PATH.search("see " + "/".join(["", "home", "somebody", "x.csv"]))
    assert not MACHINE_PATH.search("logs/home/somebody.csv and https://example.org/home/page")
