"""Small fleet folders for tests: copies of the committed sample, some of them broken on purpose."""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl

from blankoff import schemas
from blankoff.store import open_store

SAMPLE = Path(__file__).resolve().parents[2] / "synthetic_data" / "sample_fleet"
CLOCK_COLUMNS = {"quarantine": ["seen_at"]}


def copy_sample(target: Path) -> Path:
    """Copy the committed sample fleet."""
    shutil.copytree(SAMPLE, target)
    return target


def plain_logs(fleet: Path) -> list[Path]:
    """Log files in plain CSV, in a fixed order."""
    return sorted((fleet / "logs").rglob("E*.csv"))


def tables(store: Path) -> dict[str, pl.DataFrame]:
    """Every table of the contract, without what the clock decides."""
    with open_store(store, read_only=True) as opened:
        return {n: opened.table(n).drop(CLOCK_COLUMNS.get(n, [])) for n in schemas.TABLES}


def assert_same_tables(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    """Compare to the last digit."""
    for name, frame in one.items():
        assert frame.equals(other[name]), f"table {name} differs"


def break_fleet(fleet: Path) -> dict[str, int]:
    """Damage a fleet folder as the issue of the main job says; return what was done, in counts."""
    (fleet / "hoses.csv").unlink()
    (fleet / "pumps.csv").write_text("this is, not a register\nof,pumps\n", encoding="utf-8")
    logs = plain_logs(fleet)
    assert len(logs) >= 7
    logs[0].write_bytes(b"\x00\x01\x02 nothing of use \xff\xfe" * 50)
    logs[1].write_text("elapsed_s,pressure_micron\n", encoding="utf-8")
    logs[2].write_text("elapsed_s,pressure_furlong\n0,1\n1,2\n2,3\n", encoding="utf-8")
    logs[3].rename(logs[3].with_name(logs[3].name + ".gz"))  # its bytes are not what its name says
    register = fleet / "evacuations.csv"
    text = register.read_text(encoding="utf-8")
    relative = logs[3].relative_to(fleet / "logs").as_posix()
    text = text.replace(f",{relative},", f",{relative}.gz,")
    logs[4].write_text(
        "elapsed_s,pressure_micron\n" + "".join(f"{t},{0.76 * 0.98**t:.5f}\n" for t in range(400)), encoding="utf-8"
    )  # a pull from 0.76 "micron": a thousandfold slip
    lines = text.splitlines()
    text = "\n".join([*lines, lines[5], lines[6]]) + "\n"  # two evacuations given twice
    register.write_text(text, encoding="utf-8")
    return {"broken_logs": 5, "repeated_rows": 2}
