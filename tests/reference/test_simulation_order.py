"""How fast the simulation's error falls with its step: the implicit midpoint rule is of second order.

Against solve_ivp (LSODA, relative tolerance 1e-11) split at every switch, two compartments behind a tube; the error is
that of the compartments' volumes, root mean square over 5 s. Order 2 where every switch is a step's end. What is not
located within a step lowers it a little: a source that leaves its highest flow, and, where the circuit does not yield,
the pressure from which a valve with inertia starts (that of the middle of the step before).
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
EFFORT = {"rate_per_min": 17, "size_cmh2o": 6, **REGULAR}
ABRUPT = {"valve_time_s": 0.0, "highest_flow_l_min": 600, "base_flow_l_min": 40}
SLOW: dict[str, float] = {}

CASES: dict[str, tuple[dict[str, object], float, dict[str, float], dict[str, float], float]] = {
    # settings, circuit compliance (mL/cmH2O), ventilator, effort, least order from first to last step
    "volume, abrupt, effort": (VOLUME, 0, ABRUPT, EFFORT, 1.9),
    "pressure, abrupt": (PRESSURE, 0, ABRUPT, {}, 1.9),
    "pressure, abrupt, effort": (PRESSURE, 0, ABRUPT, EFFORT, 1.9),
    "volume, circuit": (VOLUME, 1.5, SLOW, {}, 1.9),
    "volume, circuit, effort": (VOLUME, 1.5, SLOW, EFFORT, 1.9),
    "pressure, circuit, effort": (PRESSURE, 1.5, SLOW, EFFORT, 1.6),
    "volume, valve with inertia, effort": (VOLUME, 0, SLOW, EFFORT, 1.2),
}


def told(name: str, step_ms: float) -> Scenario:
    """The scenario of a case at a step."""
    setting, circuit_ml, built, effort, _ = CASES[name]
    tables: dict[str, Any] = {"circuit": {"compliance_ml_cmh2o": circuit_ml}, "ventilator": built, "effort": effort}
    tables["airway"] = {"interface": "endotracheal tube", "tube_inner_diameter_mm": 7.5}
    return scenario([compartment(30, 9), compartment(15, 30)], setting, 5, step_ms=step_ms, **tables)


@pytest.mark.parametrize("name", CASES)
def test_order_of_convergence(name: str) -> None:
    at = samples(simulate(told(name, 1.0), []))[1:]
    exact = Peer(told(name, 1.0)).split(at, rtol=1e-11, atol=1e-13).volumes
    errors = [
        float(np.sqrt(np.mean((compartment_volumes(told(name, step))[0][:, 1:] - exact) ** 2))) for step in STEPS_MS
    ]
    order = np.log2(errors[0] / errors[-1]) / np.log2(STEPS_MS[0] / STEPS_MS[-1])
    assert errors[0] < 5e-6, errors
    assert CASES[name][-1] < order < 2.6, (errors, order)
