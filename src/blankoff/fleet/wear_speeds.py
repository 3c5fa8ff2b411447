"""Speeds of all jobs against what their rigs should do, for telling a weak pump from a choked hose and from rigging.

Per job up to two values: ln viscous speed, which a pump decides, and ln deep speed over viscous speed of the same job,
which the line decides and in which a wrong volume cancels (or ln deep speed alone where there is no viscous one).  Both
are predicted by pump and line in series from the registers; three common constants are found for the fleet.  Errors lean
down: gas that nobody sees makes every rig look slow.  So constants and levels are found about the core of the values,
not about their mean.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from blankoff.fleet.oil_water import swallowed_water_g
from blankoff.fleet.pump_side import (
    LEAK_MATTERS_MICRON,
    TYPICAL_BORE_MM,
    TYPICAL_LENGTH_M,
    TYPICAL_RATED_L_S,
    column_of,
    known_or,
    usual_volumes,
)
from blankoff.fleet.threads import in_threads
from blankoff.fleet.wear_flow import DEEP_LINE_MICRON, OVER_LN, VISCOUS_LINE_MICRON, halving_hole, line_law
from blankoff.fleet.wear_noise import USUAL, core_weight, shapes_of_rows
from blankoff.fleet.wear_seen import DEEP_MICRON, seen_values
from blankoff.physics.conductance import knudsen_tube_l_s

__all__ = [
    "CONSTANTS_MEAN",
    "FACTORS",
    "LEVELS",
    "SpeedTable",
    "fit_constants",
    "predicted",
    "speed_table",
    "tried_beside",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FACTORS = ("pump", "hose", "technician", "gauge")
LEVELS = ("pump", "hose", "technician", "technician_viscous", "technician_above", "gauge", "gauge_viscous")
"""What a job's speeds have levels of.  Rigging tells in deep vacuum, and in part or fully in the viscous band; a gauge
on the manifold reads either band's speed too fast by a factor of its own."""
UNKNOWN_VOLUME_SD = 0.8
"""Spread of ln volume within a kind where none is stated (judgement)."""
LAGGING = (-1.0, 0.0)
"""ln of a rig's rate over the fastest that its gauge can show, from which values have noise classes of their own."""
WET_G = 1.0
ROUNDS = 6
PREDICTED_AT_ONCE = 8192
"""Jobs that one thread is given at a time."""


