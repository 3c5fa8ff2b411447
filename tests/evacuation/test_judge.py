"""Judging whole logs: invariances that must change no verdict, threads, the one-log face. Tag: CALC."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blankoff import schemas
from blankoff.evacuation.judge import judge_batch
from blankoff.evacuation.single import judge
from blankoff.samples import JobContext, SampleBatch
from blankoff.settings import Acceptance, Settings

RISES = {"held": 8.0, "leak": 150.0}


def log(seed: int, rise: float, every_s: float = 2.0, key: str = "log") -> SampleBatch:
    """An invented pull to 250 microns and a hold of twelve minutes that rises by `rise` microns per minute."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1620.0, every_s)
    pumped = 250.0 + 9000.0 * np.exp(-np.minimum(t, 900.0) / 70.0)
    p = pumped + np.where(t > 900.0, rise * (t - 900.0) / 60.0, 0.0)
    return SampleBatch.of_one(key, t, np.round(p * (1.0 + 0.004 * rng.normal(size=t.size)), 1))


def reason(batch: SampleBatch) -> str:
    return str(judge_batch(batch, JobContext.uniform(1, ambient_c=20.0), threads=1).measure["reason"][0])


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), word=st.sampled_from(["held", "leak"]), keep=st.sampled_from([2, 3, 4]))
def test_thinning_units_and_added_columns_change_no_verdict(seed: int, word: str, keep: int) -> None:
    one = log(seed, RISES[word])
    want = reason(one)
    assert want == word
    t, p = one.elapsed_s, one.pressure_micron
    assert reason(SampleBatch.of_one("thin", t[::keep], p[::keep])) == want
    # written in Pa with two decimals and read back
    pa = np.round(p * 0.1333223684, 2) / 0.1333223684
    assert reason(SampleBatch.of_one("pa", t, pa)) == want
    assert reason(SampleBatch.of_one("ambient", t, p, np.full(t.size, 20.0))) == want


def test_logs_are_judged_alike_in_any_order_chunk_and_number_of_threads() -> None:
    logs = [log(k, RISES["leak"] if k % 3 else RISES["held"], key=f"log-{k}") for k in range(300)]
    batch = SampleBatch.concat(logs)
    context = JobContext.uniform(300, ambient_c=20.0)
    one = judge_batch(batch, context, threads=1)
    two = judge_batch(batch, context, threads=2)
    assert one.measure.equals(two.measure)
    assert one.phase.equals(two.phase)
    backwards = judge_batch(SampleBatch.concat(logs[::-1]), context, threads=1)
    assert backwards.measure.sort("log_key").equals(one.measure.sort("log_key"))


def test_frames_are_those_of_the_schemas() -> None:
    judged = judge_batch(log(1, 150.0), JobContext.uniform(1, volume_l=9.5))
    assert judged.measure.columns[: len(schemas.MEASURE.names)] == schemas.MEASURE.names
    assert judged.phase.columns[: len(schemas.LOG_PHASE.names)] == schemas.LOG_PHASE.names
    empty = judge_batch(SampleBatch.concat([]), JobContext.uniform(0))
    assert empty.measure.height == 0
    with pytest.raises(ValueError, match="one job per log"):
        judge_batch(log(1, 8.0), JobContext.uniform(2))


def test_one_log_and_its_numbers() -> None:
    """Leak in Pa m3/s: 150 microns/min in 9.5 l at 20 degC = 9.5e-3 m3 x 150 x 0.133322 Pa / 60 s (CALC)."""
    judged = judge(log(3, 150.0), Acceptance(hold_minutes=10), volume_l=9.5, ambient_c=20.0)
    assert (judged.verdict, judged.reason, judged.rise_kind) == ("failed", "leak", "leak")
    assert judged.hold.leak_micron_per_min == pytest.approx(150.0, rel=0.06)
    assert judged.hold.leak_pa_m3_s == pytest.approx(9.5e-3 * 150.0 * 0.133322 / 60.0, rel=0.06)
    assert judged.curve is not None
    assert judged.hold.more_hold_minutes == 0.0
    with pytest.raises(ValueError, match="one log is wanted"):
        judge(SampleBatch.concat([log(1, 8.0), log(2, 8.0)]))


def test_a_log_of_nothing_costs_its_own_row_only() -> None:
    nothing = SampleBatch.of_one("nothing", np.array([0.0]), np.array([np.nan]))
    judged = judge_batch(SampleBatch.concat([nothing, log(1, 150.0)]), JobContext.uniform(2), Settings(), threads=1)
    assert judged.measure["verdict"].to_list() == ["unproven", "failed"]
    assert judged.measure["reason"][0] == "no_hold"
