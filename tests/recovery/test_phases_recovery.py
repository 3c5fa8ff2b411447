"""Phases found again on simulated evacuations whose parameters differ from those that were tuned on."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from tests.recovery.isolation_bound import isolation_bound_s

from blankoff.evacuation.phases import PhaseTable, find_phases_batch
from blankoff.samples import SampleBatch
from blankoff.settings import Judging
from blankoff_synthetic import draw_case
from blankoff_synthetic.clear_cases import Kind

HELD = ("held", "held_flat", "leak", "moisture", "leak_and_moisture", "several_pulls", "resumed_pump", "slow_valve")
EACH = 12


def drawn(kinds: tuple[str, ...], each: int, seed: int) -> tuple[SampleBatch, PhaseTable, np.ndarray, np.ndarray]:
    """Batch, phases, true isolation (s) and sampling interval (s) of held-back cases."""
    parts, truth, interval = [], [], []
    for k, kind in enumerate(kinds):
        rng = np.random.default_rng([seed, k])
        for i in range(each):
            pull, job = draw_case(rng, kind, "held_back")  # type: ignore[arg-type]
            parts.append(SampleBatch.of_one(f"{kind} {i}", pull.elapsed_s, pull.pressure_micron, pull.ambient_c))
            truth.append(float(pull.truth["isolated_at_s"]))  # type: ignore[arg-type]
            interval.append(job.gauge.interval_s)
    batch = SampleBatch.concat(parts)
    return batch, find_phases_batch(batch, Judging()), np.array(truth), np.array(interval)


def test_isolation_times() -> None:
    """Issue 3's figure is a median within one sample and 95 % within 15 s; held-back draws sample up to 15 s apart."""
    _, table, truth, interval = drawn(HELD, EACH, 20261)
    found = np.where(table.judged_hold >= 0, table.start_s[table.judged_hold], np.nan)
    held = np.isfinite(truth)
    error = np.abs(found - truth)[held]
    # 96 cases: a Monte Carlo error of 2 % on shares near 0.95; 96 % in 15 s on 657 cases of another seed
    assert np.mean(np.isfinite(error)) >= 0.95
    assert np.nanmedian(error / interval[held]) <= 1.0
    assert np.mean(error[np.isfinite(error)] <= np.maximum(15.0, 2.0 * interval[held][np.isfinite(error)])) >= 0.92


def test_no_hold_where_the_valve_was_never_shut() -> None:
    """Share of logs without isolation that are given a hold: 1 of 440 in development, here at most 1 of 40."""
    _, table, _, _ = drawn(("no_hold",), 40, 20262)
    assert np.sum(table.judged_hold >= 0) <= 1


def readings_from_closing(kind: Kind, family: str, count: int, seed: int) -> list[int]:
    """Readings between the isolation found and the closing of the valve, of cases that hold its moment to half a sample.

    The valve takes from a blink to 15 s to close: no reading lies between where the isolation is found within that time.
    """
    rng = np.random.default_rng([seed, get_args(Kind).index(kind)])
    cases = [draw_case(rng, kind, family) for _ in range(count)]
    batch = SampleBatch.concat(
        [SampleBatch.of_one(str(i), c.elapsed_s, c.pressure_micron, c.ambient_c) for i, (c, _) in enumerate(cases)]
    )
    table = find_phases_batch(batch, Judging())
    counts = []
    for i, (pull, job) in enumerate(cases):
        shut_s, began_s = float(pull.truth["isolated_at_s"]), float(pull.truth["valve_started_s"])  # type: ignore[arg-type]
        t = pull.elapsed_s
        after = min(max(int(np.searchsorted(t, shut_s)), 1), t.size - 1)
        if isolation_bound_s(job) > 0.5 * max(
            t[after] - t[after - 1], 1.0 if job.gauge.on_change else job.gauge.interval_s
        ):
            continue
        if table.judged_hold[i] < 0:
            counts.append(t.size)
            continue
        found_s = float(table.start_s[table.judged_hold[i]])
        nearest_s = min(max(found_s, began_s), shut_s)
        counts.append(int(np.sum((t > min(found_s, nearest_s)) & (t < max(found_s, nearest_s)))))
    return counts


@pytest.mark.scheduled
def test_isolation_within_two_readings_where_the_log_holds_it() -> None:
    """95 % within two readings of the valve's closing, of the cases whose readings hold the moment to half a sample.

    Narrower than issue 2's figure (two samples, of all): against the moment the valve is shut, and over all clear cases,
    82 % (tuning) and 72 % (held back) are within two nominal samples on the two seeds that the search was tuned on. On
    the 1 268 of those 1 760 cases that count here it is 96.5 % and 95.1 %.
    """
    for family in ("tuning", "held_back"):
        counts = np.array([n for kind in HELD for n in readings_from_closing(kind, family, 25, 20263)])  # type: ignore[arg-type]
        error = np.sqrt(0.95 * 0.05 / counts.size)
        assert counts.size > 100
        assert np.mean(counts <= 2) >= 0.95 - 2.0 * error


def test_water_that_takes_the_gauge_over_its_range_is_no_gas_let_in() -> None:
    """Vapour at 20 C stands at 17 500 microns, above the range of a gauge to 10 000; gas takes it there in seconds."""
    t = np.arange(0.0, 900.0, 2.0)
    for over_s, kinds in ((120.0, [0, 1]), (8.0, [0, 2])):
        rise = np.clip(t - 600.0, 0.0, None)
        p = 300.0 + 60000.0 * np.exp(-t / 40.0) + 17200.0 * (1.0 - np.exp(-rise / over_s))
        p = np.where(p > 10000.0, np.nan, np.round(p))
        table = find_phases_batch(SampleBatch.of_one("wet", t, p, np.full(t.size, 20.0)), Judging())
        assert table.kind.tolist() == kinds
