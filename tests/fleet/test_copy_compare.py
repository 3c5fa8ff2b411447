"""Pairs compared many at once give, bit for bit, what the plain comparison of two logs gives."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.ndimage import median_filter, uniform_filter1d

from blankoff.fleet.copy_compare import compare_pairs, in_neighbourhoods
from blankoff.fleet.copy_grids import median_filter_9, uniform_filter
from blankoff.fleet.copy_match import NO_MATCH, match_at, spacing_s
from blankoff.fleet.copy_passages import Passages
from blankoff.fleet.copy_propose import Nearness, near_codes, near_new, neighbour_rank
from blankoff.fleet.copy_sketch import CopyRules
from blankoff.samples import SampleBatch
from tests.fleet.test_copies import pull


def _logs() -> tuple[SampleBatch, np.ndarray]:
    """Logs of every sort that a comparison meets, and where each was isolated (NaN: the sketch does not say)."""
    rng = np.random.default_rng(8)
    logs, moments = [], []
    for k in range(18):
        t, p = pull(k // 3, noise=0.01, step_s=(1.0, 2.0, 2.5)[k // 3 % 3])
        shift = 0.0
        if k % 3 == 1:
            p = p * np.exp(0.01 * rng.normal(size=p.size))
        if k % 5 == 2:
            shift, t, p = float(t[200]), t[200:] - t[200], p[200:]
        if k % 7 == 3:
            keep = np.ones(t.size, dtype=bool)
            keep[200:290] = False
            keep[rng.integers(0, t.size, 30)] = False
            t, p = t[keep], np.where(rng.random(t.size)[keep] < 0.02, np.nan, p[keep])
        if k in (5, 11):
            t, p = t[::20], p[::20]
        if k == 16:
            t, p = t[:4], p[:4]
        if k == 17:
            p = np.full(p.size, np.nan)
        logs.append(SampleBatch.of_one(f"L{k:02d}", t, p))
        moments.append([np.nan if k == 7 else 900.0 - shift, 300.0 - shift + k % 4, np.nan if k % 2 else 400.0 - shift])
    return SampleBatch.concat(logs), np.array(moments)


@pytest.mark.parametrize("threads", [1, 3])
def test_compiled_comparison_equals_the_plain_one(threads: int) -> None:
    batch, moments = _logs()
    rules = CopyRules()
    pairs = np.array([(i, j) for i in range(len(batch)) for j in range(i + 1, len(batch))])
    place = {k: n for n, k in enumerate(batch.keys)}

    def load(keys: list[str]) -> SampleBatch:
        return SampleBatch.concat([batch.log(place[k]) for k in keys])

    found = compare_pairs(pairs, list(batch.keys), moments, Passages.of([{}] * len(batch)), load, rules, threads)
    seen = {(int(i), int(j)): n for n, (i, j) in enumerate(zip(found.earlier, found.later, strict=True))}
    copies = tried = 0
    for i, j in pairs.tolist():
        one, other = batch.log(i), batch.log(j)
        step = max(spacing_s(one), spacing_s(other))
        guesses = moments[j] - moments[i]
        if not np.isfinite(step) or not np.isfinite(guesses).any():
            assert (i, j) not in seen
            continue
        plain = match_at(other, one, step, guesses, rules)
        n = seen[i, j]
        assert found.match(n) == plain, (i, j)
        assert bool(found.is_copy[n]) is plain.is_copy(rules)
        copies += plain.is_copy(rules)
        tried += plain != NO_MATCH
    assert copies > 5
    assert tried > 60


def test_filters_are_those_of_scipy_to_the_last_bit() -> None:
    rng = np.random.default_rng(1)
    for n in (2, 5, 40, 1500):
        x = np.round(rng.normal(size=n), 2)
        out = np.empty(n)
        for size in (9, 15, 61):
            uniform_filter(x, size, out)
            assert np.array_equal(out, uniform_filter1d(x, size, mode="nearest"))
        median_filter_9(x, out)
        assert np.array_equal(out, median_filter(x, size=9, mode="nearest"))


def test_batches_hold_every_pair_once_and_few_readings() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(size=(300, 6))
    values[::7, 3:] = np.nan
    pairs = np.column_stack(np.divmod(near_codes(Nearness(values, 1.0, 24, 4)), 300))
    weight = rng.integers(50, 150, 300)
    parts = list(in_neighbourhoods(pairs, neighbour_rank(values), weight, most=2000))
    assert len(parts) > 5
    assert all(weight[np.unique(p)].sum() <= 2000 for p in parts)
    together = np.concatenate(parts)
    assert np.array_equal(together[np.lexsort((together[:, 1], together[:, 0]))], pairs)


def test_only_what_new_sketches_touch_proposes_otherwise() -> None:
    rng = np.random.default_rng(6)
    how = (0.5, 3, 5)
    values = rng.normal(size=(400, 6))
    values[::5, :3] = np.nan
    new = np.zeros(400, dtype=bool)
    new[rng.integers(0, 400, 12)] = True
    touched = new | near_new(Nearness(values, *how), new)
    old = np.flatnonzero(~new)
    before = {
        (int(old[i]), int(old[j])) for i, j in (divmod(c, len(old)) for c in near_codes(Nearness(values[~new], *how)))
    }
    now = {(int(i), int(j)) for i, j in (divmod(c, 400) for c in near_codes(Nearness(values, *how)))}
    asked = {(int(i), int(j)) for i, j in (divmod(c, 400) for c in near_codes(Nearness(values, *how), touched))}
    assert touched.sum() < 200
    assert now - before <= asked
    assert before - now <= {(i, j) for i, j in before if touched[i] or touched[j]}


def test_shared_passages_say_how_logs_align() -> None:
    """CALC: the median of what each shared passage says; a passage told twice begins where it was told last."""
    sketches = pl.DataFrame(
        {
            "passage": [[5, 9, 2, 5], [9, 5, 7], None, [], [1]],
            "passage_at_s": [[10.0, 30.0, 7.0, 20.0], [130.0, 121.0, 0.0], None, [], [3.0]],
        },
        schema={"passage": pl.List(pl.Int64), "passage_at_s": pl.List(pl.Float64)},
    )
    passages = Passages.of_sketches(sketches)
    earlier, later = np.array([0, 1, 0, 2, 3, 4, 4]), np.array([1, 0, 4, 0, 1, 4, 2])
    want = [100.5, -100.5, np.nan, np.nan, np.nan, 0.0, np.nan]
    assert np.array_equal(passages.lags_s(earlier, later), want, equal_nan=True)
    told = Passages.of([{5: 20.0, 9: 30.0, 2: 7.0}, {9: 130.0, 5: 121.0, 7: 0.0}, {}, {}, {1: 3.0}])
    for name in ("starts", "what", "when_s"):
        assert np.array_equal(getattr(passages, name), getattr(told, name))
