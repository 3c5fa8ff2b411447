"""Likelihood of pumped floors under what pump and line hold up: compiled, a few rows of a register at a time.

The circuit's load is known to a factor only: a few possible loads stand for all.  A floor cannot lie far below what the
pump alone reaches, but it may lie far above.

Of everything that assessing a fleet computes, this is what it computes most.  So rows are worked off in blocks that lie in
one workspace, in plain loops without a branch or a call, which the compiler turns into vector instructions; the logarithm is
written out for that reason.  What does not depend on the fitted parameters is prepared once per fit (`prepare`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import config, njit, types
from numba.extending import intrinsic
from numpy.typing import NDArray

__all__ = ["BLOCK", "FIRST", "HELD", "ROOM", "SPARE", "STIFF", "STILL", "VALUE", "Y", "floor_block", "floor_likelihood"]

Floats = NDArray[np.float64]

SPOILED_MICRON = 500.0
"""Blank-off from which growth with hours is no longer what it was (judgement)."""
NU_ABOVE, NU_BELOW = 2.5, 5.0
"""Degrees of freedom of the noise: a floor is often too high (gas the hold did not show), seldom too low (judgement).
`_one_load` writes the powers -(nu + 1) / 2 out as roots and products: who changes these changes those."""
LOADS_Z = np.array([-3.0, -1.2, 0.0, 0.9, 1.8])
LOADS_SHARE = np.array([0.12, 0.22, 0.32, 0.22, 0.12])
LOADS_STEP = 0.4
"""Loads that stand for all, in s.e. of their logarithm, how likely each is, and how far each reaches: the lower end is
long, for some circuits have as good as none (found on simulated logs of one set of parameters, checked on others)."""
LOADS = LOADS_Z.size

BLOCK = 128
"""Rows worked off together; all of a block stays in the processor's nearest cache."""
Y, HELD, STILL, VALUE, FIRST, STIFF, _SQUARES, SPARE = (k * BLOCK for k in range(8))
"""Places in the workspace.  Put in: ln floor, what is held up, variance of ln floor that is no load's.  Given back: minus ln
likelihood, its slope by what is held up (sign turned), its curvature.  From ``SPARE`` on four more blocks are free to use."""
ROOM = SPARE + 4 * BLOCK

# ln(x) as in fdlibm's e_log.c (Sun Microsystems 1993, freely usable), good to one unit in the last place; x is brought to
# between 1/sqrt(2) and sqrt(2) by its bits.
_LOWEST, _BIAS = np.uint64(0x3FE6A09E667F3BCD), np.uint64(1024 << 52)
_EXPONENT, _TWO_52, _MANTISSA_BITS = np.uint64(0xFFF << 52), np.uint64(0x433 << 52), np.uint64(52)
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
_L1, _L2, _L3 = 6.666666666666735130e-01, 3.999999999940941908e-01, 2.857142874366239149e-01
_L4, _L5, _L6, _L7 = (
    2.222219843214978396e-01,
    1.818357216161805012e-01,
    1.531383769920937332e-01,
    1.479819860511658591e-01,
)


def _read_as(wanted: Any) -> Any:
    """Make a compiled function that takes a number's bits for one of another type."""

    @intrinsic
    def read(context, given):  # type: ignore[no-untyped-def]  # numba asks for this form
        def generate(target: Any, build: Any, signature: Any, values: Any) -> Any:
            return build.bitcast(values[0], target.get_value_type(wanted))

        return wanted(given), generate

    return read


_bits, _float = _read_as(types.uint64), _read_as(types.float64)


@njit(cache=True, nogil=True, error_model="numpy")
def _compiled_ln(x: float) -> float:
    """Natural logarithm of a positive, normal number."""
    bits = _bits(x)
    above = bits - _LOWEST
    k = _float(((above + _BIAS) >> _MANTISSA_BITS) | _TWO_52) - (4503599627370496.0 + 1024.0)
    f = _float(bits - (above & _EXPONENT)) - 1.0
    s = f / (2.0 + f)
    z = s * s
    w = z * z
    r = z * (_L1 + w * (_L3 + w * (_L5 + w * _L7))) + w * (_L2 + w * (_L4 + w * _L6))
    half = 0.5 * f * f
    return float(k * _LN2_HIGH - ((half - (s * (half + r) + k * _LN2_LOW)) - f))


# Uncompiled, as when coverage is measured, there are no bits to take.
ln: Any = np.log if config.DISABLE_JIT else _compiled_ln  # type: ignore[attr-defined]


@njit(cache=True, nogil=True, error_model="numpy")
def _one_load(w: Floats, here: Floats, wide: Floats, size: int, share: float) -> None:
    """Add to a block what it is under one possible load: ``here`` microns, of variance ``wide`` times 1 / floor²."""
    for i in range(size):
        pred = w[HELD + i] + here[i]
        r = w[Y + i] - ln(pred)
        inverse = 1.0 / pred
        v = w[STILL + i] + wide[i] * (inverse * inverse)
        nu = NU_ABOVE if r > 0.0 else NU_BELOW
        spread = nu * v + r * r
        far = spread / (nu * v)
        root = np.sqrt(far)
        # far to the power (nu + 1) / 2, on either side
        above, below = far * root * np.sqrt(root), far * far * far
        density = share / ((above if r > 0.0 else below) * np.sqrt(v))
        weight = (nu + 1.0) / spread
        score = weight * r * inverse
        w[VALUE + i] += density
        w[FIRST + i] += density * score
        w[_SQUARES + i] += density * score * score
        w[STIFF + i] += density * weight * (inverse * inverse)


