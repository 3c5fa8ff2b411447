"""Effective speed over volume in a band of pressure, with the gas load taken out. Kernels.

Model in a band about ``pc``: ``d ln p / dt = -k (1 + s ln(p / pc)) + g / p``. ``k`` is the net rate at ``pc``: the
throughput of air drawn from the circuit, over pressure and volume, blank-off included; ``s`` how the rate falls with
pressure; ``g`` the circuit's own gas load over its volume, microns/s. Integrated over time it is linear in ``ln p0``,
``k``, ``k s`` and ``g``, so that white noise of the readings stays white; ``s`` and ``g`` carry priors.
"""

from __future__ import annotations

import math

import numpy as np

from blankoff.evacuation.hold_gram import eliminate
from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

N_TOLD = 5
SQUARES, RATE, READINGS, COUNT, CROSSED_S = range(N_TOLD)
"""What is told of a band beside its sums: the data's square, a first guess at the rate, readings, how many of them were
summed, and when the centre is crossed."""

_ORDER = (0, 3, 2, 1)
_LOAD, _BEND = 1, 2
"""Order in which the columns of the sums are projected out, and where load and bend stand in it."""


@kernel
def band_sums(
    t: FloatArray,
    p: FloatArray,
    i0: int,
    i1: int,
    high: float,
    low: float,
    centre: float,
    noise: float,
    step_micron: float,
    data: FloatArray,
    rhs: FloatArray,
    told: FloatArray,
) -> bool:
    """Sums over a band of a pull, which no prior enters; False where the band says nothing of speed.

    Parameters
    ----------
    high, low, centre, noise, step_micron
        As for `band_rate`.
    data, rhs, told
        Out: ``(4, 4)`` upper triangle and ``(4,)`` of the normal equations; ``(N_TOLD,)`` by the places named above.
    """
    start = i0
    while start < i1 and not (0.0 < p[start] <= high):
        start += 1
    end = start
    # the band ends where pressure first stays below its lower edge
    while end < i1 and not (p[end] < low and (end + 1 >= i1 or not p[end + 1] >= low)):
        end += 1
    while end > start and not p[end - 1] > 0.0:
        end -= 1
    n = 0
    for i in range(start, end):
        if p[i] > 0.0:
            n += 1
    # a band that the pull does not fall through says nothing of speed
    if n < 3 or t[end - 1] <= t[start] or not p[end - 1] < 0.85 * p[start]:
        return False
    t_mid = t[start]
    for i in range(start, end):
        if p[i] >= centre:
            t_mid = t[i]
    stride = max(1, n // 200)
    rate = math.log(p[start] / p[end - 1]) / (t[end - 1] - t[start])
    data[:] = 0.0
    rhs[:] = 0.0
    u = g = 0.0
    count = 0
    squares = 0.0
    before = start
    ln_before = math.log(p[start] / centre)
    for i in range(start, end):
        if not p[i] > 0.0:
            continue
        if i > start:
            dt = t[i] - t[before]
            ln_here = math.log(p[i] / centre)
            u += 0.5 * dt * (ln_here + ln_before)
            g += 0.5 * dt * (1.0 / p[i] + 1.0 / p[before])
            ln_before = ln_here
        before = i
        if (i - start) % stride:
            continue
        y = math.log(p[i] / p[start])
        step = step_micron / p[i]
        w = 1.0 / (noise * noise + step * step / 12.0 + 1e-8)
        f1 = -(t[i] - t[start])
        data[0, 0] += w
        data[0, 1] += w * f1
        data[0, 2] -= w * u
        data[0, 3] += w * g
        data[1, 1] += w * f1 * f1
        data[1, 2] -= w * f1 * u
        data[1, 3] += w * f1 * g
        data[2, 2] += w * u * u
        data[2, 3] -= w * u * g
        data[3, 3] += w * g * g
        rhs[0] += w * y
        rhs[1] += w * f1 * y
        rhs[2] -= w * u * y
        rhs[3] += w * g * y
        squares += w * y * y
        count += 1
    told[SQUARES], told[RATE], told[READINGS], told[COUNT], told[CROSSED_S] = squares, rate, n, count, t_mid
    return True


@kernel
def rate_of_sums(
    data: FloatArray,
    rhs: FloatArray,
    told: FloatArray,
    bend: float,
    bend_sd: float,
    load: float,
    load_sd: float,
    out: FloatArray,
) -> None:
    """Net rate of a band from its sums and the priors into `out`, as `band_rate`."""
    out[0] = out[1] = out[3] = math.nan
    out[2] = 0.0
    squares, rate, n, count, t_mid = told[SQUARES], told[RATE], told[READINGS], told[COUNT], told[CROSSED_S]
    # the rate after all others, and the data last: what is left of both when the others are projected out tells the rate
    gram, rows = np.empty((5, 5)), np.empty((5, 5))
    bent = 0.0
    # only the prior of the bend goes with the rate, which is found in a few rounds
    for _ in range(3):
        for r in range(4):
            a = _ORDER[r]
            for c in range(4):
                b = _ORDER[c]
                gram[r, c] = data[min(a, b), max(a, b)]
            gram[r, 4] = gram[4, r] = rhs[a]
        gram[4, 4] = squares
        for r, value, sd in ((_LOAD, load, load_sd), (_BEND, bend * rate, bend_sd * rate)):
            q = 1.0 / (sd * sd)
            gram[r, r] += q
            gram[r, 4] += q * value
            gram[4, r] += q * value
            gram[4, 4] += q * value * value
        eliminate(gram, rows, 3, 5)
        found = gram[3, 4] / gram[3, 3]
        if not found > 1e-6:
            return
        bent = rows[_BEND, 4] - rows[_BEND, 3] * found
        rate = found
    rest = gram[4, 4] - gram[3, 4] * rate
    inflate = max(1.0, rest / max(count - 2.0, 1.0))
    out[0] = rate
    out[1] = math.sqrt(inflate / gram[3, 3]) / rate
    out[2] = n
    out[3] = t_mid
    out[4] = min(max(bent / rate, 0.0), 1.2)


@kernel
def band_rate(
    t: FloatArray,
    p: FloatArray,
    i0: int,
    i1: int,
    high: float,
    low: float,
    centre: float,
    noise: float,
    step_micron: float,
    bend: float,
    bend_sd: float,
    load: float,
    load_sd: float,
    out: FloatArray,
) -> None:
    """Net rate at `centre` from the readings of a pull between `high` and `low`.

    Parameters
    ----------
    high, low, centre
        Band and the pressure at which the rate is wanted, microns.
    noise, step_micron
        Relative noise of a reading; step between readings, microns.
    bend, bend_sd
        Prior of ``s``.
    load, load_sd
        Prior of ``g``, microns/s.
    out
        ``(5,)`` rate per s, standard error of its logarithm, readings used, time at which `centre` is crossed, ``s``;
        NaN without enough readings.
    """
    out[0] = out[1] = out[3] = math.nan
    out[2] = 0.0
    data, rhs, told = np.empty((4, 4)), np.empty(4), np.empty(N_TOLD)
    if band_sums(t, p, i0, i1, high, low, centre, noise, step_micron, data, rhs, told):
        rate_of_sums(data, rhs, told, bend, bend_sd, load, load_sd, out)
