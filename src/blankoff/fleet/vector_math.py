"""Logarithm and exponential that a compiler can put into a loop of vector instructions: no branch, no call.

Both are good to about one unit in the last place, and give the same digits whatever the width of the processor's vectors.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import config, types
from numba.extending import intrinsic

from blankoff.physics.compiled import inlined_kernel

__all__ = ["exp", "ln"]


def _read_as(wanted: Any) -> Any:
    """Make a compiled function that takes a number's bits for one of another type."""

    @intrinsic
    def read(context, given):  # type: ignore[no-untyped-def]  # numba asks for this form
        def generate(target: Any, build: Any, signature: Any, values: Any) -> Any:
            return build.bitcast(values[0], target.get_value_type(wanted))

        return wanted(given), generate

    return read


_bits, _float = _read_as(types.uint64), _read_as(types.float64)

_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
_TWO_52 = 4503599627370496.0
_TWO_52_BITS, _MANTISSA_BITS = np.uint64(0x433 << 52), np.uint64(52)
# Coefficients of fdlibm's e_log.c and e_exp.c (Sun Microsystems 1993, freely usable; from memory, held by the tests).
_LOWEST, _BIAS, _EXPONENT = np.uint64(0x3FE6A09E667F3BCD), np.uint64(1024 << 52), np.uint64(0xFFF << 52)
_L1, _L2, _L3 = 6.666666666666735130e-01, 3.999999999940941908e-01, 2.857142874366239149e-01
_L4, _L5, _L6, _L7 = (
    2.222219843214978396e-01,
    1.818357216161805012e-01,
    1.531383769920937332e-01,
    1.479819860511658591e-01,
)
_P1, _P2, _P3 = 1.66666666666666019037e-01, -2.77777777770155933842e-03, 6.61375632143793436117e-05
_P4, _P5 = -1.65339022054652515390e-06, 4.13813679705723846039e-08
_PER_LN2 = 1.44269504088896338700e00
_ROUNDER, _POWER_BIAS = 6755399441055744.0, np.uint64(1023)
LEAST_EXPONENT = -700.0


@inlined_kernel
def _compiled_ln(x: float) -> float:
    """Natural logarithm of a positive, normal number."""
    # x is brought to between 1/sqrt(2) and sqrt(2) by its bits.
    bits = _bits(x)
    above = bits - _LOWEST
    k = _float(((above + _BIAS) >> _MANTISSA_BITS) | _TWO_52_BITS) - (_TWO_52 + 1024.0)
    f = _float(bits - (above & _EXPONENT)) - 1.0
    s = f / (2.0 + f)
    z = s * s
    w = z * z
    r = z * (_L1 + w * (_L3 + w * (_L5 + w * _L7))) + w * (_L2 + w * (_L4 + w * _L6))
    half = 0.5 * f * f
    return float(k * _LN2_HIGH - ((half - (s * (half + r) + k * _LN2_LOW)) - f))


@inlined_kernel
def _compiled_exp(x: float) -> float:
    """Exponential of a number below 700; of one below -700 as of -700."""
    x = x if x > LEAST_EXPONENT else LEAST_EXPONENT
    # Adding 1.5 times 2^52 rounds to a whole number, which then stands in the lowest bits.
    rounded = x * _PER_LN2 + _ROUNDER
    k = rounded - _ROUNDER
    high, low = x - k * _LN2_HIGH, k * _LN2_LOW
    r = high - low
    t = r * r
    c = r - t * (_P1 + t * (_P2 + t * (_P3 + t * (_P4 + t * _P5))))
    y = 1.0 - ((low - (r * c) / (2.0 - c)) - high)
    return float(y * _float((_bits(rounded) + _POWER_BIAS) << _MANTISSA_BITS))


# Uncompiled, as when coverage is measured, there are no bits to take.
ln: Any = np.log if config.DISABLE_JIT else _compiled_ln  # type: ignore[attr-defined]
exp: Any = np.exp if config.DISABLE_JIT else _compiled_exp  # type: ignore[attr-defined]
