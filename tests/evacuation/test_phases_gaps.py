"""How early within a gap a circuit can have been isolated: the line told by a statistics library. Tag: RUN."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from blankoff.evacuation.phases_gaps import earliest_in_gap


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("n", [4, 7, 8, 20])
def test_a_rise_after_a_gap_began_no_earlier_than_its_first_readings_say(seed: int, n: int) -> None:
    """Reference: the line of `scipy.stats.linregress` through the first eight, two standard errors slower, and a reading before."""
    rng = np.random.default_rng(seed)
    ct = np.concatenate([[0.0, 3.0], 203.0 + np.cumsum(rng.uniform(1.5, 4.0, n))])
    p = np.concatenate([[300.0, 300.0], 380.0 + 2.0 * (ct[2:] - ct[2]) + rng.normal(0.0, 0.3, n)])
    first = slice(2, 2 + min(n, 8))
    line = scipy.stats.linregress(ct[first], p[first])
    slope = line.slope - 2.0 * line.stderr
    wanted = ct[first].mean() - (p[first].mean() - 300.0) / slope - np.diff(ct[first]).mean()
    assert 3.0 < wanted < ct[2], "else the bounds are what is tested"
    assert earliest_in_gap(ct, np.log(p), 2, n + 1, 300.0) == pytest.approx(wanted, rel=1e-9)
    # never before the last reading of the floor, nor after the first of the rise
    assert earliest_in_gap(ct, np.log(p), 2, n + 1, -1e4) == 3.0
    assert earliest_in_gap(ct, np.log(p), 2, n + 1, 1e4) <= ct[2]
    # too few readings, or none that rise: it may be anywhere in the gap
    assert earliest_in_gap(ct, np.log(p), 2, 4, 300.0) == 3.0
    assert earliest_in_gap(ct, np.log(p[::-1].copy()), 2, n + 1, 300.0) == 3.0
