"""Virtual patients: lung, effort, gases and ventilation, simulated with the truth kept.

::

    scenario ─► setup ─► solver ─► solution ─► a case folder with its truth
       │          │         └ mechanics · effort · gases · ventilation   (the model, compiled)
       │          └ layout: what the solver works on
       └ patient · machine · protocol · parameters                       (what a person writes)
"""

from __future__ import annotations

from tidebench.simulation.parameters import patient_names, patient_tables, sample, sample_population
from tidebench.simulation.scenario import Scenario, load_scenario, scenario_from
from tidebench.simulation.solution import Solution, simulate, simulate_many
from tidebench.simulation.write import simulate_case

__all__ = [
    "Scenario",
    "Solution",
    "load_scenario",
    "patient_names",
    "patient_tables",
    "sample",
    "sample_population",
    "scenario_from",
    "simulate",
    "simulate_case",
    "simulate_many",
]
