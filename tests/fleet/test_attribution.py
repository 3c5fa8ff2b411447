"""What attribution promises whatever the fleet: names, order, missing input, and one answer on any path."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from blankoff.fleet import attribution
from blankoff.fleet.attribution import attribute
from blankoff.fleet.attribution_kernels import accumulate
from blankoff.fleet.attribution_model import around
from blankoff.fleet.attribution_solve import _invert
from blankoff.fleet.attribution_states import REPAIR, expected_levels, factor_states
from blankoff.schemas import EFFECT
from blankoff.settings import Settings
from tests.fleet.frames import DrawnFleet, Plan, draw_fleet

KEY = ["factor", "level_id", "measure"]


@pytest.fixture(scope="module")
def fleet() -> DrawnFleet:
    return draw_fleet(Plan(seed=11, technicians=9, spare_pumps=2, evacuations=500, months=10))


@pytest.fixture(scope="module")
def found(fleet: DrawnFleet) -> attribution.Attribution:
    return attribute(fleet.work, fleet.services, Settings(), fleet.plan.ends_on)


def test_effect_is_the_contracts_table(fleet: DrawnFleet, found: attribution.Attribution) -> None:
    assert found.effect.columns[: len(EFFECT.names)] == EFFECT.names
    assert found.effect.select(KEY).is_duplicated().sum() == 0
    assert found.effect.select(pl.all_horizontal(pl.col("ratio").is_finite(), pl.col("ratio") > 0)).to_series().all()
    assert (found.effect["ratio_lower"] < found.effect["ratio"]).all()
    assert (found.effect["ratio_upper"] > found.effect["ratio"]).all()
    assert (found.effect["separable"] == (found.effect["entangled_with"].list.len() == 0)).all()
    counts = fleet.work.group_by("pump_id").len()
    floor = found.effect.filter((pl.col("factor") == "pump") & (pl.col("measure") == "floor"))
    assert (
        floor.join(counts, left_on="level_id", right_on="pump_id").select((pl.col("n") == pl.col("len")).all()).item()
    )


def test_row_order_changes_nothing(fleet: DrawnFleet, found: attribution.Attribution) -> None:
    shuffled = fleet.work.sample(fraction=1.0, shuffle=True, seed=3)
    again = attribute(shuffled, fleet.services.reverse(), Settings(), fleet.plan.ends_on)
    assert again.effect.equals(found.effect)
    assert again.attributed.equals(found.attributed)


def test_later_rows_and_services_are_not_looked_at(fleet: DrawnFleet) -> None:
    as_of = fleet.plan.ends_on - timedelta(days=120)
    known = fleet.work.filter(pl.col("started_on") <= as_of)
    services = fleet.services.filter(pl.col("serviced_on") <= as_of)
    assert services.height < fleet.services.height
    whole = attribute(fleet.work, fleet.services, Settings(), as_of)
    cut = attribute(known, services, Settings(), as_of)
    assert whole.effect.equals(cut.effect)


@pytest.mark.parametrize(
    "missing",
    [
        ["hose_id", "bore_mm", "length_m"],
        ["gauge_id", "system_id", "kind", "volume_l", "speed_viscous_l_s", "speed_deep_l_s"],
        ["rated_l_per_s", "ambient_c", "altitude_m", "water_g", "pumped_minutes", "branch"],
        ["viscous_rate_per_s", "viscous_rate_se_ln", "speed_viscous_l_s", "speed_viscous_l_s_se_ln"],
        ["floor_micron", "floor_se_micron"],
    ],
)
def test_missing_columns_cost_only_what_needs_them(fleet: DrawnFleet, missing: list[str]) -> None:
    nulls = fleet.work.with_columns(pl.lit(None).cast(fleet.work.schema[c]).alias(c) for c in missing)
    for work in (fleet.work.drop(missing), nulls):
        table = attribute(work, fleet.services, Settings(), fleet.plan.ends_on).effect
        expected = {"speed_viscous", "speed_deep", "floor"}
        expected -= {"speed_viscous"} if "viscous_rate_per_s" in missing else set()
        expected -= {"floor"} if "floor_micron" in missing else set()
        assert set(table["measure"]) == expected
        assert table["ratio"].is_finite().all()
        assert ("hose" in set(table["factor"])) == ("hose_id" not in missing)


def test_an_empty_and_a_tiny_fleet_give_empty_tables(fleet: DrawnFleet) -> None:
    for rows in (0, 1, 5):
        result = attribute(fleet.work.head(rows), fleet.services, Settings(), fleet.plan.ends_on)
        assert result.effect.columns == EFFECT.names
        assert result.effect.height == 0


def test_wild_values_are_left_out_not_fatal(fleet: DrawnFleet, found: attribution.Attribution) -> None:
    wild = fleet.work.with_columns(
        pl.when(pl.int_range(pl.len()) % 97 == 5)
        .then(float("inf"))
        .otherwise(pl.col("deep_rate_per_s"))
        .alias("deep_rate_per_s"),
        pl.when(pl.int_range(pl.len()) % 89 == 7).then(-4.0).otherwise(pl.col("floor_micron")).alias("floor_micron"),
        pl.when(pl.int_range(pl.len()) % 83 == 9).then(1e9).otherwise(pl.col("volume_l")).alias("volume_l"),
    )
    table = attribute(wild, fleet.services, Settings(), fleet.plan.ends_on).effect
    both = table.join(found.effect, on=KEY)
    assert (both["ratio"] / both["ratio_right"]).log().abs().max() < 0.5


@pytest.mark.scheduled
def test_groups_of_vans_agree_with_one_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """The path of large fleets, forced onto a fleet that can be solved exactly: within a third of a standard error."""
    fleet = draw_fleet(Plan(seed=21, technicians=30, evacuations=2400))
    exact = attribute(fleet.work, fleet.services, Settings(), fleet.plan.ends_on).effect
    monkeypatch.setattr(attribution, "EXACT_STATES", 10)
    grouped = attribute(fleet.work, fleet.services, Settings(), fleet.plan.ends_on).effect
    both = exact.join(grouped, on=KEY).with_columns(
        apart=(pl.col("ratio_right") / pl.col("ratio")).log()
        / (pl.col("ratio_upper") / pl.col("ratio_lower")).log()
        * 3.29
    )
    assert not both["ratio"].equals(both["ratio_right"])
    assert (both["apart"] ** 2).mean() ** 0.5 < 0.5
    assert both["separable"].equals(both["separable_right"])


@pytest.mark.scheduled
def test_attributed_leaves_a_change_with_its_asset() -> None:
    """A pump's step shows in what attribution leaves for it, at its date and size."""
    fleet = draw_fleet(Plan(seed=41, stepped_pumps=4, worn_pumps=0, borrow_share=0.12, never_parted_share=0.0))
    left = attribute(fleet.work, fleet.services, Settings(), fleet.plan.ends_on).attributed
    steps = fleet.events.filter(pl.col("what") == "step")
    sizes = []
    for _, pump, _, on, size in steps.iter_rows():
        rows = left.filter((pl.col("level_id") == pump) & (pl.col("measure") == "speed_viscous"))
        repaired = fleet.services.filter((pl.col("asset_id") == pump) & (pl.col("action") == "overhaul"))
        if repaired.height:
            rows = rows.filter(pl.col("started_at").dt.date() < repaired["serviced_on"].min())
        late = pl.col("started_at").dt.date() > on
        if rows.filter(late).height >= 5:
            value = "ln_ratio_after_other_factors"
            sizes.append(rows.filter(late)[value].median() - rows.filter(~late)[value].median() - np.log(size))
    assert len(sizes) >= 3
    assert np.median(np.abs(sizes)) < 0.1


