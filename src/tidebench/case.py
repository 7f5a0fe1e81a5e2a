"""What is known of a case besides its signals: the models of ``case.toml``, and its loading.

Every model is frozen and refuses unknown keys. An absent table is an empty object, an absent value None.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping
from datetime import datetime
from functools import cached_property
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

import polars as pl
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    StrictBool,
    ValidationError,
    create_model,
    field_validator,
    model_validator,
)

from tidebench.case_errors import STAMP_EXPECTED, explain
from tidebench.entries import Within, refusal, toml_text
from tidebench.errors import CaseError
from tidebench.mode import Mode, parse_mode
from tidebench.quantities import QUANTITIES
from tidebench.records import BREATH_COLUMNS

CASE_FILE = "case.toml"
MOST_BYTES = 1 << 20
INSTANTS = ("start_s", "expiration_s", "end_s")

Seconds = Annotated[float, Within(0, 1e8, "s")]
Pressure = Annotated[float, Within(0, 120, "cmH2O", {"Pa": 1 / 98.0665})]
Rate = Annotated[float, Within(0, 200, "per minute")]
SetRate = Annotated[float, Within(0, 150, "per minute")]
Saturation = Annotated[float, Within(0, 1, "as a fraction", {"per cent": 0.01, "tens of per cent": 0.1}, likely=0.1)]
InspiredOxygen = Annotated[float, Within(0.21, 1, "as a fraction", {"per cent": 0.01})]
InspiratoryTime = Annotated[float, Within(0.1, 60, "s", {"milliseconds": 0.001})]
MillilitreVolume = Annotated[float, Within(1, 4000, "mL", {"litres": 1000})]
FlowPerMinute = Annotated[float, Within(0.2, 300, "L/min", {"millilitres per second": 0.06})]
MMHG_PER_KPA = 7.50062
GAS_KPA = {"paco2": (1.34, 20.0), "pao2": (1.34, 40.0)}
"""A gas tension above that, under a key in kPa, may have been typed in mmHg; what is truly as high can be given so.

PaO2 is taken up to :data:`PURE_OXYGEN_KPA` where the gas's own FiO2 can bring it.
"""
PURE_OXYGEN_KPA = 88.0
"""What pure oxygen brings at sea level, about: 760 − 47 − 1.2·40 mmHg."""
HIGHEST_MMHG = {"paco2": 300.0, "pao2": 800.0}
CarbonTension = Annotated[float, Within(10, HIGHEST_MMHG["paco2"], "mmHg", {"kPa": 7.50062})]
"""Children have lived through 155 to 269 mmHg (Goldstein, Crit Care Med 1990;18:166, from memory)."""
OxygenTension = Annotated[float, Within(10, HIGHEST_MMHG["pao2"], "mmHg", {"kPa": 7.50062})]
Barometer = Annotated[float, Within(250, 850, "mmHg", {"kPa": 7.50062, "hPa or mbar": 0.750062})]


Lungs = Literal["healthy lungs", "ARDS", "obstructive", "neuromuscular", "raised intracranial pressure", "preterm RDS"]
"""What is known of the lungs, or of what rules their ventilation. Nobody but a person says so."""


def _ratio(value: Any) -> Any:
    """A ratio typed as ``"1:2"`` as a number."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", value) if isinstance(value, str) else None
    return float(match[1]) / float(match[2]) if match and float(match[2]) else value


def _stamp(value: Any) -> Any:
    if isinstance(value, (str, datetime)):
        return value
    raise refusal(f"is {value}", STAMP_EXPECTED)


Ratio = BeforeValidator(_ratio)
Stamp = Annotated[datetime, BeforeValidator(_stamp)]


def _tables(value: Any) -> Any:
    """One table stands for a list of one."""
    return (value,) if isinstance(value, dict) else value


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


def _one_of(table: _Table, *keys: str) -> None:
    given = [key for key in keys if getattr(table, key) is not None]
    if len(given) > 1:
        raise refusal(f"has both {' and '.join(given)}", "one of them")


