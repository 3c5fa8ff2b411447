"""One log file, judged and shown, without a store."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from blankoff import terminal
from blankoff.errors import SettingsError
from blankoff.evacuation.single import JudgedLog, judge
from blankoff.ingest.logs import read_log
from blankoff.report.words import NBSP, NONE, THIN, PressureWords, minutes, number, sure
from blankoff.samples import SampleBatch
from blankoff.settings import Acceptance, Settings, read_settings
from blankoff.units import PressureUnit, micron_to

_VERDICT_WORDS = {
    "held": "proven: it held as required",
    "leak": "failed: the pressure climbed past the limit, steadily, as a leak does",
    "moisture": "failed: the pressure rose past the limit and levels off, as moisture and outgassing do",
    "leak_and_moisture": "failed: the pressure rose past the limit, part steady like a leak, part levelling off like moisture",
    "rise_unexplained": "failed: the pressure rose past the limit; this hold does not tell leak from moisture",
    "target_missed": "unproven: pumping did not reach the target",
    "short_hold": "unproven: the hold was cut short",
    "no_hold": "unproven: the circuit was never seen shut off from the pump",
}
_RISE_WORDS = {
    "flat": "hardly any",
    "moisture": "levels off: moisture and outgassing",
    "leak": "steady: a leak",
    "leak_and_moisture": "part steady (leak), part levelling off (moisture)",
    "undetermined": "this hold cannot tell leak from moisture",
}


_BLANKS = str.maketrans({NBSP: " ", THIN: " "})
_PLAIN = _BLANKS | str.maketrans({"−": "-", "–": "-", "°": "deg "})
"""What keeps numbers together on a page is a common blank in a terminal; plain ones know no minus and no degree sign."""


@dataclass(frozen=True)
class ShownLog:
    """One judged log file, ready to be shown."""

    path: Path
    log: SampleBatch
    judged: JudgedLog
    acceptance: Acceptance
    settings: Settings

    def as_dict(self) -> dict[str, Any]:
        """Return every column of table ``measure``, for JSON, and the criterion."""
        return {"file": str(self.path), "acceptance": self.acceptance.model_dump(), **self.judged.measure} | {
            "phases": [asdict(p) for p in self.judged.phases]
        }

    def _rows(self, pressure: PressureWords) -> list[tuple[str, str]]:
        """Name and words of each line of the summary."""
        j, a = self.judged, self.acceptance
        pumped, hold = j.pump_down, j.hold
        verdict = _VERDICT_WORDS.get(j.reason, j.reason)
        rows = [
            ("verdict", verdict + (" (the gauge's accuracy alone could have turned it)" if j.borderline else "")),
            ("criterion", f"{pressure.text(a.target_micron)} or lower, then {minutes(a.hold_minutes)} at or below {pressure.text(a.hold_limit_micron)}"),
            ("pumped", f"{minutes(pumped.pumped_minutes)} to {pressure.text(pumped.final_vacuum_micron)}"),
        ]  # fmt: skip
        if hold.hold_minutes is not None:
            rows += [
                ("hold", f"{minutes(hold.hold_minutes)}, from {pressure.text(hold.hold_start_micron)} to {pressure.text(hold.hold_end_micron)}"),
                ("its rise", _RISE_WORDS.get(j.rise_kind or "", NONE)),
            ]  # fmt: skip
        if hold.leak_micron_per_min is not None:
            matters = pressure.text(self.settings.judging.material_rise_micron)
            rows += [
                ("steady part", f"{pressure.rate(hold.leak_micron_per_min)} (standard error {pressure.rate(hold.leak_micron_per_min_se)}); adds {matters} or more within the required hold: {sure(j.p_leak)} likely"),
                ("levelling part", f"{pressure.text(hold.moisture_rise_micron)} over the required hold; adds {matters} or more: {sure(j.p_moisture)} likely"),
            ]  # fmt: skip
        if hold.saturation_c is not None:
            last = "ice" if hold.saturation_c < 0 else "water"
            margin = (
                "the air's temperature is unknown"
                if hold.dryness_margin_k is None
                else f"{number(hold.dryness_margin_k, 2)}{NBSP}K below the air"
            )
            rows.append(
                ("dryness", f"{last} would last there only below {number(hold.saturation_c, 2)}{NBSP}°C; {margin}")
            )
        if hold.more_hold_minutes:
            rows.append(("to tell", f"stand {minutes(hold.more_hold_minutes)} longer to tell a leak from moisture"))
        speeds = [
            f"{number(speed)}{NBSP}l/s around {pressure.text(at)}"
            for speed, at in ((pumped.speed_viscous_l_s, 8_000.0), (pumped.speed_deep_l_s, 1_000.0))
            if speed is not None
        ]
        return [*rows, ("speed", ", ".join(speeds))] if speeds else rows

    def text(self, plain: bool = False) -> str:
        """Return the verdict in words, the numbers behind it, and the curve."""
        unit = PressureUnit.PA if self.settings.units == "pa" else PressureUnit.MICRON
        words = PressureWords(self.settings.units)
        lines = [f"{self.path.name}: {self.log.readings} readings over {self.log.elapsed_s[-1] / 60:.0f} min", ""]
        for name, told in self._rows(words):
            wrapped = textwrap.wrap(told, 80, initial_indent=f"{name:<15}", subsequent_indent=" " * 15)
            lines += [line.translate(_PLAIN if plain else _BLANKS) for line in wrapped]
        a, isolated_s = self.acceptance, self.judged.pump_down.isolated_at_s
        moments = [] if isolated_s is None else [(isolated_s, "shut off")]
        drawn = terminal.curve(
            self.log.elapsed_s,
            micron_to(self.log.pressure_micron, unit),
            levels=[
                (float(micron_to(a.target_micron, unit)), "target"),
                (float(micron_to(a.hold_limit_micron, unit)), "limit"),
            ],
            moments=moments,
            unit="Pa" if unit is PressureUnit.PA else "micron",
            plain=plain,
        )
        lines += ["", drawn, "", "Evidence for a qualified person, not a release to charge."]
        text = "\n".join(lines)
        return text.replace("°C", "degC") if plain else text


def judge_file(
    file: str | os.PathLike[str],
    settings_file: str | os.PathLike[str] | None,
    criterion: Mapping[str, float | None],
    volume_l: float | None,
) -> ShownLog:
    """Read and judge one log file.

    Parameters
    ----------
    file
        The log.
    settings_file
        A ``fleet.toml`` whose layouts and criteria apply; the defaults if not given.
    criterion
        ``target_micron, hold_limit_micron, hold_minutes``; ``None`` leaves that of the settings.
    volume_l
        Circuit volume in litres, where known.

    Raises
    ------
    LogUnreadableError
        The file cannot be used.
    SettingsError
        The settings file, or a limit below the target, is wrong.
    """
    settings = read_settings(Path(settings_file) if settings_file is not None else None)
    given = {k: v for k, v in criterion.items() if v is not None}
    acceptance = Acceptance.model_validate(settings.acceptance.model_dump() | given)
    if acceptance.hold_limit_micron < acceptance.target_micron:
        raise SettingsError(
            f"the hold's limit ({acceptance.hold_limit_micron:g} microns) lies below the target "
            f"({acceptance.target_micron:g}); give --limit too"
        )
    path = Path(file)
    log = read_log(path, settings)
    return ShownLog(path, log, judge(log, acceptance, volume_l=volume_l, settings=settings), acceptance, settings)
