"""Who made which pulls slow, where two of one van fail within weeks: the two, and not the one who rode with both."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from blankoff.fleet.assets import AssetCauses
from blankoff.fleet.wear_causes import find_shifts, likelihood_on_grid
from blankoff.fleet.wear_shifts import HOLES, IN_BANDS, SHIFTS, hole_of, through_hole
from blankoff.fleet.wear_speeds import CONSTANTS_MEAN, LEVELS, SpeedTable, predicted, speed_table
from tests.fleet.frames import Plan, draw_fleet

WORN, CHOKED = -0.6, -1.0


def broken(table: SpeedTable, pump: str, hose: str, first_day: float, second_day: float) -> SpeedTable:
    """The values as they would be with a worn pump from one day on and a choked hose from another (CALC)."""
    n = table.day.size
    sound = {name: np.zeros((n, 1)) for name in LEVELS}
    ill = {name: level.copy() for name, level in sound.items()}
    for factor, name, day, size in (("pump", pump, first_day, WORN), ("hose", hose, second_day, CHOKED)):
        mine = np.array([x == name for x in table.ids[factor]]) & (table.day >= day)
        ill[factor][mine, 0] = size
    before, after = (predicted(table, CONSTANTS_MEAN, np.arange(n), levels) for levels in (sound, ill))
    viscous, line, above = ((b - a)[:, 0] for a, b in zip(before, after, strict=True))
    return replace(table, viscous=table.viscous + viscous, line=table.line + line, above=table.above + above)


def test_two_of_one_van_are_told_from_the_one_who_used_both() -> None:
    quiet = Plan(
        seed=10, evacuations=1500, worn_pumps=0, stepped_pumps=0, choked_hoses=0, leaking_hoses=0, gauges_off=0
    )
    table = speed_table(draw_fleet(replace(quiet, core_leavers=0)).work)
    vans = Counter(zip(table.ids["technician"], table.ids["pump"], table.ids["hose"], strict=True))
    chosen = [van for van, _ in vans.most_common(6) if None not in van]
    for _, pump, hose in chosen:
        mine = table.day[np.array([p == pump for p in table.ids["pump"]])]
        table = broken(table, str(pump), str(hose), *np.quantile(mine, [0.35, 0.45]))
    found = find_shifts(table, {})

    def now(factor: str, name: str | None) -> float:
        return float(found.levels[factor][np.flatnonzero([x == name for x in table.ids[factor]])[-1]])

    assert sum(now("technician", t) < -0.2 for t, _, _ in chosen) <= 1
    assert sum(abs(now("pump", p) - WORN) < 0.25 for _, p, _ in chosen) >= 4
    assert sum(abs(now("hose", h) - CHOKED) < 0.35 for _, _, h in chosen) >= 4


def rigged(table: SpeedTable, technician: str, deep: float, hole: np.ndarray) -> SpeedTable:
    """The values as they would be with something left in the port by one person from the first job on (CALC)."""
    n = table.day.size
    sound = {name: np.zeros((n, 1)) for name in LEVELS}
    ill = {name: level.copy() for name, level in sound.items()}
    mine = np.array([x == technician for x in table.ids["technician"]])
    viscous, above = through_hole(np.array([deep]), hole)
    for name, size in (("technician", deep), ("technician_viscous", viscous[0]), ("technician_above", above[0])):
        ill[name][mine, 0] = size
    before, after = (predicted(table, CONSTANTS_MEAN, np.arange(n), levels) for levels in (sound, ill))
    change = [(b - a)[:, 0] for a, b in zip(before, after, strict=True)]
    return replace(table, viscous=table.viscous + change[0], line=table.line + change[1], above=table.above + change[2])


def test_what_is_left_in_a_port_is_found_whether_it_chokes_or_gains_as_a_tube_does() -> None:
    quiet = Plan(
        seed=11, evacuations=1500, worn_pumps=0, stepped_pumps=0, choked_hoses=0, leaking_hoses=0, gauges_off=0
    )
    sound = speed_table(draw_fleet(replace(quiet, core_leavers=0)).work)
    sets = {
        t: Counter(h for h, by in zip(sound.ids["hose"], sound.ids["technician"], strict=True) if by == t)
        for t in set(sound.ids["technician"])
        if t is not None
    }
    # who worked with two sets for long: what is his can be told from theirs
    one = max(sorted(sets), key=lambda t: sets[t].most_common(2)[-1][1] if len(sets[t]) > 1 else 0)
    gains = []
    for hole in HOLES[[1, 3]]:
        found = find_shifts(rigged(sound, one, -0.7, hole), {})
        rows = np.flatnonzero([x == one for x in found.table.ids["technician"]])
        levels = [float(found.levels[n][rows[-1]]) for n in ("technician", "technician_viscous", "technician_above")]
        assert -1.0 < levels[0] < -0.45
        assert np.abs(found.levels["hose"][rows]).max() < 0.2
        gains.append(hole_of(*levels)[0])
        # over time it is asked through the same hole: its level as laid is about the likeliest there too
        grid = np.arange(-14, 3) * 0.1
        like = likelihood_on_grid(found, "technician", rows, grid, keep_level=False).sum(axis=0)
        assert abs(grid[int(like.argmax())] - levels[0]) < 0.25
        told = AssetCauses(None, found, None, {}).slow_people()  # type: ignore[arg-type]
        assert set(told) == {one}
        # nobody is named beside a line that was on all but two of his jobs
        usual = Counter(found.table.ids["hose"][i] for i in rows).most_common(1)[0][0]
        hoses = list(found.table.ids["hose"])
        for i in rows[:-2]:
            hoses[i] = usual
        table = replace(found.table, ids={**found.table.ids, "hose": hoses})
        assert AssetCauses(None, replace(found, table=table), None, {}).slow_people() == {}  # type: ignore[arg-type]
    assert gains[1] > 1.2 * gains[0], "what passes more the higher the pressure is told from what chokes"


def test_levels_of_a_hole_say_which_hole() -> None:
    """CALC: resistance beside the middle rig's, exp(-level) - 1, goes down by the hole's gain, and again above the range."""
    for hole in HOLES:
        viscous, above = through_hole(np.array([-0.5]), hole)
        assert np.isclose(np.expm1(-viscous[0]), np.expm1(0.5) / hole[0])
        assert np.isclose(np.expm1(-above[0]), np.expm1(0.5) / hole[0] * hole[1])
        assert np.allclose(hole_of(-0.5, float(viscous[0]), float(above[0])), hole)
    assert np.array_equal(hole_of(-0.01, 0.0, 0.0), HOLES[1])
    assert all(band.size == SHIFTS[name.split("_")[0]].size for name, band in IN_BANDS.items())
