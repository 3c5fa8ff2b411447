"""Single cases are of the kind they claim, in both families."""

from __future__ import annotations

import numpy as np
import pytest

from blankoff_synthetic import KINDS, draw_case
from blankoff_synthetic.clear_cases import WANTED


@pytest.mark.parametrize("family", ["tuning", "held_back"])
@pytest.mark.parametrize("kind", KINDS)
def test_cases_are_what_they_claim(kind: str, family: str) -> None:
    rng = np.random.default_rng(len(kind))
    for _ in range(3):
        pull, job = draw_case(rng, kind, family)
        truth = pull.truth
        verdict, reason, rise = WANTED[kind]
        assert truth["clear"]
        assert verdict in (None, truth["verdict"])
        assert reason in (None, truth["reason"])
        assert rise in (None, truth["rise_kind"])
        assert job.volume_l > 0.0
        assert np.all(np.diff(pull.elapsed_s) >= 0.0)
        assert pull.elapsed_s[0] == 0.0
        over = np.isnan(pull.pressure_micron)
        assert np.nanmax(pull.pressure_micron) <= job.top_of_range_micron
        assert over.mean() < 0.98


def test_a_case_is_a_function_of_its_generator() -> None:
    one, _ = draw_case(np.random.default_rng(3), "leak")
    two, _ = draw_case(np.random.default_rng(3), "leak")
    np.testing.assert_array_equal(one.pressure_micron, two.pressure_micron)


def test_unknown_words_are_named() -> None:
    with pytest.raises(ValueError, match="known are"):
        draw_case(np.random.default_rng(0), "sideways")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="known are"):
        draw_case(np.random.default_rng(0), "leak", "cousins")


def test_families_differ() -> None:
    """Held-back cases come from other distributions, not other seeds of the same."""
    spread = {
        family: np.median(
            [draw_case(np.random.default_rng(i), "held", family)[1].gauge.white_percent for i in range(25)]
        )
        for family in ("tuning", "held_back")
    }
    assert spread["held_back"] > 1.3 * spread["tuning"]
