"""Copies are found by the gauge's noise that they repeat; two honest pulls on one curve are never called copies."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.signal import lfilter

from blankoff.fleet.copies import find_copies
from blankoff.fleet.copy_match import _noise, different, match
from blankoff.fleet.copy_propose import Nearness, near_codes, propose_copies, touched_by
from blankoff.fleet.copy_sketch import SHAPE_COLUMNS, CopyRules, sketch_batch
from blankoff.samples import SampleBatch

ISOLATED_S = 900.0


def pull(seed: int, noise: float = 0.01, step_s: float = 2.0, rate: float = 0.02, rise: float = 100.0):
    """One pull on one and the same smooth curve; only the gauge's noise depends on the seed."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, ISOLATED_S + 660, step_s)
    down = (
        150 + (20000 - 150) * np.exp(-rate * np.minimum(t, ISOLATED_S)) + 300 * np.exp(-np.minimum(t, ISOLATED_S) / 300)
    )
    stood = np.maximum(t - ISOLATED_S, 0)
    p = down + stood / 30 + rise * (1 - np.exp(-stood / 200))
    wander = lfilter([np.sqrt(1 - 0.98**2)], [1, -0.98], rng.normal(size=t.size)) * 0.005
    p = p * np.exp(wander + noise * rng.normal(size=t.size))
    return t, np.where(p < 1000, np.round(p), np.round(p / 10) * 10)


def one(t, p) -> SampleBatch:
    return SampleBatch.of_one("log", t, p)


def _shifted(t, p, rng):
    return t[300:] - t[300], p[300:]


def _cut(t, p, rng):
    return t[:600], p[:600]


def _resampled(t, p, rng):
    u = np.arange(0.7, t[-1], 5.0)
    return u, np.interp(u, t, p)


def _renoised(t, p, rng):
    return t, p * np.exp(0.02 * rng.normal(size=p.size))


def _requantised(t, p, rng):
    return t, np.round(p / 25) * 25


@pytest.mark.parametrize("change", [_shifted, _cut, _resampled, _renoised, _requantised])
def test_changed_copies_match_at_any_alignment(change) -> None:
    rng = np.random.default_rng(3)
    for seed in range(6):
        t, p = pull(seed)
        found = match(one(*change(t, p, rng)), one(t, p))
        assert found.is_copy(CopyRules()), (change.__name__, seed, found)
        assert found.probability > 0.99


def test_two_honest_pulls_on_the_same_curve_do_not_match() -> None:
    t, p = pull(0)
    worst = 0.0
    for seed in range(1, 80):
        # looked at to the end, though it correlates too little for a copy
        found = match(one(*pull(seed)), one(t, p), 0.0, CopyRules(least_correlation=-1.0))
        assert not found.is_copy(CopyRules()), (seed, found)
        worst = max(worst, found.sharpness)
    assert 1.0 < worst < CopyRules().least_sharpness - 1.0


def test_find_copies_names_the_later_job_and_ignores_row_order() -> None:
    rng = np.random.default_rng(11)
    logs, jobs = {}, []
    begun = datetime(2026, 3, 2, tzinfo=UTC)
    for k in range(40):
        logs[f"k{k:02d}"] = pull(100 + k, rate=float(rng.uniform(0.008, 0.03)), rise=float(rng.uniform(40, 300)))
    t, p = logs["k07"]
    logs["copy"] = _shifted(*_renoised(t, p, rng), rng)
    logs["repeat"] = pull(5000, rate=0.02)
    logs["again"] = pull(5001, rate=0.02)
    for n, key in enumerate(logs):
        isolated = ISOLATED_S - (600.0 if key == "copy" else 0.0)
        jobs.append((f"E{n:03d}", key, begun + timedelta(days=n), isolated))
    jobs.append(("E999", "k03", begun + timedelta(days=200), ISOLATED_S))
    frame = pl.DataFrame(jobs, schema=["evacuation_id", "log_key", "started_at", "isolated_at_s"], orient="row")
    batch = SampleBatch.concat([SampleBatch.of_one(k, *v) for k, v in logs.items()])
    at = {k: i for i, k in enumerate(batch.keys)}
    isolated = frame.unique("log_key", keep="first", maintain_order=True)["isolated_at_s"].to_numpy()
    sketch = sketch_batch(batch, isolated)

    def load(keys: list[str]) -> SampleBatch:
        return SampleBatch.concat([batch.log(at[k]) for k in keys])

    found = find_copies(frame, sketch, load)
    assert dict(zip(found["evacuation_id"], found["copy_of"], strict=True)) == {"E040": "E007", "E999": "E003"}
    shuffled = find_copies(frame.sample(fraction=1, shuffle=True, seed=4), sketch.reverse(), load)
    assert shuffled.equals(found)


