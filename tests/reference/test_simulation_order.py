"""How fast the simulation's error falls with its step: the implicit midpoint rule is of second order.

Against solve_ivp (LSODA, relative tolerance 1e-11) split at every switch, on volume and pressure control with effort.
Order is that of the volumes' error; a flow that jumps with a switch is compared elsewhere.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from benchmarks.solver_peer import Peer
from tests.reference.simulated import (
    REGULAR,
    compartment,
    compartment_volumes,
    pressure_control,
    samples,
    scenario,
    volume_control,
)
from tidebench.simulation import Scenario, simulate

STEPS_MS = (1.0, 0.5, 0.25)
VOLUME = volume_control(450, 0.803, 3.013, 5, pause_s=0.2)
PRESSURE = pressure_control(15, 1.003, 3.013, 5)


def told(setting: dict[str, object], circuit_ml: float, step_ms: float) -> Scenario:
    """Two compartments, a tube, effort."""
    tables: dict[str, Any] = {
        "circuit": {"compliance_ml_cmh2o": circuit_ml},
        "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 7.5},
        "effort": {"rate_per_min": 17, "size_cmh2o": 6, **REGULAR},
    }
    return scenario([compartment(30, 9), compartment(15, 30)], setting, 8, step_ms=step_ms, **tables)


@pytest.mark.parametrize("circuit_ml", [0.0, 1.5], ids=["stiff circuit", "circuit compliance"])
@pytest.mark.parametrize("setting", [VOLUME, PRESSURE], ids=["volume", "pressure"])
def test_order_of_convergence(setting: dict[str, object], circuit_ml: float) -> None:
    at = samples(simulate(told(setting, circuit_ml, 1.0), []))[1:]
    exact = Peer(told(setting, circuit_ml, 1.0)).split(at, rtol=1e-11, atol=1e-13).volumes
    errors = [
        float(np.sqrt(np.mean((compartment_volumes(told(setting, circuit_ml, step))[0][:, 1:] - exact) ** 2)))
        for step in STEPS_MS
    ]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert errors[0] < 1e-5, errors
    assert orders == pytest.approx([2.0, 2.0], abs=0.25), (errors, orders)
