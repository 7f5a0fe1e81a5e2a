"""What a person writes to have a set-up prepared: the patient file, a case with a few tables more."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PrivateAttr, ValidationError

from tidebench.case import MOST_BYTES, Case, InspiredOxygen
from tidebench.case_errors import explain
from tidebench.entries import Within, toml_text
from tidebench.errors import CaseError

MOST_ENTRIES = 100

Volume = Annotated[float, Within(0, 500, "mL", {"litres": 1000})]
TestPressure = Annotated[float, Within(1, 120, "cmH2O")]
Flow = Annotated[float, Within(0, 120, "L/min")]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Mechanics(_Table):
    """``[lungs]``: what is known of them already, or what the patient needs now."""

    compliance_ml_cmh2o: Annotated[float, Within(0.1, 200, "mL/cmH2O", {"litres per cmH2O": 1000})] | None = None
    resistance_cmh2o_s_l: Annotated[float, Within(1, 500, "cmH2O·s/L")] | None = None
    fio2: InspiredOxygen | None = None


class Tube(_Table):
    """``[tube]``: which way it goes, and the distance from nose to tragus."""

    route: Literal["oral", "nasal"] = "oral"
    nasal_tragus_cm: Annotated[float, Within(3, 12, "cm", {"millimetres": 0.1})] | None = None


class DeadSpace(_Table):
    """``[dead_space]``: what stands between the wye and the patient, each part by its maker's word."""

    filter_ml: Volume = 0.0
    heat_and_moisture_exchanger_ml: Volume = 0.0
    mount_ml: Volume = 0.0
    flow_sensor_ml: Volume = 0.0
    co2_adapter_ml: Volume = 0.0
    other_ml: Volume = 0.0


class CircuitCheck(_Table):
    """``[circuit_check]``: the breathing system closed at the patient's end and put under pressure."""

    size: Literal["adult", "child", "newborn"] | None = None
    file: str | None = None
    volume_ml: Annotated[float, Within(1, 5000, "mL", {"litres": 1000})] | None = None
    start_cmh2o: Annotated[float, Within(0, 120, "cmH2O")] = 0.0
    pressure_cmh2o: TestPressure | None = None
    later_pressure_cmh2o: TestPressure | None = None
    seconds: Annotated[float, Within(0.5, 600, "s")] | None = None
    leak_ml_min: Annotated[float, Within(0, 20000, "mL/min", {"litres per minute": 1000})] | None = None
    compliance_ml_cmh2o: Annotated[float, Within(0.02, 20, "mL/cmH2O")] | None = None
    inflation_pressure_cmh2o: Annotated[float, Within(1, 100, "cmH2O above PEEP")] | None = None


class FlowSensor(_Table):
    """``[flow_sensor]``: strokes of a syringe, and what is shown when nothing flows."""

    syringe_ml: Annotated[float, Within(1, 7000, "mL", {"litres": 1000})]
    strokes_ml: Annotated[tuple[Annotated[float, Within(0.1, 10000, "mL")], ...], Field(max_length=MOST_ENTRIES)]
    zero_l_min: Annotated[float, Within(-60, 60, "L/min")] | None = None
    shown_as: Literal["BTPS", "ATPD", "ATPS", "STPD"] = "BTPS"
    temperature_c: Annotated[float, Within(0, 50, "°C")] = 22.0
    barometric_pressure_mmhg: Annotated[float, Within(250, 850, "mmHg", {"kPa": 7.50062})] = 760.0


class PressureSensor(_Table):
    """``[pressure_sensor]``: readings at known pressures."""

    reference_cmh2o: Annotated[tuple[Annotated[float, Within(-50, 150, "cmH2O")], ...], Field(max_length=MOST_ENTRIES)]
    shown_cmh2o: Annotated[tuple[Annotated[float, Within(-50, 150, "cmH2O")], ...], Field(max_length=MOST_ENTRIES)]


class Cylinder(_Table):
    """``[[oxygen.cylinders]]``: water capacity and bar, or a United States size and psi."""

    water_capacity_l: Annotated[float, Within(0.2, 100, "L")] | None = None
    pressure_bar: Annotated[float, Within(0, 310, "bar", {"psi": 0.0689476, "kPa": 0.01})] | None = None
    size: Literal["D", "E", "M", "G", "H", "K"] | None = None
    pressure_psi: Annotated[float, Within(0, 3500, "psi")] | None = None
    count: Annotated[int, Field(ge=1, le=50, strict=True)] = 1


class Oxygen(_Table):
    """``[oxygen]``: what there is, and what draws on it; a flow that is left out gives a range."""

    fio2: InspiredOxygen | None = None
    minute_volume_l_min: Annotated[float, Within(0.05, 60, "L/min", {"millilitres per minute": 0.001})] | None = None
    base_flow_l_min: Flow | None = None
    leak_l_min: Flow | None = None
    drive_gas_l_min: Flow | None = None
    cylinders: Annotated[
        tuple[Cylinder, ...],
        BeforeValidator(lambda value: (value,) if isinstance(value, dict) else value),
        Field(max_length=MOST_ENTRIES),
    ] = ()


class Transport(_Table):
    """``[transport]``: how long the way is, and what there is for it."""

    minutes: Annotated[float, Within(1, 3000, "minutes", {"hours": 60})]
    battery_minutes: Annotated[float, Within(1, 3000, "minutes", {"hours": 60})] | None = None
    cabin_altitude_m: Annotated[float, Within(-500, 5000, "m", {"feet": 0.3048})] | None = None


class Request(Case):
    """The whole of a patient file. Every case file is one."""

    lungs: Mechanics = Mechanics()
    tube: Tube = Tube()
    dead_space: DeadSpace = DeadSpace()
    circuit_check: CircuitCheck | None = None
    flow_sensor: FlowSensor | None = None
    pressure_sensor: PressureSensor | None = None
    oxygen: Oxygen | None = None
    transport: Transport | None = None

    _name: str = PrivateAttr(default="patient.toml")

    @property
    def name(self) -> str:
        """What messages call the file."""
        return self._name


def request_from(said: dict[str, Any], *, folder: Path | str = ".", name: str = "patient.toml") -> Request:
    """The request that tables and keys describe.

    Raises
    ------
    CaseError
        An unknown key, or a value that can't be.
    """
    try:
        request = Request.model_validate(said)
    except ValidationError as error:
        raise explain(error, said, Request, name) from None
    request._folder, request._name = Path(folder), name
    return request


def load_request(path: Path | str) -> Request:
    """The request of a file, or of the ``case.toml`` in a folder.

    Raises
    ------
    CaseError
        No such file, one that can't be read, not TOML, larger than 1 MiB, or as :func:`request_from`.
    """
    file = Path(path)
    file = file / "case.toml" if file.is_dir() else file
    try:
        if not file.is_file():
            problem = "this is not an ordinary file" if file.exists() else "there is no such file"
            raise CaseError(problem, where=str(file), expected="a patient file, such as patient.toml, or a case")
        if file.stat().st_size > MOST_BYTES:
            raise CaseError("the file is larger than 1 MiB", where=file.name)
        said = tomllib.loads(toml_text(file.read_bytes()))
    except OSError as error:
        raise CaseError(f"this can't be read ({error.strerror or error})", where=str(file)) from error
    except tomllib.TOMLDecodeError as error:
        raise CaseError(f"this is not TOML: {str(error).rstrip('.')}", where=file.name) from None
    return request_from(said, folder=file.parent, name=file.name)