@dataclass(frozen=True)
class SpeedTable:
    """Values of all jobs, in order of time; all arrays (n,) unless said otherwise.

    Attributes
    ----------
    evacuation_id : list of str
    day : float64
    ids : dict of factor to list of str or None
    viscous, line : float64
        ln viscous speed; ln deep over viscous speed, or ln deep speed where ``alone``; nan where not known.
    above : float64
        ln mean speed from atmosphere to the first reading within range, over viscous speed; or alone where ``above_alone``.
    alone, above_alone : bool
    viscous_variance, line_variance, above_variance : float64
        Of measurement.
    viscous_class, line_class, above_class : int64
        Class of noise.
    pump_ln, line_viscous_ln, line_deep_ln : float64
        ln speed and conductances by the registers.
    oil_ln : float64
        What blank-off takes off the pump's deep speed, ln, at most 0.
    ln_volume : float64
        ln volume in litres that made speeds of rates; a guess where ``guessed``.
    wet, guessed : bool
    reading_ln : float64
        ln reading over truth of the job's gauge, where it is known to be off.
    cap_ln : float64
        ln of the fastest speed that the job's gauge can show for its lag, see `wear_lag`; infinite where it does not matter.
    pump_middle, line_viscous_middle, line_deep_middle : float
        Of the fleet's middle rig by the registers, ln.
    """

    evacuation_id: list[str]
    day: Floats
    ids: dict[str, list[str | None]]
    viscous: Floats
    line: Floats
    above: Floats
    alone: NDArray[np.bool_]
    above_alone: NDArray[np.bool_]
    viscous_variance: Floats
    line_variance: Floats
    above_variance: Floats
    viscous_class: Ints
    line_class: Ints
    above_class: Ints
    pump_ln: Floats
    line_viscous_ln: Floats
    line_deep_ln: Floats
    oil_ln: Floats
    ln_volume: Floats
    wet: NDArray[np.bool_]
    guessed: NDArray[np.bool_]
    reading_ln: Floats
    cap_ln: Floats
    pump_middle: float
    line_viscous_middle: float
    line_deep_middle: float

    def values(self) -> tuple[tuple[Floats, Floats], ...]:
        """Every value with its variance: viscous, line, above."""
        return (
            (self.viscous, self.viscous_variance),
            (self.line, self.line_variance),
            (self.above, self.above_variance),
        )

    def known(self) -> NDArray[np.bool_]:
        """Whether a job has any value, (n,)."""
        return np.isfinite(self.viscous) | np.isfinite(self.line) | np.isfinite(self.above)

    @cached_property
    def rigs(self) -> Floats:
        """Every job's rig as `wear_seen.seen_values` takes it, (n, 8)."""
        slope, rest = line_law(self.line_viscous_ln, self.line_deep_ln)
        # Read too high by a factor is met at a pressure lower by it: the same as a line of so much less viscous flow.
        reads = np.exp(self.reading_ln)
        return np.column_stack(
            [
                self.pump_ln, slope / reads, rest, reads * np.exp(-self.line_viscous_ln),
                -DEEP_MICRON * reads * np.expm1(self.oil_ln), self.cap_ln, self.alone, self.above_alone,
            ]
        )  # fmt: skip

    def middle_hole(self, constants: Floats) -> float:
        """Resistance that halves the middle rig's deep speed, s/l."""
        a, _, b_deep, _, port_deep, _ = constants
        slope, rest = line_law(self.line_viscous_middle, self.line_deep_middle)
        own = np.exp(b_deep)
        return halving_hole(
            float(np.exp(self.pump_middle + a)),
            float(slope * own),
            float(rest * own),
            float(np.exp(-port_deep)),
            DEEP_MICRON,
        )

    def predict(self, constants: Floats, levels: Mapping[str, Floats]) -> tuple[Floats, Floats, Floats]:
        """Predict the values under the ln level of every job's pump, hose and technician (in either band)."""
        base, middle, rigs = np.vstack([levels[name] for name in LEVELS]), self.middle_hole(constants), self.rigs
        none = np.zeros((len(LEVELS), 1))
        out = np.empty((3, self.day.size))

        def some(part: slice) -> None:
            out[:, part] = seen_values(rigs[part], base[:, part].copy(), none, constants, middle)[:, :, 0]

        in_threads(some, [slice(k, k + PREDICTED_AT_ONCE) for k in range(0, self.day.size, PREDICTED_AT_ONCE)])
        return out[0], out[1], out[2]


def predicted(
    table: SpeedTable,
    constants: Floats,
    rows: Ints,
    levels: Mapping[str, Floats],
    moved: Mapping[str, Floats] | None = None,
) -> tuple[Floats, Floats, Floats]:
    """Ln viscous speed, the line's value and the one above range of some jobs under some levels; each (n, k).

    Pump, line and the port with its fittings stand in series, see `wear_flow`.  What a technician leaves in the way is a
    further resistance beside the port's, his level what it does to ln deep speed of the fleet's middle rig: a core left in
    takes the more, the less the rest of the rig holds back.  A level of -ln 2 halves it.

    Parameters
    ----------
    table : SpeedTable
    constants : float64 (6,)
        See `fit_constants`.
    rows : int64 (n,)
    levels : mapping of `LEVELS` to ln level, (n, 1)
    moved : mapping of some of `LEVELS` to ln, (k,)
        What is tried beside those levels, on every job; nothing if not given.
    """
    base = np.vstack([levels[name][:, 0] for name in LEVELS])
    viscous, line, above = seen_values(
        table.rigs[rows], base, tried_beside(moved or {}), constants, table.middle_hole(constants)
    )
    return viscous, line, above


def tried_beside(moved: Mapping[str, Floats]) -> Floats:
    """What is tried beside the levels of `LEVELS`, in their order, (7, k)."""
    more = np.zeros((len(LEVELS), max((x.size for x in moved.values()), default=1)))
    for name, steps in moved.items():
        more[LEVELS.index(name)] = steps
    return more


def _rate(work: pl.DataFrame, band: str) -> tuple[Floats, Floats]:
    """Ln speed over volume of a band, and its standard error; as the gauge shows it, where the log says so."""
    rate, se = column_of(work, f"{band}_rate_per_s"), column_of(work, f"{band}_rate_se_ln")
    seen, seen_se = column_of(work, f"{band}_seen_per_s"), column_of(work, f"{band}_seen_se_ln")
    rate, se = np.where(np.isfinite(seen), seen, rate), np.where(np.isfinite(seen), seen_se, se)
    stated = column_of(work, f"speed_{band}_l_s") / column_of(work, "volume_l")
    rate = np.where(np.isfinite(rate), rate, stated)
    rate = np.where((rate > 1e-7) & (rate < 1e3), rate, np.nan)
    return np.log(rate), np.clip(np.where(np.isfinite(se), se, 0.15), 0.01, 0.8)


