"""Findings that a patient's or a sensor's trouble must bring, and its absence must not; the simulation is the truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.reference.simulated import compartment
from tidebench.case import Case, case_from
from tidebench.recording import Recording
from tidebench.review import Review, review
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.write import case_tables

NOISE = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.3}
ADULT = {"sex": "male", "age_years": 60, "height_cm": 175, "weight_kg": 80}
VOLUME = {
    "mode": "A/C-VC", "peep_cmh2o": 6, "fio2": 0.4, "rate_per_min": 15, "tidal_volume_ml": 450,
    "inspiratory_flow_l_min": 40,
}  # fmt: skip
PRESSURE = {
    "mode": "A/C-PC", "peep_cmh2o": 6, "fio2": 0.4, "rate_per_min": 15, "pressure_control_cmh2o": 14,
    "inspiratory_time_s": 1.0,
}  # fmt: skip
SUPPORT = {"mode": "CSV-PS", "peep_cmh2o": 6, "fio2": 0.4, "pressure_support_cmh2o": 10}
EFFORT = {"rate_per_min": 18, "size_cmh2o": 6}


def seen(setting: dict[str, Any], seconds: float = 120, **tables: Any) -> Review:
    """A review of an invented adult on one setting; the case says patient and settings alone."""
    whole = {
        "duration_s": seconds, "patient": ADULT, "lung": {"compartments": [compartment(50, 10)]}, "sensors": NOISE,
        "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 8.0}, "settings": [setting],
    }  # fmt: skip
    told = scenario_from({**whole, **tables})
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    return review(case_from(said), simulate(told).recording)


def of(found: Review, kind: str) -> pl.DataFrame:
    """The findings of one kind."""
    return found.findings.filter(pl.col("kind") == kind)


@pytest.mark.parametrize("setting", [VOLUME, PRESSURE, {**SUPPORT, "effort": EFFORT}], ids=["VC", "PC", "PS"])
def test_no_trouble_brings_none_of_these(setting: dict[str, Any]) -> None:
    effort = setting.get("effort", {})
    found = seen({key: value for key, value in setting.items() if key != "effort"}, effort=effort)
    kinds = {
        "cough", "obstruction", "leak-change", "expiratory-flow-limitation", "flat-line", "sensor-offset",
        "sensor-drift", "channel-delay", "beyond-limit",
    }  # fmt: skip
    assert not kinds & set(found.findings["kind"])


@pytest.mark.parametrize("who", ["adult-healthy", "ards-severe", "hard-to-wean", "child", "newborn-term"])
def test_coughs_are_found_and_nothing_else_is_called_one(who: str) -> None:
    at = [30 + 11.37 * k for k in range(12)]
    told = scenario_from(
        {"who": who, "duration_s": 180, "manoeuvres": [{"at_s": when, "kind": "cough"} for when in at]}
    )
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    rows = of(review(case_from(said), simulate(told).recording), "cough")
    start, end = rows["start_s"].to_numpy(), rows["end_s"].to_numpy()
    hit = [bool(np.any((start < when + 0.5) & (end > when))) for when in at]
    assert np.mean(hit) >= 0.75
    stray = [not any(a < when + 1.5 and b > when - 0.2 for when in at) for a, b in zip(start, end, strict=True)]
    assert sum(stray) <= 1


@pytest.mark.parametrize("limited", [True, False])
def test_flow_limitation_is_total_peep_that_does_not_follow(limited: bool) -> None:
    """Limitation by the lung's own recoil (limiting resistance), or only a resistance that is as large going out."""
    narrow = {"limiting_resistance_cmh2o_s_l": 40.0} if limited else {"expiratory_resistance_cmh2o_s_l": 40.0}
    part = {"compliance_ml_cmh2o": 60, "resistance_cmh2o_s_l": 10, **narrow}
    steps = [{**VOLUME, "peep_cmh2o": 0, "rate_per_min": 18}, {"at_s": 120, "peep_cmh2o": 4}]
    found = seen({}, 240, lung={"compartments": [part]}, settings=steps)
    assert bool(of(found, "expiratory-flow-limitation").height) == limited


@pytest.mark.parametrize("setting", [VOLUME, PRESSURE, SUPPORT], ids=["VC", "PC", "PS"])
def test_obstruction_is_found_within_three_breaths(setting: dict[str, Any]) -> None:
    effort = EFFORT if setting is SUPPORT else {}
    spasm = [{"at_s": 60, "kind": "bronchospasm", "size": 3}]
    rows = of(seen(setting, effort=effort, events=spasm), "obstruction")
    assert rows.height == 1
    assert 58 < rows["start_s"][0] < 72


@pytest.mark.parametrize("setting", [VOLUME, SUPPORT], ids=["VC", "PS"])
def test_a_leak_that_opens_and_closes_is_found_twice(setting: dict[str, Any]) -> None:
    events = [{"at_s": 80, "kind": "cuff leak", "size": 2}, {"at_s": 160, "kind": "relief"}]
    rows = of(seen(setting, 240, effort=EFFORT if setting is SUPPORT else {}, events=events), "leak-change")
    assert rows["start_s"].to_list() == pytest.approx([80, 160], abs=12)


