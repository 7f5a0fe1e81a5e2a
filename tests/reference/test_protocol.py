"""Manoeuvres, procedures and events do what their names say, against closed forms where there are any.

The lung is one straight compartment without tube: ``P = PEEP + V/C + R·V'``.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import polars as pl
import pytest

from tidebench.simulation import Solution, scenario_from, simulate

PEEP, VOLUME_ML, FLOW_L_S = 5.0, 500.0, 0.5
COMPLIANCE, RESISTANCE = 50.0, 8.0
SETTING = {
    "mode": "A/C-VC", "peep_cmh2o": PEEP, "fio2": 0.4, "rate_per_min": 10, "tidal_volume_ml": VOLUME_ML,
    "inspiratory_flow_l_min": 60 * FLOW_L_S, "trigger_flow_l_min": 2,
}  # fmt: skip
HALVES = [{"compliance_ml_cmh2o": COMPLIANCE / 2, "resistance_cmh2o_s_l": 2 * RESISTANCE}] * 2
WHOLE = [{"compliance_ml_cmh2o": COMPLIANCE, "resistance_cmh2o_s_l": RESISTANCE}]
TRUTH = ("airway_pressure", "flow", "lung_volume", "muscle_pressure", "alveolar_pressure")


def made(parts: list[dict[str, Any]] = WHOLE, **said: Any) -> Solution:
    """A simulation with the truth's channels."""
    lung = {"compartments": parts, **said.pop("lung", {})}
    return simulate(scenario_from({"lung": lung, "settings": [SETTING], "duration_s": 100, **said}), TRUTH)


def holds(*times: float) -> list[dict[str, Any]]:
    """Inspiratory holds."""
    return [{"at_s": at, "kind": "inspiratory hold"} for at in times]


