"""Signals that can't be what their headers say: units told by the case, swapped columns, channels that stand still.

What a vital capacity and a dead space are per kilogram, and how long an apnoea lasts: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tidebench.case import case_from
from tidebench.errors import SignalError
from tidebench.readers import open_recording, read_recording
from tidebench.recording import Recording

Samples = npt.NDArray[np.float64]
Open = Callable[..., Recording]

ADULT = {"sex": "male", "height_cm": 175, "weight_kg": 78}
PRETERM = {"weight_kg": 1.5}
CONTROL = {"mode": "A/C-VC", "peep_cmh2o": 5, "tidal_volume_ml": 500}
SUPPORT = {"mode": "CSV-PS", "peep_cmh2o": 5, "pressure_support_cmh2o": 15}


def breathing(volume_ml: float, leak_l_min: float = 0.0, seconds: float = 60.0) -> tuple[Samples, Samples, Samples]:
    """Time, airway pressure [cmH2O] and flow [L/min]: 3 s a breath, a third of it inspiration of constant flow."""
    time = np.arange(round(seconds * 50)) / 50
    phase = time % 3
    expiration = -0.15 * volume_ml * np.exp(-(phase - 1) / 0.4)
    flow = np.where(phase < 1, 0.06 * volume_ml, expiration) + leak_l_min
    return time, np.where(phase < 1, 12 + 10 * phase, 5.0), flow


def write(path: Path, signals: tuple[Samples, ...], pressure: str = "cmH2O", flow: str = "L/min") -> Path:
    """A file of signals, its numbers taken as they are under headers with the given units."""
    header = f"time [s],Paw [{pressure}],Flow [{flow}]"
    np.savetxt(path, np.column_stack(signals), delimiter=",", fmt="%.6f", header=header, comments="")
    return path


@pytest.fixture
def opened(tmp_path: Path) -> Open:
    """Opens a case of signals, units, a patient and a setting."""

    def go(signals: tuple[Samples, ...], *units: str, patient: Any = None, setting: Any = None) -> Recording:
        write(tmp_path / "a.csv", signals, *units)
        said = {"patient": patient or {}, "recording": {"file": "a.csv"}, "settings": [setting] if setting else []}
        return open_recording(case_from(said, folder=tmp_path))

    return go


@pytest.mark.parametrize(
    ("volume_ml", "numbers_in", "labelled", "said"),
    [
        (10, 1 / 0.06, "L/min", {"patient": PRETERM}),
        (500, 1, "mL/s", {"patient": ADULT}),
        (500, 1 / 60, "L/min", {"patient": ADULT}),
        (500, 1, "mL/s", {"setting": CONTROL}),
        (20, 1 / 0.06, "L/min", {"setting": CONTROL | {"tidal_volume_ml": 20}}),
        (500, 1 / 60, "L/min", {"patient": ADULT, "setting": CONTROL}),
    ],
)
def test_wrong_unit_of_flow_is_refused_with_the_one_that_fits(
    opened: Open, volume_ml: float, numbers_in: float, labelled: str, said: dict[str, Any]
) -> None:
    time, pressure, flow = breathing(volume_ml)
    assert opened((time, pressure, flow), **said).warnings == ()
    with pytest.raises(SignalError, match="flow makes breaths of") as refusal:
        opened((time, pressure, flow * numbers_in), "cmH2O", labelled, **said)
    right = {1 / 0.06: "mL/s", 1: "L/min", 1 / 60: "L/s"}[numbers_in]
    assert f'"Flow [{labelled}]" = "flow [{right}]"' in refusal.value.remedy


@pytest.mark.parametrize(
    ("volume_ml", "patient", "setting"),
    [(2000, ADULT, None), (100, ADULT, None), (600, ADULT, CONTROL | {"tidal_volume_ml": 100})],
)
def test_what_a_patient_may_explain_is_only_doubted(opened: Open, volume_ml: float, patient: Any, setting: Any) -> None:
    (warning,) = opened(breathing(volume_ml), patient=patient, setting=setting).warnings
    assert "flow makes breaths of" in warning


def test_a_leak_is_no_volume(opened: Open) -> None:
    """A leak of 15 L/min flows without end; what comes back tells the volume."""
    assert opened(breathing(500, leak_l_min=15), patient=ADULT).warnings == ()


def test_without_a_case_only_what_no_one_can_breathe_is_refused(tmp_path: Path) -> None:
    assert read_recording(write(tmp_path / "a.csv", breathing(2500))).warnings == ()
    slow = (np.repeat(samples, 4) for samples in breathing(2500)[1:])
    with pytest.raises(SignalError, match=r"breaths of 10 L, taken as L/min"):
        read_recording(write(tmp_path / "b.csv", (np.arange(12000) / 50, *slow)))


@pytest.mark.parametrize(("by", "labelled", "right"), [(0.0980665, "cmH2O", "kPa"), (1.0, "kPa", "cmH2O")])
def test_wrong_unit_of_pressure_is_told_by_the_set_peep(opened: Open, by: float, labelled: str, right: str) -> None:
    time, pressure, flow = breathing(500)
    low = np.minimum(pressure, 13.0)  # in kPa it stays within what a gauge can show
    assert opened((time, low, flow), setting=SUPPORT).warnings == ()
    with pytest.raises(SignalError, match="the set PEEP is 5 cmH2O") as refusal:
        opened((time, low * by, flow), labelled, setting=SUPPORT)
    assert f'"airway pressure [{right}]"' in refusal.value.remedy


@pytest.mark.parametrize("leak_l_min", [0.0, 5.0])
def test_swapped_columns_are_refused(tmp_path: Path, leak_l_min: float) -> None:
    time, pressure, flow = breathing(500, leak_l_min)
    with pytest.raises(SignalError, match="look swapped"):
        read_recording(write(tmp_path / "a.csv", (time, flow, pressure)))


@pytest.mark.parametrize(("still", "problem"), [(1, "pressure never moves"), (2, "nothing flows")])
@pytest.mark.parametrize("value", [0.0, 7.0])
def test_channel_that_never_moves_is_refused(tmp_path: Path, still: int, problem: str, value: float) -> None:
    signals = [*breathing(500)]
    signals[still] = np.full(len(signals[0]), value)
    with pytest.raises(SignalError, match=f"{problem}: .* is {value:g} .* from beginning to end"):
        read_recording(write(tmp_path / "a.csv", tuple(signals)))


@pytest.mark.parametrize(("seconds", "told"), [(19, False), (21, True), (35, True)])
def test_long_still_stretch_is_told_with_its_time(tmp_path: Path, seconds: int, told: bool) -> None:
    time, pressure, flow = breathing(500)
    flow[(time >= 10.5) & (time < 10.5 + seconds)] = -1.25
    warnings = read_recording(write(tmp_path / "a.csv", (time, pressure, flow))).warnings
    assert warnings == ((f"flow stands still at -1.25 L/min for {seconds} s from 10.5 s on",) if told else ())


def test_cells_without_a_number_are_counted(tmp_path: Path) -> None:
    time, pressure, flow = breathing(500)
    flow[[70, 900]] = np.nan
    recording = read_recording(write(tmp_path / "a.csv", (time, pressure, flow)))
    assert recording.warnings == ("flow: cells without a number: 2 of 3000",)
    assert recording.gaps == ()
