"""Every table of the public contract: column, type, unit, meaning, row rules.

One description serves reading registers, creating the store, checking frames between stages, exporting, and the
glossary on the pages.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import polars as pl

PolarsType: TypeAlias = Any
"""A Polars data type, class or instance; Polars exports no single name for both."""

F, I, S, B = pl.Float64, pl.Int64, pl.String, pl.Boolean  # noqa: E741
TIME = pl.Datetime("us", "UTC")
DATE = pl.Date
LIST = pl.List(pl.String)
FLOATS = pl.List(pl.Float64)


@dataclass(frozen=True)
class Column:
    """One column: its name carries the unit, ``meaning`` says the rest in plain words."""

    name: str
    dtype: PolarsType
    meaning: str
    required: bool = False
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Table:
    """One table; ``key`` names the columns that together are unique."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]

    @property
    def polars_schema(self) -> dict[str, PolarsType]:
        """Column name to Polars type."""
        return {c.name: c.dtype for c in self.columns}

    def empty(self) -> pl.DataFrame:
        """Return a frame of no rows with this table's columns."""
        return pl.DataFrame(schema=self.polars_schema)

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Cast to this table's columns and order; missing ones become null, extra ones stay behind the known ones."""
        known = [
            (pl.col(c.name) if c.name in frame.columns else pl.lit(None)).cast(c.dtype).alias(c.name)
            for c in self.columns
        ]
        extra = [c for c in frame.columns if c not in self.polars_schema]
        return frame.select(*known, *extra)


def _c(name: str, dtype: PolarsType, meaning: str, **rules: Any) -> Column:
    return Column(name, dtype, meaning, **rules)


VERDICTS = ("passed", "failed", "unproven")
REASONS = {
    "passed": ("held",),
    "failed": ("leak", "moisture", "leak_and_moisture", "rise_unexplained"),
    "unproven": ("target_missed", "short_hold", "no_hold", "recycled_log", "no_log", "unreadable_log"),
}
RISE_KINDS = ("flat", "moisture", "leak", "leak_and_moisture", "undetermined")
PHASE_KINDS = ("pump_down", "hold", "break", "gap")
FINDING_SUBJECTS = {
    "pump_worn": "pump",
    "oil_due": "pump",
    "hose_leaking": "hose",
    "hose_restricted": "hose",
    "gauge_off": "gauge",
    "holds_skipped": "technician",
    "holds_cut_short": "technician",
    "pumping_stopped_early": "technician",
    "slow_rigging": "technician",
    "log_recycled": "evacuation",
    "signed_without_proof": "evacuation",
    "reported_pass_rate": "technician",
}
FACTORS = ("pump", "hose", "gauge", "technician")
MEASURES = ("speed_viscous", "speed_deep", "floor")
FAULTS = ("skipped", "short", "target_missed", "log_missing")
SERVICE_ACTIONS = ("oil_change", "overhaul", "repair", "replacement", "calibration")

# --- registers (section 1 of the contract) -------------------------------------------------------------------------