@njit(cache=True, nogil=True, error_model="numpy")
def floor_block(w: Floats, start: int, size: int, here: Floats, wide: Floats) -> None:
    """Work off a block of floors in its workspace.

    Parameters
    ----------
    w : float64 (ROOM,)
        Workspace; ``Y``, ``HELD`` and ``STILL`` put in, ``VALUE``, ``FIRST`` and ``STIFF`` given back.
    start, size : int
        First row of the block, and rows in it, at most `BLOCK`.
    here, wide : float64 (LOADS, n)
        From `prepare`.
    """
    for i in range(size):
        w[VALUE + i] = 0.0
        w[FIRST + i] = 0.0
        w[STIFF + i] = 0.0
        w[_SQUARES + i] = 0.0
    for m in range(LOADS):
        _one_load(w, here[m][start : start + size], wide[m][start : start + size], size, LOADS_SHARE[m])
    for i in range(size):
        total = w[VALUE + i] + 1e-12
        inverse = 1.0 / total
        first, second = w[FIRST + i] * inverse, w[STIFF + i] * inverse
        # What is not known of the load takes information away, but not all of it.
        left, least = second - (w[_SQUARES + i] * inverse - first * first), 0.15 * second
        w[FIRST + i] = first
        w[STIFF + i] = left if left > least else least
        w[VALUE + i] = -ln(total)


@njit(cache=True, nogil=True, error_model="numpy")
def prepare(load: Floats, load_se: Floats) -> tuple[Floats, Floats]:
    """Possible loads of each floor in microns, and the square of how far each reaches; both (LOADS, n)."""
    n = load.size
    here, wide = np.empty((LOADS, n)), np.empty((LOADS, n))
    for m in range(LOADS):
        for i in range(n):
            here[m, i] = load[i] * np.exp(LOADS_Z[m] * load_se[i])
            wide[m, i] = (LOADS_STEP * load_se[i] * here[m, i]) ** 2
    return here, wide


@njit(cache=True, nogil=True, error_model="numpy")
def still_variance(held: float, se: float, own_sd: float) -> float:
    """Variance of ln floor that no load makes.  Oil spoiled beyond any use is spoiled: how far, the model cannot say."""
    far = 0.5 * np.log(held / SPOILED_MICRON) if held > SPOILED_MICRON else 0.0
    return float(se * se + own_sd * own_sd + far * far)


@njit(cache=True, nogil=True, error_model="numpy")
def floor_likelihood(y: Floats, held: Floats, load: Floats, load_se: Floats, se: Floats, own_sd: float) -> Floats:
    """Ln likelihood of floors under several guesses at what pump and line hold up, up to a constant, (guesses,).

    Parameters
    ----------
    y, load, load_se, se : float64 (n,)
        ln floor; the circuit's load in microns and the s.e. of its logarithm; s.e. of ln floor.
    held : float64 (guesses, n)
        What blank-off, leak and gauge make of each floor, microns.
    own_sd : float
    """
    n = y.size
    here, wide = prepare(load, load_se)
    w = np.empty(ROOM)
    out = np.zeros(held.shape[0])
    for start in range(0, n, BLOCK):
        size = min(BLOCK, n - start)
        for g in range(held.shape[0]):
            for i in range(size):
                w[Y + i] = y[start + i]
                w[HELD + i] = held[g, start + i]
                w[STILL + i] = still_variance(held[g, start + i], se[start + i], own_sd)
            floor_block(w, start, size, here, wide)
            for i in range(size):
                out[g] -= w[VALUE + i]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def floor_moments(
    y: Floats, held: Floats, load: Floats, load_se: Floats, se: Floats, own_sd: float
) -> tuple[Floats, Floats]:
    """What each floor says of ln of what is held up: its estimate less the prediction, and its variance; each (n,).

    Parameters
    ----------
    y, held, load, load_se, se : float64 (n,)
    own_sd : float
        As for `floor_likelihood`.
    """
    n = y.size
    here, wide = prepare(load, load_se)
    w = np.empty(ROOM)
    mean, variance = np.empty(n), np.empty(n)
    for start in range(0, n, BLOCK):
        size = min(BLOCK, n - start)
        for i in range(size):
            w[Y + i] = y[start + i]
            w[HELD + i] = held[start + i]
            w[STILL + i] = still_variance(held[start + i], se[start + i], own_sd)
        floor_block(w, start, size, here, wide)
        for i in range(size):
            up = held[start + i]
            stiff = max(w[STIFF + i] * up * up, 1e-3)
            mean[start + i] = w[FIRST + i] * up / stiff
            variance[start + i] = 1.0 / stiff
    return mean, variance