def test_sketch_of_a_log_without_hold_or_deep_part_is_null_not_wrong() -> None:
    t = np.arange(0.0, 300.0)
    sketch = sketch_batch(one(t, np.full(t.size, np.nan)), np.array([np.nan]))
    told = {name for name in sketch.columns if sketch[name].null_count() == 0}
    assert told == {"log_key", "lasted", "moment_first", "moment_last"}


def test_one_number_may_be_off_where_the_end_says_enough() -> None:
    """A copy cut at its start lasted less long, and is proposed all the same; one that is off in two numbers is not."""
    rng = np.random.default_rng(4)
    values = rng.uniform(4.0, 8.0, (400, 7))
    shorter, other_end = values[7].copy(), values[9].copy()
    shorter[6] -= 0.5
    other_end[[2, 6]] += 0.2
    proposed = near_codes(Nearness(np.vstack([values, shorter, other_end]), 0.04, 8, 4))
    assert {divmod(code, 402) for code in proposed.tolist()} == {(7, 400)}
    # of few numbers none may be off
    few = np.where(np.arange(7) > 4, values, np.nan)
    few_shorter = few[7].copy()
    few_shorter[6] -= 0.5
    assert 7 * 401 + 400 not in near_codes(Nearness(np.vstack([few, few_shorter]), 0.04, 8, 4))


def test_slow_logs_that_bend_all_along_are_compared_by_their_readings() -> None:
    """At 15 s hardly a reading is free of the course's bends: the same readings are a copy, the same course is not."""

    def slow(seed: int) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        t = np.arange(71) * 15.04
        pumped, stood = np.minimum(t, 210.0), np.maximum(t - 210.0, 0.0)
        p = 110 + 19_000 * np.exp(-pumped / 25) + 70 * (1 - np.exp(-stood / 120)) + 0.05 * stood
        return t, np.round(p * np.exp(0.008 * rng.normal(size=t.size)))

    t, p = slow(0)
    again = match(one(t, p.copy()), one(t, p), 0.0)
    assert again.is_copy(CopyRules())
    assert again.equal_share > 0.99
    assert not any(match(one(*slow(seed)), one(t, p), 0.0).is_copy(CopyRules()) for seed in range(1, 60))


def test_moments_that_disagree_by_more_than_is_looked_around_are_both_tried() -> None:
    assert different(np.array([-13.8, -0.3, -0.3]), CopyRules()) == [-13.8, -0.3]
    assert different(np.array([np.nan, -2.0, 5.9]), CopyRules()) == [-2.0]


def fleet_of(logs: dict[str, tuple[np.ndarray, np.ndarray]]) -> tuple[SampleBatch, pl.DataFrame]:
    """A batch of logs, and their sketches where nobody knows of any hold."""
    batch = SampleBatch.concat([SampleBatch.of_one(k, *v) for k, v in logs.items()])
    return batch, sketch_batch(batch, np.full(len(batch), np.nan))


def test_a_cut_out_of_any_place_is_proposed_without_a_hold_by_the_passages_that_it_keeps() -> None:
    logs = {f"k{k}": pull(k, rate=0.01 + 0.001 * k) for k in range(12)}
    t, p = logs["k7"]
    logs["cut"] = t[250:600] - t[250], p[250:600]
    _, sketch = fleet_of(logs)
    hidden = sketch.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in SHAPE_COLUMNS)
    assert (7, 12) in {tuple(x) for x in propose_copies(hidden).tolist()}
    shared = set(sketch["passage"][7]) & set(sketch["passage"][12])
    assert len(shared) >= 3
    at = [dict(zip(sketch["passage"][k], sketch["passage_at_s"][k], strict=True)) for k in (7, 12)]
    assert {at[0][key] - at[1][key] for key in shared} == {t[250]}


def test_passages_of_honest_pulls_on_one_course_are_not_shared() -> None:
    _, sketch = fleet_of({f"k{k}": pull(k) for k in range(60)})
    every = sketch["passage"].explode()
    assert every.n_unique() == len(every) == 60 * 16


