"""A scenario: who is ventilated, how, what happens, what the sensors make of it. Read from TOML, checked whole."""

from __future__ import annotations

import itertools
import tomllib
import unicodedata
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    Strict,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from tidebench.case import Airway, Circuit, Patient, Setting
from tidebench.case_errors import explain
from tidebench.entries import Within, plain_whole, refusal, toml_text
from tidebench.errors import CaseError, OptionError
from tidebench.simulation.machine import machine_values, merged
from tidebench.simulation.parameters import patient_tables
from tidebench.simulation.patient import Effort, Exchange, Leak, Lung, Sensors, Table, Ventilator
from tidebench.simulation.possible import refuse_impossible
from tidebench.simulation.protocol import Event, Manoeuvre, Procedure
from tidebench.simulation.setup import weight_kg

MOST_BYTES = 1 << 20
MOST_OUTPUT_GB = 4.0
UNSEEN = ("Cc", "Cs", "Zl", "Zp")
"""Categories of characters that steer a terminal, break a line or can't be written (Unicode Standard, 4.5)."""
TURNING = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
"""Characters that turn the order of those around them (Unicode Standard Annex 9)."""


def _one_line(text: str) -> str:
    """Text that a screen shows as it stands."""
    for char in text:
        if unicodedata.category(char) in UNSEEN or unicodedata.bidirectional(char) in TURNING:
            raise refusal(f"has the character U+{ord(char):04X}, which is not to be seen", "one line of plain text")
    return text


class Scenario(Table):
    """Everything that a simulation needs; ``who`` names a patient of the library, whose tables others amend."""

    title: Annotated[str, AfterValidator(_one_line)] = "a virtual patient"
    who: str | None = None
    seed: Annotated[int, BeforeValidator(plain_whole), Field(ge=0, strict=True)] = 1
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
    oesophageal: Annotated[bool, Strict()] = False
    capnogram: Annotated[bool, Strict()] = False

    @model_validator(mode="before")
    @classmethod
    def _somebody(cls, said: Any) -> Any:
        if isinstance(said, dict) and not {"lung", "settings"} <= said.keys():
            if "lung" in said:
                raise refusal("doesn't say how", "[[settings]] with a mode, such as A/C-VC")
            raise refusal(
                "doesn't say who is ventilated",
                'who = a name of `tidebench patients` (who = "copd"), or [[lung.compartments]] and [[settings]]',
            )
        return said

    @field_validator("settings", mode="before")
    @classmethod
    def _inherit(cls, rows: Any) -> Any:
        if isinstance(rows, dict):
            rows = [rows]
        if not isinstance(rows, (list, tuple)) or not all(isinstance(row, dict) for row in rows):
            return rows
        return merged(rows)

    @field_validator("manoeuvres", "events", "procedures", mode="before")
    @classmethod
    def _in_a_row(cls, rows: Any, info: ValidationInfo) -> Any:
        if isinstance(rows, dict):
            raise refusal("is one table", f"[[{info.field_name}]], in two brackets, before each")
        return rows

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if not self.settings or self.settings[0].at_s > 0:
            raise refusal("says nothing of the start", "a first [[settings]] with a mode, at_s = 0")
        self._somebody_breathes()
        self._in_time()
        self._procedures_apart()
        self._manoeuvres_apart()
        self._inflations_to_hold()
        self._can_be_held()
        return self

    def _somebody_breathes(self) -> None:
        first = self.settings[0]
        free = first.pattern in ("CSV", "CPAP")
        timed = not free and first.rate_per_min != 0  # a missing rate or mode has its own message
        wakes = any(event.kind == "sedation wearing off" for event in self.events)
        breathes = self.effort.rate_per_min > 0 or wakes
        backed = free and self.ventilator.backup_rate_per_min > 0
        if not (timed or first.bi_level or breathes or backed):
            raise refusal(
                "has rate_per_min 0, no effort and no back-up: nobody would breathe",
                "a rate, [effort] rate_per_min, or [ventilator] backup_rate_per_min (CSV only) above 0",
            )

    def _in_time(self) -> None:
        """Everything happens in order, and before the end."""
        starts = [setting.at_s for setting in self.settings]
        if any(later <= earlier for earlier, later in itertools.pairwise(starts)):
            raise refusal("has [[settings]] that don't follow each other", "each at_s above the one before")
        for name in ("settings", "manoeuvres", "events", "procedures"):
            late = [row.at_s for row in getattr(self, name) if row.at_s >= self.duration_s]
            if late:
                raise refusal(
                    f"ends at {self.duration_s:g} s, before [[{name}]] at {late[0]:g} s",
                    f"at_s below {self.duration_s:g}",
                )

    def _procedures_apart(self) -> None:
        """A procedure has the settings to itself until it puts them back."""
        plans = sorted(self.procedures, key=lambda plan: plan.at_s)
        busy = [plan.at_s for plan in plans] + [setting.at_s for setting in self.settings]
        for plan in plans:
            if any(plan.at_s < at < plan.ends_s for at in busy) or (busy.count(plan.at_s) > 1 and plan.at_s > 0):
                raise refusal(
                    f"changes settings within the {plan.kind} from {plan.at_s:g} to {plan.ends_s:g} s",
                    "procedures and [[settings]] that don't overlap",
                )
            highest, limit = plan.highest_cmh2o, self.ventilator.pressure_limit_cmh2o
            if highest >= limit:
                raise refusal(
                    f"has a {plan.kind} to {highest:g} cmH2O, and pressure_limit_cmh2o is {limit:g}",
                    f"levels below {limit:g} cmH2O, or a higher [ventilator] pressure_limit_cmh2o",
                )
            most = self.ventilator.highest_flow_l_min
            if plan.kind == "slow inflation" and plan.flow_l_min > most:
                raise refusal(
                    f"has a slow inflation at {plan.flow_l_min:g} L/min, and highest_flow_l_min is {most:g}",
                    f"flow_l_min of at most {most:g}, or a higher [ventilator] highest_flow_l_min",
                )
            if self.setting_at(plan.at_s).bi_level:
                raise refusal(f"has a {plan.kind} on two pressure levels", "a procedure in another mode")

    def _manoeuvres_apart(self) -> None:
        """One manoeuvre at the ventilator ends before the next begins; a cough is the patient's."""
        at_ventilator = sorted((m for m in self.manoeuvres if m.kind != "cough"), key=lambda m: m.at_s)
        for before, after in itertools.pairwise(at_ventilator):
            ends = before.at_s + before.lasts_s
            if after.at_s < ends:
                raise refusal(
                    f"has {after.kind} at {after.at_s:g} s, before the {before.kind} from {before.at_s:g} s has ended",
                    f"at_s from {ends:g} on, or a shorter duration_s",
                )

    def _inflations_to_hold(self) -> None:
        """An inspiratory hold needs an inflation whose end it prolongs."""
        for hold in self.manoeuvres:
            setting = self.setting_at(hold.at_s)
            if hold.kind == "inspiratory hold" and (setting.bi_level or setting.pattern == "CPAP"):
                raise refusal(
                    f"has an inspiratory hold at {hold.at_s:g} s in {setting.mode}, where no inflation can be held",
                    "another mode, or an expiratory hold",
                )

    def _can_be_held(self) -> None:
        """Signals and their time, as 8-byte numbers, within memory and disk."""
        columns = 3 + self.oesophageal + self.capnogram
        size = 8e-9 * self.duration_s * self.sampling_hz * columns
        if size > MOST_OUTPUT_GB:
            raise refusal(
                f"would give {size:.3g} GB of signals ({self.duration_s:g} s at {self.sampling_hz:g} per second)",
                f"at most {MOST_OUTPUT_GB:g} GB",
                "Shorten duration_s or lower sampling_hz.",
            )

    def setting_at(self, time_s: float) -> Setting:
        """What is set at a time, procedures left out."""
        return next(row for row in reversed(self.settings) if row.at_s <= time_s)