class Patient(_Table):
    """Who is ventilated; nothing that identifies anyone."""

    sex: Literal["female", "male"] | None = None
    age_years: Annotated[float, Within(0, 120, "years")] | None = None
    age_days: Annotated[float, Within(0, 10000, "days")] | None = None
    gestational_age_weeks: Annotated[float, Within(20, 45, "weeks", {"days": 1 / 7})] | None = None
    height_cm: Annotated[float, Within(20, 250, "cm", {"metres": 100, "millimetres": 0.1})] | None = None
    length_cm: Annotated[float, Within(20, 150, "cm", {"metres": 100, "millimetres": 0.1})] | None = None
    height_method: Literal["measured", "tape", "by eye"] | None = None
    weight_kg: Annotated[float, Within(0.2, 400, "kg", {"grams": 0.001})] | None = None

    @model_validator(mode="after")
    def _either(self) -> Self:
        _one_of(self, "age_years", "age_days")
        _one_of(self, "height_cm", "length_cm")
        return self


class Airway(_Table):
    """What joins the patient to the circuit."""

    interface: (
        Literal[
            "endotracheal tube",
            "tracheostomy tube",
            "mask",
            "nasal mask",
            "helmet",
            "nasal prongs",
            "high-flow cannula",
            "none",
        ]
        | None
    ) = None
    tube_inner_diameter_mm: Annotated[float, Within(1.5, 12, "mm", {"centimetres": 10, "French": 1 / 3})] | None = None
    tube_length_cm: Annotated[float, Within(3, 50, "cm", {"millimetres": 0.1})] | None = None
    cuff: Literal["inflated", "partly inflated", "deflated", "none"] | None = None


class Circuit(_Table):
    """Tubing between ventilator and airway."""

    compliance_ml_cmh2o: Annotated[float, Within(0, 10, "mL/cmH2O")] | None = None
    volume_compensated: StrictBool = False
    humidification: Literal["heated humidifier", "heat and moisture exchanger", "none"] | None = None
    dead_space_ml: Annotated[float, Within(0, 500, "mL")] | None = None
    limb: Literal["double", "single"] | None = None
    intentional_leak: StrictBool = False
    base_flow_l_min: Annotated[float, Within(0, 120, "L/min")] | None = None


class RecordingFile(_Table):
    """A file of signals, and how its numbers were measured. ``file`` is None only where the case names no recording.

    ``uncertainty`` is a file that says how far its samples may be off, as `tidebench picture` writes it.
    """

    file: str | None = None
    uncertainty: str | None = None
    start: Stamp | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    flow_measured_at: Literal["wye", "ventilator", "tube"] = "wye"
    pressure_measured_at: Literal["wye", "ventilator", "tube"] = "wye"
    flow_conditions: Literal["BTPS", "ATPD", "ATPS", "STPD"] = "BTPS"
    temperature_c: Annotated[float, Within(0, 50, "°C")] = 22.0
    barometric_pressure_mmhg: Barometer = 760.0
    gas: Literal["air/oxygen", "heliox"] = "air/oxygen"

    @field_validator("file", "uncertainty")
    @classmethod
    def _inside(cls, file: str | None) -> str | None:
        if file is None:
            return None
        path = PureWindowsPath(file)
        if not file.isprintable() or not path.name or path.anchor or ".." in path.parts:
            raise refusal(f"is {file!r}", "a file inside the case folder, such as signals.csv")
        return path.as_posix()

    @property
    def heliox(self) -> bool:
        """True where a light gas was breathed: no correction of flow and none for a tube then applies."""
        return self.gas == "heliox"


_AGREE_CMH2O = 0.05
_CLOCKED = ("CMV", "IMV", "A/C")
_PRESSURE_SET = {("PC", None), ("PC", "PS"), ("PC", "vtPS"), (None, "PS")}


def _mode_code(mode: str) -> str:
    try:
        return parse_mode(mode).code
    except ValueError as error:
        expected = "a code of pattern and inflation type, such as A/C-VC, A/C-PC, SIMV-VC\\PS, CSV-PS, A/C-vtPC"
        raise refusal(f"is {mode!r}", expected, str(error)) from None


ModeCode = Annotated[str, AfterValidator(_mode_code)]
"""Pattern and inflation type, in the code's usual spelling."""


