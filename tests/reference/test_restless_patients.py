"""A lung of patients who never rest, and the muscle pressure that it gives, against what was put into a simulation.

The truth is the simulation's, itself held against closed forms, SciPy and ngspice; how the open set of recordings,
which another engine made, fares is in ``test_open_set.py``. Bounds are what the method reached on a population drawn
apart from these patients, rounded outwards (this house's).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.reference.simulated import compartment
from tidebench.case import Case
from tidebench.efforts.edges import delayed, lag_at_edges, lung_at_edges
from tidebench.efforts.equation import VOLUME as RECOIL
from tidebench.efforts.stretch import loss_flow
from tidebench.formulas.tube import Origin, Rohrer
from tidebench.line import run
from tidebench.measures.efforts import by_lung, from_airway, split
from tidebench.measures.plans import plan_for
from tidebench.measures.stretch import Measured, measure
from tidebench.recording import Recording
from tidebench.review import review
from tidebench.simulation import Solution, scenario_from, simulate

TUBE_8_MM = Rohrer(0.36, 6.19, Origin("Guttmann, Anesthesiology 1993;79:503, refitted (secondary source)"))
SUPPORT = {
    "mode": "CSV-PS", "peep_cmh2o": 6, "fio2": 0.4, "pressure_support_cmh2o": 11, "cycling_percent": 30,
    "trigger_flow_l_min": 2,
}  # fmt: skip
VOLUME = {
    "mode": "A/C-VC", "peep_cmh2o": 6, "fio2": 0.4, "rate_per_min": 10, "tidal_volume_ml": 460,
    "inspiratory_time_s": 1.0, "trigger_flow_l_min": 2,
}  # fmt: skip


def restless(setting: dict[str, Any], compliance: float, resistance: float, **more: Any) -> Solution:
    """A patient with an effort for every breath."""
    tables: dict[str, Any] = {
        "title": "restless", "duration_s": 120, "seed": 3, "settings": [setting],
        "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 8.0},
        "lung": {"compartments": [compartment(compliance, resistance)]},
        "effort": {"rate_per_min": 18, "size_cmh2o": 7, "neural_time_s": 1.0},
        "sensors": {"pressure_noise_cmh2o": 0.05, "flow_noise_l_min": 0.3},
        **more,
    }  # fmt: skip
    return simulate(scenario_from(tables), channels=["airway_pressure", "flow", "muscle_pressure"])


def measured(done: Solution) -> Measured:
    """Its recording, measured."""
    recording = done.recording
    found = measure(
        recording["airway_pressure"], recording["flow"], float(recording.rate_hz),
        lambda start: plan_for(done.scenario.settings, start / float(recording.rate_hz)), TUBE_8_MM,
    )  # fmt: skip
    assert found is not None
    return found


@pytest.mark.parametrize("setting", [SUPPORT, VOLUME], ids=["support", "volume control"])
@pytest.mark.parametrize(("compliance", "resistance"), [(50, 6), (28, 4), (60, 14)])
def test_a_lung_shows_though_every_breath_has_an_effort(
    setting: dict[str, Any], compliance: float, resistance: float
) -> None:
    found = measured(restless(setting, compliance, resistance))
    assert not (found.explained.passive == 1).any()
    (lung,) = found.explained.lungs
    assert lung.elastance == pytest.approx(1000 / compliance, rel=0.2)
    assert lung.theta[1] + 0.7 * lung.theta[2] == pytest.approx(resistance + 0.36 + 0.7 * TUBE_8_MM.k2, rel=0.1)
    assert not np.isfinite(found.explained.elastance).any()  # such a compliance belongs to no breath


@pytest.mark.parametrize("setting", [SUPPORT, VOLUME], ids=["support", "volume control"])
def test_muscle_pressure_is_what_the_muscles_did(setting: dict[str, Any]) -> None:
    done = restless(setting, 45, 7)
    found, true = from_airway(measured(done)), done.channels["muscle_pressure"]
    known = np.isfinite(found)
    assert known.mean() > 0.7
    assert np.sqrt(np.mean(np.square(found[known] - true[known]))) < 0.12 * true.max()
    assert np.corrcoef(found[known], true[known])[0, 1] > 0.98


@pytest.mark.parametrize("softer", [0.85, 0.75, 0.65])
def test_a_lung_that_is_too_soft_is_stiffened_until_nobody_pushes(softer: float) -> None:
    """Trapped gas leaves efforts unanswered, so that some inflations have none for their longest part."""
    obstructed = {**SUPPORT, "pressure_support_cmh2o": 16, "cycling_percent": 20}
    done = restless(obstructed, 55, 22, effort={"rate_per_min": 26, "size_cmh2o": 5, "neural_time_s": 0.7})
    found, true = measured(done), done.channels["muscle_pressure"]
    theta = found.explained.theta.copy()
    theta[:, RECOIL] *= softer * 1000 / 55 / theta[0, RECOIL]
    soft = replace(found, explained=replace(found.explained, theta=theta))
    error = [np.sqrt(np.nanmean(np.square(muscle - true))) for muscle in (by_lung(soft, theta), from_airway(soft))]
    assert error[1] < min(0.15 * true.max(), 0.7 * error[0])


def test_efforts_that_fall_in_two_within_an_inflation_are_noticed() -> None:
    found = measured(restless(SUPPORT, 45, 7))
    muscle = from_airway(found)
    assert not split(found.stretch, muscle)
    halved = muscle.copy()
    for start, turn in zip(found.stretch.start[::4], found.stretch.turn[::4], strict=True):
        middle = (start + turn) // 2
        halved[middle - 12 : middle + 12] = 0.0
    assert split(found.stretch, halved)


@pytest.mark.parametrize("delay_s", [-0.05, -0.02, -0.01, 0.0, 0.015, 0.05])
def test_a_delay_between_the_channels_is_found_to_5_ms(delay_s: float) -> None:
    sensors = {"pressure_noise_cmh2o": 0.05, "flow_noise_l_min": 0.3, "flow_delay_s": delay_s}
    found = measured(restless(SUPPORT, 45, 7, sensors=sensors))
    assert found.columns["delay"][0] == pytest.approx(-delay_s, abs=0.0051)


def test_breathing_on_a_constant_pressure_shows_no_lung() -> None:
    """Without a valve that moves pressure, effort and lung can't be told apart."""
    cpap = {"mode": "CPAP", "peep_cmh2o": 6, "fio2": 0.4}
    found = measured(restless(cpap, 45, 7))
    stretch = found.stretch
    flow = stretch.flow - loss_flow(stretch, found.explained.loss)
    assert lung_at_edges(stretch, delayed(flow, lag_at_edges(stretch, flow), stretch.dt)) is None