def test_a_log_of_one_pressure_all_along_keeps_no_passage() -> None:
    t = np.arange(0.0, 2000.0)
    _, sketch = fleet_of({"flat": (t, np.full(t.size, 200.0)), "noisy": (t, 200.0 + t % 7 * (1 + t // 70))})
    assert sketch["passage"].null_count() == 1
    assert sketch["passage"][0] is None


def test_copies_noised_or_taken_at_other_moments_are_proposed_by_their_end() -> None:
    rng = np.random.default_rng(2)
    logs = {f"k{k:02d}": pull(k, rate=0.01 + 0.0005 * k, rise=60 + 9 * k) for k in range(40)}
    for k, change in enumerate((_renoised, _resampled, _requantised)):
        logs[f"copy{k}"] = change(*logs[f"k{10 + k}"], rng)
    _, sketch = fleet_of(logs)
    hidden = sketch.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in SHAPE_COLUMNS)
    hidden = hidden.with_columns(passage=pl.lit(None, dtype=pl.List(pl.Int64)))
    assert {(10, 40), (11, 41), (12, 42)} <= {tuple(x) for x in propose_copies(hidden).tolist()}


def test_new_logs_touch_all_that_share_a_passage_or_lie_near() -> None:
    logs = {f"k{k}": pull(k, rate=0.008 + 0.002 * k, rise=40 + 40 * k) for k in range(8)}
    t, p = logs["k3"]
    logs["cut"] = t[100:500] - t[100], p[100:500]
    _, sketch = fleet_of(logs)
    new = np.arange(9) == 8
    touched = touched_by(sketch, new)
    assert touched[3]
    assert touched[8]
    assert touched.sum() < 5
    asked = propose_copies(sketch, CopyRules(), touched)
    before = {tuple(x) for x in propose_copies(sketch[:8]).tolist()}
    assert {tuple(x) for x in propose_copies(sketch).tolist()} - before <= {tuple(x) for x in asked.tolist()}


@pytest.mark.parametrize("every", [2, 3])
def test_every_second_or_third_reading_is_a_copy_though_few_are_left(every: int) -> None:
    for seed in range(6):
        t, p = pull(seed, step_s=5.0)
        found = match(one(t[1::every], p[1::every]), one(t, p), 0.0)
        assert found.is_copy(CopyRules()), (seed, found)


def test_a_jump_is_no_noise_that_two_honest_pulls_share() -> None:
    """Valve and hose give a step at isolation: in a short log its foot must not raise the scale that hides it."""

    def stepped(seed: int) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        t = np.arange(101) * 10.0
        p = 148 + 20_000 * np.exp(-t / 17) + 40 * np.exp(-t / 60) + 55.0 * (t > 290)
        return t, np.round(p * np.exp(0.006 * rng.normal(size=t.size)))

    found = [match(one(*stepped(seed)), one(*stepped(1000 + seed)), 0.0) for seed in range(80)]
    assert not any(m.is_copy(CopyRules()) for m in found)
    assert max(m.sharpness for m in found) < 4.5


@pytest.mark.parametrize("quicker", [1.0, 5.0])
def test_falls_between_gas_breaks_are_no_noise_that_two_honest_pulls_share(quicker: float) -> None:
    """Three pulls by the same clock, read every 15 s: falls that outnumber what is straight must not be the scale; nor falls of
    a reading or two."""

    def thrice(seed: int) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        t = np.arange(126) * 15.0
        p = np.full(t.size, np.nan)
        # another pump and circuit each time, the same times
        tau, floor = rng.uniform(20.0, 26.0) / quicker, rng.uniform(250.0, 350.0)
        for begins, ends in ((30.0, 200.0), (440.0, 580.0), (820.0, 980.0)):
            pulled = (t >= begins) & (t < ends)
            p[pulled] = floor + 40_000.0 * np.exp(-(t[pulled] - begins) / tau)
        stood = t >= 980.0
        p[stood] = floor + 150.0 + rng.uniform(0.25, 0.35) * (t[stood] - 980.0)
        p = np.round(p * np.exp(0.004 * rng.normal(size=t.size)))
        return t, np.where(p > 20_000.0, np.nan, p)

    logs = [one(*thrice(seed)) for seed in range(24)]
    found = [match(a, b, 0.0) for k, a in enumerate(logs) for b in logs[:k]]
    assert not any(m.is_copy(CopyRules()) for m in found)
    assert max(m.sharpness for m in found) < 5.0
    _, p = thrice(0)
    seen = np.isfinite(p)
    noise = _noise(np.log(p[seen]))
    falls = np.abs(np.gradient(np.log(p[seen]))) > 0.3
    assert falls.sum() > 5
    assert np.isnan(noise[falls]).mean() > 0.8
    assert np.isfinite(noise[-40:-8]).all()
