"""Nothing is lost: gas volume, carbon dioxide, oxygen. By the definition of conservation; no source needed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.reference.simulated import (
    compartment,
    compartment_volumes,
    pressure_control,
    scenario,
    volume_control,
)
from tidebench.simulation import Scenario, gases, scenario_from, simulate
from tidebench.simulation.setup import start_of

TWO = [compartment(30, 9), compartment(15, 30)]
TUBE = {"interface": "endotracheal tube", "tube_inner_diameter_mm": 7.5}
EFFORT = {"rate_per_min": 17, "size_cmh2o": 6}
VOLUME, PRESSURE = volume_control(450, 0.803, 3.013, 5, pause_s=0.2), pressure_control(15, 1.003, 3.013, 5)


def told(setting: dict[str, object], **tables: Any) -> Scenario:
    """Thirty seconds of two compartments with everything that moves gas."""
    more: dict[str, Any] = {"airway": TUBE, "effort": EFFORT, "circuit": {"compliance_ml_cmh2o": 1.5}} | tables
    return scenario(TWO, setting, 30, **more)


@pytest.mark.parametrize("leak", [{}, {"flow_l_min": 6}], ids=["tight", "leaking"])
def test_compartments_hold_what_came_in(leak: dict[str, float]) -> None:
    _, end = compartment_volumes(told(PRESSURE, leak=leak))
    assert end.units["volume"].sum() == pytest.approx(end.mechanics["volume"], abs=1e-13)


@pytest.mark.parametrize("setting", [VOLUME, PRESSURE], ids=["volume", "pressure"])
def test_lung_gains_the_flow_at_the_wye(setting: dict[str, object]) -> None:
    raw = simulate(told(setting)).raw_breaths
    net = (raw["inhaled_at_wye"] - raw["exhaled_at_wye"]).to_numpy()[:-1]
    np.testing.assert_allclose(net, np.diff(raw["volume_start"].to_numpy()), atol=1e-13)


@pytest.mark.parametrize("circuit_ml", [0.0, 1.5])
@pytest.mark.parametrize(("at", "behind"), [("cuff", "tracheal_pressure"), ("mask", "airway_pressure")])
def test_what_the_lung_does_not_gain_has_leaked(at: str, behind: str, circuit_ml: float) -> None:
    """Flow at the wye less the lung's gain is the leak's law, 0.1·(P/10)^0.6, integrated over each breath."""
    leak = {"at": at, "flow_l_min": 6}
    case = told(PRESSURE, leak=leak, circuit={"compliance_ml_cmh2o": circuit_ml}, sampling_hz=1000)
    solution = simulate(case, ["airway_pressure", "flow", behind])
    raw = solution.raw_breaths
    gain = np.diff(raw["volume_start"].to_numpy())
    lost = (raw["inhaled_at_wye"] - raw["exhaled_at_wye"]).to_numpy()[:-1] - gain
    through = 0.1 * (np.maximum(solution.channels[behind], 0) / 10) ** 0.6 / 1000
    edges = np.round(raw["start"].to_numpy() * 1000).astype(int) + 1
    np.testing.assert_allclose(lost, np.add.reduceat(through, edges)[:-1], rtol=1e-3)


def test_exhaled_volume_is_the_fall_from_the_turn_to_the_lowest_before_the_next_start() -> None:
    """By the contract's definition, from the flow alone; efforts stack breaths, which then exhale little."""
    child = scenario_from({"title": "stacked", "who": "child", "duration_s": 120, "sampling_hz": 1000, "seed": 4})
    solution = simulate(child)
    volume = np.cumsum(solution.channels["flow"]) / 1000
    edges = np.round(solution.breaths["start_s"].to_numpy() * 1000).astype(int)
    parts = np.split(volume, edges[1:])[: len(edges) - 1]
    parts[0] = parts[0][edges[0] :]
    fall = np.array([part.max() - part[part.argmax() :].min() for part in parts]) * 1000
    told_by_truth = solution.breaths["vte_ml"].to_numpy()[: len(fall)]
    assert fall.min() < 0.8 * np.median(fall), "no breath was stacked"
    np.testing.assert_allclose(told_by_truth, fall, atol=2.0)


def test_circuit_keeps_what_the_lung_does_not_get() -> None:
    """VT = gain of the lung + C_circuit·ΔP, at the end of an inflation without a leak or a pause."""
    case = told(
        volume_control(450, 0.8, 3, 5), effort={}, sampling_hz=1000,
        ventilator={"valve_time_s": 0.0}, lung={"upper_airway_resistance_cmh2o_s_l": 2},
    )  # fmt: skip
    solution = simulate(case, ["airway_pressure", "lung_volume", "flow"])
    begin = round(1000 * solution.breaths["start_s"][3])
    pressure, volume = (solution.channels[name] for name in ("airway_pressure", "lung_volume"))
    kept = 0.0015 * (pressure[begin + 800] - pressure[begin])
    assert volume[begin + 800] - volume[begin] + kept == pytest.approx(0.45, abs=1e-9)


def stores(start: Any) -> tuple[float, float]:
    """Carbon dioxide and oxygen in alveoli, blood and tissues, L STPD."""
    g, p = start.gases, start.memory.patient[0]
    per_litre = gases.BODY / (p["barometric_pressure"] - gases.WATER)
    co2 = g["co2"] / per_litre + p["co2_store"] * g["co2_tension"] + p["co2_slow_store"] * g["co2_slow_tension"]
    return float(co2), float(g["o2"] / per_litre + p["o2_store"] * g["venous_o2"])


def test_blood_and_tissues_conserve_gas() -> None:
    """What metabolism makes and takes is what the stores gain and lose, to round-off."""
    start = start_of(told(PRESSURE, exchange={"shunt": 0.2, "co2_production_ml_min": 200, "o2_uptake_ml_min": 250}))
    co2, oxygen = stores(start)
    for _ in range(600):
        gases.exchange(start.memory.patient[0], start.gases, float(start.memory.patient[0]["shunt"]), 0.1)
    after = stores(start)
    assert after[0] - co2 == pytest.approx(0.200, abs=1e-12)
    assert after[1] - oxygen == pytest.approx(-0.250, abs=1e-12)


def test_moving_gas_conserves_it() -> None:
    """Breathing out and in again within the dead space brings all of it back, and more brings fresh gas at FiO2."""
    start = start_of(
        told({**PRESSURE, "fio2": 0.5}, exchange={"alveolar_dead_space": 0.0, "airway_dead_space_ml": 150})
    )
    patient, machine, g = start.memory.patient[0], start.memory.machine[0], start.gases
    for _ in range(30):
        gases.mix(patient, machine, g, -0.01)
    volume, co2, oxygen = float(g["volume"]), float(g["co2"]), float(g["o2"])
    gases.mix(patient, machine, g, -0.1)
    gases.mix(patient, machine, g, 0.1)
    assert (g["volume"], g["co2"], g["o2"]) == pytest.approx((volume, co2, oxygen), rel=1e-12)
    behind = float(g["behind_o2"])
    gases.mix(patient, machine, g, 0.1)
    assert float(g["co2"]) == pytest.approx(co2 + 0.05 * float(g["behind_co2"]), rel=1e-12)
    assert float(g["o2"]) == pytest.approx(oxygen + 0.05 * behind + 0.05 * 0.5, rel=1e-12)
