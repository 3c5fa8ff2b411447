"""One log, judged and handed over as plain objects, for those who work without a store."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

from blankoff.evacuation.hold_curve import HoldCurve, hold_curve
from blankoff.evacuation.judge import judge_batch
from blankoff.samples import JobContext, SampleBatch
from blankoff.settings import Acceptance, Settings

__all__ = ["HoldResult", "JudgedLog", "JudgedPhase", "PumpDownResult", "judge"]


@dataclass(frozen=True)
class HoldResult:
    """What one judged hold gave; names and units as in the table `result`, None where unknown."""

    hold_minutes: float | None
    hold_start_micron: float | None
    hold_end_micron: float | None
    hold_at_limit_micron: float | None
    settling_step_micron: float | None
    leak_micron_per_min: float | None
    leak_micron_per_min_se: float | None
    leak_pa_m3_s: float | None
    leak_mass_g_per_year: float | None
    moisture_rise_micron: float | None
    moisture_rise_micron_se: float | None
    rise_time_constant_min: float | None
    more_hold_minutes: float | None
    noise_percent: float | None
    saturation_c: float | None
    dryness_margin_k: float | None


@dataclass(frozen=True)
class PumpDownResult:
    """What the pull before the judged hold gave; names and units as in the table `result`, None where unknown."""

    pumped_minutes: float | None
    isolated_at_s: float | None
    final_vacuum_micron: float | None
    lowest_pumped_micron: float | None
    minutes_to_10000: float | None
    minutes_to_5000: float | None
    minutes_to_2000: float | None
    minutes_to_1000: float | None
    minutes_to_500: float | None
    speed_viscous_l_s: float | None
    speed_deep_l_s: float | None
    plateau_micron: float | None
    plateau_minutes: float | None
    water_g: float | None


@dataclass(frozen=True)
class JudgedPhase:
    """One stretch of the log, as in the table `phase`."""

    kind: str
    start_s: float
    end_s: float
    start_micron: float | None
    end_micron: float | None
    start_why: str
    start_uncertainty_s: float | None


@dataclass(frozen=True)
class JudgedLog:
    """One judged log.

    Attributes
    ----------
    verdict, reason, borderline
        As in the table `result`.
    rise_kind, p_leak, p_moisture
        What the hold's rise is made of, and how sure; None without a hold.
    hold, pump_down, phases
        The numbers behind it.
    measure
        Every column of the table `measure`, by name.
    log, altitude_m
        What was judged, and where.
    """

    verdict: str
    reason: str
    borderline: bool
    rise_kind: str | None
    p_leak: float | None
    p_moisture: float | None
    hold: HoldResult
    pump_down: PumpDownResult
    phases: tuple[JudgedPhase, ...]
    measure: dict[str, Any]
    log: SampleBatch = field(repr=False, compare=False)
    altitude_m: float | None = None
    required_hold_minutes: float | None = None

    @cached_property
    def curve(self) -> HoldCurve | None:
        """The hold's fitted curve in its parts; None without a fitted hold."""
        start_s, leak = self.measure["isolated_at_s"], self.measure["leak_micron_per_min"]
        if start_s is None or leak is None:
            return None
        end_s = start_s + 60.0 * self.measure["hold_minutes"]
        rise, error = self.measure["moisture_rise_micron"], self.measure["moisture_rise_micron_se"]
        return hold_curve(
            self.log, start_s, end_s, leak, altitude_m=self.altitude_m or 0.0,
            judged_rise=(rise, error, self.required_hold_minutes),
        )  # fmt: skip


def judge(
    log: SampleBatch,
    acceptance: Acceptance | None = None,
    *,
    volume_l: float | None = None,
    ambient_c: float | None = None,
    altitude_m: float | None = None,
    top_of_range_micron: float | None = None,
    accuracy_percent: float | None = None,
    settings: Settings | None = None,
) -> JudgedLog:
    """Judge one log.

    Parameters
    ----------
    log
        One log, as `read_log` gives it.
    acceptance
        The criterion; by default that of the settings.
    volume_l, ambient_c, altitude_m, top_of_range_micron, accuracy_percent
        What is known of circuit, place and gauge; whatever needs an unknown one stays None.
    settings
        Thresholds; the defaults if not given.

    Returns
    -------
    JudgedLog

    Raises
    ------
    ValueError
        If `log` is not one log.

    Examples
    --------
    >>> import numpy as np
    >>> from blankoff.samples import SampleBatch
    >>> t = np.arange(0.0, 1800.0, 5.0)
    >>> pumped = 300.0 + 20_000.0 * np.exp(-t / 60.0)
    >>> p = np.where(t < 900.0, pumped, 300.0 + 150.0 * (t - 900.0) / 60.0)
    >>> judge(SampleBatch.of_one("an invented leak", t, p)).verdict
    'failed'
    """
    if len(log) != 1:
        raise ValueError(f"one log is wanted, {len(log)} were given; use judge_batch, or SampleBatch.log")
    settings = settings or Settings()
    criterion = acceptance or settings.acceptance
    known = {
        "volume_l": volume_l, "ambient_c": ambient_c, "altitude_m": altitude_m,
        "top_of_range_micron": top_of_range_micron, "accuracy_percent": accuracy_percent,
    }  # fmt: skip
    context = JobContext.uniform(
        1, criterion.target_micron, criterion.hold_limit_micron, criterion.hold_minutes,
        **{name: float(value) for name, value in known.items() if value is not None},
    )  # fmt: skip
    judged = judge_batch(log, context, settings, threads=1)
    row = judged.measure.row(0, named=True)
    hold = HoldResult(**{f.name: row[f.name] for f in fields(HoldResult)})
    return JudgedLog(
        verdict=row["verdict"],
        reason=row["reason"],
        borderline=row["borderline"],
        rise_kind=row["rise_kind"],
        p_leak=row["p_leak"],
        p_moisture=row["p_moisture"],
        hold=hold,
        pump_down=PumpDownResult(**{f.name: row[f.name] for f in fields(PumpDownResult)}),
        phases=tuple(
            JudgedPhase(**{f.name: phase[f.name] for f in fields(JudgedPhase)})
            for phase in judged.phase.iter_rows(named=True)
        ),
        measure=row,
        log=log,
        altitude_m=altitude_m,
        required_hold_minutes=criterion.hold_minutes,
    )
