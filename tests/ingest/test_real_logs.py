"""Measured logs that nobody here made, read by layouts alone.

The folder is named by the environment variable BLANKOFF_REAL_LOGS; its note says what is known of each file. Values
marked READ are that note's.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from blankoff.errors import LogUnreadableError
from blankoff.ingest.logs import read_log, read_logs
from blankoff.samples import SampleBatch
from blankoff.settings import Settings, settings_from_dict
from blankoff.units import micron_to

FOLDER = os.environ.get("BLANKOFF_REAL_LOGS", "")
pytestmark = pytest.mark.skipif(
    not FOLDER, reason="BLANKOFF_REAL_LOGS is not set: the measured logs are not part of this repository"
)

CLOCK = {"column": "time", "format": "%H:%M:%S"}
LAYOUTS: Settings = settings_from_dict(
    {
        "log_layouts": {
            "pump_down": {
                "files": "rotary_34l/DPEK*.csv",
                "delimiter": ", \t",
                "time": CLOCK,
                "pressure": {"column": "TPG202 [mbar]", "unit": "mbar"},
            },
            "rise_named_otherwise": {
                "files": "rotary_34l/DPLR42.csv",
                "time": CLOCK,
                "pressure": {"column": "TPG202 [mbar]", "unit": "mbar"},
            },
            "rise": {"files": "rotary_34l/DPLR*.csv", "time": CLOCK, "pressure": {"column": "druck", "unit": "mbar"}},
            "manifold": {
                "files": "small_manifold/*.txt",
                "delimiter": "\t",
                "skip_rows": 2,
                "time": {"column": "Time since start of test (s)"},
                "pressure": {"column": "Presure (mb)", "unit": "mbar"},
            },
        }
    }
)


def _read(name: str) -> tuple[np.ndarray, np.ndarray]:
    batch: SampleBatch = read_log(Path(FOLDER) / name, LAYOUTS)
    return batch.elapsed_s, micron_to(batch.pressure_micron, "mbar")


def test_the_folder_is_there() -> None:
    assert Path(FOLDER).is_dir(), "BLANKOFF_REAL_LOGS names a folder that is not there"


def test_the_clock_is_used_and_not_the_row_counter() -> None:
    """READ: rows are 1.35 - 1.5 s apart by the clock, while ``sec`` counts rows."""
    t, p = _read("rotary_34l/DPEK.csv")
    assert t.size == 600
    assert 1.3 < t[-1] / (t.size - 1) < 1.55
    assert t[-1] == 15 * 60 + 2  # 03:43:34 to 03:58:36
    assert p[0] == pytest.approx(1006.0)
    assert p[-1] == pytest.approx(0.073)


def test_effective_speeds_by_the_clock() -> None:
    """READ: 1.06 l/s above about 10 mbar and 0.34 l/s around 1 mbar, for 34 l; a plain regression, 10 %.

    The note states no bands; half a decade to either side of 1 mbar is taken here.
    """
    t, p = _read("rotary_34l/DPEK.csv")
    for low, high, speed in ((10, 900, 1.06), (10**-0.5, 10**0.5, 0.34)):
        band = (p > low) & (p < high)
        slope = np.polyfit(t[band], np.log(p[band]), 1)[0]
        assert -34 * slope == pytest.approx(speed, rel=0.10)


@pytest.mark.parametrize(
    ("name", "mbar_per_s"), [("DPLR1", 0.00205), ("DPLR2", 0.221), ("DPLR3", 1.556), ("DPLR41", 2.83)]
)
def test_steady_rises_by_the_clock(name: str, mbar_per_s: float) -> None:
    """READ: slopes of the whole rise but the step after isolation (the first 30 s left out); 3 %."""
    t, p = _read(f"rotary_34l/{name}.csv")
    steady = t > 30
    assert np.polyfit(t[steady], p[steady], 1)[0] == pytest.approx(mbar_per_s, rel=0.03)


def test_every_file_is_read_or_refused_with_a_reason() -> None:
    """READ: the file without line ends must be refused with a reason, not guessed."""
    root = Path(FOLDER)
    files = sorted(p for p in root.rglob("*") if p.suffix in (".csv", ".txt"))
    readout = read_logs(files, root, LAYOUTS)
    refused = readout.info.filter(~readout.info["readable"])["log_file"].to_list()
    assert refused == ["rotary_34l/DPEK_broken_no_newlines.csv"]
    assert readout.quarantine.height == 1
    assert "time and a pressure" in readout.quarantine["problem"][0]
    with pytest.raises(LogUnreadableError):
        read_log(root / refused[0])


def test_three_heading_lines_and_tabs() -> None:
    t, p = _read("small_manifold/functional_test.txt")
    assert (t.size, t[0], p[0]) == (145, 0.0, pytest.approx(926.0))
    assert p[-1] == pytest.approx(9.86e-3)


def test_columns_by_position_need_one_layout_for_all() -> None:
    """The pressure's heading differs from file to file; its position does not."""
    known = settings_from_dict(
        {"log_layouts": {"all": {"files": "rotary_34l/*", "time": CLOCK, "pressure": {"column": 4, "unit": "mbar"}}}}
    )
    root = Path(FOLDER)
    files = sorted(root.glob("rotary_34l/*.csv"))
    readout = read_logs(files, root, known)
    assert readout.info["readable"].sum() == len(files) - 1
    for name in ("DPEK", "DPLR1", "DPLR42"):
        one = read_log(root / f"rotary_34l/{name}.csv", LAYOUTS)
        same = readout.batch.log(readout.batch.keys.index(one.keys[0]))
        np.testing.assert_array_equal(one.pressure_micron, same.pressure_micron)