def noise_classes(table: SpeedTable, viscous_ln: Floats) -> tuple[Ints, Ints, Ints]:
    """Class of noise of every value (viscous, line, above), by how near to its gauge's lag the pull was; each (n,).

    Parameters
    ----------
    table : SpeedTable
    viscous_ln : float64 (n,)
        ln viscous speed of the rig.
    """
    near = np.searchsorted(LAGGING, viscous_ln - table.cap_ln).astype(np.int64)
    usual = near + 3 * table.wet
    guessed = table.guessed.astype(np.int64)
    return (
        usual + 6 * guessed,
        usual + 6 * table.alone + 12 * (table.alone & table.guessed),
        usual + 6 * table.above_alone + 12 * (table.above_alone & table.guessed),
    )


def speed_table(
    work: pl.DataFrame,
    blankoff_micron: Mapping[str, float] | None = None,
    leak_micron: Mapping[str, float] | None = None,
    reading_ln: Mapping[str, float] | None = None,
) -> SpeedTable:
    """Gather the values.

    Parameters
    ----------
    work : DataFrame
        The fleet's work frame.
    blankoff_micron : mapping of evacuation_id to float, optional
        Blank-off pressure at each job, from the oil model.
    leak_micron : mapping of evacuation_id to float, optional
        What a leaking line adds to each floor; where it is much, deep speed says nothing of the line's width.
    reading_ln : mapping of evacuation_id to float, optional
        ln reading over truth of each job's gauge, where it is off.
    """
    copied = pl.col("reason").eq_missing("recycled_log") if "reason" in work.columns else pl.lit(False)
    rows = work.filter(~copied).sort("started_at", "evacuation_id")
    n = rows.height
    rated = known_or(column_of(rows, "rated_l_per_s"), TYPICAL_RATED_L_S)
    bore = known_or(column_of(rows, "bore_mm"), TYPICAL_BORE_MM) / 1000.0
    length = known_or(column_of(rows, "length_m"), TYPICAL_LENGTH_M)
    line_v, line_d = (
        np.log(np.asarray(knudsen_tube_l_s(bore, length, np.full(n, p)), dtype=np.float64))
        for p in (VISCOUS_LINE_MICRON, DEEP_LINE_MICRON)
    )
    ln_v, se_v = _rate(rows, "viscous")
    ln_d, se_d = _rate(rows, "deep")
    mean, mean_se = column_of(rows, "over_range_rate_per_s"), column_of(rows, "over_range_rate_se_ln")
    ln_o = np.log(np.where((mean > 1e-7) & (mean < 1e3), mean, np.nan))
    se_o = np.clip(np.where(np.isfinite(mean_se), mean_se, 0.15), 0.05, 0.8)
    leak = np.array([(leak_micron or {}).get(e, 0.0) for e in rows["evacuation_id"]])
    ln_d = np.where(leak > LEAK_MATTERS_MICRON, np.nan, ln_d)
    reading = np.array([(reading_ln or {}).get(e, 0.0) for e in rows["evacuation_id"]])
    # How far down the first reading lies is read too.
    ln_o = ln_o + reading / OVER_LN
    stated = column_of(rows, "volume_l")
    known = np.isfinite(stated) & (stated > 0)
    volume = usual_volumes(rows)
    ln_volume = np.log(volume)
    spread = np.where(known, 0.0, UNKNOWN_VOLUME_SD**2)
    seen = np.isfinite(ln_v)
    both = seen & np.isfinite(ln_d)
    blank = np.array([(blankoff_micron or {}).get(e, 30.0) for e in rows["evacuation_id"]])
    ids: dict[str, list[str | None]] = {
        f: rows[f"{f}_id"].cast(pl.String).to_list() if f"{f}_id" in rows.columns else [None] * n for f in FACTORS
    }
    table = SpeedTable(
        evacuation_id=rows["evacuation_id"].to_list(),
        day=rows["started_at"].dt.epoch("us").cast(pl.Float64).to_numpy() / 86_400e6,
        ids=ids,
        viscous=ln_v + ln_volume,
        line=np.where(both, ln_d - ln_v, ln_d + ln_volume),
        above=np.where(seen, ln_o - ln_v, ln_o + ln_volume),
        alone=~both,
        above_alone=~seen,
        viscous_variance=se_v**2 + spread,
        line_variance=np.where(both, se_v**2 + se_d**2, se_d**2 + spread),
        above_variance=np.where(seen, se_v**2 + se_o**2, se_o**2 + spread),
        viscous_class=np.zeros(n, dtype=np.int64),
        line_class=np.zeros(n, dtype=np.int64),
        above_class=np.zeros(n, dtype=np.int64),
        pump_ln=np.log(rated),
        line_viscous_ln=line_v,
        line_deep_ln=line_d,
        oil_ln=np.log(np.clip(1.0 - blank / 1000.0, 0.2, 1.0)),
        ln_volume=ln_volume,
        wet=swallowed_water_g(rows) > WET_G,
        guessed=~known,
        reading_ln=reading,
        cap_ln=np.full(n, np.inf),
        pump_middle=float(np.median(np.log(rated))) if n else 0.0,
        line_viscous_middle=float(np.median(line_v)) if n else 0.0,
        line_deep_middle=float(np.median(line_d)) if n else 0.0,
    )
    return classed(table, -np.log(1.0 / rated + np.exp(-line_v)))


