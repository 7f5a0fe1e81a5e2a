"""What holds show, against worked numbers (computed from the printed equations) and a simulated occlusion."""

from __future__ import annotations

from dataclasses import astuple

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tidebench.errors import OptionError
from tidebench.formulas.mechanics import (
    circuit_corrected_volume_ml,
    driving_pressure_cmh2o,
    dynamic_compliance,
    hold_resistances,
    static_compliance,
)
from tidebench.measures.manoeuvres import quality


def test_compliance_and_driving_pressure() -> None:
    assert static_compliance(600.0, 22.0, 7.0) == pytest.approx(40.0)
    assert dynamic_compliance(600.0, 30.0, 7.0) == pytest.approx(26.0870, rel=1e-5)
    assert driving_pressure_cmh2o(22.0, 7.0) == 15.0
    # Set PEEP instead of total PEEP makes the lung look stiffer and the driving pressure higher.
    assert driving_pressure_cmh2o(22.0, 5.0) == 17.0


# Equations: Bates, J Appl Physiol 1985;58:1840 (from memory).
def test_resistances() -> None:
    assert astuple(hold_resistances(30.0, 24.0, 22.0, 1.0)) == pytest.approx((8.0, 6.0, 2.0))


# Patient B of Crit Care 2013, doi 10.1186/cc12561, Table 1 (verified): 0.65 L, C 0.095, plateau 9.78 cmH2O. Whoever
# leaves intrinsic PEEP out reads 0.0665 (computed), a lung stiffer by 30 %.
def test_what_trapped_gas_does_to_a_hold() -> None:
    assert static_compliance(0.65, 9.77848, 9.77848 - 0.65 / 0.095) == pytest.approx(0.095, rel=1e-6)
    assert static_compliance(0.65, 9.77848, 0.0) == pytest.approx(0.066472, rel=1e-4)


# 500 − 2·(30 − 5) = 450 mL.
def test_the_tubing_takes_its_part() -> None:
    assert circuit_corrected_volume_ml(500.0, 2.0, 30.0, 5.0) == 450.0
    assert circuit_corrected_volume_ml(8.0, 1.0, 25.0, 5.0) == 0.0
    assert circuit_corrected_volume_ml(500.0, 0.0, 30.0, 5.0) == 500.0


def test_a_simulated_occlusion_gives_the_resistances_back() -> None:
    """Two compartments in parallel behind one airway: minimal resistance is the airway's and their parallel share's."""
    airway, first, second, stiff, soft, flow = 6.0, 4.0, 20.0, 0.02, 0.04, 0.5

    def node(v1: float, v2: float, inflow: float) -> float:
        return (inflow + v1 / stiff / first + v2 / soft / second) / (1 / first + 1 / second)

    def slope(t: float, v: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
        pressure = node(v[0], v[1], flow if t < 1.0 else 0.0)
        return [(pressure - v[0] / stiff) / first, (pressure - v[1] / soft) / second]

    filled = solve_ivp(slope, (0, 1), [0.0, 0.0], rtol=1e-10, atol=1e-12, max_step=0.01).y[:, -1]
    rested = solve_ivp(slope, (1, 15), filled, rtol=1e-10, atol=1e-12).y[:, -1]
    peak = node(filled[0], filled[1], flow) + airway * flow
    initial, plateau = node(filled[0], filled[1], 0.0), node(rested[0], rested[1], 0.0)
    found = hold_resistances(peak, initial, plateau, flow)
    assert found.minimal == pytest.approx(airway + 1 / (1 / first + 1 / second), rel=1e-6)
    assert found.maximal == pytest.approx(found.minimal + found.additional)
    assert found.additional > 0.5
    assert static_compliance(flow * 1.0, plateau, 0.0) == pytest.approx(stiff + soft, rel=1e-5)


@pytest.mark.parametrize("samples", range(4))
def test_a_hold_of_hardly_a_sample_is_too_short_to_be_judged(samples: int) -> None:
    assert quality(np.full(samples, 5.0), 25.0, leak=False, heart_hz=1.5) == ("too short",)


def test_arguments_outside_are_refused() -> None:
    with pytest.raises(OptionError, match=r"plateau_pressure_cmh2o: 7 .*above PEEP"):
        static_compliance(500.0, 7.0, 7.0)
    with pytest.raises(OptionError, match="volume: 0 "):
        static_compliance(0.0, 22.0, 7.0)
    with pytest.raises(OptionError, match="volume: inf "):
        static_compliance(float("inf"), 22.0, 7.0)
    with pytest.raises(OptionError, match=r"initial_pressure_cmh2o: 21 .*at least the plateau"):
        hold_resistances(30.0, 21.0, 22.0, 1.0)
    with pytest.raises(OptionError, match="peak_pressure_cmh2o: 23 "):
        hold_resistances(23.0, 24.0, 22.0, 1.0)
    with pytest.raises(OptionError, match=r"flow_l_s: 0 .*above 0 L/s"):
        hold_resistances(30.0, 24.0, 22.0, 0.0)
    with pytest.raises(OptionError, match="circuit_compliance_ml_cmh2o: -1 "):
        circuit_corrected_volume_ml(500.0, -1.0, 30.0, 5.0)


def test_array_elements_outside_become_nan() -> None:
    peep = np.full(4, 7.0)
    found = static_compliance(np.array([600.0, 600.0, 0.0, 600.0]), np.array([22.0, 6.0, 22.0, np.nan]), peep)
    assert found[0] == pytest.approx(40.0)
    assert np.isnan(found).tolist() == [False, True, True, True]
    assert np.isnan(static_compliance(600.0, float("nan"), 7.0))