def between(done: Solution, channel: str, first: float, last: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """A stretch of a channel."""
    rate = done.scenario.sampling_hz
    return done.channels[channel][round(first * rate) : round(last * rate)]


def held(done: Solution) -> pl.DataFrame:
    """Breaths with an inspiratory hold."""
    return done.breaths.filter(pl.col("plateau_cmh2o").is_not_null())


def during(done: Solution, first: float, last: float) -> pl.DataFrame:
    """Breaths that begin within a time."""
    return done.breaths.filter(pl.col("start_s").is_between(first, last))


# --- manoeuvres ---


def test_plateau_of_a_hold_is_the_closed_form() -> None:
    row = held(made(manoeuvres=holds(30))).row(0, named=True)
    assert row["plateau_cmh2o"] == pytest.approx(PEEP + VOLUME_ML / COMPLIANCE, abs=0.02)
    assert row["peak_pressure_cmh2o"] == pytest.approx(PEEP + VOLUME_ML / COMPLIANCE + RESISTANCE * FLOW_L_S, abs=0.05)
    assert 3 <= row["insp_end_s"] - row["start_s"] - VOLUME_ML / 1000 / FLOW_L_S < 3.01


def test_expiratory_hold_shows_the_trapped_pressure_of_the_closed_form() -> None:
    # V_end = VT·x/(1 − x) with x = exp(−t_E/RC): reference steady state of a linear lung.
    # The valve's own resistance and base flow hold the lung a little fuller, so it is given none.
    said = {"settings": [{**SETTING, "rate_per_min": 20}], "ventilator": {"valve_resistance_cmh2o_s_l": 0.001}}
    done = made(
        [{"compliance_ml_cmh2o": 50, "resistance_cmh2o_s_l": 24}],
        manoeuvres=[{"at_s": 60, "kind": "expiratory hold"}],
        **said,
    )
    x = np.exp(-(3 - 1) / (24 * 0.05))
    trapped = VOLUME_ML / COMPLIANCE * x / (1 - x)
    assert done.breaths["exp_hold_cmh2o"].drop_nulls().item() == pytest.approx(PEEP + trapped, abs=0.1)


def test_occlusion_shows_the_effort_at_the_airway() -> None:
    effort = {"rate_per_min": 12, "size_cmh2o": 8, "size_cv": 0, "rate_cv": 0, "neural_time_cv": 0}
    done = made(effort=effort, manoeuvres=[{"at_s": 30, "kind": "occlusion", "duration_s": 8}])
    closed = int(np.argmax(np.abs(done.channels["flow"][3000:]) < 1e-9)) + 3000
    pressure, muscle = (
        between(done, name, closed / 100, closed / 100 + 6) for name in ("airway_pressure", "muscle_pressure")
    )
    flow = between(done, "flow", closed / 100 + 0.1, closed / 100 + 6)
    assert np.abs(flow).max() < 1e-6
    assert muscle.max() == pytest.approx(8, abs=0.1)
    assert pressure.max() - pressure.min() == pytest.approx(np.ptp(muscle), abs=0.1)


def test_disconnection_empties_the_lung_and_suction_more_so() -> None:
    volume = {}
    for kind in ("disconnection", "suction"):
        done = made(manoeuvres=[{"at_s": 30, "kind": kind, "duration_s": 8}])
        volume[kind] = between(done, "lung_volume", 30, 38).min()
        assert between(done, "airway_pressure", 36, 38).max() < 0.1
        assert during(done, 31, 37.9).is_empty()
        assert during(done, 38, 60).height >= 3
    at_rest = PEEP * COMPLIANCE / 1000
    assert volume["disconnection"] == pytest.approx(0, abs=0.01)
    assert volume["suction"] < -0.001 < at_rest


def test_cough_blows_out() -> None:
    quiet, coughed = made(), made(manoeuvres=[{"at_s": 32.5, "kind": "cough"}])
    assert between(coughed, "flow", 32.5, 33).min() < between(quiet, "flow", 24, 60).min() - 0.5


# --- events ---


def resistance(row: dict[str, Any]) -> float:
    """Of a breath with a hold: what pressure falls by when flow stops, over flow."""
    return float((row["peak_pressure_cmh2o"] - row["plateau_cmh2o"]) / FLOW_L_S)


def stiffness(row: dict[str, Any]) -> float:
    """Compliance of a breath with a hold."""
    return float(row["vti_ml"] / (row["plateau_cmh2o"] - PEEP))


def test_bronchospasm_narrows_and_relief_opens() -> None:
    events = [{"at_s": 30, "kind": "bronchospasm"}, {"at_s": 60, "kind": "relief"}]
    before, narrow, after = held(made(events=events, manoeuvres=holds(20, 50, 80))).rows(named=True)
    assert resistance(before) == pytest.approx(RESISTANCE, abs=0.1)
    assert resistance(narrow) == pytest.approx(3 * RESISTANCE, rel=0.03)
    assert resistance(after) == pytest.approx(RESISTANCE, abs=0.1)


def test_bronchospasm_widens_the_gradients_of_both_gases() -> None:
    """Carbon dioxide between artery and end of expiration, oxygen between alveoli and artery."""
    done = made(events=[{"at_s": 60, "kind": "bronchospasm"}], duration_s=400)
    before, after = (during(done, at, at + 5.5).row(0, named=True) for at in (50, 390))
    assert after["paco2_mmhg"] - after["etco2_mmhg"] > before["paco2_mmhg"] - before["etco2_mmhg"] + 1.5
    assert after["pao2_mmhg"] < before["pao2_mmhg"] - 10


def test_event_that_takes_time_is_half_there_at_half_time() -> None:
    events = [{"at_s": 20, "kind": "bronchospasm", "over_s": 60}]
    row = held(made(events=events, manoeuvres=holds(45))).row(0, named=True)
    share = (row["start_s"] + VOLUME_ML / 1000 / FLOW_L_S - 20) / 60
    assert resistance(row) == pytest.approx(RESISTANCE * (1 + 2 * share), rel=0.03)


def test_one_sided_intubation_halves_compliance() -> None:
    events = [{"at_s": 30, "kind": "one-sided intubation"}, {"at_s": 60, "kind": "relief"}]
    before, one, after = held(made(HALVES, events=events, manoeuvres=holds(20, 50, 80))).rows(named=True)
    assert stiffness(before) == pytest.approx(COMPLIANCE, rel=0.01)
    assert stiffness(one) == pytest.approx(COMPLIANCE / 2, rel=0.03)
    assert stiffness(after) == pytest.approx(COMPLIANCE, rel=0.02)
    told = [row["compliance_ml_cmh2o"] for row in (before, one, after)]
    assert told == pytest.approx([COMPLIANCE, COMPLIANCE / 2, COMPLIANCE])
    assert one["alveolar_peak_cmh2o"] == pytest.approx(one["plateau_cmh2o"], abs=0.4)  # of what is not cut off


def test_pneumothorax_stiffens_and_lowers_oxygen() -> None:
    done = made(HALVES, events=[{"at_s": 30, "kind": "pneumothorax"}], manoeuvres=holds(20, 80))
    before, after = held(done).rows(named=True)
    assert after["plateau_cmh2o"] > before["plateau_cmh2o"] + 2
    assert after["pao2_mmhg"] < before["pao2_mmhg"] - 3


def test_secretions_rattle() -> None:
    done = made(events=[{"at_s": 40, "kind": "secretions"}])
    rough = [np.std(np.diff(between(done, "airway_pressure", at, at + 36), n=2)) for at in (4, 60)]
    assert rough[1] > 1.5 * rough[0]


def test_cuff_leak_loses_gas() -> None:
    raw = made(events=[{"at_s": 40, "kind": "cuff leak"}]).raw_breaths
    lost = 1 - raw["exhaled_at_wye"] / raw["inhaled_at_wye"]
    start = raw["start"].to_numpy()
    assert abs(lost.to_numpy()[(start > 8) & (start < 30)]).max() < 0.02
    assert lost.to_numpy()[(start > 45) & (start < 90)].min() > 0.05


def test_sedation_wears_off_and_apnoea_ends_it() -> None:
    events = [{"at_s": 30, "kind": "sedation wearing off"}, {"at_s": 70, "kind": "apnoea"}]
    onset = made(events=events).efforts["onset_s"].to_numpy()
    assert len(onset) > 8
    assert onset.min() >= 30
    assert onset.max() < 75


def test_fever_raises_carbon_dioxide() -> None:
    patient = {"weight_kg": 70}
    quiet = made(patient=patient, duration_s=600).breaths["paco2_mmhg"][-1]
    hot = made(patient=patient, duration_s=600, events=[{"at_s": 10, "kind": "fever"}]).breaths["paco2_mmhg"][-1]
    assert hot > quiet + 3


# --- procedures ---


def plan(kind: str, **said: Any) -> list[dict[str, Any]]:
    """One procedure, after 20 s."""
    return [{"at_s": 20, "kind": kind, **said}]


def test_peep_steps_are_taken_and_taken_back() -> None:
    done = made(procedures=plan("peep steps", levels_cmh2o=[8, 12], each_s=25))
    levels = [between(done, "airway_pressure", at, at + 6).min() for at in (12, 36, 60, 88)]
    assert levels == pytest.approx([PEEP, 8, 12, PEEP], abs=0.2)
    assert done.breaths["vti_ml"][3:].min() == pytest.approx(VOLUME_ML, rel=0.25)


@cache
def recruitable(moved: bool) -> Solution:
    """A lung half of which opens at 20 cmH2O and closes at 4, with or without a recruitment."""
    part = {**WHOLE[0], "recruitment": {"share": 0.5, "opening_cmh2o": 20, "closing_cmh2o": 1}}
    said = {"settings": [{**SETTING, "tidal_volume_ml": 250}], "duration_s": 120}
    return made([part], procedures=plan("recruitment", levels_cmh2o=[35], each_s=20) if moved else [], **said)


def test_recruitment_leaves_the_lung_fuller_at_the_same_peep() -> None:
    left, moved = (between(recruitable(way), "lung_volume", 100, 110).min() for way in (False, True))
    assert moved > 1.2 * left
    before = [between(recruitable(way), "lung_volume", 10, 18).min() for way in (False, True)]
    assert before[0] == pytest.approx(before[1])


def test_recruitment_leaves_a_lung_that_has_nothing_to_open_as_it_was() -> None:
    done = made(procedures=plan("recruitment", levels_cmh2o=[35], each_s=20))
    assert between(done, "lung_volume", 70, 90).min() == pytest.approx(
        between(done, "lung_volume", 10, 18).min(), rel=0.02
    )


def test_slow_inflation_is_slow_and_as_large_as_said() -> None:
    done = made(procedures=plan("slow inflation", volume_ml=600, flow_l_min=6))
    slow = during(done, 20, 22).row(0, named=True)
    assert slow["insp_end_s"] - slow["start_s"] == pytest.approx(6, abs=0.01)
    assert slow["vti_ml"] == pytest.approx(600, rel=0.01)
    assert during(done, 20, 33).height == 1
    assert np.median(between(done, "flow", 22, 26)) == pytest.approx(0.1, rel=0.01)
    after = during(done, 40, 90)
    assert after["vti_ml"].median() == pytest.approx(VOLUME_ML, rel=0.01)


def test_breathing_trial_leaves_breathing_to_the_patient_then_takes_over_again() -> None:
    effort = {"rate_per_min": 22, "size_cmh2o": 8}
    done = made(effort=effort, procedures=plan("breathing trial", each_s=40, support_cmh2o=6))
    trial, after = during(done, 22, 58), during(done, 64, 90)
    assert trial["pressure_supported"].min() == 1
    assert trial["mandatory"].max() == 0
    assert after["pressure_supported"].max() == 0
