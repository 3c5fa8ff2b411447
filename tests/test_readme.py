"""What README shows works as shown: the two commands, the settings, the register, the Python example."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from blankoff.ingest import registers
from blankoff.settings import read_settings, settings_from_dict

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
SAMPLE = ROOT / "synthetic_data" / "sample_fleet"


def blocks(language: str) -> list[str]:
    """Fenced blocks of a language, indentation taken off; blocks without one for an empty name."""
    found = re.findall(r"^( *)```(\w*)\n(.*?)^\1```$", README.read_text(encoding="utf-8"), re.M | re.S)
    return [
        "\n".join(line.removeprefix(indent) for line in body.splitlines())
        for indent, name, body in found
        if name == language
    ]


def test_the_two_commands_stand_alone_on_one_line_each() -> None:
    first, second = blocks("sh")[:2]
    for command in (first, second):
        assert len([line for line in command.splitlines() if line.strip()]) == 1
        assert command.startswith("python3.11 -m venv ")
    assert "blankoff demo" in first
    assert re.search(r"\bpytest\b", second)
    assert "[test]" in second


def test_the_settings_shown_are_read(tmp_path: Path) -> None:
    (text,) = blocks("toml")
    settings = settings_from_dict(tomllib.loads(text))
    assert settings.acceptance.target_micron == 500
    layout = settings.log_layouts["van_logger"]
    assert (layout.delimiter, layout.decimal, layout.skip_rows) == (";", ",", 3)
    (tmp_path / "fleet.toml").write_text(text, encoding="utf-8")
    assert read_settings(tmp_path / "fleet.toml") == settings


def test_the_register_shown_is_read(tmp_path: Path) -> None:
    (text,) = [b for b in blocks("") if b.startswith("evacuation_id,")]
    (tmp_path / "logs" / "north").mkdir(parents=True)
    (tmp_path / "evacuations.csv").write_text(text + "\n", encoding="utf-8")
    read = registers.read_registers(tmp_path, settings_from_dict({}))
    assert read.quarantine.is_empty(), read.quarantine
    row = read.frames["evacuations"].row(0, named=True)
    assert row["evacuation_id"] == "E-0001"
    assert row["reported"] == "passed"
    assert row["started_at"].strftime("%Y-%m-%d %H:%M") == "2026-10-02 08:15"


def test_the_python_example_runs(tmp_path: Path) -> None:
    (code,) = blocks("python")
    shutil.copytree(SAMPLE, tmp_path / "fleet")
    largest = max((SAMPLE / "logs").rglob("E*.csv"), key=lambda p: p.stat().st_size)
    shutil.copy(largest, tmp_path / "circuit_7.csv")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code + "\nprint(pumps.shape, pumps.to_pandas().shape)\n"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    verdict, shapes = done.stdout.strip().splitlines()
    assert verdict.split()[0] in ("passed", "failed", "unproven")
    polars_shape, pandas_shape = re.findall(r"\(.*?\)", shapes)
    assert polars_shape == pandas_shape
    assert (tmp_path / "pages" / "index.html").is_file()


def test_every_command_named_exists() -> None:
    from blankoff.cli import main

    named = set(re.findall(r"`blankoff (\w+)[ `]", README.read_text(encoding="utf-8")))
    assert named
    assert named <= set(main.commands)
    table = set(re.findall(r"^\| `blankoff (\w+)", README.read_text(encoding="utf-8"), re.M))
    assert table == set(main.commands), "README's table lists every command"


@pytest.mark.parametrize("caution", ["not a release to charge", "licensed practice", "for coaching", "flammable"])
def test_cautions_are_there(caution: str) -> None:
    assert caution in " ".join(README.read_text(encoding="utf-8").split())


def test_pictures_are_those_that_the_script_takes_and_small() -> None:
    """`tests.browser.screens` takes them, the browser tests take them again; PNG's first bytes by its specification [MEM]."""
    from tests.browser.screens import SCREENS, WANTED

    shown = re.findall(r"!\[[^\]]+\]\(([^)]+\.png)\)", README.read_text(encoding="utf-8"))
    assert sorted(shown) == sorted(f"notebooks/screens/{name}.png" for name in WANTED)
    assert {p.stem for p in SCREENS.iterdir()} == set(WANTED)
    for path in SCREENS.iterdir():
        raw = path.read_bytes()
        assert raw.startswith(b"\x89PNG\r\n\x1a\n"), path.name
        assert len(raw) < 250_000, path.name


def test_pictures_and_links_lead_somewhere() -> None:
    text = README.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert "://" in target or (ROOT / target).exists(), target
