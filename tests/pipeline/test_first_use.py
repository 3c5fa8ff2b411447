"""The first use on a machine: what another process compiled is what the run then finds in the cache."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from blankoff.evacuation import hold, phases, pump_down
from blankoff.evacuation.judge import judge_batch
from blankoff.fleet import copy_grids, copy_kernels, copy_single, oil_kernels, wear_told
from blankoff.pipeline.first_use import compile_phases, compile_the_rest
from blankoff.samples import JobContext, SampleBatch
from tests.pipeline.fleets import SAMPLE

CALLED = (
    phases._find_all, pump_down._features_all, hold._fit_all, copy_grids.prepare_logs, copy_kernels.match_pairs,
    copy_single.prepare_single, copy_single.compare_single, wear_told.told_of_levels,
)  # fmt: skip


def test_a_run_needs_no_other_signatures() -> None:
    compile_phases()
    compile_the_rest()
    before = [len(kernel.signatures) for kernel in (*CALLED, oil_kernels.fit_pump)]  # type: ignore[attr-defined]
    assert all(before)
    t = np.arange(0.0, 900.0, 3.0)
    batch = SampleBatch.of_one("x", t, 400.0 + 9000.0 * np.exp(-t / 60.0), np.full(t.size, 21.0))
    judge_batch(batch, JobContext.uniform(1, volume_l=9.0))
    assert before[:-1] == [len(kernel.signatures) for kernel in CALLED]  # type: ignore[attr-defined]


def test_only_one_other_process_is_asked_for() -> None:
    code = (
        "import numba, numpy as np\n"
        "from blankoff.physics.compiled import before_the_first_compiles\n"
        "told = []\n"
        "for k in range(3): before_the_first_compiles(lambda k=k: told.append(k))\n"
        "for f in (lambda x: x + 1, lambda x: x * 2): numba.njit(f)(1.0)\n"
        "print(told)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[0]"


@pytest.mark.scheduled
def test_the_run_goes_on_without_the_other_process(tmp_path: Path) -> None:
    """A machine that lets no second process start still judges, alone."""
    code = (
        "import subprocess, sys\n"
        "def refuse(*words, **named): raise OSError('no more processes')\n"
        "subprocess.Popen = refuse\n"
        "from blankoff.cli import main\n"
        f"main(['ingest', {str(SAMPLE)!r}, '--store', {str(tmp_path / 's.duckdb')!r}, '--lenient'])\n"
    )
    cold = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    done = subprocess.run([sys.executable, "-c", code], env=cold, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