EVACUATIONS = Table(
    "evacuations",
    ("evacuation_id",),
    (
        _c("evacuation_id", S, "name of the evacuation", required=True),
        _c("log_file", S, "path of its log under logs/; blank = no log was handed in", required=True),
        _c("started_at", TIME, "when it began", required=True),
        _c("technician_id", S, "who did it", required=True),
        _c("pump_id", S, "with which pump", required=True),
        _c("hose_id", S, "with which hose set"),
        _c("gauge_id", S, "with which gauge"),
        _c("system_id", S, "on which circuit"),
        _c("branch", S, "which branch did it"),
        _c("job_id", S, "the job it belongs to"),
        _c("ambient_c", F, "air temperature at the circuit, °C", low=-60, high=70),
        _c("altitude_m", F, "height above sea level, m", low=-450, high=6000),
        _c("target_micron", F, "required vacuum, microns", low=1, high=100_000),
        _c("hold_limit_micron", F, "limit for the hold, microns", low=1, high=100_000),
        _c("hold_minutes", F, "required hold, minutes", low=0.1, high=10_000),
        _c("reported", S, "what the technician signed for: passed, failed or blank"),
    ),
)
TECHNICIANS = Table(
    "technicians",
    ("technician_id",),
    (
        _c("technician_id", S, "name in the registers", required=True),
        _c("name", S, "name for people"),
        _c("branch", S, "home branch"),
        _c("hired_on", DATE, "first day"),
    ),
)
PUMPS = Table(
    "pumps",
    ("pump_id",),
    (
        _c("pump_id", S, "name of the pump", required=True),
        _c("rated_l_per_s", F, "free air displacement, l/s", low=0.05, high=500),
        _c("rated_blankoff_micron", F, "blank-off pressure by its plate, microns", low=0.1, high=20_000),
        _c("in_service_on", DATE, "first day in use"),
        _c("branch", S, "home branch"),
    ),
)
HOSES = Table(
    "hoses",
    ("hose_id",),
    (
        _c("hose_id", S, "name of the hose set", required=True),
        _c("bore_mm", F, "inner diameter, mm", low=1, high=100),
        _c("length_m", F, "length, m", low=0.05, high=100),
        _c("in_service_on", DATE, "first day in use"),
    ),
)
GAUGES = Table(
    "gauges",
    ("gauge_id",),
    (
        _c("gauge_id", S, "name of the gauge", required=True),
        _c("top_of_range_micron", F, "highest reading, microns", low=100, high=2_000_000),
        _c("accuracy_percent", F, "stated accuracy, % of reading", low=0, high=100),
        _c("calibrated_on", DATE, "last calibration"),
    ),
)
SYSTEMS = Table(
    "systems",
    ("system_id",),
    (
        _c("system_id", S, "name of the circuit", required=True),
        _c("kind", S, "kind of system"),
        _c("volume_l", F, "volume to evacuate, litres", low=0.01, high=20_000),
        _c("refrigerant", S, "refrigerant"),
        _c("oil", S, "compressor oil"),
    ),
)
SERVICES = Table(
    "services",
    ("serviced_on", "asset", "asset_id", "action"),
    (
        _c("serviced_on", DATE, "day of the service", required=True),
        _c("asset", S, "pump, hose or gauge", required=True),
        _c("asset_id", S, "which one", required=True),
        _c("action", S, "oil_change, overhaul, repair, replacement or calibration", required=True),
    ),
)
COACHING = Table(
    "coaching",
    ("coached_on", "technician_id", "topic"),
    (
        _c("coached_on", DATE, "day of the talk", required=True),
        _c("technician_id", S, "with whom", required=True),
        _c("topic", S, "a technician finding's kind"),
    ),
)
REGISTERS = {t.name: t for t in (EVACUATIONS, TECHNICIANS, PUMPS, HOSES, GAUGES, SYSTEMS, SERVICES, COACHING)}
REGISTER_CHOICES = {
    ("evacuations", "reported"): ("passed", "failed"),
    ("services", "asset"): ("pump", "hose", "gauge"),
    ("services", "action"): SERVICE_ACTIONS,
}

# --- tables (section 2 of the contract) ----------------------------------------------------------------------------

_PUMP_DOWN = (
    _c("pumped_minutes", F, "minutes of pumping in the whole log"),
    _c("isolated_at_s", F, "when the hold that was judged began, s from the log's first reading"),
    _c("final_vacuum_micron", F, "last steady reading before isolation, microns"),
    _c("minutes_to_10000", F, "minutes of pumping to 10 000 microns"),
    _c("minutes_to_5000", F, "minutes of pumping to 5 000 microns"),
    _c("minutes_to_2000", F, "minutes of pumping to 2 000 microns"),
    _c("minutes_to_1000", F, "minutes of pumping to 1 000 microns"),
    _c("minutes_to_500", F, "minutes of pumping to 500 microns"),
    _c("speed_viscous_l_s", F, "effective speed for air at the service port around 8 000 microns, l/s"),
    _c("speed_deep_l_s", F, "effective speed for air at the service port around 1 000 microns, l/s"),
    _c("plateau_micron", F, "pressure of the boil-off plateau, microns"),
    _c("plateau_minutes", F, "length of the boil-off plateau, minutes"),
    _c("water_g", F, "liquid water boiled off, g"),
)
_HOLD = (
    _c("hold_minutes", F, "how long the hold stood, minutes"),
    _c("hold_start_micron", F, "pressure at the hold's beginning, microns"),
    _c("hold_end_micron", F, "pressure at the hold's end, microns"),
    _c("hold_at_limit_micron", F, "pressure at the required minute, microns"),
    _c(
        "leak_micron_per_min",
        F,
        "steady part of the rise, microns/min; of a leak that is not ruled out, its size if there is one",
    ),
    _c("leak_micron_per_min_se", F, "its standard error, with the gauge's stated accuracy"),
    _c("leak_pa_m3_s", F, "the same as a leak rate at 20 °C, Pa·m³/s (needs the volume)"),
    _c("moisture_rise_micron", F, "all that saturates, over the required hold, microns"),
    _c("rise_time_constant_min", F, "time constant of the saturating part, minutes"),
    _c("more_hold_minutes", F, "how much longer the hold had to stand to tell leak from moisture"),
)
_DRYNESS = (
    _c("saturation_c", F, "water's saturation temperature at the hold's end, °C"),
    _c("dryness_margin_k", F, "ambient minus that, K"),
)
_RISE = (
    _c("rise_kind", S, "what the hold's rise is made of"),
    _c(
        "p_leak",
        F,
        "probability that the steady part adds at least 50 microns within the required hold; leaks are taken to be as common as the fleet's own holds say",
    ),
    _c("p_moisture", F, "probability that the saturating part does"),
)

