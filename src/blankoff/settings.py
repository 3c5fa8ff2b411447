"""``fleet.toml`` → one frozen settings object that carries every threshold and is stored, hashed, with each run."""

from __future__ import annotations

import hashlib
import re
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from blankoff.errors import SettingsError


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)


class Acceptance(_Frozen):
    """When an evacuation is accepted. Defaults are common practice, no source."""

    target_micron: float = Field(500.0, gt=0, le=100_000, description="pumping must bring the circuit to this or below")
    hold_limit_micron: float = Field(1000.0, gt=0, le=100_000, description="the hold must stay at or below this")
    hold_minutes: float = Field(10.0, gt=0, le=10_000, description="for how long the hold must stand")


class Maintenance(_Frozen):
    """Limits and costs for the maintenance list. Defaults are common practice, no source."""

    blankoff_limit_micron: float = Field(150.0, gt=0, le=10_000, description="oil is due above this blank-off pressure")
    oil_change_cost: float = Field(45.0, ge=0, description="one oil change, in the fleet's money")
    labour_cost_per_hour: float = Field(95.0, ge=0, description="one technician hour, in the fleet's money")


class TimeColumn(_Frozen):
    """Where a layout keeps its time."""

    column: str | int = Field(description="column heading, or its position from 1 when there is no heading")
    format: str = Field("", description="strptime format; empty = ISO 8601 or plain numbers of `unit`")
    unit: Literal["s", "min", "h", "ms"] = Field("s", description="unit of plain numbers")

    @field_validator("format")
    @classmethod
    def _known_format(cls, value: str) -> str:
        plain = value
        for short in ("%F", "%T", "%R", "%D"):  # what C's strptime knows beside Python's; the reader spells them out
            plain = plain.replace(short, "")
        try:
            datetime.strptime("", plain)
        except re.error:
            raise ValueError(f"{value!r} names a part of the time twice") from None
        except (ValueError, IndexError) as error:
            if "does not match" not in str(error):
                raise ValueError(f"{value!r} is no strptime format ({error})") from None
        return value


class PressureColumn(_Frozen):
    """Where a layout keeps its absolute pressure."""

    column: str | int = Field(description="column heading, or its position from 1 when there is no heading")
    unit: str = Field(description="micron, mtorr, torr, pa, hpa, kpa, mbar or inhg")


class AmbientColumn(_Frozen):
    """Where a layout keeps the ambient temperature."""

    column: str | int = Field(description="column heading, or its position from 1 when there is no heading")
    unit: Literal["c", "f"] = Field("c", description="degrees Celsius or Fahrenheit")


class MarkColumn(_Frozen):
    """Where a layout keeps marks."""

    column: str | int = Field(description="column heading, or its position from 1 when there is no heading")


class LogLayout(_Frozen):
    """Any delimited layout, described once."""

    files: str = Field(min_length=1, description="glob under logs/")
    delimiter: str = Field(",", min_length=1, description="what parts two fields")
    decimal: str = Field(".", min_length=1, max_length=1, description="decimal mark")
    encoding: str = Field("utf-8", description="text encoding, by its registered name")
    skip_rows: int = Field(0, ge=0, le=10_000, description="lines before the heading line")
    header: bool = Field(True, description="whether a heading line follows the skipped lines")
    time: TimeColumn
    pressure: PressureColumn
    ambient: AmbientColumn | None = None
    mark: MarkColumn | None = None

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            "".encode(value)
        except LookupError:
            raise ValueError(f"no text encoding is called {value!r}; utf-8, utf-16 and cp1252 are common") from None
        return value


class Judging(_Frozen):
    """Thresholds for one log. Common practice or this project's own judgement, no source."""

    shortest_hold_min: float = Field(1.0, gt=0, description="an isolation shorter than this is no hold")
    material_rise_micron: float = Field(50.0, gt=0, description="a part of the rise below this is not material")
    slow_outgassing_micron: float = Field(
        40.0, ge=0, description="prior scale: what unsaturated outgassing adds, almost straight, within a required hold"
    )
    proof_probability: float = Field(
        0.53, gt=0.5, lt=1, description="how sure before a part of the rise is named or ruled out"
    )
    evidence_power: float = Field(
        0.95, gt=0.5, lt=1, description="power wanted of a longer hold to part leak from moisture"
    )


