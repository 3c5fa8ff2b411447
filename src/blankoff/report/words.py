"""Plain words: dates, numbers, pressures in the fleet's unit, and what each code of the tables means to a person."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from blankoff.units import micron_to_pa

MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
          "December")  # fmt: skip
NBSP = "\u00a0"
NONE = "–"
THIN = "\u202f"

VERDICT_WORDS = {"passed": "proven", "failed": "failed", "unproven": "unproven"}
VERDICT_SIGNS = {"passed": "●", "failed": "▲", "unproven": "◇"}
REASON_WORDS = {
    "held": "held as required",
    "leak": "rose over the limit: leak",
    "moisture": "rose over the limit: moisture",
    "leak_and_moisture": "rose over the limit: leak and moisture",
    "rise_unexplained": "rose over the limit, cause open",
    "target_missed": "target vacuum not reached",
    "short_hold": "hold cut short",
    "no_hold": "no hold",
    "recycled_log": "log is a copy of another job's",
    "no_log": "no log handed in",
    "unreadable_log": "log cannot be read",
}
WITHOUT_PROOF_WORDS = {
    "leak": "rose over the limit as a leak does",
    "moisture": "rose over the limit as moisture does",
    "leak_and_moisture": "rose over the limit as a leak and moisture do",
    "rise_unexplained": "rose over the limit, cause open",
    "target_missed": "missed the target",
    "short_hold": "with a hold cut short",
    "no_hold": "without a hold",
    "recycled_log": "with another job's log",
    "no_log": "without a log",
    "unreadable_log": "with a log that cannot be read",
}
"""What is said of a number of jobs."""
RISE_WORDS = {
    "flat": "hardly any rise",
    "moisture": "a rise that levels off: moisture or outgassing",
    "leak": "a steady rise: leak",
    "leak_and_moisture": "a steady rise and one that levels off: leak and moisture",
    "undetermined": "too short to tell a leak from moisture",
}
KIND_WORDS = {
    "pump_worn": "pump worn",
    "oil_due": "oil due",
    "hose_leaking": "hose set leaks",
    "hose_restricted": "hose set chokes",
    "gauge_off": "gauge reads off",
    "holds_skipped": "holds skipped",
    "holds_cut_short": "holds cut short",
    "pumping_stopped_early": "pumping stopped early",
    "slow_rigging": "slow rigging",
    "log_recycled": "log is a copy",
    "signed_without_proof": "signed without proof",
    "reported_pass_rate": "signs more than the logs support",
}
FAULT_WORDS = {
    "skipped": "hold skipped",
    "short": "hold cut short",
    "target_missed": "target not reached",
    "log_missing": "log not handed in",
}
FAULT_OF_KIND = {"holds_skipped": "skipped", "holds_cut_short": "short", "pumping_stopped_early": "target_missed"}
MEASURE_WORDS = {
    "speed_viscous": "speed in the first, thick stage",
    "speed_deep": "speed in the deep stage",
    "floor": "lowest pressure reached",
}
FACTOR_WORDS = {"pump": "pump", "hose": "hose set", "gauge": "gauge", "technician": "technician"}
FACTOR_PLURALS = {"pump": "pumps", "hose": "hose sets", "gauge": "gauges", "technician": "technicians"}
ACTION_WORDS = {
    "oil_change": "oil change",
    "overhaul": "overhaul",
    "repair": "repair",
    "replacement": "replacement",
    "calibration": "calibration",
}
PHASE_WORDS = {"pump_down": "pumping", "hold": "hold", "break": "gas break", "gap": "no readings"}

FOR_WHOM = {
    "training": "for the trainer and the operations lead; not for posting up or handing round",
    "person": "for this technician, the trainer and the operations lead",
}
"""Who may see the pages about people; said on each of them."""

CAUTIONS = (
    "This is evidence for a qualified person, not a release to charge.",
    (
        "Refrigerants, pressurised nitrogen, electricity and flammable (A2L, A3) refrigerants can hurt people. Local codes, "
        "the equipment maker's instructions and licensed practice come first."
    ),
    (
        "Comparisons of people are for coaching. Small samples, unlike work and shared equipment mislead, so bounds and "
        "caveats stand beside every name."
    ),
)

GLOSSARY = {
    "Evacuation": "Drawing air and water out of an opened circuit with a vacuum pump before it is charged.",
    "Micron": "A thousandth of a torr, 0.133 322 Pa: the trade's unit of deep vacuum. The air around us is about 760 000.",
    "Pascal (Pa)": "The SI unit of pressure; 1 Pa is about 7.5 microns.",
    "Hold": "The standing test: the circuit is shut off from the pump and its pressure is watched.",
    "Isolation": "The moment the circuit is shut off from the pump; the hold begins.",
    "Proven": "The log shows that the target was reached and the hold stood under its limit for as long as required.",
    "Failed": "The pressure rose over the limit within the required hold.",
    "Unproven": "The log does not show a full test: no log, no hold, a short one, a missed target, or a copied log.",
    "Borderline": "The gauge's stated accuracy alone could have turned the verdict.",
    "Target and limit": "The pressure pumping must reach, and the pressure the hold must stay under. They come from the "
    "job, from the system's kind, or from the fleet's setting.",
    "Steady rise": "The part of a hold's rise that climbs at one pace: air coming in through a leak.",
    "Saturating rise": "The part that levels off: water evaporating and gas coming out of oil and walls.",
    "Undetermined": "The hold was too short to tell a small leak from slow outgassing. The page says how much longer it "
    "had to stand.",
    "Saturation line": "The pressure of water vapour over water (or ice) at a temperature. While liquid water is left, "
    "pumping stays near this line.",
    "Dryness margin": "The air's temperature minus the temperature at which water would still be liquid or ice at the "
    "hold's end pressure. The larger, the drier.",
    "Blank-off pressure": "The lowest pressure a pump reaches with its inlet closed. It tells the state of its oil and "
    "seals.",
    "Effective speed": "How fast gas leaves the circuit at its service port, in litres per second: pump, hose and valve "
    "cores together.",
    "Deep stage": "Below some 1 500 microns (200 Pa), where hoses and valve cores count most.",
    "Valve core": "The spring valve in a service port. Left in, it is a hole of 2 to 3 mm that costs most of the deep "
    "speed.",
    "Ratio to the fleet's middle": "1.0 is typical on like work. 0.8 is a fifth slower (or lower) than that.",
    "Bounds": "The true value lies between them with the stated chance (90 % unless it says otherwise).",
    "Like work": "The same kinds of system, size, water and season: what anybody would be expected to do on those jobs.",
    "Standing rate": "A person's long-run rate of something, drawn towards like work as long as there are few jobs.",
    "Target not reached": "Pumping ended above the target, for whatever cause: water, a leak, a weak rig, or stopping early. "
    "A finding of pumping stopped early counts only those jobs on which this rig would have reached it.",
    "Entangled": "Two things always used together. This fleet's history cannot tell which of them is the cause.",
    "Outcome group": "Evacuations whose logs look alike, found by the computer without knowing the verdicts.",
    "Finding": "Something somebody should act on, with its evidence and how sure we are.",
}


@dataclass(frozen=True)
class PressureWords:
    """Pressures as people of this fleet see them."""

    units: Literal["micron", "pa"]

    @property
    def name(self) -> str:
        """Word behind a number."""
        return "microns" if self.units == "micron" else "Pa"

    def value(self, micron: float) -> float:
        """Microns to the shown unit."""
        return micron if self.units == "micron" else micron_to_pa(micron)

    def text(self, micron: float | None) -> str:
        """``480 microns`` or ``64 Pa``; a dash for the unknown."""
        if micron is None or not math.isfinite(micron):
            return NONE
        return f"{self._figures(float(micron), 1)}{NBSP}{self.name}"

    def rate(self, micron_per_min: float | None) -> str:
        """``4.2 microns/min`` or ``0.56 Pa/min``."""
        if _unknown(micron_per_min):
            return NONE
        return f"{self._figures(float(micron_per_min or 0.0), 2)}{NBSP}{self.name}/min"

    def _figures(self, micron: float, decimals: int) -> str:
        """Three figures, and no more decimals than a gauge could mean: one more for Pa, which is the larger unit."""
        value = self.value(micron)
        return number(round(value, decimals if self.units == "micron" else decimals + 1))


def _unknown(x: object) -> bool:
    return x is None or (isinstance(x, float) and not math.isfinite(x))


def day(date: dt.date | dt.datetime | None) -> str:
    """``3 Nov 2026``; a dash for the unknown."""
    return NONE if date is None else f"{date.day}{NBSP}{MONTHS[date.month - 1][:3]}{NBSP}{date.year}"


def month_name(month: str) -> str:
    """``2026-10`` → ``October 2026``."""
    return f"{MONTHS[int(month[5:7]) - 1]} {month[:4]}"


def month_short(month: str) -> str:
    """``2026-10`` → ``Oct 2026``."""
    return f"{MONTHS[int(month[5:7]) - 1][:3]} {month[:4]}"


def months_up_to(month: str, count: int) -> list[str]:
    """Return the ``count`` months that end with ``month``, oldest first."""
    last = int(month[:4]) * 12 + int(month[5:7]) - 1
    return [f"{m // 12:04d}-{m % 12 + 1:02d}" for m in range(last - count + 1, last + 1)]


def number(x: float | None, digits: int = 3) -> str:
    """Round to ``digits`` figures, thousands parted by a thin blank; a dash for the unknown.

    Whole parts are never rounded away: 17 546 with three figures is 17 500, 1 234 is 1 230, 0.01234 is 0.0123.
    """
    if x is None:
        return NONE
    value = float(x)
    if not math.isfinite(value):
        return NONE
    if value == 0.0:
        return "0"
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, decimals)
    if decimals <= 0:
        text = f"{rounded:,.0f}"
    else:
        text = f"{rounded:,.{min(decimals, 12)}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace(",", THIN).replace("-", "−")


def count(n: int | None) -> str:
    """Whole number in full, thousands parted by a thin blank."""
    return NONE if n is None else f"{n:,}".replace(",", THIN).replace("-", "−")


def percent(share: float | None) -> str:
    """``74 %``; under one per cent with one decimal."""
    if share is None or _unknown(share):
        return NONE
    value = 100.0 * share
    return f"{value:.1f}{NBSP}%" if 0 < abs(value) < 0.95 else f"{value:.0f}{NBSP}%"


def points(change: float | None) -> str:
    """Change of a share in percentage points, with its sign: ``−41``, ``+3``, ``0``."""
    if change is None or _unknown(change):
        return NONE
    value = round(100.0 * change)
    return "0" if value == 0 else f"{'+' if value > 0 else '−'}{abs(value)}"


def sure(probability: float | None) -> str:
    """How sure, never quite certain."""
    if probability is None or _unknown(probability):
        return NONE
    if probability > 0.99:
        return f"over 99{NBSP}%"
    if probability < 0.01:
        return f"under 1{NBSP}%"
    return percent(probability)


def times(ratio: float | None) -> str:
    """Ratio with two decimals."""
    return NONE if ratio is None or _unknown(ratio) else f"{ratio:.2f}"


def minutes(m: float | None) -> str:
    """``12 min`` or ``3 h 20 min``."""
    if m is None or _unknown(m):
        return NONE
    if m < 100:
        return f"{number(m, 2 if m < 10 else 3 if m % 1 and m < 20 else 2)}{NBSP}min"
    hours, rest = divmod(round(m), 60)
    return f"{hours}{NBSP}h {rest}{NBSP}min" if rest else f"{hours}{NBSP}h"


def hours(h: float | None) -> str:
    """Hours with one decimal under a hundred."""
    if h is None or _unknown(h):
        return NONE
    return f"{h:.1f}{NBSP}h".replace("-0.0", "0.0").replace("-", "−") if abs(h) < 100 else f"{number(h)}{NBSP}h"


def money(x: float | None) -> str:
    """Whole units of the fleet's own money."""
    return NONE if x is None or _unknown(x) else count(round(x))