MEASURE = Table(
    "measure",
    ("log_key",),
    (
        _c("log_key", S, "which log", required=True),
        _c("verdict", S, "passed, failed or unproven (recycling is found later, by the fleet)"),
        _c("reason", S, "why"),
        _c("borderline", B, "the gauge's accuracy alone could have turned the verdict"),
        *_RISE,
        *_PUMP_DOWN,
        *_HOLD,
        *_DRYNESS,
        _c("speed_viscous_l_s_se_ln", F, "standard error of ln speed"),
        _c("speed_deep_l_s_se_ln", F, "standard error of ln speed"),
        _c("viscous_rate_per_s", F, "speed over volume, 1/s: exists when the volume is unknown"),
        _c("deep_rate_per_s", F, "speed over volume, 1/s"),
        _c("viscous_rate_se_ln", F, "standard error of ln rate"),
        _c("deep_rate_se_ln", F, "standard error of ln rate"),
        _c("viscous_seen_per_s", F, "the same as the gauge shows it, whatever its lag and place, 1/s"),
        _c("viscous_seen_se_ln", F, "standard error of its logarithm, the gauge's lag and place left out"),
        _c("deep_seen_per_s", F, "deep rate as the gauge shows it, 1/s"),
        _c("deep_seen_se_ln", F, "standard error of its logarithm, the gauge's lag and place left out"),
        _c("gauge_aside_ln", F, "step at isolation that a gauge on the pump's side shows, ln"),
        _c("over_range_rate_per_s", F, "mean rate from atmosphere to the first reading within range, 1/s"),
        _c("over_range_rate_se_ln", F, "standard error of its logarithm by the readings' spacing"),
        _c("floor_micron", F, "what the pumped pressure tends to, microns"),
        _c("floor_se_micron", F, "its standard error"),
        _c("lowest_pumped_micron", F, "lowest pumped reading of the pull that was judged, microns"),
        _c("still_minutes", F, "without a hold: how long pressure stood within 6 % of its last level at the log's end"),
        _c("settling_step_micron", F, "step that settles in the first seconds of the hold, microns"),
        _c("circuit_load_micron_l_s", F, "gas load of the circuit's side, micron·l/s (needs the volume)"),
        _c("pump_side_load_micron_l_s", F, "gas load that vanishes at isolation, micron·l/s (needs the volume)"),
        _c("water_g_lower", F, "lower 90 % bound of water_g: 0 where nothing boils visibly"),
        _c("water_g_upper", F, "upper 90 % bound of water_g: all that was drawn where it may have been vapour"),
        _c("moisture_rise_micron_se", F, "standard error of moisture_rise_micron"),
        _c("leak_mass_g_per_year", F, "the leak as outward refrigerant, g/year: a flow model, not a measurement"),
        _c("noise_percent", F, "gauge noise in this log, % of reading"),
        _c("sample_interval_s", F, "median spacing of the readings, s"),
        _c("readings", I, "readings used"),
        _c("over_range_readings", I, "readings above the gauge's range"),
        _c("rise_evidence", FLOATS, "what the hold says of its circuit's states, for the fleet to weigh"),
        _c("more_hold_if_open_minutes", F, "more_hold_minutes of a rise that the fleet leaves open"),
    ),
)

WEIGHED = ("rise_evidence", "more_hold_if_open_minutes")
"""Columns of a log's measures that the fleet's own shares are put into; `RESULT` has what comes of it."""

