"""How the numbers of one log become its row: units, which log and job they belong to, null where unknown. Tag: CALC.

What finds them, phases, fit, speeds, has its own tests; here it is put in their place where that can be.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from blankoff import schemas
from blankoff.evacuation import judge as judging
from blankoff.evacuation.calibration import calibrated
from blankoff.evacuation.hold import COLUMNS, HoldFits
from blankoff.evacuation.hold_prior import RisePrior
from blankoff.evacuation.judge import (
    LEAK_REFERENCE_C,
    _hold_columns,
    _in_threads,
    _sub_batch,
    judge_batch,
    judge_phases,
)
from blankoff.evacuation.phases import START_WHY_WORDS, PhaseTable, find_phases_batch
from blankoff.evacuation.power import more_hold_minutes
from blankoff.evacuation.rise_evidence import EVIDENCE, rise_chances
from blankoff.evacuation.single import judge
from blankoff.evacuation.verdict import Reason, RiseKind, rise_kinds
from blankoff.physics.leak import refrigerant_loss
from blankoff.physics.saturation import saturation_temperature_c
from blankoff.samples import JobContext, Mark, SampleBatch
from blankoff.settings import Acceptance, Judging, Settings

Array = NDArray[np.float64]
NAN = float("nan")


def log(
    key: str = "a", rise: float = 150.0, pumped: float = 300.0, held: float = 700.0, every: float = 10.0
) -> SampleBatch:
    """A pull to 250 microns and a hold that rises by so many microns a minute."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, pumped + held, every)
    p = 250.0 + 30_000.0 * np.exp(-np.minimum(t, pumped) / 30.0) + np.where(t > pumped, rise * (t - pumped) / 60.0, 0.0)
    p = np.round(p * (1.0 + 0.003 * rng.normal(size=t.size)), 1)
    return SampleBatch.of_one(key, t, np.where(p > 20_000.0, NAN, p))


def fits_of(**known: list[float]) -> HoldFits:
    n = len(next(iter(known.values())))
    values = np.full((n, len(COLUMNS)), NAN)
    for name, column in known.items():
        values[:, COLUMNS.index(name)] = column
    return HoldFits(values)


def columns(ambient: float = 25.0, volume: float = 10.0, accuracy: float = NAN, **changed: float) -> dict[str, float]:
    """Columns of one hold of 12 minutes, 10 required, from a fit made up here."""
    fit = {
        "leak_micron": 400.0, "leak_se": 20.0, "saturating_micron": 90.0, "saturating_se": 30.0, "p_leak_raw": 0.97,
        "p_moisture_raw": 0.8, "tau_s": 240.0, "p0_micron": 310.0, "step_micron": -25.0, "wander": 0.002,
        "wander_memory_s": 150.0, "straight_micron": 420.0, "best_bend_micron": 80.0, "best_straight_micron": 410.0,
        "material_leak_micron": 410.0, "material_leak_se": 18.0, "noise": 0.004, **changed,
    }  # fmt: skip
    pressures = np.array([[820.0, 750.0, 760.0, 335.0, 360.0, 290.0]])
    context = JobContext.uniform(1, volume_l=volume, accuracy_percent=accuracy)
    got = _hold_columns(
        fits_of(**{name: [value] for name, value in fit.items()}), context, Judging(), np.array([300.0]),
        np.array([1020.0]), np.array([ambient]), pressures, np.array([2.0]),
    )  # fmt: skip
    assert got["rise_evidence"].shape == (1, EVIDENCE)
    return {name: float(values[0]) for name, values in got.items() if values.ndim == 1}