def bounds(low: str, high: str, unit: str = "") -> str:
    """``22 to 34 %`` of ``22 %`` and ``34 %``: the unit only once where both have the same."""
    head, gap, tail = low.rpartition(NBSP)
    if gap and high.endswith(gap + tail):
        return f"{head} to {high}"
    return f"{low} to {high}{unit}"


def plural(n: int, one: str, many: str = "") -> str:
    """``1 pump``, ``2 pumps``."""
    return f"{count(n)}{NBSP}{one if n == 1 else many or one + 's'}"


def clip(text: str, longest: int = 48) -> str:
    """Cut text at a length, with an ellipsis."""
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def listed(words: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def effect_size(row: dict[str, Any], pressure: PressureWords) -> str:
    """Size of a finding with its bounds, in its own unit; pressures in the fleet's."""
    unit = str(row.get("unit") or "")
    if row.get("effect") is None or unit == "evacuation":
        return NONE
    show: Callable[[float | None], str] = number
    tail = f"{NBSP}{unit}"
    if unit.split(" ")[0] in {"micron", "microns"}:
        show, rest = (lambda x: NONE if x is None else number(pressure.value(x))), unit.partition(" ")[2]
        tail = f"{NBSP}{pressure.name}{' ' + rest if rest else ''}"
    elif unit.split(" ")[0] in {"share", "rate", "fraction", "probability"}:
        show, tail = percent, unit.partition(" ")[2]
        tail = f" {tail}" if tail else ""
    elif unit.split(" ")[0] in {"ratio", ""}:
        show, tail = times, ""
    elif unit.startswith("reading over"):
        show, tail = times, " of the fleet's reading"
    elif len(unit) > 12:
        tail = f", {unit}"
    low, high = row.get("effect_lower"), row.get("effect_upper")
    inside = f" ({bounds(show(low), show(high))})" if low is not None and high is not None else ""
    return f"{show(row['effect'])}{tail}{inside}"


_MICRONS = re.compile(r"(?<![\w.])(\d[\d.]*)\s+microns?\b(?: \((-?[\d.]+) to (-?[\d.]+)\))?")


_ISO_DAY = re.compile(r"\b(\d{4})-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])\b")


def plain_sentence(text: str, pressure: PressureWords) -> str:
    """Write a sentence of the tables as this fleet's people read: their unit, plain dates, no lonely per cent sign."""
    dated = _ISO_DAY.sub(lambda m: f"{int(m.group(3))}{NBSP}{MONTHS[int(m.group(2)) - 1][:3]}{NBSP}{m.group(1)}", text)
    return in_fleet_units(dated, pressure).replace(" %", f"{NBSP}%")


def in_fleet_units(text: str, pressure: PressureWords) -> str:
    """Put the pressures of a sentence, which the tables write in microns, into the fleet's unit."""
    if pressure.units == "micron":
        return text

    def shown(match: re.Match[str]) -> str:
        low, high = match.group(2), match.group(3)
        inside = f" ({number(pressure.value(float(low)))} to {number(pressure.value(float(high)))})" if low else ""
        return f"{pressure.text(float(match.group(1)))}{inside}"

    return _MICRONS.sub(shown, text)