def no_scenario(given: object) -> OptionError:
    """What is said to whoever gives something that can't be one."""
    return OptionError(
        f"{type(given).__name__} is no scenario", where="scenario",
        expected='a Scenario, its tables such as {"who": "copd"}, or the path of its TOML file',
    )  # fmt: skip


def load_scenario(path: Path | str) -> Scenario:
    """The scenario that a TOML file describes.

    Raises
    ------
    CaseError
        No such file, not TOML, an unknown key, a value that can't be, settings that contradict each other.
    OptionError
        Something else than a path.
    """
    if not isinstance(path, (str, Path)):
        raise no_scenario(path)
    path = Path(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise CaseError("the file is larger than 1 MiB", where=path.name)
        said = tomllib.loads(toml_text(path.read_bytes()))
    except OSError as error:
        raise CaseError(f"can't be read: {error.strerror}", where=str(path), expected="a scenario in TOML") from None
    except RecursionError:
        raise CaseError("arrays are nested too deep", where=path.name, expected="a scenario in TOML") from None
    except tomllib.TOMLDecodeError as error:
        raise CaseError(f"this is not TOML: {str(error).rstrip('.')}", where=path.name) from None
    return scenario_from(said, name=path.name)


def scenario_from(said: Mapping[str, Any], *, name: str = "scenario") -> Scenario:
    """The scenario that tables describe; a library patient's tables stand behind those given.

    Raises
    ------
    CaseError
        As :func:`load_scenario`.
    OptionError
        Something else than tables.
    """
    if not isinstance(said, Mapping):
        raise no_scenario(said)
    whole = dict(said)
    if "who" in said and not isinstance(said["who"], str):
        raise CaseError(
            f"is {said['who']!r}", where=f"{name}: who", expected="a name of `tidebench patients` in quotes"
        )
    if "who" in said:
        library = patient_tables(said["who"], f"{name}: who")
        for table, values in library.items():
            given = said.get(table, values)
            amends = isinstance(given, dict) and isinstance(values, dict)
            whole[table] = {**values, **given} if amends else given
        whole["settings"] = _amended(whole["settings"], library["settings"])
    try:
        scenario = Scenario.model_validate(whole)
    except ValidationError as error:
        raise explain(error, whole, Scenario, name) from None
    for k, setting in enumerate(scenario.settings):
        machine_values(setting, scenario.ventilator, weight_kg(scenario), f"{name}: [[settings]] no. {k + 1}")
    refuse_impossible(scenario, name)
    return scenario


def scenario_of(given: Scenario | Mapping[str, Any] | Path | str, *, name: str = "scenario") -> Scenario:
    """A scenario, or what its tables or its TOML file describe; ``name`` is what messages call the tables.

    Raises
    ------
    CaseError
        As :func:`load_scenario`.
    OptionError
        Something else.
    """
    if isinstance(given, Scenario):
        return given
    return scenario_from(given, name=name) if isinstance(given, Mapping) else load_scenario(given)


def _amended(given: Any, library: list[dict[str, Any]]) -> Any:
    """Settings of which the first has no mode: they change those of the library's patient."""
    rows = [given] if isinstance(given, dict) else given
    if not isinstance(rows, (list, tuple)) or not rows or not all(isinstance(row, dict) for row in rows):
        return given
    if rows is library or "mode" in rows[0]:
        return given
    together = list(merged([*library, *rows]))
    later = rows[0].get("at_s", 0.0) != 0
    return together if later else together[len(library) :]