@pytest.mark.parametrize(("offset", "found"), [(-2.5, 1), (2.5, 0)])
def test_an_outward_offset_is_told_with_its_size_and_an_inward_one_may_be_a_leak(offset: float, found: int) -> None:
    rows = of(seen(VOLUME, sensors={**NOISE, "flow_offset_l_min": offset}), "sensor-offset")
    assert rows.height == found
    if found:
        assert rows["values"][0][0]["value"] == pytest.approx(offset, abs=0.3)


@pytest.mark.parametrize(("drift", "found"), [(-24, 1), (24, 0)])
def test_an_outward_drift_is_told_with_its_size_and_an_inward_one_may_be_a_leak(drift: float, found: int) -> None:
    rows = of(seen(VOLUME, 600, sensors={**NOISE, "flow_drift_l_min_per_h": drift}), "sensor-drift")
    assert rows.height == found
    if found:  # between the middles of 20 breaths
        assert rows["values"][0][0]["value"] == pytest.approx(drift / 6 * 0.87, abs=0.6)


def test_a_leak_that_opens_is_no_drift_of_the_sensor() -> None:
    rows = seen(VOLUME, 240, events=[{"at_s": 120, "kind": "cuff leak"}], sensors=NOISE)
    assert not of(rows, "sensor-drift").height


def test_a_hold_that_a_leak_and_an_effort_empty_is_no_disconnection() -> None:
    """On a mask that leaks, pressure in an expiratory hold falls to that of the room, and nothing flows."""
    leak = {"at": "mask", "flow_l_min": 15, "exponent": 0.6}
    manoeuvres = [
        {"at_s": 40, "kind": "expiratory hold"}, {"at_s": 80, "kind": "disconnection"},
    ]  # fmt: skip
    found = seen(
        SUPPORT, effort=EFFORT, leak=leak, airway={"interface": "mask"}, patient={"age_years": 60, "weight_kg": 80},
        manoeuvres=manoeuvres,
    )  # fmt: skip
    assert [round(at / 10) for at in of(found, "disconnection")["start_s"]] == [8]


def test_water_that_rattles_is_no_flow_starvation() -> None:
    assert not of(seen(VOLUME, ventilator={"condensate": 0.2}), "flow-starvation").height


def test_small_lungs_that_empty_at_once_do_not_rattle() -> None:
    told = scenario_from({"who": "preterm-1200g", "duration_s": 60, "sensors": {"flow_noise_l_min": 0.01}})
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    assert not of(review(case_from(said), simulate(told).recording), "secretions").height


@pytest.mark.parametrize("delay_s", [-0.04, -0.015, 0.02, 0.05])
def test_a_delay_is_told_with_its_size(delay_s: float) -> None:
    rows = of(seen(PRESSURE, sensors={**NOISE, "flow_delay_s": delay_s}), "channel-delay")
    assert rows.height == 1
    assert rows["values"][0][0]["value"] == pytest.approx(delay_s, abs=0.006)


@pytest.mark.parametrize(("volume", "limits"), [(450, 0), (700, 1)])
def test_volume_beyond_its_limit_is_told_with_the_limit(volume: float, limits: int) -> None:
    """175 cm, male: 70.6 kg predicted (ARDS Network); 700 mL are 9.9 mL/kg, beyond 8."""
    found = seen({**VOLUME, "tidal_volume_ml": volume, "rate_per_min": 10})
    rows = of(found, "beyond-limit").filter(pl.col("evidence").str.contains("per predicted body weight"))
    assert rows.height == limits
    if limits:
        assert "ARDS Network" in rows["evidence"][0]


@pytest.mark.parametrize(("channel", "found"), [("flow", 1), ("airway_pressure", 1), ("both", 0)])
def test_a_flat_line_is_one_channel_that_stands_still_alone(channel: str, found: int) -> None:
    recording = simulate(scenario_from({"who": "adult-healthy", "duration_s": 60, "sensors": NOISE})).recording
    channels = {name: values.copy() for name, values in recording.channels.items()}
    for name in channels if channel == "both" else [channel]:
        channels[name][3000:3500] = channels[name][3000]
    rows = of(review(Case(), Recording(recording.rate_hz, channels)), "flat-line")
    assert rows.height == found
    if found:
        assert (rows["start_s"][0], rows["end_s"][0]) == pytest.approx((30.0, 35.0), abs=0.02)


@pytest.mark.parametrize(("condition", "found"), [("ARDS", True), (None, False)])
def test_a_rate_beyond_the_trial_s_is_found_where_the_case_says_ards(condition: str | None, found: bool) -> None:
    """35 /min was the trial's highest rate in ARDS (N Engl J Med 2000;342:1301); it bounds nobody else."""
    setting = {**VOLUME, "rate_per_min": 38, "tidal_volume_ml": 350, "inspiratory_flow_l_min": 60}
    told = scenario_from(
        {"duration_s": 60, "patient": ADULT, "lung": {"compartments": [compartment(40, 8)]}, "settings": [setting]}
    )
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    seen_of = review(case_from(said | ({"condition": condition} if condition else {})), simulate(told).recording)
    beyond = of(seen_of, "beyond-limit")["evidence"].to_list()
    assert any("35 /min" in words for words in beyond) == found