def test_a_holds_columns_in_their_units() -> None:
    got = columns()
    assert got["isolated_at_s"] == 300.0
    assert got["hold_minutes"] == 12.0
    assert got["hold_start_micron"] == 310.0
    assert (got["hold_end_micron"], got["hold_at_limit_micron"]) == (820.0, 750.0)
    # a leak for sure: 410 microns within ten minutes if there is one; scatter, a gauge that may be 5 per cent off at two
    # standard deviations, and 1.5 per cent of any slope
    assert got["leak_micron_per_min"] == 41.0
    assert got["leak_micron_per_min_se"] == pytest.approx(math.hypot(1.15 * 1.8, 0.025 * 41.0, 0.015 * 41.0))
    # 41 microns a minute in 10 l, told at 20 degC: the gas was at 25
    pascal = 41.0 * 0.133_322_368 * 10e-3 / 60.0
    assert got["leak_pa_m3_s"] == pytest.approx(pascal * 293.15 / 298.15, rel=1e-4)
    loss = refrigerant_loss(np.array([got["leak_pa_m3_s"]]), "R410A").g_per_year
    assert got["leak_mass_g_per_year"] == pytest.approx(float(np.asarray(loss).reshape(-1)[0]))
    assert (got["moisture_rise_micron"], got["moisture_rise_micron_se"]) == (90.0, 30.0)
    assert got["rise_time_constant_min"] == 4.0
    assert got["settling_step_micron"] == 25.0
    assert got["noise_percent"] == pytest.approx(0.4)
    boiling = float(saturation_temperature_c(820.0))
    assert got["saturation_c"] == pytest.approx(boiling)
    assert got["dryness_margin_k"] == pytest.approx(25.0 - boiling)
    one = lambda *x: np.array(x)  # noqa: E731
    p_leak, p_moisture = calibrated(one(0.97), one(0.8), one(90.0), one(410.0), one(80.0))
    assert [got["p_leak"], got["p_moisture"]] == pytest.approx([p_leak[0], p_moisture[0]])
    assert got["_kind"] == rise_kinds(p_leak, p_moisture, 0.53)[0]
    assert got["more_hold_minutes"] == 0.0


def test_a_holds_columns_where_something_is_unknown_or_wet() -> None:
    # water: 15 per cent of the saturating part may pass for steady, from 250 microns on
    gauge = 41.0 * math.hypot(0.025, 0.015)
    assert columns(saturating_micron=250.0)["leak_micron_per_min_se"] == pytest.approx(math.hypot(1.15 * 1.8, gauge))
    wet = columns(saturating_micron=251.0)["leak_micron_per_min_se"]
    assert wet == pytest.approx(math.hypot(1.15 * 1.8, gauge, 0.15 * 25.1))
    # a gauge's stated accuracy is two standard deviations
    assert columns(accuracy=10.0)["leak_micron_per_min_se"] == pytest.approx(
        math.hypot(1.15 * 1.8, 0.05 * 41.0, 0.015 * 41.0)
    )
    # a leak that is all but ruled out is told as the mean over leak and none
    unlikely = columns(p_leak_raw=0.2)
    assert unlikely["p_leak"] < 0.3
    assert unlikely["leak_micron_per_min"] == 40.0
    assert unlikely["leak_micron_per_min_se"] == pytest.approx(math.hypot(1.15 * 2.0, 1.0, 0.6))
    # as is one of which no material size is possible
    assert columns(material_leak_micron=NAN)["leak_micron_per_min"] == 40.0
    # a time constant only where the bend is twice its error
    assert columns(saturating_se=45.0)["rise_time_constant_min"] != 4.0
    assert columns(saturating_se=44.9)["rise_time_constant_min"] == 4.0
    # no fitted start: the settled pressure; never below nothing
    assert columns(p0_micron=NAN)["hold_start_micron"] == 335.0
    assert columns(p0_micron=-5.0)["hold_start_micron"] == 0.0
    # unknown ambient: the leak as it is, no margin
    unknown = columns(ambient=NAN)
    assert unknown["leak_pa_m3_s"] == pytest.approx(41.0 * 0.133_322_368 * 10e-3 / 60.0, rel=1e-5)
    assert math.isnan(unknown["dryness_margin_k"])
    assert math.isfinite(unknown["saturation_c"])
    # unknown volume: no leak in gas
    unknown = columns(volume=NAN)
    assert math.isnan(unknown["leak_pa_m3_s"])
    assert math.isnan(unknown["leak_mass_g_per_year"])
    assert unknown["leak_micron_per_min"] == 41.0
    assert LEAK_REFERENCE_C == 20.0


