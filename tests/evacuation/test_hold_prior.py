"""The prior of the straight part, tabulated, against SciPy's adaptive quadrature. Tag: CALC."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from blankoff.evacuation.hold_prior import SLOW_BINS, SPLIT, RisePrior, SplitTable, split_table

PRIOR = RisePrior()


def slow_density(d: float, scale: float) -> float:
    """Mixture of exponentials of a quarter, one and two and a half scales: 60, 35 and 5 per cent."""
    return sum(w / (s * scale) * math.exp(-d / (s * scale)) for s, w in ((0.25, 0.60), (1.0, 0.35), (2.5, 0.05)))


def leak_density(x: float, minutes: float, prior: RisePrior) -> float:
    """Log-uniform between the ends, a power law beyond."""
    low, high = prior.leak_low_micron_per_min * minutes, prior.leak_high_micron_per_min * minutes
    if x < low:
        return 0.0
    if x <= high:
        return (1.0 - prior.leak_beyond) / (math.log(high / low) * x)
    return prior.leak_beyond * high / x**2


def by_quadrature(straight: float, minutes: float, material: float, scale: float, prior: RisePrior) -> list[float]:
    """Columns of the table at one straight part."""
    low, high = prior.leak_low_micron_per_min * minutes, prior.leak_high_micron_per_min * minutes

    def over(weight: object, a: float, b: float) -> float:
        """Integral over the leak, from a to b, the slow part making up the rest."""
        assert callable(weight)
        inside = lambda x: weight(x) * leak_density(x, minutes, prior) * slow_density(straight - x, scale)  # noqa: E731
        a, b = max(a, 0.0), min(b, straight)
        marks = [m for m in (low, high, straight - 2.0 * scale, straight - 10.0 * scale) if a < m < b]
        return float(quad(inside, a, b, points=marks or None, limit=400)[0]) if b > a else 0.0

    leaks = prior.leak_share
    none = (1.0 - leaks) * slow_density(straight, scale)
    one = lambda x: 1.0  # noqa: E731
    total = leaks * over(one, 0.0, straight) + none
    bins = []
    for k in range(SLOW_BINS + 1):
        first = material * k / SLOW_BINS
        last = material * (k + 1) / SLOW_BINS if k < SLOW_BINS else math.inf
        mass = leaks * over(one, straight - last, straight - first)
        bins.append(mass / total)
    return [
        math.log(total), leaks * over(one, material, straight) / total, leaks * over(lambda x: x, 0.0, straight) / total,
        leaks * over(lambda x: x * x, 0.0, straight) / total, leaks * over(lambda x: x, material, straight) / total,
        leaks * over(lambda x: x * x, material, straight) / total, none / total, *bins,
    ]  # fmt: skip


def at(table: SplitTable, node: int) -> float:
    """Straight part of a node, microns."""
    return float(table.scale * math.expm1(node * table.step))


@pytest.mark.parametrize(
    ("minutes", "material", "scale", "prior"),
    [
        (10.0, 50.0, 40.0, PRIOR),
        (30.0, 80.0, 12.0, PRIOR),
        (10.0, 50.0, 10.0, replace(PRIOR, leak_share=0.6, leak_beyond=0.2, leak_high_micron_per_min=50.0)),
    ],
)
def test_table_is_that_of_quadrature(minutes: float, material: float, scale: float, prior: RisePrior) -> None:
    table = split_table(prior, minutes, material, scale)
    assert table.values.shape == (220, SPLIT + SLOW_BINS + 1)
    for node in (5, 22, 33, 45, 60, 80, 110):
        straight = at(table, node)
        want = by_quadrature(straight, minutes, material, scale, prior)
        got = table.values[node]
        assert got[0] == pytest.approx(want[0], abs=0.03), straight
        assert got[1] == pytest.approx(want[1], abs=0.03), straight
        assert got[2] == pytest.approx(want[2], rel=0.04, abs=0.1), straight
        assert got[3] == pytest.approx(want[3], rel=0.05, abs=2.0), straight
        assert got[4] == pytest.approx(want[4], rel=0.04, abs=0.03 * material), straight
        assert got[5] == pytest.approx(want[5], rel=0.05, abs=0.03 * material**2), straight
        assert got[6] == pytest.approx(want[6], abs=0.03), straight
        assert got[SPLIT:] == pytest.approx(want[SPLIT:], abs=0.03), straight
        assert got[SPLIT:].sum() + got[6] == pytest.approx(1.0, abs=1e-3)


def test_ends_of_the_table() -> None:
    """No straight part at all is slow outgassing of nothing; three million microns are a leak, whatever else."""
    table = split_table(PRIOR, 10.0, 50.0, 40.0)
    assert at(table, 0) == 0.0
    assert at(table, 219) == pytest.approx(3e6)
    assert table.values[0, 0] == pytest.approx(math.log((1.0 - PRIOR.leak_share) * slow_density(0.0, 40.0)))
    assert table.values[0, 1:].tolist() == [0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    assert table.values[219, 1] == pytest.approx(1.0)
    assert table.values[219, 2] == pytest.approx(3e6, rel=1e-3)
    assert table.values[219, 6] == pytest.approx(0.0, abs=1e-9)
    # nothing in between runs away
    assert np.isfinite(table.values).all()
    assert not table.values.flags.writeable
    # one table for one question
    assert split_table(PRIOR, 10.0, 50.0, 40.0) is table


def test_belief_in_the_fields_range() -> None:
    """Leaks of 1 - 600 microns a minute, unsaturated outgassing of tens of microns (domain: ranges met in the field)."""
    assert PRIOR.slow_of_ordinary() == pytest.approx(PRIOR.slow_scale_micron * 2.0)
    assert PRIOR.slow_of_quick() == pytest.approx(PRIOR.slow_scale_micron * 0.375)
    for scale, low in ((PRIOR.slow_of_ordinary(), 10.0), (PRIOR.slow_scale_micron, 10.0), (PRIOR.slow_of_quick(), 5.0)):
        mean = sum(w * s for s, w in ((0.25, 0.60), (1.0, 0.35), (2.5, 0.05))) * scale
        assert low < mean < 60.0
    assert PRIOR.vector(77.0)[7] == 77.0
    assert PRIOR.leak_low_micron_per_min <= 5.0 < 500.0 <= PRIOR.leak_high_micron_per_min
    for share in (
        PRIOR.leak_share,
        PRIOR.leak_beyond,
        PRIOR.pair_share,
        PRIOR.stray_share,
        PRIOR.quick_share,
        PRIOR.wet_share,
    ):
        assert 0.0 < share < 1.0


def test_shares_of_the_cases() -> None:
    """States of the circuit, each without and with a leak, which is as common in each."""
    prior = RisePrior(leak_share=0.3, quick_share=0.6, wet_share=0.1)
    want = [0.9 * 0.4 * 0.7, 0.9 * 0.4 * 0.3, 0.9 * 0.6 * 0.7, 0.9 * 0.6 * 0.3, 0.1 * 0.7, 0.1 * 0.3]
    assert prior.shares() == pytest.approx(want)