def test_stacked_breaths_keep_one_level_of_rest() -> None:
    """Short inflations within long efforts: the second begins with the first in the lung and the effort under way."""
    brief = {**VOLUME, "tidal_volume_ml": 250, "inspiratory_time_s": 0.45}
    strong = {"rate_per_min": 16, "size_cmh2o": 10, "neural_time_s": 1.3}
    done = restless(brief, 45, 5, effort=strong, ventilator={"refractory_s": 0.15})
    doubles = done.breaths.filter(pl.col("labels").str.contains("double-trigger")).height
    assert doubles > 20
    (piece,) = run(dict(done.recording.channels), 100.0, done.scenario.settings, None, TUBE_8_MM)
    assert len(piece.efforts.onset) == pytest.approx(done.efforts.height, abs=3)
    assert np.median(piece.efforts.peak) == pytest.approx(10, rel=0.2)


@pytest.mark.parametrize("what", ["noise", "no flow", "square"])
def test_signals_that_no_lung_makes_show_none_and_warn_of_nothing(what: str) -> None:
    """Noise alone, pressure without flow, and steps without noise."""
    draw, time = np.random.default_rng(0), np.arange(12_000) / 100
    inflating = time % 3 < 1
    pressure, flow = np.where(inflating, 15.0, 5.0), np.where(inflating, 0.5, -0.25)
    if what == "noise":
        pressure, flow = 5 + draw.standard_normal(len(time)), draw.standard_normal(len(time))
    if what == "no flow":
        flow = np.zeros(len(time))
    done = review(Case(), Recording(100.0, {"airway_pressure": pressure, "flow": flow}))
    assert done.breaths["compliance_ml_cmh2o"].is_null().all() or what == "square"
    assert not done.efforts.height or what == "noise"


@pytest.mark.parametrize("delay_s", [-0.05, -0.013, 0.0, 0.01, 0.034])
def test_flow_put_later_is_numpys_interpolation(delay_s: float) -> None:
    flow, dt = np.sin(np.arange(200.0) ** 1.5), 0.01
    at = np.arange(len(flow))
    np.testing.assert_allclose(delayed(flow, delay_s, dt), np.interp(at - delay_s / dt, at, flow), atol=1e-12)