def test_how_much_longer_is_asked_where_the_rise_is_not_explained() -> None:
    got = columns(p_leak_raw=0.68, leak_micron=60.0)
    assert got["_kind"] == RiseKind.UNDETERMINED
    one = lambda x: np.array([float(x)])  # noqa: E731
    want = more_hold_minutes(
        one(720.0), one(600.0), one(420.0), one(820.0), one(0.004), one(2.0), one(0.002), one(150.0), np.array([True]),
        0.55, 0.95,
    )  # fmt: skip
    assert got["more_hold_minutes"] == pytest.approx(want[0])
    assert got["more_hold_minutes"] > 0.0
    assert got["more_hold_if_open_minutes"] == got["more_hold_minutes"]
    # told, but not so surely that a fleet's shares could not leave it open: kept for then
    told = columns(p_leak_raw=0.85, leak_micron=60.0)
    assert told["_kind"] != RiseKind.UNDETERMINED
    assert 0.53 < told["p_leak"] < 0.80
    assert told["more_hold_minutes"] == 0.0
    assert told["more_hold_if_open_minutes"] == got["more_hold_minutes"]
    # sure: never asked
    sure = columns(p_leak_raw=0.9999)
    assert sure["p_leak"] > 0.95
    assert (sure["more_hold_minutes"], sure["more_hold_if_open_minutes"]) == (0.0, 0.0)


@pytest.fixture(scope="module")
def two() -> tuple[SampleBatch, JobContext, PhaseTable, dict[str, Array]]:
    """A leak, and a log without a hold; judged from their phases."""
    batch = SampleBatch.concat([log("leak"), log("pull", pumped=400.0, held=0.0)])
    context = JobContext(
        np.array([500.0, 200.0]), np.array([1000.0, 1000.0]), np.array([10.0, 5.0]), ambient_c=np.array([20.0, NAN]),
        volume_l=np.array([9.5, NAN]),
    )  # fmt: skip
    phases = find_phases_batch(batch, Judging())
    return batch, context, phases, judge_phases(batch, phases, context, Settings())


def test_each_log_is_judged_by_its_own_job(two: tuple[SampleBatch, JobContext, PhaseTable, dict[str, Array]]) -> None:
    batch, _, phases, got = two
    assert [Reason(int(r)) for r in got["_reason"]] == [Reason.LEAK, Reason.NO_HOLD]
    assert got["_kind"][1] == RiseKind.NONE
    assert got["isolated_at_s"][0] == pytest.approx(300.0, abs=10.0)
    assert math.isnan(got["isolated_at_s"][1])
    assert got["leak_micron_per_min"][0] == pytest.approx(150.0, rel=0.1)
    assert got["hold_minutes"][0] == pytest.approx(690.0 / 60.0, abs=0.2)
    assert got["readings"].tolist() == np.diff(batch.offsets).tolist()
    assert got["sample_interval_s"].tolist() == [10.0, 10.0]
    over = [np.isnan(batch.pressure_micron[batch.offsets[k] : batch.offsets[k + 1]]).sum() for k in (0, 1)]
    assert got["over_range_readings"].tolist() == over
    # another criterion: the limit is not reached within so short a hold, or the pumped pressure is not good enough
    short = JobContext.uniform(2, hold_minutes=2.0)
    assert Reason(int(judge_phases(batch, phases, short, Settings())["_reason"][0])) is Reason.HELD
    strict = JobContext.uniform(2, target_micron=200.0, hold_minutes=2.0)
    assert Reason(int(judge_phases(batch, phases, strict, Settings())["_reason"][0])) is Reason.TARGET_MISSED
    low = JobContext.uniform(2, hold_limit_micron=240.0)
    assert Reason(int(judge_phases(batch, phases, low, Settings())["_reason"][0])) is Reason.TARGET_MISSED
    full = JobContext.uniform(2, hold_minutes=20.0, hold_limit_micron=5000.0)
    assert Reason(int(judge_phases(batch, phases, full, Settings())["_reason"][0])) is Reason.SHORT_HOLD
    # an isolation shorter than the settings ask for is none
    patient = Settings(judging=Judging(shortest_hold_min=15.0))
    assert Reason(int(judge_phases(batch, phases, full, patient)["_reason"][0])) is Reason.NO_HOLD


