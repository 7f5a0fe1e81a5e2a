"""The simulation beside the plain model, a second opinion in plain Python: volume control, circuit, valve, tube, holds.

:mod:`tests.reference.plain_lung` steps two states by Runge and Kutta's fourth order; ours is the solver at its default
step. A valve of resistance alone; expiration first, then the same breaths.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.reference.plain_lung import Machine, Patient, breathe
from tests.reference.simulated import compartment, scenario, volume_control
from tidebench.simulation import simulate
from tidebench.simulation.tube import tube_loss

COMPLIANCE, AIRWAY, VALVE, CIRCUIT, PEEP = 0.032, 8.0, 5.0, 0.002, 10.0
INFLATION, PAUSE, EXPIRATION, VOLUME = 0.603, 0.2, 1.2, 0.36
PERIOD = INFLATION + PAUSE + EXPIRATION
BEGIN = 0.5  # s from the start of a simulation to its first inflation
SECONDS = 12.0
EXPIRATORY = {"expiration": (6.1, 2.0)}
INSPIRATORY = {"pause": (2.3, 1.0)}


@pytest.mark.parametrize("diameter_mm", [None, 7.5], ids=["no tube", "tube"])
@pytest.mark.parametrize(
    "holds",
    [{}, EXPIRATORY, INSPIRATORY],
    ids=["breaths", "expiratory hold", "inspiratory hold"],
)
def test_plain_model_agrees(holds: dict[str, tuple[float, float]], diameter_mm: float | None) -> None:
    tube = {"interface": "endotracheal tube", "tube_inner_diameter_mm": diameter_mm} if diameter_mm else {}
    names = {"pause": "inspiratory hold", "expiration": "expiratory hold"}
    told = scenario(
        [compartment(1000 * COMPLIANCE, AIRWAY)],
        volume_control(1000 * VOLUME, INFLATION, PERIOD, PEEP, pause_s=PAUSE),
        SECONDS,
        airway=tube,
        circuit={"compliance_ml_cmh2o": 1000 * CIRCUIT},
        ventilator={"valve_resistance_cmh2o_s_l": VALVE, "valve_time_s": 0.0, "base_flow_l_min": 40},
        manoeuvres=[
            {"at_s": at - (EXPIRATION - BEGIN), "kind": names[phase], "duration_s": lasts}
            for phase, (at, lasts) in holds.items()
        ],
    )
    k1, k2 = tube_loss(told.airway)
    machine = Machine(
        peep=lambda _: PEEP, flow=VOLUME / INFLATION, inflation_s=INFLATION, pause_s=PAUSE, expiration_s=EXPIRATION,
        valve_resistance=VALVE, circuit_compliance=CIRCUIT, holds=dict(holds),
    )  # fmt: skip
    patient = Patient(compliance=lambda _: COMPLIANCE, resistance=AIRWAY + k1, quadratic=k2)
    plain = list(breathe(patient, machine, SECONDS + EXPIRATION - BEGIN))[round(1000 * (EXPIRATION - BEGIN)) :: 10]
    found = simulate(told, ["airway_pressure", "flow", "alveolar_pressure"]).channels
    for name, theirs in (("airway_pressure", "pressure"), ("alveolar_pressure", "recoil")):
        wanted = np.array([getattr(sample, theirs) for sample in plain])[: len(found[name])]
        assert np.abs(found[name][: len(wanted)] - wanted).max() < 0.005 * np.ptp(wanted), name
    assert (k1 > 0) == (diameter_mm is not None)
