"""A patient whose values contradict each other is refused; where airways close while time runs, gas stays.

Residual volume is about half of the volume at rest (common practice, no source); 1.34 mL of oxygen per gram of
haemoglobin (Hüfner).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from tidebench.errors import CaseError
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.setup import exchange_values, start_of

VOLUME = {
    "mode": "CMV-VC", "peep_cmh2o": 5, "fio2": 0.4, "rate_per_min": 15, "tidal_volume_ml": 450, "inspiratory_time_s": 1,
}  # fmt: skip
BENT = {"low_ml": -3000, "span_ml": 4000, "middle_cmh2o": 10, "width_cmh2o": 2}


def adult(compliance: float = 80, pleural: float = 0, peep: float = 5, **tables: Any) -> dict[str, Any]:
    """An invented adult of 70 kg: 1750 mL at rest on no PEEP."""
    return {
        "duration_s": 60, "patient": {"weight_kg": 70}, "settings": [{**VOLUME, "peep_cmh2o": peep}],
        "lung": {
            "pleural_pressure_cmh2o": pleural,
            "compartments": [{"compliance_ml_cmh2o": compliance, "resistance_cmh2o_s_l": 10}],
        },
        **tables,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("said", "message"),
    [
        (adult(pleural=25, peep=0), "[lung]: rests 875 mL or more below [exchange] residual_volume_ml on PEEP 0 cmH2O"),
        (adult(pleural=25, peep=0), "pleural_pressure_cmh2o below 10.9 on this PEEP. Or set more PEEP."),
        ({"who": "obesity", "lung": {"pleural_pressure_cmh2o": 30}}, "pleural_pressure_cmh2o below 23.2 on this PEEP."),
        (
            {**adult(), "lung": {"compartments": [{"sigmoid": BENT, "resistance_cmh2o_s_l": 5}]}},
            "[lung]: rests 875 mL or more below",
        ),
        (
            adult(exchange={"o2_uptake_ml_min": 60}),
            "[exchange]: has a respiratory quotient of 3.38 (co2_production_ml_min over o2_uptake_ml_min). "
            "Expected: 0.6 to 1.3. Give both:",
        ),
        (
            adult(exchange={"cardiac_output_l_min": 1}),
            "[exchange]: uses 253.7 mL/min of oxygen. Expected: at most 161 mL/min: what 1 L/min of this blood carries",
        ),
        (adult(exchange={"co2_production_ml_min": 1000}), "uses 1250 mL/min of oxygen. Expected: at most 844 mL/min"),
        (
            adult(ventilator={"highest_flow_l_min": 20}),
            "[[settings]] no. 1: a set flow of 27 L/min is above highest_flow_l_min 20. "
            "Expected: a flow of at most 20 L/min. Give the volume more time",
        ),
        (
            adult(
                ventilator={"highest_flow_l_min": 30},
                procedures=[{"at_s": 5, "kind": "slow inflation", "flow_l_min": 40}],
            ),
            "has a slow inflation at 40 L/min, and highest_flow_l_min is 30. Expected: flow_l_min of at most 30",
        ),
        (adult(events={"kind": "fever"}), "[events]: is one table. Expected: [[events]], in two brackets, before each"),
        (adult(manoeuvres={"kind": "cough"}), "[manoeuvres]: is one table. Expected: [[manoeuvres]], in two brackets"),
    ],
)
def test_what_no_patient_can_be_is_refused_with_what_is_allowed(said: dict[str, Any], message: str) -> None:
    with pytest.raises(CaseError) as refused:
        scenario_from(said)
    assert message in str(refused.value)


def test_what_the_message_allows_is_taken() -> None:
    """Rest at PEEP − C⁻¹·V: 5 + 875/80 = 15.94 cmH2O on the pleura is where airways close."""
    assert scenario_from(adult(pleural=15.9))
    with pytest.raises(CaseError, match=r"below 15\.9 on this PEEP"):
        scenario_from(adult(pleural=15.95))


@pytest.mark.parametrize(
    "later",
    [
        {"manoeuvres": [{"at_s": 20, "kind": "disconnection", "duration_s": 30}]},
        {"settings": [{**VOLUME, "peep_cmh2o": 12}, {"at_s": 20, "peep_cmh2o": 0}]},
        {"events": [{"at_s": 20, "kind": "pneumothorax", "size": 2}], "settings": [{**VOLUME, "peep_cmh2o": 10}]},
    ],
)
def test_airways_close_before_the_lung_is_empty(later: dict[str, Any]) -> None:
    """Pressed upon by 20 cmH2O, 1200 mL would leave; 875 do, and no arterial value goes astray."""
    found = simulate({**adult(pleural=20, peep=12), **later}, ["airway_pressure", "flow", "lung_volume", "arterial_o2"])
    least = float(found.channels["lung_volume"].min())
    assert least >= -0.8751
    if "events" not in later:
        assert least == pytest.approx(-0.875, abs=0.002)
    assert np.isfinite(found.channels["arterial_o2"]).all()
    last = found.breaths.filter(pl.col("pao2_mmhg") > 60)
    assert (last["sao2"] > 0.85).all()


@pytest.mark.parametrize(("at", "flow"), [("mask", 12.0), ("cuff", 8.0)])
def test_a_leak_is_there_from_the_first_sample(at: str, flow: float) -> None:
    """Flow = size · P^exponent on PEEP, at the mask; a little less past the cuff, where the tube has taken pressure."""
    leak = {"at": at, "flow_l_min": flow, "exponent": 0.6}
    tube = {"interface": "endotracheal tube", "tube_inner_diameter_mm": 7.5}
    found = simulate(adult(leak=leak, airway=tube))
    expected = flow / 60 * 0.5**0.6
    assert found.channels["flow"][0] == pytest.approx(expected, rel=1e-9 if at == "mask" else 0.05)
    assert found.channels["flow"][0] <= expected * (1 + 1e-9)


@pytest.mark.parametrize(
    ("kg", "expected"), [(0.8, 0.3), (3.3, 0.5), (7.3, 1.0), (25.4, 1.5), (70.0, 2.0)]
)  # common practice, no source
def test_a_trigger_that_is_not_set_follows_weight(kg: float, expected: float) -> None:
    told = adult(patient={"weight_kg": kg}, compliance=kg)
    assert 60 * start_of(scenario_from(told)).memory.machine[0]["trigger_flow"] == pytest.approx(expected)


@pytest.mark.parametrize(("kg", "expected"), [(0.8, 2), (7.3, 6), (25.4, 20), (70.0, 50)])  # common practice, no source
def test_a_heat_and_moisture_exchanger_has_dead_space_said_or_not(kg: float, expected: float) -> None:
    def dead(**circuit: Any) -> float:
        told = adult(patient={"weight_kg": kg}, compliance=kg, circuit=circuit)
        return exchange_values(scenario_from(told))["airway_dead_space"]

    exchanger = {"humidification": "heat and moisture exchanger"}
    assert dead(**exchanger) == pytest.approx(dead(dead_space_ml=expected))
    assert dead(**exchanger, dead_space_ml=0.0) == dead()


def test_a_preterm_infant_in_another_mode_is_heard() -> None:
    support = {"mode": "CSV-PS", "peep_cmh2o": 5, "fio2": 0.3, "pressure_support_cmh2o": 8}
    words = simulate({"who": "preterm-800g", "settings": [support]}).efforts["outcome"].to_list()
    assert words.count("triggered") > 0.6 * len(words)


def test_efforts_that_no_valve_answers_are_ineffective() -> None:
    deaf = {"mode": "CSV-PS", "peep_cmh2o": 5, "pressure_support_cmh2o": 8, "trigger_flow_l_min": 20}
    found = simulate({"who": "preterm-800g", "settings": [deaf]})
    assert found.breaths.height == 0
    assert set(found.efforts["outcome"].to_list()[:-1]) == {"ineffective"}
    assert set(found.efforts["breath"]) == {-1}
    later = simulate({"who": "hard-to-wean", "settings": [{"at_s": 40, "trigger_flow_l_min": 30}]})
    words = later.efforts.filter(pl.col("onset_s") > 42)["outcome"].to_list()
    assert set(words[:-1]) == {"ineffective"}


@pytest.mark.parametrize(
    ("rate", "seconds", "starts"),
    [(10, 60, 54.5), (10, 58, 48.5), (12, 60, 55.5), (15, 60, 52.5)],
)
def test_the_last_begun_breath_is_there_where_four_seconds_of_it_are(
    rate: float, seconds: float, starts: float
) -> None:
    """The first breath begins at 0.5 s, each a period later."""
    told = adult(settings=[{**VOLUME, "rate_per_min": rate}])
    last = simulate({**told, "duration_s": seconds}).breaths.to_dicts()[-1]
    assert last["start_s"] == pytest.approx(starts, abs=1e-6)
    assert last["vte_ml"] == pytest.approx(450, rel=0.02)
    assert 30 < last["paco2_mmhg"] < 50
    assert 7.2 < last["ph"] < 7.6
    if starts + 60 / rate > seconds:
        assert last["end_s"] == seconds


@pytest.mark.parametrize("mode", ["CMV-VC", "A/C-VC"])
@pytest.mark.parametrize("at", [31.7, 33.0, 35.9])
def test_a_slow_inflation_happens_whenever_it_is_asked_for(mode: str, at: float) -> None:
    """300 mL at 20 L/min take 0.9 s, half a second after it is asked for."""
    slow = {"at_s": at, "kind": "slow inflation", "volume_ml": 300, "flow_l_min": 20}
    told = adult(settings=[{**VOLUME, "mode": mode, "rate_per_min": 10}], procedures=[slow])
    found = simulate(told).breaths.filter(pl.col("start_s").is_between(at, at + 1)).to_dicts()
    assert [(one["start_s"], one["insp_end_s"] - one["start_s"]) for one in found] == [
        pytest.approx((at + 0.5, 0.9), abs=1e-6)
    ]
    assert found[0]["vti_ml"] == pytest.approx(300, rel=0.01)


def test_tables_and_paths_are_scenarios_for_simulate(tmp_path: Any) -> None:
    (tmp_path / "s.toml").write_text('who = "copd"\nduration_s = 10\n', encoding="utf-8")
    ways = [{"who": "copd", "duration_s": 10}, str(tmp_path / "s.toml"), tmp_path / "s.toml"]
    first, *others = (simulate(way).channels["flow"] for way in ways)
    assert all(np.array_equal(first, other) for other in others)
