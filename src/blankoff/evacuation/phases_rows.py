"""Rows of a log's phases: what they hold, and how one is written. Kernels only."""

from __future__ import annotations

from blankoff.physics.compiled import kernel
from blankoff.samples import FloatArray

N_PHASE = 9
"""Columns of a phase row: kind, start_s, end_s, start_i, end_i, start_micron, end_micron, start_why, uncertainty."""

PUMP_DOWN, HOLD, BREAK, GAP = 0, 1, 2, 3
WHY_BEGINS, WHY_FALLS, WHY_BENDS, WHY_STEP, WHY_IN_GAP, WHY_GAS, WHY_NONE, WHY_MARK, WHY_STOPS = range(9)


@kernel
def put_phase(
    rows: FloatArray,
    k: int,
    kind: int,
    start_s: float,
    end_s: float,
    start_i: int,
    end_i: int,
    p: FloatArray,
    why: int,
    sd: float,
) -> int:
    """Write a phase into row `k`, where there is room and it has readings; return the next free row."""
    if k >= rows.shape[0] or end_i <= start_i:
        return k
    row = rows[k]
    row[0] = kind
    row[1] = start_s
    row[2] = end_s
    row[3] = start_i
    row[4] = end_i
    row[5] = p[start_i]
    row[6] = p[end_i - 1]
    row[7] = why
    row[8] = sd
    return k + 1


@kernel
def put_gaps(rows: FloatArray, k: int, t: FloatArray, p: FloatArray, gap_s: float) -> int:
    """Write a row for each pair of readings further apart than `gap_s`, from row `k` on; return the next free row."""
    for i in range(1, t.size):
        if t[i] - t[i - 1] > gap_s and k < rows.shape[0]:
            row = rows[k]
            row[0] = GAP
            row[1] = t[i - 1]
            row[2] = t[i]
            row[3] = i
            row[4] = i
            row[5] = p[i - 1]
            row[6] = p[i]
            row[7] = WHY_NONE
            row[8] = 0.0
            k += 1
    return k