class Setting(_Table):
    """What was set on the ventilator from ``at_s`` on. Set values: they never stand for measured ones.

    Pressures may be given above PEEP or absolute; where both can be told, both are filled in.
    """

    at_s: Seconds = 0.0
    mode: ModeCode | None = None
    peep_cmh2o: Annotated[float, Within(0, 60, "cmH2O")] | None = None
    fio2: InspiredOxygen | None = None
    rate_per_min: SetRate | None = None
    tidal_volume_ml: MillilitreVolume | None = None
    inspiratory_flow_l_min: FlowPerMinute | None = None
    flow_pattern: Literal["constant", "decelerating", "sine"] | None = None
    pause_s: Annotated[float, Within(0, 10, "s", {"milliseconds": 0.001})] | None = None
    pressure_control_cmh2o: Pressure | None = None
    pressure_support_cmh2o: Pressure | None = None
    inspiratory_pressure_cmh2o: Pressure | None = None
    inspiratory_time_s: InspiratoryTime | None = None
    rise_s: Annotated[float, Within(0, 3, "s", {"milliseconds": 0.001})] | None = None
    cycling_percent: Annotated[float, Within(1, 100, "% of peak flow", {"fractions": 100})] | None = None
    trigger_flow_l_min: Annotated[float, Within(0.05, 30, "L/min")] | None = None
    trigger_pressure_cmh2o: Annotated[float, Within(-25, 25, "cmH2O below PEEP"), AfterValidator(abs)] | None = None
    pressure_high_cmh2o: Pressure | None = None
    pressure_low_cmh2o: Annotated[float, Within(0, 60, "cmH2O")] | None = None
    time_high_s: InspiratoryTime | None = None
    time_low_s: InspiratoryTime | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        _one_of(self, "trigger_flow_l_min", "trigger_pressure_cmh2o")
        self._refuse_no_clock()
        self._complete_levels()
        self._complete_pressures()
        return self

    def _refuse_no_clock(self) -> None:
        """At rate 0 nothing starts mandatory breaths, unless the patient may or two times do."""
        triggered = self.pattern == "A/C" and (self.trigger_flow_l_min or self.trigger_pressure_cmh2o)
        timed = self.time_high_s is not None and self.time_low_s is not None
        if self.rate_per_min != 0 or self.pattern not in _CLOCKED or triggered or timed:
            return
        trigger = ", or the trigger that starts breaths" if self.pattern == "A/C" else ""
        raise refusal(
            f"has rate_per_min 0 in {self.mode}, where mandatory breaths need a clock",
            "rate_per_min above 0, up to 150 per minute",
            f"Give the rate{trigger}; leave the key out where it is not known.",
        )

    def _complete_levels(self) -> None:
        """Of two levels, the low one is the PEEP."""
        if not self.bi_level:
            return
        self._fill("pressure_low_cmh2o", self.peep_cmh2o)
        self._fill("peep_cmh2o", self.pressure_low_cmh2o)
        high, low = self.pressure_high_cmh2o, self.pressure_low_cmh2o
        if high is not None and low is not None and high <= low:
            raise refusal(
                f"has pressure_high_cmh2o {high:g} not above pressure_low_cmh2o {low:g}",
                f"pressure_high_cmh2o above {low:g}, both absolute", "For instance 20 and 5; the low one is the PEEP.",
            )  # fmt: skip

    def _complete_pressures(self) -> None:
        """An absolute inspiratory pressure beside the one above PEEP, and the other way round."""
        key = "pressure_control_cmh2o" if self.mandatory_type == "PC" else "pressure_support_cmh2o"
        if self.peep_cmh2o is None or (self.mandatory_type, self.support_type) not in _PRESSURE_SET:
            return
        above, absolute = getattr(self, key), self.inspiratory_pressure_cmh2o
        if above is not None:
            self._fill("inspiratory_pressure_cmh2o", self.peep_cmh2o + above)
        elif absolute is not None:
            if absolute < self.peep_cmh2o:
                raise refusal(
                    f"has inspiratory_pressure_cmh2o {absolute:g}, absolute, below peep_cmh2o", "both absolute"
                )
            self._fill(key, absolute - self.peep_cmh2o)

    def _fill(self, key: str, value: float | None) -> None:
        """Give an absent key its value; a present one has to agree."""
        given = getattr(self, key)
        if value is None or given is None:
            self.__dict__[key] = value if given is None else given
        elif abs(given - value) > _AGREE_CMH2O:
            raise refusal(f"has {key} {given:g}, and its other pressures make it {value:g}", "pressures that agree")

    @cached_property
    def parsed_mode(self) -> Mode | None:
        """The mode code taken apart; None where no mode is given."""
        return parse_mode(self.mode) if self.mode else None

    @property
    def pattern(self) -> str | None:
        """Ventilation pattern, such as ``"A/C"``."""
        return self.parsed_mode.pattern if self.parsed_mode else None

    @property
    def mandatory_type(self) -> str | None:
        """Inflation type of mandatory breaths, such as ``"VC"``; None without them, or without a mode."""
        return self.parsed_mode.mandatory if self.parsed_mode else None

    @property
    def support_type(self) -> str | None:
        """Inflation type of supported breaths: ``"PS"`` or ``"vtPS"``; None without them, or without a mode."""
        return self.parsed_mode.support if self.parsed_mode else None

    @property
    def bi_level(self) -> bool:
        """True where two pressure levels are set."""
        return self.pressure_high_cmh2o is not None or self.time_high_s is not None