RESULT = Table(
    "result",
    ("evacuation_id",),
    (
        _c("evacuation_id", S, "name of the evacuation", required=True),
        _c("month", S, "YYYY-MM in the fleet's time zone"),
        _c("technician_id", S, "who"),
        _c("pump_id", S, "pump"),
        _c("hose_id", S, "hose set"),
        _c("gauge_id", S, "gauge"),
        _c("system_id", S, "circuit"),
        *(c for c in MEASURE.columns if c.name not in {"log_key", *WEIGHED}),
        _c("group_id", I, "outcome group, -1 = in none"),
        _c("group_name", S, "its name, from its centre"),
    ),
)
PHASE = Table(
    "phase",
    ("evacuation_id", "phase_no"),
    (
        _c("evacuation_id", S, "name of the evacuation", required=True),
        _c("phase_no", I, "1, 2, ... in time"),
        _c("kind", S, "pump_down, hold, break or gap"),
        _c("start_s", F, "s from the log's first reading"),
        _c("end_s", F, "s from the log's first reading"),
        _c("start_micron", F, "pressure at its start, microns"),
        _c("end_micron", F, "pressure at its end, microns"),
        _c("start_why", S, "what marks its start"),
        _c("start_uncertainty_s", F, "how well its start is known, s"),
    ),
)
LOG_PHASE = Table(
    "log_phase", ("log_key", "phase_no"), (_c("log_key", S, "which log", required=True), *PHASE.columns[1:])
)
FINDING = Table(
    "finding",
    ("finding_id", "as_of"),
    (
        _c("finding_id", S, "the same finding keeps it from month to month", required=True),
        _c("as_of", DATE, "what was known on this day"),
        _c("kind", S, "kind of finding"),
        _c("subject", S, "pump, hose, gauge, technician, system or evacuation"),
        _c("subject_id", S, "which one"),
        _c("since", DATE, "when it began, best estimate"),
        _c("probability", F, "probability that it is true"),
        _c("effect", F, "its size"),
        _c("effect_lower", F, "lower bound"),
        _c("effect_upper", F, "upper bound"),
        _c("unit", S, "unit of the size"),
        _c("statement", S, "what was found, in plain words"),
        _c("action", S, "what to do"),
        _c("evidence", LIST, "the evacuations behind it"),
    ),
)
EFFECT = Table(
    "effect",
    ("as_of", "factor", "level_id", "measure"),
    (
        _c("as_of", DATE, "what was known on this day"),
        _c("factor", S, "pump, hose, gauge or technician"),
        _c("level_id", S, "which one"),
        _c("measure", S, "speed_viscous, speed_deep or floor"),
        _c("ratio", F, "to the fleet's middle on like work, as it stands"),
        _c("ratio_lower", F, "lower 90 % bound"),
        _c("ratio_upper", F, "upper 90 % bound"),
        _c("n", I, "evacuations behind it"),
        _c("separable", B, "whether this fleet's history can tell it from the others"),
        _c("entangled_with", LIST, "what it can't be told from, such as technician:T07"),
    ),
)
OIL_FORECAST = Table(
    "oil_forecast",
    ("as_of", "pump_id"),
    (
        _c("as_of", DATE, "what was known on this day"),
        _c("pump_id", S, "pump"),
        _c("oil_hours", F, "hours run on this oil"),
        _c("blankoff_micron", F, "blank-off pressure now, microns"),
        _c("due_on", DATE, "when fresh oil is due, median"),
        _c("due_lower", DATE, "lower 80 % bound"),
        _c("due_upper", DATE, "upper 80 % bound"),
        _c("reason", S, "why"),
    ),
)
PRACTICE = Table(
    "practice",
    ("technician_id", "month"),
    (
        _c("technician_id", S, "who"),
        _c("month", S, "YYYY-MM"),
        _c("evacuations", I, "evacuations in the month"),
        _c("holds_owed", I, "readable logs that are no copies"),
        _c("holds_full", I, "stood as long as required, or failed before"),
        _c("holds_short", I, "cut short"),
        _c("holds_skipped", I, "no hold"),
        _c("targets_missed", I, "target missed"),
        _c("logs_missing", I, "no log handed in"),
        *(
            _c(f"{fault}_{what}", F, meaning.format(fault=fault.replace("_", " ")))
            for fault in FAULTS
            for what, meaning in (
                ("rate", "own standing rate of {fault}, shrunken, from all that was known at the month's end"),
                ("lower", "lower 90 % bound of the rate of {fault}"),
                ("upper", "upper 90 % bound of the rate of {fault}"),
                ("peers", "rate of {fault} that like work predicts"),
            )
        ),
    ),
)
QUARANTINE = Table(
    "quarantine",
    ("path", "row", "field", "problem"),
    (
        _c("path", S, "relative to the fleet folder", required=True),
        _c("row", I, "line in the file, the header being line 1; blank for a whole file"),
        _c("field", S, "column or part at fault"),
        _c("problem", S, "reason and mend"),
        _c("seen_at", TIME, "when it was refused"),
    ),
)
TABLES = {t.name: t for t in (RESULT, PHASE, FINDING, EFFECT, OIL_FORECAST, PRACTICE, QUARANTINE)}
