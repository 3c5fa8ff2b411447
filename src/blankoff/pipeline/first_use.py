"""The first use on a machine: kernels are compiled in two processes, from either end, for one compiles one at a time.

A run meets its kernels in order: phases first, which is nearly half of all there is to compile, then the rest of judging,
copies, the fleet. The other process begins behind the phases. Both leave what they compiled in numba's cache on disk,
where the run finds it when it gets there; what it does not find it compiles itself, so nothing depends on the other.

A kernel may be compiled while the package is still being imported, so what is compiled here is imported where it is used.
"""

from __future__ import annotations

import atexit
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np

from blankoff.samples import JobContext, SampleBatch
from blankoff.settings import Settings

if TYPE_CHECKING:
    from blankoff.evacuation.phases import PhaseTable

__all__ = ["compile_phases", "compile_the_rest", "in_another_process"]

_PULL_S, _STEP_S, _LENGTH_S = 600.0, 2.0, 1500.0


def in_another_process() -> subprocess.Popen[bytes] | None:
    """Start the process that compiles what comes behind the phases; it ends with this one.

    Returns
    -------
    Popen or None
        None where no process can be started; the run then compiles everything itself.
    """
    try:
        other = subprocess.Popen(
            [sys.executable, "-c", f"from {__name__} import compile_the_rest; compile_the_rest()"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None
    atexit.register(other.kill)
    return other


def compile_phases() -> None:
    """Compile what finds the phases of a log."""
    from blankoff.evacuation.phases import find_phases_batch

    find_phases_batch(_two_logs(), Settings().judging)


def compile_the_rest() -> None:
    """Compile the rest of judging, packing, copies and the oil's model, by using each on next to nothing."""
    from blankoff.evacuation.judge import judge_phases
    from blankoff.fleet.copy_compare import compare_by_readings, compare_pairs
    from blankoff.fleet.copy_kernels import MATCH_COLUMNS
    from blankoff.fleet.copy_passages import Passages
    from blankoff.fleet.copy_sketch import CopyRules, sketch_batch
    from blankoff.fleet.oil_kernels import HEAD, fit_pump
    from blankoff.fleet.wear_seen import seen_values
    from blankoff.fleet.wear_told import told_of_levels
    from blankoff.store.packing import pack, unpack

    # the fleet's first: a run asks for them last, but tests come to them as soon as the phases are done
    ones, some, none = np.ones(HEAD + 1), np.array([60.0, 61.0, 64.0]), np.zeros(3)
    filling = np.zeros(3, dtype=np.int64)
    fit_pump(ones, ones, ones, some, some, some, some, some, some, filling, none, none, none, 0.1, 2)
    rigs, levels, constants = np.ones((1, 8)), np.zeros((7, 1)), np.zeros(6)
    seen_values(rigs, levels, levels, constants, 0.3)
    one = np.ones((3, 1))
    told_of_levels(filling[:1], rigs, one, one, np.ones((3, 1, 7)), levels, np.ones(7), levels, constants, 0.3)
    batch = _two_logs()
    words, counts = pack(batch.offsets, (batch.elapsed_s, batch.pressure_micron, batch.ambient_c))
    unpack(words, np.cumsum(counts) - counts, np.cumsum(counts))
    phases = _known_phases(batch)
    judge_phases(batch, phases, JobContext.uniform(len(batch)), Settings())
    pairs = np.array([[0, 1]])
    sketch_batch(batch, np.full(len(batch), _PULL_S))
    compare_pairs(pairs, list(batch.keys), np.zeros((2, 3)), Passages.of([{}, {}]), lambda keys: batch, CopyRules())
    ln_p, grid_said = np.log(batch.pressure_micron), np.zeros((1, MATCH_COLUMNS))
    compare_by_readings(
        np.zeros(1, dtype=np.int64),
        pairs,
        np.zeros((1, 4)),
        grid_said,
        np.zeros(1, dtype=bool),
        batch,
        ln_p,
        CopyRules(),
        1,
    )


def _two_logs() -> SampleBatch:
    """Two alike logs of a pull that ends in a hold."""
    t = np.arange(0.0, _LENGTH_S, _STEP_S)
    p = np.where(t < _PULL_S, 300.0 + 60000.0 * np.exp(-t / 40.0), 300.0 + 0.1 * (t - _PULL_S))
    p += np.sin(np.arange(t.size) ** 2)
    ambient_c = np.full(t.size, 20.0)
    return SampleBatch.concat([SampleBatch.of_one(key, t, p, ambient_c) for key in ("a", "b")])


def _known_phases(batch: SampleBatch) -> PhaseTable:
    """Phases of the two logs without looking for them."""
    from blankoff.evacuation.phases import PhaseTable

    n = int(np.diff(batch.offsets)[0])
    shut = int(_PULL_S / _STEP_S)
    p = batch.pressure_micron[:n]
    end_s = float(batch.elapsed_s[n - 1])
    ends = np.array([0.0, _PULL_S, _PULL_S, end_s] * 2).reshape(-1, 2)
    rows = np.array([0, shut, shut, n] * 2, dtype=np.int64).reshape(-1, 2)
    return PhaseTable(
        log=np.array([0, 0, 1, 1]),
        kind=np.array([0, 1, 0, 1]),
        start_s=ends[:, 0].copy(),
        end_s=ends[:, 1].copy(),
        start_i=rows[:, 0].copy(),
        end_i=rows[:, 1].copy(),
        start_micron=p[rows[:, 0]],
        end_micron=p[rows[:, 1] - 1],
        start_why=np.array([0, 2, 0, 2]),
        start_uncertainty_s=np.full(4, _STEP_S),
        offsets=np.array([0, 2, 4]),
        judged_hold=np.array([1, 3]),
        judged_pull=np.array([0, 2]),
    )