def _in_mmhg(key: str, value: float, fio2: object) -> float:
    """A gas tension in kPa as mmHg; refused where it may have been typed in mmHg, with every way to write it."""
    bounds = Within(*GAS_KPA[key], "kPa", {"mmHg": 1 / MMHG_PER_KPA})
    stated = float(fio2) if isinstance(fio2, int | float) and 0.0 < fio2 <= 1.0 else None
    reach = PURE_OXYGEN_KPA * (1.0 if stated is None else stated)
    brought = key == "pao2" and stated is not None and value <= reach
    if bounds.low <= value <= bounds.high or brought:
        return round(MMHG_PER_KPA * value, 3)
    ways = [f"Is that in mmHg? Then write {key}_mmhg = {value:g}."] if bounds.slip(value) is not None else []
    if value > bounds.high and (value <= reach if key == "pao2" else MMHG_PER_KPA * value <= HIGHEST_MMHG[key]):
        ways.append(f"If it is in kPa, write {key}_mmhg = {MMHG_PER_KPA * value:.4g}.")
    raise refusal(f"has {key}_kpa {value:g}", f"{bounds.low:g} to {bounds.high:g} kPa", " ".join(ways))


class BloodGas(_Table):
    """A blood gas, where it was drawn and what was breathed then."""

    at_s: Seconds | None = None
    time: Stamp | None = None
    site: Literal["arterial", "capillary", "venous"] | None = None
    fio2: InspiredOxygen | None = None
    ph: Annotated[float, Within(6.5, 8)] | None = None
    paco2_mmhg: CarbonTension | None = None
    pao2_mmhg: OxygenTension | None = None
    hco3_mmol_l: Annotated[float, Within(1, 80, "mmol/L")] | None = None
    sao2: Saturation | None = None
    haemoglobin_g_dl: Annotated[float, Within(1, 28, "g/dL", {"g/L": 0.1, "mmol/L": 1.611})] | None = None

    @model_validator(mode="before")
    @classmethod
    def _in_kilopascals(cls, said: Any) -> Any:
        """Tensions typed in kPa, ``paco2_kpa`` and ``pao2_kpa``, under the keys in mmHg."""
        if not isinstance(said, dict):
            return said
        told = dict(said)
        for key in ("paco2", "pao2"):
            if (value := told.pop(f"{key}_kpa", None)) is None:
                continue
            if f"{key}_mmhg" in told:
                raise refusal(f"has both {key}_kpa and {key}_mmhg", "one of them")
            if isinstance(value, bool) or not isinstance(value, (int, float)):
                raise refusal(f"has {key}_kpa {value!r}", "a number, without quotes")
            told[f"{key}_mmhg"] = _in_mmhg(key, float(value), told.get("fio2"))
        return told

    @model_validator(mode="after")
    def _either(self) -> Self:
        _one_of(self, "at_s", "time")
        return self


class Event(_Table):
    """A line of the event log."""

    at_s: Seconds
    kind: str
    priority: Literal["high", "medium", "low", "information"] | None = None
    text: str | None = None


def _breath_field(key: str) -> Any:
    known = QUANTITIES.get(key)
    low, high = known.plausible if known else (-1e5, 1e5)
    return (Annotated[float, Within(low, high, known.unit if known else "")] | None, None)


if TYPE_CHECKING:

    class _BreathKeys(_Table):
        """The numeric columns of the breath table, each a number or None."""

else:
    _BreathKeys = create_model(
        "_BreathKeys",
        __base__=_Table,
        **{
            key: _breath_field(key)
            for key, kind in BREATH_COLUMNS.items()
            if kind == pl.Float64 and key not in INSTANTS
        },
    )


