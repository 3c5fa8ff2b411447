import numpy as np
import pytest
from scipy.optimize import nnls

from blankoff.physics.nonnegative import nonnegative_fit


@pytest.mark.parametrize("seed", range(40))
def test_it_comes_as_near_as_scipys(seed):
    """scipy.optimize.nnls [RUN]: the same residual, and none negative, for columns that look much alike too."""
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(6, 80)), int(rng.integers(1, 20))
    t = np.sort(rng.uniform(0.0, 900.0, n))
    columns = (
        rng.standard_normal((n, k)) if seed % 2 else 1.0 - np.exp(-t[:, None] / np.geomspace(28.0, 4000.0, k)[None, :])
    )
    if seed % 3 == 0:
        columns = np.column_stack([np.ones(n), -np.ones(n), columns])
    target = rng.standard_normal(n) + rng.uniform(-3.0, 3.0)
    best, residual = nnls(columns, target)
    found = nonnegative_fit(columns, target)
    assert found.min() >= 0.0
    assert np.linalg.norm(columns @ found - target) == pytest.approx(residual, rel=1e-9, abs=1e-12)
    np.testing.assert_allclose(columns @ found, columns @ best, rtol=0.0, atol=1e-6)


def test_what_all_columns_point_away_from_is_left_alone():
    assert nonnegative_fit(np.array([[1.0], [1.0]]), np.array([-1.0, -2.0])).tolist() == [0.0]