def classed(table: SpeedTable, viscous_ln: Floats) -> SpeedTable:
    """Give every value its class of noise."""
    viscous, line, above = noise_classes(table, viscous_ln)
    return replace(table, viscous_class=viscous, line_class=line, above_class=above)


def timed(table: SpeedTable) -> SpeedTable:
    """Leave out mean speeds from atmosphere of pulls that were over within their gauge's lag: seconds are all they show."""
    within = table.above_class % 3 == len(LAGGING)
    return replace(table, above=np.where(within, np.nan, table.above))


def noise_shapes(table: SpeedTable, residual: Sequence[Floats]) -> tuple[Floats, ...]:
    """Noise shape of every value, from the residuals of its class; three of (n, 7)."""
    out = []
    classes = (table.viscous_class, table.line_class, table.above_class)
    for r, (_, variance), number in zip(residual, table.values(), classes, strict=True):
        known = np.isfinite(r)
        shape = np.tile(USUAL.as_row(), (r.size, 1))
        if known.sum() >= 20:
            shape[known] = shapes_of_rows(r[known], variance[known], number[known])
        out.append(shape)
    return tuple(out)


CONSTANTS_MEAN = np.array([np.log(0.85), 0.0, 0.0, np.log(6.0), np.log(1.5), 0.1])
CONSTANTS_SD = np.array([0.25, 0.1, 0.1, 0.8, 0.8, 0.3])
"""Factor on rated speed and on a tube's conductance in either band; conductance of port and fittings, l/s; ln of what the
mean speed from atmosphere down has over the viscous one beside the line's (judgement).  A tube's law is good to a tenth: bores
that are a fortieth off on average; a pump's plate is not."""


def fit_constants(
    table: SpeedTable, levels: Mapping[str, Floats], constants: Floats, rounds: int = ROUNDS
) -> tuple[Floats, tuple[Floats, ...]]:
    """Find the fleet's constants about the core of all values, under given levels; also the noise shapes.

    Returns
    -------
    constants : float64 (6,)
        ln factor on rated speed, on viscous and on deep line conductance; ln conductance of the port in either band; ln of
        what the mean speed from atmosphere down has over the pump's viscous one.
    shapes : three of float64 (n, 7)
        Of the viscous, the line's and the value above range.
    """
    now = constants.copy()
    shapes: tuple[Floats, ...] = ()
    for _ in range(rounds):
        here = table.predict(now, levels)
        residual = [value - p for (value, _), p in zip(table.values(), here, strict=True)]
        shapes = noise_shapes(table, residual)
        slopes = []
        for j in range(now.size):
            moved = now.copy()
            moved[j] += 0.02
            slopes.append([(p - q) / 0.02 for p, q in zip(table.predict(moved, levels), here, strict=True)])
        hessian, gradient = np.diag(1.0 / CONSTANTS_SD**2), (CONSTANTS_MEAN - now) / CONSTANTS_SD**2
        for k, (_, variance) in enumerate(table.values()):
            w = core_weight(residual[k], variance, shapes[k])
            used = w > 0
            x = np.column_stack([slopes[j][k][used] for j in range(now.size)])
            hessian = hessian + x.T @ (w[used, None] * x)
            gradient = gradient + x.T @ (w[used] * residual[k][used])
        now = now + np.clip(np.linalg.solve(hessian, gradient), -0.4, 0.4)
    return now, shapes