def test_borderline_by_accuracy_and_by_the_fleets_estimate(
    two: tuple[SampleBatch, JobContext, PhaseTable, dict[str, Array]],
) -> None:
    batch, context, phases, got = two
    assert got["borderline"].tolist() == [False, False]
    # 1 750 microns at the required minute: a gauge that reads 1.8 times too much could have turned it
    ratio = np.array([1.8, 1.8])
    assert judge_phases(batch, phases, context, Settings(), ratio)["borderline"][0]
    wide = JobContext.uniform(2, accuracy_percent=50.0)
    assert judge_phases(batch, phases, wide, Settings())["borderline"][0]


def test_rows_of_a_batch_and_of_its_phases() -> None:
    batch = SampleBatch.concat([log("leak"), log("pull", pumped=400.0, held=0.0)])
    judged = judge_batch(batch, JobContext.uniform(2, ambient_c=20.0), threads=1)
    rows = judged.measure
    assert rows.columns == schemas.MEASURE.names
    assert rows["log_key"].to_list() == ["leak", "pull"]
    assert rows["verdict"].to_list() == ["failed", "unproven"]
    assert rows["reason"].to_list() == ["leak", "no_hold"]
    assert rows["rise_kind"].to_list() == ["leak", None]
    # null, never NaN
    assert rows["hold_minutes"][1] is None
    # what the fleet weighs gives, under the shares each log was judged under, what was told
    assert rows["rise_evidence"][1] is None
    kept = rows["rise_evidence"][0].to_numpy()[None, :]
    chances = rise_chances(kept, RisePrior().shares())
    assert [float(p[0]) for p in chances] == pytest.approx([rows["p_leak"][0], rows["p_moisture"][0]], rel=1e-6)
    assert not any(rows[c].is_nan().any() for c in rows.columns if rows[c].dtype == pl.Float64)
    phases = judged.phase
    assert phases["log_key"].to_list() == ["leak", "leak", "pull"]
    assert phases["phase_no"].to_list() == [1, 2, 1]
    assert phases["kind"].to_list() == ["pump_down", "hold", "pump_down"]
    assert phases["start_why"].to_list()[0] == START_WHY_WORDS[0]
    assert phases["start_micron"][0] is None
    assert phases["end_micron"][1] == float(batch.pressure_micron[batch.offsets[1] - 1])
    with pytest.raises(ValueError, match="2 logs but 3 jobs: pass one job per log"):
        judge_batch(batch, JobContext.uniform(3))