def test_stretches_end_at_services_and_fresh_ones_are_short() -> None:
    days = np.arange(60.0)
    ids = pl.Series(["P1"] * 60)
    done = pl.DataFrame({"asset_id": ["P1"], "action": ["overhaul"], "day": [30.5]})
    s = factor_states("pump", ids, days, done, 61.0)
    assert s.state_of_row[30] != s.state_of_row[31]
    assert (s.joint == REPAIR).sum() == 1
    assert (s.state_of_row == s.last_state[0]).sum() == 4
    # A repaired pump goes on from what it was at first, not from the ruin it was before.
    assert s.previous[s.state_of_row[31]] == s.state_of_row[0]
    assert np.all(np.diff(s.state_of_row) >= 0)
    later = factor_states("pump", ids, days, done.with_columns(day=pl.lit(60.5)), 61.0)
    assert (later.state_of_row != later.last_state[0]).all()


def test_kernel_against_dense_algebra() -> None:
    """Systems eliminated row by row give the same normal equations as the covariance matrix written out."""
    rng = np.random.default_rng(5)
    n, m, p = 30, 7, 3
    system = np.sort(rng.integers(0, 11, n))
    start = np.append(np.flatnonzero(np.r_[True, np.diff(system) > 0]), n).astype(np.int64)
    variance = rng.uniform(0.0, 2.0, len(start) - 1) * (rng.random(len(start) - 1) > 0.2)
    position = rng.integers(-1, m, (n, 2))
    position[:, 1] = np.where(position[:, 1] == position[:, 0], -1, position[:, 1])
    z, x, y, w = rng.normal(size=(n, 2)), rng.normal(size=(n, p)), rng.normal(size=n), rng.uniform(0.5, 2, n)
    dense_z = np.zeros((n, m))
    for i in range(n):
        for k in range(2):
            if position[i, k] >= 0:
                dense_z[i, position[i, k]] += z[i, k]
    of_row = np.repeat(np.arange(len(start) - 1), np.diff(start))
    cov = np.diag(1 / w) + np.where(of_row[:, None] == of_row, variance[of_row], 0.0)
    inverse = np.linalg.inv(cov)
    right = np.column_stack([x, y])
    zwz, zwr, rwr = accumulate(position, z, x, y, w, start, variance, m)
    assert zwz == pytest.approx(dense_z.T @ inverse @ dense_z, abs=1e-10)
    assert zwr == pytest.approx(dense_z.T @ inverse @ right, abs=1e-10)
    assert rwr == pytest.approx(right.T @ inverse @ right, abs=1e-10)


