"""How far samples may be off: written beside signals, read with them, joined, and carried to a review's quantities."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.pictures.patients import RATE_HZ, signals
from tests.reference.simulated import compartment, scenario, volume_control
from tidebench.case import Case, case_from
from tidebench.errors import CaseError, SignalError
from tidebench.fitting.fit import fit_patient
from tidebench.readers import open_recording
from tidebench.readers.stay import join
from tidebench.readers.uncertain import read_uncertainty, write_uncertainty
from tidebench.recording import Recording, Uncertainty
from tidebench.review import Review, review
from tidebench.sampled import NORMAL, _lacking, that_come_back, with_intervals
from tidebench.simulation import simulate
from tidebench.views import breath_page, overview_page
from tidebench.views.numbers import summary_number

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


def test_volumes_lack_as_much_however_finely_a_column_is_sampled() -> None:
    """The same columns, once a sample each and once four: what is between them is a straight line, and no news."""
    whole = breaths()
    step = round(whole.rate_hz / 25)
    column = {name: values[::step] for name, values in whole.channels.items()}
    coarse = Recording(whole.rate_hz / step, column)
    places = np.arange(4 * (len(coarse) - 1) + 1) / 4
    fine = Recording(
        4 * coarse.rate_hz, {name: np.interp(places, np.arange(len(one)), one) for name, one in column.items()}
    )
    lacking = []
    for recording, together in ((coarse, 2 / coarse.rate_hz), (fine, 2 / coarse.rate_hz), (fine, 0.0)):
        told = replace(doubt(recording), together_s=together)
        done = review(Case(), replace(recording, uncertainty=told))
        lacking.append(float(np.median(_lacking(done)["vte_ml"])) / done.summary["quantities"]["vte_ml"]["median"])
    assert lacking[0] > 0
    assert lacking[1] == pytest.approx(lacking[0], rel=0.5)
    assert lacking[2] < lacking[0] / 2  # taken for samples of their own, a column's places hide what it lacks


def test_a_scale_of_flow_off_by_a_share_leaves_volume_open_by_that_share() -> None:
    """Volume is proportional to flow's scale, so its interval is known: 1.645 standard deviations either side."""
    recording = breaths()
    certain = review(Case(), recording)
    assert with_intervals(certain) is certain
    done = with_intervals(review(Case(), replace(recording, uncertainty=doubt(recording))), draws=60)
    volume = done.summary["quantities"]["vti_ml"]
    assert volume["median"] == certain.summary["quantities"]["vti_ml"]["median"]
    half = (volume["high"] - volume["low"]) / 2 / volume["median"]
    assert half == pytest.approx(NORMAL * SCALE, rel=0.35)  # 60 draws tell a spread within a fifth or so
    peep = done.summary["quantities"]["peep_cmh2o"]
    assert peep["high"] - peep["low"] < 0.1
    assert done.summary["intervals"]["draws"] == 60
    assert done.summary["intervals"]["scale"] == {"flow": SCALE}


def test_the_interval_of_a_peak_reaches_as_far_as_a_stroke_does(tmp_path: Path) -> None:
    """Pressure went 2 cmH2O beyond one sample of each breath; nothing else is open, so the interval ends there."""
    recording = breaths()
    certain = review(Case(), recording)
    above = np.zeros(len(recording))
    starts = certain.breaths["start_s"].to_numpy()
    for start in starts:
        inside = slice(round(start * recording.rate_hz), round((start + 1.3) * recording.rate_hz))
        above[inside.start + int(recording["airway_pressure"][inside].argmax())] = 2.0
    exact = Uncertainty({"airway_pressure": np.zeros(len(recording))}, 0.03, above={"airway_pressure": above})
    write_uncertainty(exact, recording.rate_hz, tmp_path / "uncertainty.parquet")
    told = read_uncertainty(tmp_path / "uncertainty.parquet", recording)
    assert list(told.samples) == ["airway_pressure"]
    done = with_intervals(review(Case(), replace(recording, uncertainty=told)), draws=6)
    peak = done.summary["quantities"]["peak_pressure_cmh2o"]
    assert peak["high"] - peak["median"] == pytest.approx(2.0, abs=0.15)
    assert peak["median"] - peak["low"] < 0.15


