"""Flow and pressure sensors: offset and gain against a syringe or a reference."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tidebench.care.preparation.request import FlowSensor, PressureSensor, Request
from tidebench.care.preparation.sheet import Line, Section, Verdict, number, told, untold
from tidebench.errors import CaseError, OptionError
from tidebench.formulas.gas_conditions import conversion_factor
from tidebench.formulas.sensors import sensor_line, syringe_gain

SOURCE = "ISO 80601-2-12, accuracy of what a ventilator shows (from memory)"
PRESSURE_OFFSET, PRESSURE_SHARE = 2.0, 0.04
VOLUME_OFFSET_ML, VOLUME_SHARE, SMALLEST_JUDGED_ML = 4.0, 0.15, 50.0
MAKERS = "the maker's own bounds may be narrower, and are the ones for its calibration."


def sensor_section(request: Request) -> Section:
    """What was checked, and what was not."""
    lines: list[Line] = []
    if request.flow_sensor is not None:
        lines += _flow(request.flow_sensor)
    else:
        lines.append(untold("flow_gain", "flow sensor", "Not checked: [flow_sensor] syringe_ml and strokes_ml."))
    if request.pressure_sensor is not None:
        lines += _pressure(request.pressure_sensor)
    else:
        lines.append(untold("pressure_gain", "pressure sensor",
                            "Not checked: [pressure_sensor] reference_cmh2o and shown_cmh2o."))  # fmt: skip
    return Section("sensors", "Sensor check", tuple(lines))


def _flow(check: FlowSensor) -> Iterator[Line]:
    if not check.strokes_ml:
        raise CaseError("is empty", where="[flow_sensor], strokes_ml", expected="volumes as shown, mL")
    factor = _room_air_as(check)
    wanted = check.syringe_ml * factor
    gain, spread = syringe_gain(np.array(check.strokes_ml), wanted)
    mean = gain * wanted
    error = mean - wanted
    under = f"The syringe's {check.syringe_ml:g} mL of room air count as {wanted:.4g} mL, shown as {check.shown_as}."
    yield told("flow_gain", "flow sensor, gain", gain, gain, "",
               f"Mean of {len(check.strokes_ml)} strokes, {mean:.4g} mL. {under}", decimals=3)  # fmt: skip
    allowed = VOLUME_OFFSET_ML + VOLUME_SHARE * wanted
    verdict: Verdict = "not judged" if wanted <= SMALLEST_JUDGED_ML else "pass" if abs(error) <= allowed else "fail"
    why = f"At most {allowed:.3g} mL (4 mL + 15 %); {MAKERS}"
    if verdict == "not judged":
        why = "Up to 50 mL the standard leaves the bound to the maker."
    yield Line("volume_error_ml", "flow sensor, error of volume", f"{_signed(error)} mL", error, error, "mL", why,
               "consensus", SOURCE, verdict)  # fmt: skip
    if len(check.strokes_ml) > 1:
        yield told("stroke_spread_percent", "flow sensor, strokes differ by", 100 * spread, 100 * spread, "%",
                   "Coefficient of variation; a hand is part of it.")  # fmt: skip
    if check.zero_l_min is None:
        yield untold("flow_offset_l_min", "flow sensor, offset", "Not read: zero_l_min, with nothing flowing.")
    else:
        per_breath = 1000.0 / 60.0 * abs(check.zero_l_min)
        yield told("flow_offset_l_min", "flow sensor, offset", check.zero_l_min, check.zero_l_min, "L/min",
                   f"With nothing flowing; it adds {number(per_breath)} mL in each second.", decimals=2)  # fmt: skip


def _room_air_as(check: FlowSensor) -> float:
    """What a volume of room air is multiplied by as the sensor shows it; half way between dry and saturated air."""
    if check.shown_as in ("ATPS", "ATPD"):
        return 1.0
    ends = [
        conversion_factor(air, check.shown_as, check.temperature_c, check.barometric_pressure_mmhg)
        for air in ("ATPD", "ATPS")
    ]
    return 0.5 * sum(ends)


def _pressure(check: PressureSensor) -> Iterator[Line]:
    reference, shown = np.array(check.reference_cmh2o), np.array(check.shown_cmh2o)
    try:
        line = sensor_line(reference, shown)
    except OptionError as error:
        raise CaseError(error.problem, where="[pressure_sensor]", expected=error.expected) from None
    yield Line("pressure_offset_cmh2o", "pressure sensor, offset", f"{_signed(line.offset)} cmH2O", line.offset,
               line.offset, "cmH2O", "What is shown at zero, by the line through all readings.")  # fmt: skip
    yield told("pressure_gain", "pressure sensor, gain", line.gain, line.gain, "",
               f"Readings lie within {line.largest:.2f} cmH2O of the line.", decimals=3)  # fmt: skip
    beyond = np.abs(shown - reference) - (PRESSURE_OFFSET + PRESSURE_SHARE * np.abs(reference))
    worst = int(np.argmax(beyond))
    off = float(shown[worst] - reference[worst])
    verdict: Verdict = "pass" if beyond[worst] <= 1e-9 else "fail"
    yield Line("pressure_error_cmh2o", f"pressure sensor, error at {reference[worst]:g} cmH2O",
               f"{_signed(off)} cmH2O", off, off, "cmH2O",
               f"The largest against what is allowed, 2 cmH2O + 4 %; {MAKERS}", "consensus", SOURCE,
               verdict)  # fmt: skip


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "−")
