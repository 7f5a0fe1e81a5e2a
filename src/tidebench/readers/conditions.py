"""Gas conditions of a recording: flow and volume to BTPS, as the case says they were measured."""

from __future__ import annotations

from dataclasses import replace

from tidebench.case import RecordingFile
from tidebench.formulas.gas_conditions import btps_factor
from tidebench.recording import Recording

_WITH_FLOW = ("flow", "volume")
_HELIOX = "heliox: flow and volume are left as recorded, and no correction for flow or tube applies"


def to_btps(recording: Recording, how: RecordingFile) -> Recording:
    """The recording with flow and volume at BTPS, and what was taken for granted of it among its steps.

    With heliox nothing is converted, since what a flow sensor shows depends on the gas: a warning says so.
    """
    recording = replace(recording, steps=(*recording.steps, _measured(how)))
    if how.heliox:
        return replace(recording, warnings=(*recording.warnings, _HELIOX))
    if how.flow_conditions == "BTPS":
        return recording
    factor = btps_factor(how.flow_conditions, how.temperature_c, how.barometric_pressure_mmhg)
    converted = {name: recording[name] * factor for name in _WITH_FLOW if name in recording}
    step = (
        f"{' and '.join(converted)}: {how.flow_conditions} to BTPS, times {factor:.4f} "
        f"({how.temperature_c:g} °C, {how.barometric_pressure_mmhg:g} mmHg)"
    )
    return replace(recording, channels={**recording.channels, **converted}, steps=(*recording.steps, step))


def _measured(how: RecordingFile) -> str:
    """Where and how the signals were measured, and which of that the case does not say."""
    said = {
        "flow_measured_at": f"flow measured at the {how.flow_measured_at}",
        "pressure_measured_at": f"pressure at the {how.pressure_measured_at}",
        "flow_conditions": f"flow under {how.flow_conditions}",
    }
    return ", ".join(text if key in how.model_fields_set else f"{text} (not said)" for key, text in said.items())
