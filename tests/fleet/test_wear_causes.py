"""Who made which pulls slow, where two of one van fail within weeks: the two, and not the one who rode with both."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from blankoff.fleet.wear_causes import find_shifts
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
