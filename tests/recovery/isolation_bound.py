"""How well an isolation can be placed at all: the information that a log's readings hold on its moment."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from blankoff_synthetic import simulate
from blankoff_synthetic.clear_cases import JobInfo
from blankoff_synthetic.parts import Gauge, Pump

SHIFT_S = 0.5
"""The last pull is run on by so long to see what the moment of isolation changes."""

BEFORE_S, AFTER_S = 300.0, 600.0


def isolation_bound_s(job: JobInfo) -> float:
    """Standard error, s, below which no unbiased estimate of the isolation comes, by the inequality of Cramer and Rao.

    The curve's shape is taken as known but for its level, both slopes and a part that saturates within a minute; the
    gauge's white noise and steps are the only noise (its wander and lag are left out, so the bound is a lenient one).
    """
    procedure = job.procedure
    last = max(i for i, step in enumerate(procedure.steps) if isinstance(step, Pump))
    longer = tuple(
        replace(step, linger_s=step.linger_s + SHIFT_S) if i == last and isinstance(step, Pump) else step
        for i, step in enumerate(procedure.steps)
    )
    quiet = _without_noise(job.gauge)
    here = simulate(job.circuit, job.rig, quiet, procedure, 1)
    there = simulate(job.circuit, job.rig, quiet, replace(procedure, steps=longer), 1)
    isolated_s = float(here.truth["isolated_at_s"])  # type: ignore[arg-type]
    shift_s = float(there.truth["isolated_at_s"]) - isolated_s  # type: ignore[arg-type]
    n = min(here.elapsed_s.size, there.elapsed_s.size)
    u = here.elapsed_s[:n] - isolated_s
    p, moved = here.pressure_micron[:n], there.pressure_micron[:n]
    use = (u > -BEFORE_S) & (u < AFTER_S) & np.isfinite(p) & np.isfinite(moved)
    if not 0.1 < shift_s < 1.0 or use.sum() < 6:
        return math.inf  # the pull ended by its longest time
    u, p, change = u[use], p[use], (moved[use] - p[use]) / shift_s
    sd = _noise_micron(job.gauge, p)
    rising = np.maximum(u, 0.0)
    nuisance = (
        np.column_stack([np.ones_like(u), np.minimum(u, 0.0), rising, 1.0 - np.exp(-rising / 60.0)]) / sd[:, None]
    )
    known = change / sd
    left = known - nuisance @ np.linalg.lstsq(nuisance, known, rcond=None)[0]
    return 1.0 / math.sqrt(max(float(left @ left), 1e-12))


def _without_noise(gauge: Gauge) -> Gauge:
    return replace(
        gauge,
        white_percent=0.0,
        wander_percent=0.0,
        white_micron=0.0,
        steps=((1e9, 1e-6),),
        interval_s=1.0 if gauge.on_change else gauge.interval_s,
        on_change=False,
        dropouts=0,
        dropout_at_isolation=False,
        frozen=0,
        jitter_share=0.0,
        has_ambient=False,
    )


def _noise_micron(gauge: Gauge, micron: np.ndarray) -> np.ndarray:
    step = np.full(micron.size, gauge.steps[-1][1])
    for below, size in reversed(gauge.steps):
        step[micron < below] = size
    return np.asarray(np.sqrt((0.01 * gauge.white_percent * micron) ** 2 + gauge.white_micron**2 + step**2 / 12.0))
