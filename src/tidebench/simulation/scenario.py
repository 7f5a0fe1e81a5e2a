"""A scenario: who is ventilated, how, what happens, what the sensors make of it. Read from TOML, checked whole."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import Field, ValidationError, field_validator, model_validator

from tidebench.case import Airway, Circuit, Patient, Setting
from tidebench.case_errors import explain
from tidebench.entries import Within, refusal
from tidebench.errors import CaseError
from tidebench.simulation.machine import machine_values, merged
from tidebench.simulation.parameters import patient_tables
from tidebench.simulation.patient import Effort, Exchange, Leak, Lung, Sensors, Table, Ventilator
from tidebench.simulation.protocol import Event, Manoeuvre, Procedure

MOST_BYTES = 1 << 20


class Scenario(Table):
    """Everything that a simulation needs; ``who`` names a patient of the library, whose tables others amend."""

    title: str = "a virtual patient"
    who: str | None = None
    seed: Annotated[int, Field(ge=0)] = 1
    duration_s: Annotated[float, Within(1, 1e6, "s")] = 120.0
    sampling_hz: Annotated[float, Within(10, 1000, "per second")] = 100.0
    step_ms: Annotated[float, Within(0.01, 1, "ms")] = 1.0
    patient: Patient = Field(default_factory=Patient)
    airway: Airway = Field(default_factory=Airway)
    circuit: Circuit = Field(default_factory=Circuit)
    lung: Lung
    leak: Leak = Field(default_factory=Leak)
    effort: Effort = Field(default_factory=Effort)
    exchange: Exchange = Field(default_factory=Exchange)
    ventilator: Ventilator = Field(default_factory=Ventilator)
    sensors: Sensors = Field(default_factory=Sensors)
    settings: tuple[Setting, ...]
    manoeuvres: tuple[Manoeuvre, ...] = ()
    events: tuple[Event, ...] = ()
    procedures: tuple[Procedure, ...] = ()
    oesophageal: bool = False
    capnogram: bool = False

    @field_validator("settings", mode="before")
    @classmethod
    def _inherit(cls, rows: Any) -> Any:
        if isinstance(rows, dict):
            rows = [rows]
        if not isinstance(rows, (list, tuple)) or not all(isinstance(row, dict) for row in rows):
            return rows
        return tuple(merged(tuple(rows)))

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if not self.settings:
            raise refusal("has no settings", "at least one [[settings]] with a mode")
        first = self.settings[0]
        never = (first.rate_per_min or 0) == 0 and not first.bi_level
        silent = self.effort.rate_per_min == 0 and not self.effort.entrained_every
        if never and silent and self.ventilator.backup_rate_per_min == 0:
            raise refusal(
                "has rate_per_min 0, no effort and no back-up: nobody would breathe",
                "a rate, [effort] rate_per_min, or [ventilator] backup_rate_per_min above 0",
            )
        return self


def load_scenario(path: Path | str) -> Scenario:
    """The scenario that a TOML file describes.

    Raises
    ------
    CaseError
        No such file, not TOML, an unknown key, a value that can't be, settings that contradict each other.
    """
    path = Path(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise CaseError("the file is larger than 1 MiB", where=path.name)
        said = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise CaseError(f"can't be read: {error.strerror}", where=str(path), expected="a scenario in TOML") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CaseError(f"this is not TOML: {str(error).rstrip('.')}", where=path.name) from None
    return scenario_from(said, name=path.name)


def scenario_from(said: Mapping[str, Any], *, name: str = "scenario") -> Scenario:
    """The scenario that tables describe; a library patient's tables stand behind those given.

    Raises
    ------
    CaseError
        As :func:`load_scenario`.
    """
    whole = dict(said)
    if isinstance(said.get("who"), str):
        for table, values in patient_tables(said["who"]).items():
            given = said.get(table, values)
            amends = isinstance(given, dict) and isinstance(values, dict)
            whole[table] = {**values, **given} if amends else given
    try:
        scenario = Scenario.model_validate(whole)
    except ValidationError as error:
        raise explain(error, whole, Scenario, name) from None
    for k, setting in enumerate(scenario.settings):
        machine_values(setting, scenario.ventilator, f"{name}: [[settings]] no. {k + 1}")
    return scenario
