"""Scenarios for the tests of the simulation, written briefly; and what happened in each compartment."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tidebench import review_case, simulate_case
from tidebench.review import Review
from tidebench.simulation import Scenario, Solution, layout, scenario_from, simulate
from tidebench.simulation.setup import start_of
from tidebench.simulation.solution import arrays
from tidebench.simulation.solver import run

Values = npt.NDArray[np.float64]
IDEAL = {
    "valve_resistance_cmh2o_s_l": 0.001, "source_resistance_cmh2o_s_l": 0.001, "valve_time_s": 0.0,
    "highest_flow_l_min": 600.0,
}  # fmt: skip
"""Valves with next to no resistance and no inertia, as closed forms assume."""
REGULAR = {"rate_cv": 0.0, "size_cv": 0.0, "neural_time_cv": 0.0}

INTUBATED_NEWBORN = """
[patient]
age_days = 6
weight_kg = 3.2
[airway]
interface = "endotracheal tube"
tube_inner_diameter_mm = 3.5
tube_length_cm = 12
[circuit]
compliance_ml_cmh2o = 0.4
[sensors]
pressure_noise_cmh2o = 0.04
flow_noise_l_min = 0.02
"""
"""Who lies there, on what, and how it is recorded: tables for the end of a scenario."""


def reviewed_newborn(scenario: str, folder: Path) -> Review:
    """The review of :data:`INTUBATED_NEWBORN` with the rest of its scenario, simulated into ``folder / "case"``."""
    (folder / "scenario.toml").write_text(scenario + INTUBATED_NEWBORN, encoding="utf-8")
    simulate_case(folder / "scenario.toml", folder / "case")
    return review_case(folder / "case", folder / "out")


def compartment(compliance_ml: float, resistance: float, outward: float | None = None) -> dict[str, float | None]:
    """One linear compartment: mL/cmH2O, cmH2O·s/L."""
    return {
        "compliance_ml_cmh2o": compliance_ml, "resistance_cmh2o_s_l": resistance,
        "expiratory_resistance_cmh2o_s_l": outward,
    }  # fmt: skip


def volume_control(volume_ml: float, seconds: float, period: float, peep: float, **keys: object) -> dict[str, object]:
    """Settings of CMV-VC; gas flows for ``seconds``, then comes what pause there is."""
    lasts = seconds + float(str(keys.get("pause_s", 0.0)))
    return {
        "mode": "CMV-VC", "tidal_volume_ml": volume_ml, "inspiratory_time_s": lasts, "rate_per_min": 60 / period,
        "peep_cmh2o": peep, **keys,
    }  # fmt: skip


def pressure_control(above: float, seconds: float, period: float, peep: float, **keys: object) -> dict[str, object]:
    """Settings of CMV-PC without a rise."""
    return {
        "mode": "CMV-PC", "pressure_control_cmh2o": above, "inspiratory_time_s": seconds, "rate_per_min": 60 / period,
        "peep_cmh2o": peep, "rise_s": 0.0, **keys,
    }  # fmt: skip


def scenario(
    parts: list[dict[str, Any]], setting: dict[str, object], seconds: float, *, lung: dict[str, Any] | None = None,
    **tables: Any,
) -> Scenario:  # fmt: skip
    """Compartments under one setting, for some seconds."""
    return scenario_from(
        {"duration_s": seconds, "lung": {"compartments": parts, **(lung or {})}, "settings": [setting], **tables}
    )


def steady_breath(told: Scenario) -> dict[str, Any]:
    """The last whole breath but one, of the truth."""
    return simulate(told).breaths.to_dicts()[-2]


def compartment_volumes(told: Scenario) -> tuple[Values, Any]:
    """Volumes of the compartments at every sample (columns), litres, and everything as it stood at the end.

    The solver is run sample by sample, since a solution holds only their sum.
    """
    start, rng = start_of(told), np.random.default_rng(told.seed)
    dt, none = 1.0 / told.sampling_hz, np.zeros(0)
    rows = np.zeros(4000, layout.record(layout.BREATH))
    efforts, out = np.zeros((4000, 5)), np.zeros((0, 1))
    done = count = 0
    advance: Any = run  # its records have no type
    volumes = []
    for sample in range(round(told.duration_s * told.sampling_hz)):
        volumes.append(start.units["volume"].copy())
        _, count, done, _ = advance(
            *arrays(start), done, sample, sample + 1, dt, told.step_ms / 1000, none, out, rows, count, efforts, rng
        )
    return np.array(volumes).T, start


def samples(solution: Solution) -> Values:
    """Times of a solution's samples, s."""
    told = solution.scenario
    return np.arange(round(told.duration_s * told.sampling_hz)) / told.sampling_hz
