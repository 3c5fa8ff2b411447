"""Packed readings come back to the bit, whatever they are; what was not packed so is told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from blankoff.errors import StoreError
from blankoff.samples import FloatArray
from blankoff.store.packing import pack, unpack
from blankoff.units import PressureUnit, TemperatureUnit, to_celsius, to_micron

_ANY = st.floats(allow_nan=True, allow_infinity=True, allow_subnormal=True)
_DECIMAL = st.integers(-(10**7), 10**7).map(lambda k: k / 100)


def there_and_back(*logs: tuple[FloatArray, FloatArray, FloatArray]) -> int:
    """Pack some logs, unpack them in another order, compare to the bit, and return the bytes that they took."""
    offsets = np.cumsum([0] + [log[0].size for log in logs]).astype(np.int64)
    columns = tuple(np.concatenate([log[c] for log in logs]).astype(np.float64) for c in range(3))
    words, counts = pack(offsets, columns)  # type: ignore[arg-type]
    ends = np.cumsum(counts)
    turned = np.arange(len(logs))[::-1].copy()
    back_offsets, *back = unpack(words, (ends - counts)[turned], ends[turned])
    for place, i in enumerate(turned):
        for c in range(3):
            told = back[c][back_offsets[place] : back_offsets[place + 1]]
            # the sign of a nought and what a NaN carries say nothing
            np.testing.assert_array_equal(told, logs[i][c])
    return int(words.nbytes)


@settings(deadline=None)
@given(st.data())
def test_any_numbers_come_back(data: st.DataObject) -> None:
    def column(n: int) -> FloatArray:
        kind = data.draw(st.sampled_from([_ANY, _DECIMAL, st.sampled_from([np.nan, 1.5, 1.5, 2.0])]))
        return data.draw(arrays.arrays(np.float64, n, elements=kind))  # type: ignore[arg-type]

    sizes = data.draw(st.lists(st.integers(0, 40), min_size=1, max_size=4))
    there_and_back(*((column(n), column(n), column(n)) for n in sizes))


@pytest.mark.parametrize("unit", list(PressureUnit))
def test_decimal_text_in_any_unit_takes_few_bytes(unit: PressureUnit) -> None:
    rng = np.random.default_rng(3)
    shown = np.round(np.exp(np.linspace(9.0, 5.0, 3000)) + rng.normal(0.0, 2.0, 3000), 1)
    fahrenheit = to_celsius(np.round(70.0 + np.sin(np.arange(3000) / 500.0), 1), TemperatureUnit.F)
    taken = there_and_back((np.arange(3000) * 2.0, to_micron(shown, unit), fahrenheit))
    assert taken < 2.2 * 3000


def test_moments_since_1970_take_few_bytes() -> None:
    """Differences of seconds since 1970 are no decimals, for those seconds have 22 binary places."""
    absolute = 1.7e9 + np.arange(3000) * 0.1
    elapsed = absolute - absolute[0]
    assert np.round(elapsed, 1).tolist() != elapsed.tolist()
    unknown = np.full(3000, np.nan)
    assert there_and_back((elapsed, unknown, unknown)) < 1.6 * 3000


def test_an_even_grid_and_a_gauge_above_its_range_take_next_to_nothing() -> None:
    unknown = np.full(100_000, np.nan)
    assert there_and_back((np.arange(100_000) * 0.5, unknown, unknown)) <= 40


def test_numbers_of_no_step_are_kept_as_they_are() -> None:
    rng = np.random.default_rng(4)
    column = rng.random(1000)
    assert 24_000 < there_and_back((np.cumsum(column), column, -column)) < 24_040


@pytest.mark.parametrize("size", [1, 2, 3])
def test_the_shortest_logs(size: int) -> None:
    there_and_back((np.arange(float(size)), np.full(size, 17.0), np.full(size, np.nan)))
    there_and_back((np.full(size, np.inf), np.full(size, -np.inf), np.full(size, 1e300)))


def test_a_log_in_two_parts_is_one_log() -> None:
    t, p = np.arange(5.0), np.array([3.0, 2.0, np.nan, 1.0, 1.0])
    words, counts = pack(np.array([0, 2, 5]), (t, p, t))
    offsets, back_t, back_p, _ = unpack(words, np.array([0]), np.array([int(counts.sum())]))
    assert offsets.tolist() == [0, 5]
    np.testing.assert_array_equal(back_t, t)
    np.testing.assert_array_equal(back_p, p)


@settings(deadline=None)
@given(st.integers(0, 30), st.integers(0, 63), st.booleans())
def test_damaged_words_are_told_or_read_within_their_bounds(place: int, bit: int, cut: bool) -> None:
    rng = np.random.default_rng(5)
    t = np.arange(60.0)
    words, _ = pack(np.array([0, 60]), (t, np.round(rng.uniform(10, 9e3, 60), 1), np.where(t < 9, np.nan, 20.0)))
    words = words[: place + 1] if cut else words
    words[min(place, words.size - 1)] ^= np.uint64(1) << np.uint64(bit)
    try:
        offsets, *_ = unpack(words, np.array([0]), np.array([words.size]))
    except StoreError:
        return
    assert offsets[-1] > 0


def test_a_damaged_head_asks_for_no_more_memory_than_a_log_may_have() -> None:
    """Four thousand million readings in no bytes: a nought and how often there is no difference."""
    head = np.uint64(0xFFFFFFFF) | (np.uint64(3) << np.uint64(32))
    words = np.array([head, 0, 0, 0], dtype=np.uint64)
    with pytest.raises(StoreError, match="damaged"):
        unpack(words, np.array([0]), np.array([4]))
