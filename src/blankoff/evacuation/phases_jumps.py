"""Dry gas let in between pulls: jumps of pressure that nothing else can make. Kernels only."""

from __future__ import annotations

import math

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

_JUMP_S = 15.0
_JUMP_MICRON = 1500.0
_FOOT_LN = 0.2
_JUMP_LN = 0.6
_GAS_S = 45.0
"""Gas let in: at least this rise within this time, and off the gauge's range within the last (cylinders fill a circuit
in seconds, water takes minutes; common practice). The leaks of the trade are under 500 microns a minute."""
_GAS_PER_S = 500.0
"""Microns a second that gas let in makes, wherever it ends, where the pump goes on afterwards; water that boils makes half of that
in the smallest circuit (this project's judgement; a leak of the trade, a sixtieth)."""


@kernel
def find_jump(
    ct: FloatArray, cy: FloatArray, i0: int, i1: int, fastest: float, vapour_ln: float, top_ln: float, final: bool
) -> int:
    """First reading of a jump that only gas let in can make, between readings i0 and i1; -1 if there is none.

    Parameters
    ----------
    fastest
        Fastest fall of ln p that the log shows, per s. A circuit that is shut off gives off no more than the pump
        carried away just before: at once after the isolation pressure rises at most by ``fastest * p``.
    vapour_ln, top_ln
        ln p that vapour of water does not exceed, and above which the gauge reads nothing.
    """
    j = i0
    reached_ln = min(vapour_ln, top_ln - 1e-6)
    top = -1e30
    for i in range(i0, i1 + 1):
        top = max(top, cy[i])
    for i in range(i0, i1):
        if j < i + 1:
            j = i + 1
        while j < i1 and ct[j] - ct[i] < _JUMP_S:
            j += 1
        # the last reading within the time, or the next one when readings are further apart
        k = j if ct[j] - ct[i] <= _JUMP_S or j == i + 1 else j - 1
        rise = math.exp(cy[k]) - math.exp(cy[i])
        if cy[k] - cy[i] > _JUMP_LN and rise > _JUMP_MICRON:
            rate = rise / (ct[k] - ct[i])
            stood = ct[i] - ct[i0]
            before = max(math.exp(cy[i]) - math.exp(cy[i0]), 0.0)
            sudden = stood > 25.0 and i - i0 >= 3 and rate > 10.0 * (before + 5.0) / stood
            sudden = sudden and rate > 100.0 and (top > reached_ln or not final)
            if final and vapour_ln >= top_ln and stood > 0.0:
                # water may take the gauge over its range, but not as quickly as gas let in
                off = k
                while off < i1 and cy[off] < top_ln - 1e-9 and ct[off] - ct[i] < _GAS_S:
                    off += 1
                if cy[off] < top_ln - 1e-9 or ct[off] - ct[i] >= _GAS_S:
                    continue
            beyond = top > reached_ln or (not final and rate > _GAS_PER_S)
            if sudden or (beyond and rate > (5.0 if final else 2.0) * max(fastest, 0.1) * math.exp(cy[i])):
                level = cy[i] + 0.15 * (cy[k] - cy[i])
                start = i + 1
                while start < k and cy[start] < level:
                    start += 1
                # its foot: what rose by a fifth from one reading to the next did not stand any more
                while start - 2 > i0 and cy[start - 1] - cy[start - 2] > _FOOT_LN:
                    start -= 1
                return start
    return -1