class Observed(_BreathKeys):
    """Numbers noted from a screen or at the bed: breath-table keys and a few more. Kept apart from measured ones."""

    at_s: Seconds = 0.0
    minute_volume_l_min: Annotated[float, Within(0, 100, "L/min")] | None = None
    spontaneous_rate_per_min: Rate | None = None
    spontaneous_volume_ml: MillilitreVolume | None = None
    ie_ratio: Annotated[Annotated[float, Within(0.01, 20, "inspiratory by expiratory time")] | None, Ratio] = None
    rapid_shallow_index: Annotated[float, Within(1, 1000, "breaths/min/L")] | None = None
    spo2: Saturation | None = None
    etco2_mmhg: Annotated[float, Within(2, 150, "mmHg")] | None = None
    heart_rate_per_min: Annotated[float, Within(0, 350, "per minute")] | None = None
    systolic_mmhg: Annotated[float, Within(20, 350, "mmHg", {"kPa": 7.50062})] | None = None
    diastolic_mmhg: Annotated[float, Within(10, 250, "mmHg", {"kPa": 7.50062})] | None = None
    max_inspiratory_pressure_cmh2o: Annotated[float, Within(-200, 200, "cmH2O")] | None = None
    p01_cmh2o: Annotated[float, Within(-30, 30, "cmH2O")] | None = None
    cuff_pressure_cmh2o: Annotated[float, Within(0, 150, "cmH2O")] | None = None
    sedation: Annotated[float, Within(-20, 100)] | str | None = None
    position: str | None = None
    failed_breathing_trials: Annotated[int, Field(ge=0, le=50, strict=True)] | None = None

    @property
    def numbers(self) -> dict[str, float]:
        """The numbers that were noted, by key, ``at_s`` left out."""
        given = self.model_dump(exclude={"at_s"}, exclude_none=True)
        return {key: value for key, value in given.items() if not isinstance(value, str)}


def _by(codes: Mapping[str, Any], row: Any) -> Any:
    """A row of settings with its mode's code where the dictionary has its name."""
    if not isinstance(row, dict) or not isinstance(row.get("mode"), str):
        return row
    return row | {"mode": codes.get(row["mode"].strip().casefold(), row["mode"])}


