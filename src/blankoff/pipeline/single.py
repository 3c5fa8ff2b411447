"""One log file, judged and shown, without a store."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from blankoff import terminal
from blankoff.errors import SettingsError
from blankoff.evacuation.single import JudgedLog, judge
from blankoff.ingest.logs import read_log
from blankoff.samples import SampleBatch
from blankoff.settings import Acceptance, Settings, read_settings
from blankoff.units import PressureUnit, micron_to

_VERDICT_WORDS = {
    "held": "passed: it held",
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

    def text(self, plain: bool = False) -> str:
        """Return the verdict in words, the numbers behind it, and the curve."""
        unit = PressureUnit.PA if self.settings.units == "pa" else PressureUnit.MICRON
        name = "Pa" if unit is PressureUnit.PA else "microns"

        def p(micron: float | None) -> str:
            return "-" if micron is None else f"{float(micron_to(micron, unit)):.4g} {name}"

        def n(value: float | None, word: str, digits: int = 3) -> str:
            return "-" if value is None else f"{value:.{digits}g} {word}".strip()

        j, a = self.judged, self.acceptance
        verdict = _VERDICT_WORDS.get(j.reason, j.reason)
        rows = [
            ("verdict", verdict + (" (the gauge's accuracy alone could have turned it)" if j.borderline else "")),
            (
                "criterion",
                f"{p(a.target_micron)} or lower, then {a.hold_minutes:g} min at or below {p(a.hold_limit_micron)}",
            ),
            ("pumped", f"{n(j.pump_down.pumped_minutes, 'min')} to {p(j.pump_down.final_vacuum_micron)}"),
        ]
        if j.hold.hold_minutes is not None:
            rows += [
                (
                    "hold",
                    f"{n(j.hold.hold_minutes, 'min')}: {p(j.hold.hold_start_micron)} to {p(j.hold.hold_end_micron)}",
                ),
                ("its rise", _RISE_WORDS.get(j.rise_kind or "", "-")),
                (
                    "steady part",
                    (
                        f"{n(j.hold.leak_micron_per_min, 'microns/min')} (standard error {n(j.hold.leak_micron_per_min_se, '', 2)}); "
                        f"material with probability {n(j.p_leak, '', 2)}"
                    ),
                ),
                (
                    "levelling part",
                    f"{p(j.hold.moisture_rise_micron)} over the required hold; material with probability {n(j.p_moisture, '', 2)}",
                ),
                (
                    "dryness",
                    f"water boils at {n(j.hold.saturation_c, '°C')} there; margin {n(j.hold.dryness_margin_k, 'K')}",
                ),
            ]
            if j.hold.more_hold_minutes:
                rows.append(("to tell", f"stand {n(j.hold.more_hold_minutes, 'min')} longer"))
        if j.pump_down.speed_viscous_l_s is not None or j.pump_down.speed_deep_l_s is not None:
            rows.append(
                (
                    "speed",
                    (
                        f"{n(j.pump_down.speed_viscous_l_s, 'l/s')} around 8 000 microns, "
                        f"{n(j.pump_down.speed_deep_l_s, 'l/s')} around 1 000 microns"
                    ),
                )
            )
        lines = [f"{self.path.name}: {self.log.readings} readings over {self.log.elapsed_s[-1] / 60:.0f} min", ""]
        lines += [f"{name:<15}{words}" for name, words in rows]
        moments = [] if j.pump_down.isolated_at_s is None else [(j.pump_down.isolated_at_s, "shut off")]
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
