"""What never parted is said to be inseparable, what parted often is not."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from blankoff.fleet.attribution import attribute
from blankoff.fleet.separability import Doubt, components, entangled, meetings
from blankoff.settings import Settings
from tests.fleet.frames import Plan, draw_fleet

IDS = {"pump": "pump_id", "hose": "hose_id", "gauge": "gauge_id", "technician": "technician_id"}


def apart_counts(work: pl.DataFrame) -> dict[tuple[str, str, str, str], int]:
    """Plain slow count of evacuations on which one of two levels worked without the other."""
    out = {}
    for a, a_id in IDS.items():
        for b, b_id in IDS.items():
            if a == b:
                continue
            for x, y in work.select(a_id, b_id).unique().iter_rows():
                has_x, has_y = pl.col(a_id) == x, pl.col(b_id) == y
                out[(a, x, b, y)] = work.filter(has_x != has_y).height
    return out


@pytest.mark.scheduled
def test_precision_and_recall_against_who_parted() -> None:
    """Truth from the register alone: inseparable where some partner was never, or once only, apart."""
    hit = miss = false = 0
    for seed in (201, 202, 203):
        fleet = draw_fleet(Plan(seed=seed, technicians=20, evacuations=1500))
        effect = attribute(fleet.work, fleet.services, Settings(), fleet.plan.ends_on).effect
        apart = apart_counts(fleet.work)
        least: dict[tuple[str, str], int] = {}
        for (a, x, b, y), n in apart.items():
            least[(a, x)] = min(least.get((a, x), 10**9), n)
            if n == 0:
                rows = effect.filter((pl.col("factor") == a) & (pl.col("level_id") == x))
                assert rows["entangled_with"].list.contains(f"{b}:{y}").all()
        for factor, level, separable in effect.select("factor", "level_id", "separable").iter_rows():
            never, often = least[(factor, level)] <= 1, least[(factor, level)] >= 4
            hit += never and not separable
            miss += never and separable
            false += often and not separable
    assert hit > 50
    assert hit / (hit + miss) >= 0.95
    assert hit / (hit + false) >= 0.95


def test_one_van_alone_is_entangled_with_all_its_gear() -> None:
    fleet = draw_fleet(Plan(seed=5, technicians=6, branches=1, never_parted_share=0.2, evacuations=400))
    alone = [k[1] for k, n in apart_counts(fleet.work).items() if k[0] == "technician" and k[2] == "pump" and n == 0]
    assert alone
    effect = attribute(fleet.work, fleet.services, Settings(), fleet.plan.ends_on).effect
    number = alone[0][1:]
    row = effect.filter((pl.col("level_id") == f"P{number}") & (pl.col("measure") == "speed_deep"))
    assert not row["separable"].item()
    assert set(row["entangled_with"].item()) == {f"gauge:G{number}", f"hose:H{number}", f"technician:T{number}"}


def test_an_unknown_partner_parts_nobody() -> None:
    codes = {"pump": np.array([0, 0, 0, 1]), "hose": np.array([0, 0, -1, 1])}
    pairs = meetings(codes, {"pump": 2, "hose": 2})
    row = pairs.filter((pl.col("factor") == "pump") & (pl.col("level") == 0))
    assert row["together"].item() == 2
    assert row["apart"].item() == 0


def test_components_of_fleets_that_never_met() -> None:
    codes = {"pump": np.array([0, 0, 1, 2]), "hose": np.array([0, 1, 1, 2])}
    label = components(codes, {"pump": 3, "hose": 3})
    assert label["pump"][0] == label["pump"][1] == label["hose"][0]
    assert label["pump"][2] == label["hose"][2] != label["pump"][0]


def test_doubt_names_the_partner_it_is_traded_with() -> None:
    """Parted on three noisy evacuations: little is settled, and the posterior trades one for the other."""
    codes = {"pump": np.array([0] * 30 + [1] * 30), "hose": np.array([0] * 27 + [1] * 3 + [1] * 30)}
    sizes = {"pump": 2, "hose": 2}
    pairs = meetings(codes, sizes)
    trade = np.array([[1.0, 0.0, -0.9, 0.0], [0.0, 1.0, 0.0, -0.9], [-0.9, 0.0, 1.0, 0.0], [0.0, -0.9, 0.0, 1.0]])
    prior, known = np.full(4, 1.2), np.full(4, 0.05)
    found = entangled(pairs, sizes, Doubt(np.ones(4), prior, known, [(np.arange(4), trade)]))
    assert found["pump"] == [[("hose", 0)], [("hose", 1)]]
    # The same trade with little doubt left is no entanglement.
    settled = entangled(pairs, sizes, Doubt(np.full(4, 0.1), prior, known, [(np.arange(4), trade)]))
    assert settled["pump"] == [[], []]
