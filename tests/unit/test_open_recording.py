"""The recording of a case: conditions, gases, several files of one stay, and what is told of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tidebench.case import case_from
from tidebench.errors import CaseError, SignalError
from tidebench.formulas.gas_conditions import btps_factor
from tidebench.readers import open_recording
from tidebench.recording import Recording

Samples = npt.NDArray[np.float64]

START = "2031-05-04T13:{:02d}:{:02d}"
Open = Callable[..., Recording]


def breathing(seconds: float = 9, rate_hz: float = 50) -> dict[str, Samples]:
    """Constant-flow breaths: pressure, flow, volume and CO2."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    phase = time % 3
    flow = np.where(phase < 1, 30.0, -67.5 * np.exp(-(phase - 1) / 0.4))
    pressure = np.where(phase < 1, 12 + 10 * phase, 5.0)
    volume = np.where(phase < 1, 500 * phase, 500 * np.exp(-(phase - 1) / 0.4))
    return {
        "time [s]": time,
        "Paw [cmH2O]": pressure,
        "Flow [L/min]": flow,
        "V [mL]": volume,
        "CO2 [%]": 5 * (phase > 1),
    }


@pytest.fixture
def opened(tmp_path: Path) -> Open:
    """Opens a case with files of given columns."""

    def go(*files: Mapping[str, Samples], keys: list[dict[str, Any]] | None = None) -> Recording:
        recordings = []
        for number, columns in enumerate(files):
            rows = "\n".join(",".join(f"{cell:.4f}" for cell in row) for row in zip(*columns.values(), strict=True))
            (tmp_path / f"{number}.csv").write_text(f"{','.join(columns)}\n{rows}\n")
            recordings.append({"file": f"{number}.csv", **(keys[number] if keys else {})})
        return open_recording(case_from({"recording": recordings}, folder=tmp_path))

    return go


def test_what_the_case_does_not_say_is_said(opened: Open) -> None:
    assert opened(breathing()).steps[-1] == (
        "flow measured at the wye (not said), pressure at the wye (not said), flow under BTPS (not said)"
    )
    told = opened(breathing(), keys=[{"flow_measured_at": "tube", "flow_conditions": "BTPS"}])
    assert told.steps[-1] == "flow measured at the tube, pressure at the wye (not said), flow under BTPS"


@pytest.mark.parametrize("conditions", ["ATPD", "ATPS", "STPD"])
def test_flow_and_volume_become_btps(opened: Open, conditions: str) -> None:
    how = {"flow_conditions": conditions, "temperature_c": 20, "barometric_pressure_mmhg": 700}
    plain, converted = opened(breathing()), opened(breathing(), keys=[how])
    factor = btps_factor(conditions, 20.0, 700.0)
    for name in ("flow", "volume"):
        np.testing.assert_allclose(converted[name], factor * plain[name])
    np.testing.assert_array_equal(converted["airway_pressure"], plain["airway_pressure"])
    assert converted.steps[-1] == f"flow and volume: {conditions} to BTPS, times {factor:.4f} (20 °C, 700 mmHg)"


@pytest.mark.parametrize("barometric", [760.0, 600.0])
def test_carbon_dioxide_in_per_cent_is_of_what_water_leaves(opened: Open, barometric: float) -> None:
    recording = opened(breathing(), keys=[{"barometric_pressure_mmhg": barometric}])
    assert recording["co2"].max() == pytest.approx(0.05 * (barometric - 47.1), abs=0.01)
    assert any(step.startswith("co2: % to mmHg, of") for step in recording.steps)


@pytest.mark.parametrize("sign", [1, -1])
def test_turned_flow_and_its_volume_are_turned_back(opened: Open, sign: int) -> None:
    plain, columns = opened(breathing()), breathing()
    columns["Flow [L/min]"], columns["V [mL]"] = -columns["Flow [L/min]"], sign * columns["V [mL]"]
    recording = opened(columns)
    np.testing.assert_array_equal(recording["flow"], plain["flow"])
    np.testing.assert_array_equal(recording["volume"], plain["volume"])
    assert recording.warnings == ("flow was recorded with expiration positive: told from pressure, and turned",)
    assert "flow: sign turned, inspiration is positive" in recording.steps


def test_flow_is_not_turned_where_pressure_is_quiet(opened: Open) -> None:
    """A patient who breathes in draws the pressure of CPAP down a little: that is no turned sign."""
    columns = breathing(30)
    columns["Paw [cmH2O]"] = 5 - columns["Flow [L/min]"] / 100
    assert opened(columns).warnings == ()