class Case(_Table):
    """A case: all of ``case.toml``. ``condition`` is what is known of the lungs; nobody but a person says so.

    ``modes`` is a house's dictionary: its own name of a mode, and the code of pattern and inflation type that it means.
    """

    title: str = ""
    notes: str = ""
    modes: dict[str, ModeCode] | None = None
    condition: Lungs | None = None
    patient: Patient = Patient()
    airway: Airway = Airway()
    circuit: Circuit = Circuit()
    recordings: Annotated[tuple[RecordingFile, ...], BeforeValidator(_tables)] = Field(default=(), alias="recording")
    settings: Annotated[tuple[Setting, ...], BeforeValidator(_tables)] = ()
    blood_gases: Annotated[tuple[BloodGas, ...], BeforeValidator(_tables)] = ()
    events: Annotated[tuple[Event, ...], BeforeValidator(_tables)] = ()
    observed: Annotated[tuple[Observed, ...], BeforeValidator(_tables)] = ()

    _folder: Path = PrivateAttr(default=Path())

    @model_validator(mode="before")
    @classmethod
    def _translated(cls, said: Any) -> Any:
        """Modes of settings by the house's dictionary; case and spaces around a name don't matter."""
        if not isinstance(said, dict) or not isinstance(said.get("modes"), dict):
            return said
        codes = {str(name).strip().casefold(): code for name, code in said["modes"].items()}
        rows = said.get("settings", [])
        rows = [rows] if isinstance(rows, dict) else rows
        if not isinstance(rows, list):
            return said
        return said | {"settings": [_by(codes, row) for row in rows]}

    @field_validator("settings", "events", "observed")
    @classmethod
    def _in_order(cls, rows: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(sorted(rows, key=lambda row: row.at_s))

    @field_validator("recordings")
    @classmethod
    def _one_stay(cls, parts: tuple[RecordingFile, ...]) -> tuple[RecordingFile, ...]:
        """Recordings of one stay were measured in one way, since what follows knows one."""
        for number, part in enumerate(parts, start=1):
            if part.file is None:
                raise refusal(f"no. {number} has no file", 'file = "signals.csv"')
            for key in ("flow_measured_at", "pressure_measured_at", "gas"):
                if getattr(part, key) != getattr(parts[0], key):
                    raise refusal(f"no. {number} differs from the first in {key}", "one for all of a stay")
        return parts

    @property
    def folder(self) -> Path:
        """Where ``case.toml`` lies; recordings lie inside it."""
        return self._folder

    def path_of(self, part: RecordingFile, key: Literal["file", "uncertainty"] = "file") -> Path:
        """Where a recording's file lies, or the one of its uncertainty.

        Raises
        ------
        CaseError
            A link leads out of the case folder, or nowhere.
        """
        file, where = getattr(part, key), f"{CASE_FILE}: [recording], {key}"
        path = self.folder / str(file)
        try:
            inside = path.resolve().is_relative_to(self.folder.resolve())
        except (OSError, RuntimeError) as error:  # RuntimeError: links that go round, before Python 3.13
            raise CaseError(
                f"{file!r} can't be followed ({error})", where=where, remedy="Put the file itself there."
            ) from error
        if not inside:
            raise CaseError(f"{file!r} leads out of the case folder", where=where)
        return path

    @property
    def recording(self) -> RecordingFile:
        """The first recording; an empty one where the case names none."""
        return self.recordings[0] if self.recordings else RecordingFile()

    @property
    def case_hash(self) -> str:
        """Hash of everything the case says: the same statements have the same hash, in whatever order and layout."""
        said = self.model_dump(mode="json", exclude_none=True)
        return hashlib.blake2b(json.dumps(said, sort_keys=True).encode(), digest_size=16).hexdigest()

    def setting_at(self, time_s: float) -> Setting | None:
        """What was set at a time on the case clock; None before the first setting."""
        return next((setting for setting in reversed(self.settings) if setting.at_s <= time_s), None)

    def drawn_at_s(self, gas: BloodGas) -> float | None:
        """When a gas was drawn, on the case clock; None where its time can't be joined to it."""
        start = self.recording.start
        if gas.at_s is not None or gas.time is None or start is None:
            return gas.at_s
        if (gas.time.tzinfo is None) != (start.tzinfo is None):
            return None
        return (gas.time - start).total_seconds()


def load_case(path: Path | str) -> Case:
    """The case that a folder or a case file describes; its signals are not read here.

    Raises
    ------
    CaseError
        No such file, one that can't be read, not TOML, larger than 1 MiB, an unknown key, a value that can't be, a
        recording that lies outside the folder.
    """
    path = Path(path)
    try:
        file = path / CASE_FILE if path.is_dir() else path
        said = _toml(file)
    except OSError as error:
        raise CaseError(
            f"this can't be read ({error.strerror or error})",
            where=str(error.filename or path),
            remedy="Check that it is there and that you may read it.",
        ) from error
    return case_from(said, folder=file.parent, name=file.name)


def case_from(said: Mapping[str, Any], *, folder: Path | str = ".", name: str = CASE_FILE) -> Case:
    """The case that tables and keys describe, wherever they come from: a file, a form, answers at a prompt.

    Parameters
    ----------
    said : mapping
        Tables and keys as in ``case.toml``.
    folder : path
        Where recordings lie.
    name : str
        What messages call the place that this came from.

    Raises
    ------
    CaseError
        As :func:`load_case`.
    """
    try:
        case = Case.model_validate(said)
    except ValidationError as error:
        raise explain(error, said, Case, name) from None
    case._folder = Path(folder)
    for part in case.recordings:
        case.path_of(part)
    return case


def _toml(file: Path) -> dict[str, Any]:
    if not file.is_file():
        problem = "this is not an ordinary file" if file.exists() else "there is no such file"
        raise CaseError(problem, where=str(file), expected=f"a case folder or a {CASE_FILE}")
    if file.stat().st_size > MOST_BYTES:
        raise CaseError(
            "the file is larger than 1 MiB", where=file.name, remedy="Signals belong in a file of their own."
        )
    try:
        return tomllib.loads(toml_text(file.read_bytes()))
    except tomllib.TOMLDecodeError as error:
        slash = "Write a mode's backslash in single quotes: 'SIMV-VC\\PS'." if "\\" in str(error) else ""
        raise CaseError(f"this is not TOML: {str(error).rstrip('.')}", where=file.name, remedy=slash) from None
