"""Stretches of a log: pump-downs, holds, breaks with dry gas, gaps; each with its reason and its uncertainty.

Found from pressure and time alone. Marks, where a log has them, are evidence for a moment, never proof of one.

Rules, from the trade's description of a log: pumping makes pressure fall or stand; a hold is a stretch that rises or
stands with the pump shut off, told from a slowly wandering pumped floor by the bend in the curve at the isolation; a
break is dry gas let in, thousands of microns within seconds. A gap is a stretch without readings; it lies within the
phase around it, or across a boundary whose place it then leaves uncertain.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np

from blankoff.evacuation.phases_rows import N_PHASE
from blankoff.evacuation.phases_segments import MARK_CLOSED, MARK_OPENED, segment_log
from blankoff.physics.compiled import copy_into, kernel
from blankoff.samples import FloatArray, IntArray, Mark, SampleBatch
from blankoff.settings import Judging

MOST_PHASES = 96
"""Phases kept of one log; a log with more is noise, and its last ones are dropped."""


class PhaseKind(IntEnum):
    """Kinds of the contract's table `phase`, in the order of `schemas.PHASE_KINDS`."""

    PUMP_DOWN = 0
    HOLD = 1
    BREAK = 2
    GAP = 3


class StartWhy(IntEnum):
    """What marks the start of a phase."""

    LOG_BEGINS = 0
    PRESSURE_FALLS = 1
    CURVE_BENDS = 2
    STEP_AND_BEND = 3
    WITHIN_GAP = 4
    GAS_LET_IN = 5
    NO_READINGS = 6
    BENDS_AT_MARK = 7
    FALL_STOPS = 8


START_WHY_WORDS = (
    "the log begins",
    "pressure starts to fall: pumping",
    "the curve bends into a rise: isolated",
    "a step, then a rise: isolated",
    "isolated while there were no readings",
    "pressure jumps by thousands of microns: gas let in",
    "no readings",
    "the curve bends near a mark: isolated",
    "the fall stops far above what this pump reached before: isolated",
)
"""Plain words per `StartWhy`, for the table `phase`."""


@dataclass(frozen=True)
class PhaseTable:
    """Phases of the logs of a batch, ``P`` in all; log ``i`` has rows ``offsets[i]`` to ``offsets[i + 1] - 1``.

    Parameters
    ----------
    log, kind, start_why
        ``(P,)`` index of the log in its batch; `PhaseKind`; `StartWhy`.
    start_s, end_s
        ``(P,)`` seconds from the log's first reading. Gaps overlap the phase they lie in.
    start_i, end_i
        ``(P,)`` readings of the phase within its log: from ``start_i`` up to, not including, ``end_i``.
    start_micron, end_micron
        ``(P,)`` first and last reading, NaN when over-range.
    start_uncertainty_s
        ``(P,)`` standard deviation of ``start_s``; for an isolation inside a gap, the gap's length.
    offsets
        ``(n + 1,)``.
    judged_hold, judged_pull
        ``(n,)`` row of the hold that is judged (the last that follows pumping; in a log that begins within a hold,
        that one) and of the pump-down before it (without a hold, the last one); -1 if there is none.
    """

    log: IntArray
    kind: IntArray
    start_s: FloatArray
    end_s: FloatArray
    start_i: IntArray
    end_i: IntArray
    start_micron: FloatArray
    end_micron: FloatArray
    start_why: IntArray
    start_uncertainty_s: FloatArray
    offsets: IntArray
    judged_hold: IntArray
    judged_pull: IntArray

    def __len__(self) -> int:
        return int(self.log.size)

    @staticmethod
    def concat(tables: list[PhaseTable]) -> PhaseTable:
        """Join the tables of consecutive batches."""
        if not tables:
            return find_phases_batch(SampleBatch.concat([]), Judging())
        logs = np.cumsum([0] + [t.judged_hold.size for t in tables])
        rows = np.cumsum([0] + [len(t) for t in tables])
        joined = {f.name: [getattr(t, f.name) for t in tables] for f in fields(PhaseTable)}
        joined["log"] = [v + k for v, k in zip(joined["log"], logs[:-1], strict=True)]
        joined["offsets"] = [v[(1 if i else 0) :] + rows[i] for i, v in enumerate(joined["offsets"])]
        for name in ("judged_hold", "judged_pull"):
            joined[name] = [np.where(v < 0, v, v + k) for v, k in zip(joined[name], rows[:-1], strict=True)]
        return PhaseTable(**{name: np.concatenate(parts) for name, parts in joined.items()})


_CLOSED = re.compile(r"isolat|clos|shut|hold|stand|rise|decay|valve off|pump off|test", re.IGNORECASE)
_OPENED = re.compile(r"open|pump on|pumping|resum|restart|start|pull", re.IGNORECASE)


