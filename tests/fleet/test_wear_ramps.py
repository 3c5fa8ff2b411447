"""Since when a level is below a limit: falls of a day and of half a year, dated within weeks."""

from __future__ import annotations

import numpy as np
import pytest

from blankoff.fleet.wear_ramps import passed_on
from tests.fleet.test_wear_levels import like_of

LIMIT = np.log(0.75)


@pytest.mark.parametrize("lasts", [0.0, 150.0])
def test_a_fall_is_dated_however_long_it_took(lasts: float) -> None:
    off, covered = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        days = np.sort(rng.uniform(0.0, 500.0, 110))
        begin = rng.uniform(120.0, 250.0)
        come = np.where(days >= begin, 1.0, 0.0) if lasts == 0.0 else np.clip((days - begin) / lasts, 0.0, 1.0)
        values = np.log(1.0 - 0.45 * come) + 0.12 * rng.standard_normal(110)
        true = begin + lasts * 0.25 / 0.45
        when, weight = passed_on(days, like_of(values), 0.0, np.log(0.55), LIMIT)
        assert weight.sum() == pytest.approx(1.0)
        order = np.argsort(when)
        low, middle, high = when[order][np.searchsorted(np.cumsum(weight[order]), [0.05, 0.5, 0.95])]
        off.append(abs(middle - true))
        covered.append(low - 5.0 <= true <= high + 5.0)
    assert np.median(off) < (8.0 if lasts == 0.0 else 15.0)
    assert np.max(off) < 45.0
    assert np.mean(covered) > 0.7


def test_what_never_fell_so_far_passed_no_limit() -> None:
    when, weight = passed_on(np.arange(30.0), like_of(np.zeros(30)), 0.0, 0.1, LIMIT)
    assert when.size == weight.size == 0
