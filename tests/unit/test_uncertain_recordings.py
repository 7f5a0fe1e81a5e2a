"""How far samples may be off: written beside signals, read with them, joined, and carried to a review's quantities."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.reference.simulated import compartment, scenario, volume_control
from tidebench.case import Case, case_from
from tidebench.errors import CaseError, SignalError
from tidebench.readers import open_recording
from tidebench.readers.stay import join
from tidebench.readers.uncertain import read_uncertainty, write_uncertainty
from tidebench.recording import Recording, Uncertainty
from tidebench.review import review
from tidebench.sampled import with_intervals
from tidebench.simulation import simulate

SCALE = 0.02


def breaths(seconds: float = 40.0) -> Recording:
    """A passive patient in volume control."""
    told = scenario([compartment(40, 10)], volume_control(450, 1.0, 4.0, 5, pause_s=0.2), seconds)
    return simulate(told).recording


def doubt(recording: Recording, scale: float = SCALE) -> Uncertainty:
    """Samples of pressure off by 0.05 cmH2O, and the scale of flow by a share."""
    return Uncertainty(
        {"airway_pressure": np.full(len(recording), 0.05)}, 0.03, 0.002, scale={"flow": scale}, notes=("by hand",)
    )


def test_uncertainty_goes_to_disk_and_back(tmp_path: Path) -> None:
    recording = breaths()
    write_uncertainty(doubt(recording), recording.rate_hz, tmp_path / "uncertainty.parquet")
    again = read_uncertainty(tmp_path / "uncertainty.parquet", recording)
    assert again.samples["airway_pressure"] == pytest.approx(np.full(len(recording), 0.05))
    assert (again.together_s, again.jitter_s, again.scale, again.notes) == (0.03, 0.002, {"flow": SCALE}, ("by hand",))


@pytest.mark.parametrize("content", [b"", b"PAR1 and nothing"], ids=["empty", "broken"])
def test_a_broken_file_is_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "uncertainty.parquet").write_bytes(content)
    with pytest.raises(SignalError, match=r"uncertainty\.parquet.*tidebench picture"):
        read_uncertainty(tmp_path / "uncertainty.parquet", breaths(8.0))


def test_another_table_is_refused(tmp_path: Path) -> None:
    pl.DataFrame({"time [s]": [0.0, 1.0]}).write_parquet(tmp_path / "uncertainty.parquet")
    with pytest.raises(SignalError, match="can't be read"):
        read_uncertainty(tmp_path / "uncertainty.parquet", breaths(8.0))


def test_a_case_names_it_and_its_notes_are_warnings(tmp_path: Path) -> None:
    recording = breaths(12.0)
    time = np.arange(len(recording)) / recording.rate_hz
    columns = {"time [s]": time, "airway_pressure [cmH2O]": recording["airway_pressure"]}
    pl.DataFrame({**columns, "flow [L/s]": recording["flow"]}).write_csv(tmp_path / "signals.csv")
    write_uncertainty(doubt(recording), recording.rate_hz, tmp_path / "doubt.parquet")
    said = {"recording": {"file": "signals.csv", "uncertainty": "doubt.parquet"}}
    opened = open_recording(case_from(said, folder=tmp_path))
    assert opened.uncertainty is not None
    assert opened.warnings[-1] == "by hand"
    assert opened.recording_id == replace(opened, uncertainty=None).recording_id
    with pytest.raises(CaseError, match="inside the case folder"):
        case_from({"recording": {"file": "signals.csv", "uncertainty": "../doubt.parquet"}}, folder=tmp_path)


def test_joined_recordings_keep_each_ones_samples_and_the_largest_of_the_rest() -> None:
    from datetime import datetime

    part = breaths(12.0)
    first = replace(part, uncertainty=doubt(part), start=datetime(2031, 5, 4, 8))
    second = replace(part, uncertainty=doubt(part, 0.05), start=datetime(2031, 5, 4, 8, 0, 30))
    told = join([second, first]).uncertainty
    assert told is not None
    assert told.scale["airway_pressure"] == 0
    sd = told.samples["airway_pressure"]
    assert (sd[500], sd[round(35 * part.rate_hz)]) == (0.05, 0.05)
    assert sd[round(20 * part.rate_hz)] == 0


def test_a_scale_of_flow_off_by_a_share_leaves_volume_open_by_that_share() -> None:
    """Volume is proportional to flow's scale, so its interval is known: 1.645 standard deviations either side."""
    recording = breaths()
    certain = review(Case(), recording)
    assert with_intervals(certain) is certain
    done = with_intervals(review(Case(), replace(recording, uncertainty=doubt(recording))), draws=60)
    volume = done.summary["quantities"]["vti_ml"]
    assert volume["median"] == certain.summary["quantities"]["vti_ml"]["median"]
    half = (volume["high"] - volume["low"]) / 2 / volume["median"]
    assert half == pytest.approx(1.4 * 1.645 * SCALE, rel=0.35)  # 60 draws tell a spread within a fifth or so
    peep = done.summary["quantities"]["peep_cmh2o"]
    assert peep["high"] - peep["low"] < 0.1
    assert done.summary["intervals"] == {"share": 0.9, "draws": 60}


def test_what_is_finer_than_a_pen_is_not_looked_for() -> None:
    """Flow that rattles only while it is fast is found in a measured recording, and passed over in a traced one."""
    recording = breaths()
    flow = recording["flow"].copy()
    fast = flow < -0.3 * np.max(-flow)
    flow[fast] += 0.05 * np.max(-flow) * np.sin(np.arange(len(flow)) * 2 * np.pi * 0.3)[fast]
    rattling = Recording(recording.rate_hz, {"airway_pressure": recording["airway_pressure"], "flow": flow})
    assert "secretions" in review(Case(), rattling).findings["kind"]
    traced = review(Case(), replace(rattling, uncertainty=doubt(recording)))
    assert "secretions" not in traced.findings["kind"]