def test_many_logs_are_judged_in_pieces_with_their_own_marks_and_jobs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces of one log here, of 256 otherwise: rows, ratios and marks stay with their logs."""
    logs = [log(str(k), rise=r, held=400.0) for k, r in enumerate((150.0, 5.0, 60.0))]
    batch = SampleBatch.concat(logs)
    context = JobContext(
        np.full(3, 500.0), np.array([1000.0, 900.0, 280.0]), np.full(3, 5.0), ambient_c=np.full(3, 20.0)
    )
    ratio = np.array([1.0, 1.0, 0.5])
    whole = judge_batch(batch, context, threads=1, gauge_ratio=ratio)
    monkeypatch.setattr(judging, "_CHUNK", 1)
    for threads in (1, 2):
        pieces = judge_batch(batch, context, threads=threads, gauge_ratio=ratio)
        assert pieces.measure.equals(whole.measure)
        assert pieces.phase.equals(whole.phase)
    marked = SampleBatch(
        batch.keys, batch.offsets, batch.elapsed_s, batch.pressure_micron, batch.ambient_c,
        (Mark(0, 5.0, "a"), Mark(1, 6.0, "b"), Mark(2, 7.0, "c")),
    )  # fmt: skip
    part = _sub_batch(marked, 1, 3)
    assert part.keys == ("1", "2")
    assert [(m.log, m.elapsed_s, m.text) for m in part.marks] == [(0, 6.0, "b"), (1, 7.0, "c")]
    np.testing.assert_array_equal(part.pressure_micron, batch.pressure_micron[batch.offsets[1] :])
    assert part.offsets.tolist() == (batch.offsets[1:] - batch.offsets[1]).tolist()


def test_work_is_done_in_order_however_many_threads() -> None:
    for threads in (0, 1, 2, 5):
        assert _in_threads(lambda k: k * k, 6, threads) == [0, 1, 4, 9, 16, 25]
    assert _in_threads(lambda k: k, 0, 3) == []


def test_ambient_of_the_log_from_the_isolation_on_wins_over_the_registers() -> None:
    one = log()
    ambient = np.where(one.elapsed_s < 300.0, 35.0, 12.0)
    own = SampleBatch.of_one("a", one.elapsed_s, one.pressure_micron, ambient)
    for batch, want in ((own, 12.0), (one, 20.0)):
        row = judge_batch(batch, JobContext.uniform(1, ambient_c=20.0), threads=1).measure.row(0, named=True)
        assert row["dryness_margin_k"] + row["saturation_c"] == pytest.approx(want)


def test_one_log_as_plain_objects() -> None:
    one = log()
    got = judge(one, Acceptance(hold_minutes=5.0, target_micron=400.0), volume_l=9.5, ambient_c=20.0, altitude_m=1500.0)
    row = judge_batch(
        one, JobContext.uniform(1, 400.0, 1000.0, 5.0, volume_l=9.5, ambient_c=20.0, altitude_m=1500.0), threads=1
    ).measure.row(0, named=True)
    assert got.measure == row
    assert (got.verdict, got.reason, got.borderline) == (row["verdict"], row["reason"], row["borderline"])
    assert got.hold.leak_pa_m3_s == row["leak_pa_m3_s"]
    assert got.pump_down.final_vacuum_micron == row["final_vacuum_micron"]
    assert [p.kind for p in got.phases] == ["pump_down", "hold"]
    assert (got.altitude_m, got.log) == (1500.0, one)
    curve = got.curve
    assert curve is not None
    assert curve.elapsed_s[0] == pytest.approx(row["isolated_at_s"])
    assert curve.elapsed_s[-1] <= row["isolated_at_s"] + 60.0 * row["hold_minutes"] + 1e-6
    assert curve.elapsed_s[-1] == pytest.approx(one.elapsed_s[-1])
    assert curve.steady_micron[-1] == pytest.approx(
        row["leak_micron_per_min"] * (curve.elapsed_s[-1] - curve.elapsed_s[0]) / 60.0
    )
    # by default the settings' criterion, and 0 m
    plain = judge(one, settings=Settings(acceptance=Acceptance(hold_limit_micron=90_000.0)))
    assert plain.reason == "held"
    assert plain.altitude_m is None
    assert plain.curve is not None
    assert judge(log(pumped=400.0, held=0.0)).curve is None
    with pytest.raises(ValueError, match="one log is wanted, 2 were given"):
        judge(SampleBatch.concat([one, one]))
