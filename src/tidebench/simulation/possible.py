"""What can't be of a whole patient, though each value may: refused before anything runs.

Values that are not said count as the weight suggests them, as they do in a run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tidebench.errors import CaseError
from tidebench.formulas.gas_exchange import HUEFNER
from tidebench.simulation.layout import Memory
from tidebench.simulation.mechanics import CLOSED_BELOW, reopened, volume_at
from tidebench.simulation.setup import exchange_values, fill_lung, fill_patient

if TYPE_CHECKING:
    from tidebench.simulation.scenario import Scenario

LEAST_QUOTIENT, MOST_QUOTIENT = 0.6, 1.3
"""CO2 given off per oxygen taken up: what fuels and over-feeding allow (common practice, no source)."""
LEAST_PLEURAL = -20.0  # cmH2O, that a scenario may have
FAR = 300.0  # cmH2O: further no recoil is looked for


def refuse_impossible(scenario: Scenario, name: str) -> None:
    """Refuse metabolism that nothing carries or fuels, and a lung that would rest below where its airways close.

    Raises
    ------
    CaseError
        With what is allowed.
    """
    _oxygen(scenario, name)
    _closure(scenario, name)


def _oxygen(scenario: Scenario, name: str) -> None:
    """No more oxygen is used than blood carries when it is full (Hüfner, 1.34 mL/g), and none without its CO2."""
    values = exchange_values(scenario)
    uptake, output = 1000 * values["o2_uptake"], values["cardiac_output"]
    carried = 10 * HUEFNER * values["haemoglobin"] * output
    if uptake > carried:
        raise CaseError(
            f"uses {uptake:.4g} mL/min of oxygen", where=f"{name}: [exchange]",
            expected=f"at most {carried:.3g} mL/min: what {output:.3g} L/min of this blood carries",
        )  # fmt: skip
    quotient = values["co2_production"] / values["o2_uptake"]
    if not LEAST_QUOTIENT <= quotient <= MOST_QUOTIENT:
        raise CaseError(
            f"has a respiratory quotient of {quotient:.3g} (co2_production_ml_min over o2_uptake_ml_min)",
            where=f"{name}: [exchange]", expected=f"{LEAST_QUOTIENT:g} to {MOST_QUOTIENT:g}",
            remedy="" if scenario.exchange.co2_production_ml_min and scenario.exchange.o2_uptake_ml_min else
            "Give both: one of them is what the weight suggests.",
        )  # fmt: skip


def _closure(scenario: Scenario, name: str) -> None:
    """On its first PEEP a lung rests above the volume at which airways close."""
    memory = Memory(len(scenario.lung.compartments))
    fill_lung(memory, scenario)
    fill_patient(memory, scenario)
    patient, peep = memory.patient[0], scenario.settings[0].peep_cmh2o or 0.0
    closed = CLOSED_BELOW * float(patient["residual_volume"])
    pleural = float(patient["pleural_pressure"])
    chest = peep + float(patient["chest_wall_elastance"]) * closed
    if _held(memory, chest - pleural) > -closed:
        return
    most = chest - _pressure_at(memory, -closed)
    raise CaseError(
        f"rests {1000 * closed:.3g} mL or more below [exchange] residual_volume_ml on PEEP {peep:g} cmH2O, and there "
        "airways close", where=f"{name}: [lung]",
        expected=f"pleural_pressure_cmh2o below {most:.3g} on this PEEP" if most > LEAST_PLEURAL else
        "a [sigmoid] whose low_ml leaves more gas",
        remedy="Or set more PEEP.",
    )  # fmt: skip


def _pressure_at(memory: Memory, volume: float) -> float:
    """Transpulmonary pressure (cmH2O) at which all compartments together hold a volume (L), by bisection."""
    low, high = -FAR, FAR
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _held(memory, middle) < volume else (low, middle)
    return high


def _held(memory: Memory, pressure: float) -> float:
    """What all compartments together hold (L) at a transpulmonary pressure (cmH2O)."""
    return float(sum(volume_at(lung, pressure, reopened(lung, 0.0, pressure, 1e9)) for lung in memory.lung))