def test_parts_of_a_stay_are_put_on_one_clock_with_gaps(opened: Open) -> None:
    keys = [{"start": START.format(1, 0)}, {"start": START.format(0, 0)}, {"start": START.format(0, 9)}]
    stay, part = opened(breathing(), breathing(), breathing(), keys=keys), opened(breathing())
    assert stay.duration_s == 69
    assert [(gap.start_s, gap.end_s) for gap in stay.gaps] == [(18, 60)]
    for at in (0, 9, 60):
        np.testing.assert_array_equal(stay["flow"][at * 50 : (at + 9) * 50], part["flow"])
    assert stay.source == "1.csv, 2.csv, 0.csv"
    assert stay.start is not None
    assert stay.start.isoformat() == START.format(0, 0)
    assert "1.csv: flow: L/min to L/s" in stay.steps


def test_short_pause_between_files_is_bridged(opened: Open) -> None:
    keys = [{"start": START.format(0, 0)}, {"start": START.format(0, 9) + ".040"}]
    stay = opened(breathing(), breathing(), keys=keys)
    assert stay.gaps == ()
    assert any("missing samples interpolated: 2" in step for step in stay.steps)


def test_slower_part_is_interpolated_to_the_faster(opened: Open) -> None:
    keys = [{"start": START.format(0, 0)}, {"start": START.format(0, 20)}]
    stay = opened(breathing(), breathing(rate_hz=100), keys=keys)
    assert stay.rate_hz == 100
    np.testing.assert_allclose(stay["flow"][:900:2], opened(breathing())["flow"], rtol=1e-12)
    assert "0.csv: interpolated from 50 to 100 Hz" in stay.steps


def test_channel_of_one_part_is_missing_in_the_other(opened: Open) -> None:
    without = {name: samples for name, samples in breathing().items() if name != "V [mL]"}
    keys = [{"start": START.format(0, 0)}, {"start": START.format(0, 9)}]
    stay = opened(without, breathing(), keys=keys)
    assert stay.gaps == ()
    assert np.isnan(stay["volume"][:450]).all()
    assert np.isfinite(stay["volume"][450:]).all()


@pytest.mark.parametrize(
    ("keys", "problem"),
    [
        ([{"start": START.format(0, 0)}, {}], "1.csv has no start"),
        ([{"start": START.format(0, 0)}, {"start": START.format(0, 8)}], "1.csv begins 1 s before 0.csv ends"),
        ([{"start": START.format(0, 0)}, {"start": START.format(9, 0) + "Z"}], "some starts have a zone and some have"),
        ([{"start": START.format(0, 0)}, {"start": "2035-05-04T13:00:00"}], "the recordings span 35064 h"),
    ],
)
def test_parts_that_make_no_stay_are_refused(opened: Open, keys: list[dict[str, Any]], problem: str) -> None:
    with pytest.raises(CaseError) as refusal:
        opened(breathing(), breathing(), keys=keys)
    assert refusal.value.problem.startswith(problem)
    assert refusal.value.where.startswith("[[recording]]")


def test_case_without_a_recording_or_its_file(tmp_path: Path) -> None:
    with pytest.raises(CaseError, match="the case names no recording"):
        open_recording(case_from({}))
    with pytest.raises(SignalError, match=r"^nonesuch\.csv: there is no such file"):
        open_recording(case_from({"recording": {"file": "nonesuch.csv"}}, folder=tmp_path))


def test_stamps_and_the_start_of_the_case(tmp_path: Path) -> None:
    cells = breathing()
    lines = ["Time,Paw [cmH2O],Flow [L/min]"]
    for time, pressure, flow in zip(cells["time [s]"], cells["Paw [cmH2O]"], cells["Flow [L/min]"], strict=True):
        lines.append(f"2031-05-04T13:00:{time:06.3f},{pressure:.3f},{flow:.3f}")
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")

    def start(text: str | None) -> tuple[str, tuple[str, ...]]:
        told = {"recording": {"file": "a.csv", **({"start": text} if text else {})}}
        recording = open_recording(case_from(told, folder=tmp_path))
        assert recording.start is not None
        return recording.start.isoformat(), recording.warnings

    assert start(None) == ("2031-05-04T13:00:00", ())
    assert start(START.format(0, 1)) == (START.format(0, 1), ())
    assert start(START.format(2, 0)) == (
        START.format(2, 0),
        ("the case has it start +120 s from its own time stamps: the case was followed",),
    )