def mark_kind(text: str) -> int:
    """Read a mark: 1 the circuit was isolated, 2 pumping began or went on, 0 neither or both."""
    closed = _CLOSED.search(text) is not None
    opened = _OPENED.search(text) is not None
    if closed == opened:
        return 0
    return MARK_CLOSED if closed else MARK_OPENED


def mark_arrays(n: int, marks: tuple[Mark, ...]) -> tuple[IntArray, FloatArray, IntArray]:
    """Return marks as arrays: ``(n + 1,)`` offsets per log, times in s, kinds by `mark_kind`."""
    known = [(m.log, m.elapsed_s, mark_kind(m.text)) for m in marks]
    known = sorted(k for k in known if k[2])
    counts = np.bincount(np.array([k[0] for k in known], dtype=np.int64), minlength=n)[:n] if known else np.zeros(n)
    offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return offsets, np.array([k[1] for k in known], dtype=np.float64), np.array([k[2] for k in known], dtype=np.int64)


@kernel
def mean_known(values: FloatArray) -> float:
    """Mean of the values that are not NaN; NaN if there are none."""
    total = 0.0
    n = 0
    for value in values:
        if not np.isnan(value):
            total += value
            n += 1
    return total / n if n else np.nan


@kernel
def _find_all(
    offsets: IntArray,
    t: FloatArray,
    p: FloatArray,
    mark_offsets: IntArray,
    mark_s: FloatArray,
    mark_kinds: IntArray,
    ambient_c: FloatArray,
    most: int,
) -> tuple[FloatArray, IntArray]:
    n = offsets.size - 1
    rows = np.empty((64 + 6 * n, N_PHASE))
    counts = np.zeros(n, dtype=np.int64)
    one = np.empty((most, N_PHASE))
    used = 0
    for i in range(n):
        a, b = offsets[i], offsets[i + 1]
        c, d = mark_offsets[i], mark_offsets[i + 1]
        k = segment_log(t[a:b], p[a:b], mean_known(ambient_c[a:b]), mark_s[c:d], mark_kinds[c:d], one)
        while used + k > rows.shape[0]:
            more = np.empty((2 * rows.shape[0] + k, N_PHASE))
            for r in range(used):
                copy_into(more[r], rows[r])
            rows = more
        for r in range(k):
            copy_into(rows[used + r], one[r])
        used += k
        counts[i] = k
    return rows[:used].copy(), counts


def find_phases(
    elapsed_s: FloatArray,
    pressure_micron: FloatArray,
    ambient_c: FloatArray | None = None,
    marks: tuple[tuple[float, str], ...] = (),
) -> PhaseTable:
    """Find the phases of one log; see `find_phases_batch`."""
    return find_phases_batch(SampleBatch.of_one("", elapsed_s, pressure_micron, ambient_c, marks), Judging())


def find_phases_batch(batch: SampleBatch, settings: Judging) -> PhaseTable:
    """Find the phases of every log of a batch.

    Parameters
    ----------
    batch
        Readings, contiguous per log.
    settings
        Thresholds. Holds under ``shortest_hold_min`` are found where they are clear, so that the verdict can say so.

    Returns
    -------
    PhaseTable
        Ordered by log, then by start; gaps after the phases of their log.
    """
    n = len(batch)
    mark_offsets, mark_s, mark_kinds = mark_arrays(n, batch.marks)
    if batch.readings:
        rows, counts = _find_all(
            batch.offsets,
            batch.elapsed_s,
            batch.pressure_micron,
            mark_offsets,
            mark_s,
            mark_kinds,
            batch.ambient_c,
            MOST_PHASES,
        )
    else:
        rows, counts = np.empty((0, N_PHASE)), np.zeros(n, dtype=np.int64)
    offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    log = np.repeat(np.arange(n, dtype=np.int64), counts)
    kind = rows[:, 0].astype(np.int64)
    hold, pull = _judged(offsets, kind, rows[:, 1])
    return PhaseTable(
        log,
        kind,
        rows[:, 1].copy(),
        rows[:, 2].copy(),
        rows[:, 3].astype(np.int64),
        rows[:, 4].astype(np.int64),
        rows[:, 5].copy(),
        rows[:, 6].copy(),
        rows[:, 7].astype(np.int64),
        rows[:, 8].copy(),
        offsets,
        hold,
        pull,
    )


@kernel
def _judged(offsets: IntArray, kind: IntArray, start_s: FloatArray) -> tuple[IntArray, IntArray]:
    """Row of the hold that is judged and of the pull before it, per log; -1 for none."""
    n = offsets.size - 1
    hold = np.full(n, -1)
    pull = np.full(n, -1)
    for i in range(n):
        last_pull = first_hold = -1
        for r in range(offsets[i], offsets[i + 1]):
            if kind[r] == 0:
                last_pull = r
            elif kind[r] == 1:
                if last_pull >= 0:
                    hold[i] = r
                    pull[i] = last_pull
                elif first_hold < 0:
                    first_hold = r
        if hold[i] < 0:
            pull[i] = last_pull
            if last_pull < 0:
                hold[i] = first_hold
    return hold, pull
