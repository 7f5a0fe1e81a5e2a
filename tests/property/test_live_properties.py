"""A simulation in steps, written while it runs, is the simulation of the whole; going back gives the same again."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tidebench.errors import CaseError, OptionError
from tidebench.simulation import patient_names, scenario_from, simulate
from tidebench.simulation.layout import CHANNELS
from tidebench.simulation.live import Live

SAMPLES = 3000
PATIENTS = ("ards-mild", "copd", "hard-to-wean", "newborn-term", "neuromuscular", "adult-healthy")
SETTINGS: tuple[dict[str, Any], ...] = (
    {"peep_cmh2o": 9.0}, {"fio2": 0.6}, {"rise_s": 0.2}, {"trigger_flow_l_min": 1.5},
    {"mode": "CSV-PS", "pressure_support_cmh2o": 12.0}, {"mode": "A/C-PC", "pressure_control_cmh2o": 12.0,
                                                         "rate_per_min": 18.0, "inspiratory_time_s": 0.8},
)  # fmt: skip
MANOEUVRES = ("expiratory hold", "occlusion", "disconnection", "suction", "cough")
EVENTS: tuple[dict[str, Any], ...] = (
    {"kind": "bronchospasm", "over_s": 4.0}, {"kind": "pneumothorax", "size": 0.6}, {"kind": "secretions"},
    {"kind": "cuff leak", "over_s": 2.0}, {"kind": "sedation wearing off"}, {"kind": "fever"}, {"kind": "relief"},
    {"kind": "one-sided intubation", "over_s": 3.0}, {"kind": "apnoea"}, {"kind": "relief", "over_s": 2.0},
)  # fmt: skip

Moment = tuple[int, str, dict[str, Any]]  # samples to go until it, which table, its row


@st.composite
def moments(draw: st.DrawFn) -> list[Moment]:
    """What somebody does at the bench, with the samples that pass before each."""
    told: list[Moment] = []
    for _ in range(draw(st.integers(1, 5))):
        table = draw(st.sampled_from(("settings", "manoeuvres", "events")))
        kinds = [{"kind": kind} for kind in MANOEUVRES]
        row = draw(st.sampled_from({"settings": SETTINGS, "manoeuvres": kinds, "events": EVENTS}[table]))
        told.append((draw(st.integers(1, 400)), table, dict(row)))
    return told


def patient(who: str) -> dict[str, Any]:
    """A patient of the library as a scenario says it, settings in the open."""
    scenario = scenario_from({"who": who})
    first = scenario.settings[0].model_dump(exclude_none=True, exclude={"inspiratory_pressure_cmh2o"})
    return {"who": who, "seed": 3, "duration_s": SAMPLES / scenario.sampling_hz, "settings": [first]}


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(PATIENTS), moments(), st.lists(st.integers(1, 300), min_size=1, max_size=4))
def test_steps_are_the_whole_bit_for_bit(who: str, told: list[Moment], sizes: list[int]) -> None:
    said = patient(who)
    live, parts = Live(scenario_from(said), CHANNELS), []
    for gap, table, row in told:
        parts.append(live.step(gap))
        rows = [*said.get(table, []), {**row, "at_s": live.time_s}]
        with suppress(CaseError):  # a manoeuvre within another, or what the mode can't have: refused, nothing changed
            live.expect(scenario_from({**said, table: rows}))
            said[table] = rows
    turn = 0
    while live.sample < SAMPLES:
        parts.append(live.step(min(sizes[turn % len(sizes)], SAMPLES - live.sample)))
        turn += 1
    whole = simulate(scenario_from(said), CHANNELS)
    signals = np.concatenate(parts, axis=1)
    for k, name in enumerate(CHANNELS):
        assert np.array_equal(signals[k], whole.channels[name]), name
    assert live.breath_rows.tobytes() == whole.breath_rows.tobytes()
    assert live.effort_rows.tobytes() == whole.effort_rows.tobytes()


@pytest.mark.parametrize("who", patient_names())
def test_one_sample_at_a_time_is_the_whole(who: str) -> None:
    scenario = scenario_from({"who": who, "duration_s": 8.0, "events": [{"at_s": 3.0, "kind": "bronchospasm"}]})
    live = Live(scenario, ("airway_pressure", "flow", "recoil_pressure"))
    signals = np.concatenate([live.step(1) for _ in range(round(8.0 * scenario.sampling_hz))], axis=1)
    whole = simulate(scenario, live.names)
    assert all(np.array_equal(signals[k], whole.channels[name]) for k, name in enumerate(live.names))


def test_what_has_been_stays_as_it_was() -> None:
    said = patient("ards-mild")
    live = Live(scenario_from(said))
    live.step(500)
    earlier = [{"at_s": 4.0, "kind": "bronchospasm"}]
    with pytest.raises(OptionError, match="can't be changed"):
        live.expect(scenario_from({**said, "events": earlier}))
    with pytest.raises(OptionError, match="can't be changed"):
        live.expect(scenario_from({**said, "lung": {"pleural_pressure_cmh2o": 11.0}}))
    live.expect(scenario_from({**said, "events": [{"at_s": live.time_s, "kind": "bronchospasm"}]}))
    assert live.step(1).shape == (2, 1)


def test_recoil_is_what_a_passive_lung_holds_without_flow() -> None:
    """At rest on PEEP, before anything moves, airway pressure is recoil (the equation of motion without flow)."""
    live = Live(scenario_from({"who": "ards-mild"}), ("airway_pressure", "recoil_pressure", "flow"))
    pressure, recoil, flow = live.step(20)
    assert np.max(np.abs(pressure - recoil)) < 0.05
    assert np.max(np.abs(flow)) < 0.01