class FleetModels(_Frozen):
    """Thresholds for the fleet's models and findings. The contract's own figures, and this project's judgement."""

    bounds_level: float = Field(0.90, gt=0.5, lt=1, description="level of the bounds on effects and rates")
    oil_bounds_level: float = Field(0.80, gt=0.5, lt=1, description="level of the bounds on oil dates")
    worn_speed_ratio: float = Field(
        0.75, gt=0, lt=1, description="pump_worn: lastingly below this share of its own best"
    )
    restricted_conductance_ratio: float = Field(
        0.60, gt=0, lt=1, description="hose_restricted: below this share of its like"
    )
    gauge_off_ratio: float = Field(0.15, gt=0, lt=1, description="gauge_off: lastingly off by more than this")
    finding_probability: float = Field(
        0.8, gt=0.5, lt=1, description="how sure before anybody is named; false_discovery_rate holds over all who are"
    )
    false_discovery_rate: float = Field(0.05, gt=0, lt=0.5, description="over all technicians and kinds together")
    material_rate_excess: float = Field(
        0.10, gt=0, lt=1, description="a technician's rate must exceed like work's by this"
    )
    material_claim_excess: float = Field(
        0.25, gt=0, lt=1, description="and the share of unproven jobs signed as passed, by this"
    )
    seed: int = Field(20261125, description="of every seeded generator in the models")


class Settings(_Frozen):
    """All settings of one fleet."""

    timezone: str = Field("UTC", description="IANA zone in which naive times are read")
    units: Literal["micron", "pa"] = Field("micron", description="what people see; tables keep their named units")
    acceptance: Acceptance = Acceptance()
    acceptance_by_kind: dict[str, Acceptance] = Field(default_factory=dict, description="per system kind")
    maintenance: Maintenance = Maintenance()
    log_layouts: dict[str, LogLayout] = Field(default_factory=dict)
    judging: Judging = Judging()
    fleet: FleetModels = FleetModels()

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f'no time zone is called {value!r}; write an IANA name such as "Etc/UTC"') from None
        return value

    @property
    def fingerprint(self) -> str:
        """SHA-256 over every setting; stored with each run."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()

    def acceptance_for(self, kind: str | None) -> Acceptance:
        """Return the criterion for a system kind (the register's row, where it has one, still wins)."""
        return self.acceptance_by_kind.get(kind or "", self.acceptance)


_MOST_BYTES = 256 * 2**10
_LONGEST_LINE = 4_096
"""Both far above what settings need; a line of a million dotted names would be read for hours."""


def read_settings(path: str | Path | None) -> Settings:
    """Read ``fleet.toml``.

    Parameters
    ----------
    path
        The file; ``None`` or a missing file gives the defaults.

    Raises
    ------
    SettingsError
        Not TOML, an unknown field, or a value out of bounds; names the field, the reason and the mend.
    """
    path = Path(path) if path is not None else None
    if path is None or not path.is_file():
        return Settings()
    try:
        with path.open("rb") as stream:
            content = stream.read(_MOST_BYTES + 1)
        if len(content) > _MOST_BYTES:
            raise SettingsError(f"{path.name}: larger than {_MOST_BYTES >> 10} KB, too large for settings")
        text = content.decode("utf-8-sig")
        if max(map(len, text.splitlines()), default=0) > _LONGEST_LINE:
            raise SettingsError(f"{path.name}: a line of more than {_LONGEST_LINE} characters; break it")
        raw = tomllib.loads(text)
    except SettingsError:
        raise
    except (ValueError, OSError) as error:
        raise SettingsError(f"{path.name}: cannot be read as TOML ({error}); correct that line") from None
    except RecursionError:
        raise SettingsError(f"{path.name}: cannot be read as TOML (brackets within brackets without end)") from None
    return settings_from_dict(raw, where=path.name)


def settings_from_dict(raw: dict[str, Any], where: str = "settings") -> Settings:
    """Make settings from the parsed content of ``fleet.toml``; see `read_settings`."""
    raw = dict(raw)
    acceptance = raw.get("acceptance")
    if isinstance(acceptance, dict):
        general = {k: v for k, v in acceptance.items() if not isinstance(v, dict)}
        by_kind = {k: {**general, **v} for k, v in acceptance.items() if isinstance(v, dict)}
        raw["acceptance"], raw["acceptance_by_kind"] = general, by_kind
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        faults = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        raise SettingsError(f"{where}: {faults}; correct or remove these fields") from None
