"""When a pump's oil is due, by the truth: against the waiting time of a Poisson process. Tag: CALC."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import gamma

from blankoff_synthetic.fleet_truth import _due


def due_after(jobs: list[tuple[float, float]], hours: float = 0.0, water_g: float = 0.0) -> float | None:
    """Days until due of oil that passes its limit beyond 10 h and 5 g, each as good as the other."""

    def blankoffs(h: Any, g: Any, limit: float) -> Any:
        return limit * np.maximum(h / 10.0, g / 5.0)

    pump = SimpleNamespace(
        blankoffs_micron=blankoffs, blankoff_micron=lambda h, g, limit: float(blankoffs(h, g, limit))
    )
    start = dt.date(2025, 1, 1)
    plan: Any = SimpleNamespace(
        pumps=[pump], days=400, started_on=start, scenario=SimpleNamespace(blankoff_limit_micron=150.0, seed=1)
    )
    oil: Any = SimpleNamespace(jobs=np.array(jobs).reshape(-1, 2), at=lambda day: (hours, water_g))
    found = _due(plan, 0, oil, 100.0)
    return None if found is None else (found - start).days - 100.0


def test_oil_is_due_at_the_job_that_brings_it_over() -> None:
    # a hundred jobs of an hour in 400 days: the eleventh brings it over 10 h, gamma distributed with mean 44 days
    median = float(gamma(11, scale=4.0).median())
    assert due_after([(1.0, 0.0)] * 100) == pytest.approx(median, abs=3.0 * 1.25 * 13.3 / np.sqrt(201) + 1.0)
    assert due_after([(1.0, 0.0)] * 100, hours=10.5) == 0.0
    assert due_after([], hours=9.0) is None


def test_water_comes_with_few_jobs() -> None:
    """One job in ten brings 6 g: the median wait is 0.69 of the mean one, and not when the mean pace has brought 5 g."""
    jobs = [(0.01, 6.0 if k % 10 == 0 else 0.0) for k in range(100)]
    assert due_after(jobs) == pytest.approx(40.0 * np.log(2.0), abs=3.0 * 40.0 / np.sqrt(201) + 1.0)


def test_oil_that_lasts_beyond_two_years_has_no_date() -> None:
    assert due_after([(0.01, 0.0)] * 10) is None