def test_volume_reaches_as_much_further_as_samples_lack() -> None:
    """Of the same breaths at an eighth of the samples, the interval holds the volume that all samples give."""
    given = signals("open", 4, 25)
    flow, pressure = given.channels["flow"] / 60, given.channels["airway_pressure"]
    recording = Recording(RATE_HZ, {"airway_pressure": pressure, "flow": flow})
    whole = review(Case(), recording).summary["quantities"]["vte_ml"]["median"]
    few = Recording(RATE_HZ / 8, {name: values[::8] for name, values in recording.channels.items()})
    nothing = Uncertainty({"flow": np.zeros(len(few))}, 0.03)
    told = with_intervals(review(Case(), replace(few, uncertainty=nothing)), draws=6).summary["quantities"]["vte_ml"]
    assert told["median"] < 0.995 * whole < whole < told["high"]


def test_times_are_no_surer_than_samples_lie_apart() -> None:
    """Breaths of 4 s fall alike on samples of 40 ms, in every draw, so that medians of draws do not scatter by enough.

    A moment anywhere between two samples has a standard deviation of their distance by √12 (uniform distribution); 60/T
    changes by 60/T² a second.
    """
    every = breaths()
    whole = review(Case(), every).summary["quantities"]
    few = Recording(every.rate_hz / 4, {name: every[name][::4] for name in ("airway_pressure", "flow")})
    nothing = Uncertainty({"flow": np.zeros(len(few))}, 0.03)
    told = with_intervals(review(Case(), replace(few, uncertainty=nothing)), draws=6).summary["quantities"]
    least = 2 * NORMAL / few.rate_hz / np.sqrt(12)
    for key, each in (("inspiratory_time_s", 1.0), ("expiratory_time_s", 1.0), ("rate_per_min", 60 / 4.0**2)):
        assert told[key]["high"] - told[key]["low"] >= 0.999 * least * each
        assert told[key]["low"] <= whole[key]["median"] <= told[key]["high"]


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


@pytest.fixture(scope="module")
def uncertain() -> Review:
    """A review of breaths whose flow may be off by a share."""
    recording = breaths()
    return with_intervals(review(Case(), replace(recording, uncertainty=doubt(recording))))


def test_every_number_of_a_breath_has_its_interval(uncertain: Review) -> None:
    assert uncertain.intervals is not None
    volumes = uncertain.intervals.filter(pl.col("quantity") == "vti_ml")
    assert volumes.height == uncertain.breaths.height
    joined = volumes.join(uncertain.breaths.select("breath", "vti_ml"), on="breath")
    half = ((joined["high"] - joined["low"]) / 2 / joined["vti_ml"]).to_numpy()
    assert half == pytest.approx(np.full(len(half), NORMAL * SCALE), rel=0.3)
    assert ((joined["low"] < joined["vti_ml"]) & (joined["vti_ml"] < joined["high"])).all()
    told = uncertain.summary["intervals"]["computed"]["minute_volume_l_min"]
    assert told["high"] / told["low"] == pytest.approx(1 + 2 * NORMAL * SCALE, rel=0.05)


def test_views_say_what_samples_leave_open_and_that_it_was_a_picture(uncertain: Review) -> None:
    number = summary_number(uncertain, "vti_ml")
    told = uncertain.summary["quantities"]["vti_ml"]
    assert number.left_open == f"{told['low']:.0f} to {told['high']:.0f}"
    assert f"its samples leave {number.left_open} open" in number.label
    page = breath_page(uncertain)
    assert page is not None
    assert next(one for one in page.numbers if one.quantity.key == "vti_ml").left_open
    first = overview_page(uncertain)
    assert "traced from a picture" in first.recording
    assert any("tell little of what comes and goes" in words for words in first.quality)
    assert summary_number(review(Case(), breaths()), "vti_ml").left_open == ""


def test_a_finding_is_as_sure_as_it_comes_back() -> None:
    row = {"kind": "cough", "start_s": 5.0, "end_s": 6.0, "confidence": 0.8}
    there, elsewhere = pl.DataFrame([row]), pl.DataFrame([{**row, "start_s": 20.0, "end_s": 21.0}])
    kept, left_out = that_come_back(there, [there, there, there, elsewhere])
    assert (kept["confidence"][0], left_out) == (0.6, {})
    kept, left_out = that_come_back(there, [there, elsewhere, elsewhere])
    assert (kept.height, left_out) == (0, {"cough": 1})


def test_a_fit_is_as_unsure_as_the_marks_that_were_read(uncertain: Review) -> None:
    certain = fit_patient(review(Case(), breaths()))
    fit = fit_patient(uncertain)
    told, marked = (float(np.sqrt(one.mechanics.covariance[0, 0])) / one.mechanics.theta[0] for one in (certain, fit))
    assert marked == pytest.approx(np.hypot(told, SCALE), rel=0.05)
    assert any("traced from a picture" in words for words in fit.assumptions)