def test_taking_out_quiet_stretches_changes_no_inverse() -> None:
    """Chains of joints, some after a repair, with rows on a few stretches only: as the dense inverse has it."""
    rng = np.random.default_rng(4)
    m = 90
    previous = np.arange(m) - 1
    previous[::15] = -1
    previous[8::15] = np.arange(0, m, 15)
    h = np.diag(np.where(previous < 0, 3.0, 0.0))
    for i in np.flatnonzero(previous >= 0):
        step = np.exp(rng.normal(3.0, 2.0))
        both = np.ix_([previous[i], i], [previous[i], i])
        h[both] += step * np.array([[1.0, -1.0], [-1.0, 1.0]])
    met = rng.random(m) < 0.4
    at = np.flatnonzero(met)
    rows = rng.normal(size=(200, at.size)) * (rng.random((200, at.size)) < 0.2)
    h[np.ix_(at, at)] += rows.T @ rows
    wanted = np.linalg.inv(h)
    np.testing.assert_allclose(_invert(h.copy(), met, previous), wanted, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(_invert(h.copy(), np.ones(m, dtype=bool), previous), wanted, rtol=1e-9, atol=1e-12)


def test_effects_are_looked_for_about_what_is_expected() -> None:
    """CALC: y = exp(u) made straight about m + d asks for d: what the straight line at m + d says of the rows, less its part of m."""

    def straight(beta: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        of_row = u[[0, 1, 1]]
        slope = np.exp(of_row)
        return np.array([1.0, 2.0, 3.0]) - np.exp(of_row) + slope * of_row, np.ones((3, 1)), slope[:, None]

    state = np.array([[0], [1], [1]])
    assert around(straight, [np.zeros(2)], state) is straight
    assert around(None, [np.ones(2)], state) is None
    about = around(straight, [np.array([0.5, -0.3])], state)
    assert about is not None
    y, _, z = about(np.zeros(1), np.array([0.1, 0.2]))
    whole, _, slope = straight(np.zeros(1), np.array([0.6, -0.1]))
    assert np.allclose(z, slope)
    assert np.allclose(y, whole - slope[:, 0] * np.array([0.5, -0.3, -0.3]))


def test_a_change_is_expected_of_the_stretches_after_it() -> None:
    """CALC: every job takes what was known last before it, the first ones what was known first; a stretch has their mean."""
    ids = pl.Series(["A", "B"] * 8)
    none = pl.DataFrame(schema={"asset_id": pl.String, "action": pl.String, "day": pl.Float64})
    states = factor_states("pump", ids, np.arange(16.0), none, 16.0, (2, 4))
    told = expected_levels(states, np.arange(16.0), {"A": (np.array([4.0, 9.0]), np.array([0.0, -0.6]))})
    of_job = np.where(np.arange(16) % 2 == 1, 0.0, np.where(np.arange(16) < 9, 0.0, -0.6))
    for k in range(states.size):
        assert told[k] == pytest.approx(of_job[states.state_of_row == k].mean())
    assert told[states.last_state[0]] == pytest.approx(-0.6)
    assert (told[states.level_of_state == 1] == 0.0).all()
    done = pl.DataFrame({"asset_id": ["A"], "action": ["oil_change"], "day": [15.5]})
    unused = factor_states("pump", ids, np.arange(16.0), done, 16.0, (2, 4))
    told = expected_levels(unused, np.arange(16.0), {"A": (np.array([4.0, 9.0]), np.array([0.0, -0.6]))})
    assert told[unused.last_state[0]] == -0.6, "no job has shown it since its oil was changed"
