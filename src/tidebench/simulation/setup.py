"""From a scenario to what the solver works on: parameters in place, changes in order, everything at rest on PEEP."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tidebench.formulas.weight import predicted_body_weight_kg
from tidebench.simulation import gases, layout
from tidebench.simulation.course import event_rows
from tidebench.simulation.effort import NEVER
from tidebench.simulation.layout import RESTART, Memory, Samples
from tidebench.simulation.machine import machine_values
from tidebench.simulation.mechanics import leaking, reopened, volume_at
from tidebench.simulation.protocol import MANOEUVRE, PARAMETER, Row
from tidebench.simulation.tube import tube_loss
from tidebench.simulation.ventilation import begin

if TYPE_CHECKING:
    from tidebench.case import Circuit
    from tidebench.simulation.scenario import Scenario

CO2_STORE_L_KG, CO2_SLOW_L_KG, O2_STORE_L_KG = 0.0007, 0.0020, 0.045
"""Fast and slow stores of CO2 (L STPD per mmHg and kg) and venous blood (L per kg): invented, see
:mod:`tidebench.simulation.gases`.
"""
CO2_EXCHANGE_L_KG = 0.00006  # L STPD per minute, mmHg and kg between the stores (invented)
CO2_ML_KG, QUOTIENT, OUTPUT_L_KG = 2.9, 0.8, 0.075
"""CO2 production (mL/min/kg), respiratory quotient, cardiac output (L/min/kg) of an adult at rest; a newborn's are
twice as high (common practice, no source).
"""
DEAD_SPACE_ML_KG, RESIDUAL_ML_KG = 1.1, 25.0
"""Airway dead space behind a tube (half of Radford's 2.2 mL/kg, J Appl Physiol 1955;7:451) and lung volume at rest on
no PEEP (common practice, no source).
"""
EXCHANGERS_ML = {3.0: 2.0, 10.0: 6.0, 30.0: 20.0, float("inf"): 50.0}
"""Below which weight (kg) which dead space a heat and moisture exchanger has, where none is said (common practice, no
source).
"""
TISSUE_L_KG = 0.009
"""CO2 that lung tissue (0.5 L in an adult, dissolved) and capillary blood (0.1 L, as blood holds it) have in
equilibrium with alveolar gas, as litres of gas per kg: 0.48·0.5 + 4.3·0.1 L (volumes: common practice, no source).
"""
DEFAULT_KG = 70.0


@dataclass
class Start:
    """All arrays of a run, at its start."""

    memory: Memory
    units: Any
    mechanics: Any
    ventilator: Any
    effort: Any
    gases: Any
    changes: Samples
    slopes: Samples
    moving: Samples


def weight_kg(scenario: Scenario) -> float:
    """Weight that metabolism and dead space are scaled by: predicted where height and sex are known, else as given."""
    patient = scenario.patient
    if patient.height_cm is not None and patient.sex is not None and patient.height_cm >= 140:
        return float(predicted_body_weight_kg(patient.height_cm, patient.sex))
    return patient.weight_kg if patient.weight_kg is not None else DEFAULT_KG


def fill_lung(memory: Memory, scenario: Scenario) -> None:
    """Compartments and chest."""
    for part, into in zip(scenario.lung.compartments, memory.lung, strict=True):
        into["compliance"] = (part.compliance_ml_cmh2o or 1000.0) / 1000
        if part.sigmoid is not None:
            into["sigmoid_low"], into["sigmoid_span"] = part.sigmoid.low_ml / 1000, part.sigmoid.span_ml / 1000
            into["sigmoid_middle"], into["sigmoid_width"] = part.sigmoid.middle_cmh2o, part.sigmoid.width_cmh2o
        into["inspiratory_resistance"] = part.resistance_cmh2o_s_l
        into["expiratory_resistance"] = part.expiratory_resistance_cmh2o_s_l or part.resistance_cmh2o_s_l
        into["limiting_resistance"] = part.limiting_resistance_cmh2o_s_l or 0.0
        units = part.recruitment
        if units is not None:
            into["recruitable"] = units.share
            for name in ("opening", "closing"):
                into[f"{name}_pressure"] = getattr(units, f"{name}_cmh2o")
                into[f"{name}_spread"] = getattr(units, f"{name}_spread_cmh2o")
                into[f"{name}_time"] = getattr(units, f"{name}_time_s")


def fill_patient(memory: Memory, scenario: Scenario) -> None:
    """Airway, chest, leak, heart, effort and exchange."""
    p, lung, effort, leak = memory.patient[0], scenario.lung, scenario.effort, scenario.leak
    k1, k2 = tube_loss(scenario.airway, lung.tube_blocked)
    wall = lung.chest_wall_compliance_ml_cmh2o
    size = leak.flow_l_min / 60 / 10.0**leak.exponent
    values = {
        "tube_k1": k1 + lung.upper_airway_resistance_cmh2o_s_l, "tube_k2": k2,
        "chest_wall_elastance": 1000 / wall if wall else 0.0,
        "relaxation_elastance": lung.relaxation_elastance_cmh2o_l, "relaxation_time": lung.relaxation_time_s,
        "pleural_pressure": lung.pleural_pressure_cmh2o, "secretions": lung.secretions,
        "condensate": scenario.ventilator.condensate,
        "mask_leak": size if leak.at == "mask" else 0.0, "cuff_leak": size if leak.at == "cuff" else 0.0,
        "leak_exponent": leak.exponent, "leak_closes": leak.closes_below_cmh2o,
        "heart_amplitude": lung.heart_amplitude_cmh2o, "heart_rate": lung.heart_rate_per_min,
        "effort_rate": effort.rate_per_min, "effort_rate_cv": effort.rate_cv, "effort_size": effort.size_cmh2o,
        "effort_size_cv": effort.size_cv, "effort_time": effort.neural_time_s, "effort_time_cv": effort.neural_time_cv,
        "relaxing_time": effort.relaxing_time_s, "effort_bend": effort.bend, "expiratory_size": effort.expiratory_cmh2o,
        "periodic_cycle": effort.periodic_cycle_s, "periodic_depth": effort.periodic_depth,
        "co2_gain": effort.co2_gain_per_mmhg, "co2_setpoint": effort.co2_setpoint_mmhg,
        "unloading": effort.unloading, "unloaded_volume": effort.unloaded_volume_ml / 1000,
        "entrained_every": float(effort.entrained_every), "entrained_delay": effort.entrained_delay_s,
        "entrained_delay_sd": effort.entrained_delay_sd_s, "entrained_size": effort.entrained_size_cmh2o,
    }  # fmt: skip
    for name, value in (values | exchange_values(scenario)).items():
        p[name] = value


def exchange_values(scenario: Scenario) -> dict[str, float]:
    """Parameters of gas exchange, from what is said and what the weight suggests."""
    told, kg = scenario.exchange, weight_kg(scenario)
    young = 2.0 if kg < 10 else 1.0
    co2 = (told.co2_production_ml_min or CO2_ML_KG * young * kg) / 1000
    return {
        "co2_production": co2,
        "o2_uptake": co2 / QUOTIENT if told.o2_uptake_ml_min is None else told.o2_uptake_ml_min / 1000,
        "cardiac_output": told.cardiac_output_l_min or OUTPUT_L_KG * young * kg,
        "shunt": told.shunt,
        "alveolar_dead_space": told.alveolar_dead_space,
        "airway_dead_space": (told.airway_dead_space_ml or DEAD_SPACE_ML_KG * kg) / 1000
        + circuit_dead_space_ml(scenario.circuit, kg) / 1000,
        "residual_volume": (told.residual_volume_ml or RESIDUAL_ML_KG * kg) / 1000,
        "haemoglobin": told.haemoglobin_g_dl,
        "bicarbonate": told.bicarbonate_mmol_l,
        "barometric_pressure": told.barometric_pressure_mmhg,
        "co2_store": CO2_STORE_L_KG * kg,
        "co2_slow_store": CO2_SLOW_L_KG * kg,
        "co2_exchange": CO2_EXCHANGE_L_KG * kg,
        "o2_store": O2_STORE_L_KG * kg,
        "tissue_volume": TISSUE_L_KG * kg,
    }


def circuit_dead_space_ml(circuit: Circuit, kg: float) -> float:
    """Dead space between wye and tube: as said, or a heat and moisture exchanger's usual one."""
    if circuit.dead_space_ml is not None:
        return circuit.dead_space_ml
    if circuit.humidification != "heat and moisture exchanger":
        return 0.0
    return next(volume for weight, volume in EXCHANGERS_ML.items() if kg < weight)


def changes_of(scenario: Scenario, memory: Memory) -> Samples:
    """Everything that the protocol changes, as rows in order of time."""
    rows: list[Row] = []
    kg = weight_kg(scenario)
    plans = [(s.at_s, machine_values(s, scenario.ventilator, kg, "settings")) for s in scenario.settings]
    for (_, before), (at, after) in itertools.pairwise(plans):
        rows += _set(at, {name: value for name, value in after.items() if before.get(name) != value})
    for procedure in scenario.procedures:
        standing = next(values for at, values in reversed(plans) if at <= procedure.at_s or at == plans[0][0])
        touched: dict[str, float] = {}
        for at, values in procedure.steps():
            rows += _set(at, values)
            touched |= {name: standing.get(name, 0.0) for name in values}
        if procedure.kind == "slow inflation":
            rows.append((procedure.at_s, MANOEUVRE, float(RESTART), 0.0, 0.0))
        rows += _set(procedure.ends_s, touched)
    for manoeuvre in scenario.manoeuvres:
        rows += manoeuvre.rows()
    rows += event_rows(scenario.events, memory)
    rows.sort(key=lambda row: row[0])
    return np.array(rows, np.float64).reshape(-1, 5)


def moving_of(changes: Samples) -> Samples:
    """Positions of the parameters that some change moves gradually."""
    return np.unique(changes[(changes[:, 1] == PARAMETER) & (changes[:, 4] > 0), 2])


def _set(at: float, values: dict[str, float]) -> list[Row]:
    return [(at, PARAMETER, float(Memory.position(name)), value, 0.0) for name, value in values.items()]


def settle(start: Start) -> None:
    """The lung at rest on the first base pressure, its units opened and closed by it."""
    v, m, p = start.ventilator, start.mechanics, start.memory.patient[0]
    base, wall = float(v["base"]), float(p["chest_wall_elastance"])
    m["wye"] = base
    m["carina"], m["flow"] = leaked(p, base)
    m["leak_flow"] = m["flow"]
    low, high = min(-2.0, -float(p["residual_volume"])), 20.0
    for _ in range(80 if wall else 1):  # the volume at which lung and chest wall hold the pressure behind the tube
        total = 0.5 * (low + high)
        held = float(m["carina"]) - wall * total - float(p["pleural_pressure"])
        _hold(start, held)
        low, high = (total, high) if float(start.units["volume"].sum()) > total else (low, total)
    m["volume"] = float(start.units["volume"].sum())


def leaked(p: Any, base: float) -> tuple[float, float]:
    """Pressure behind the tube (cmH2O) and flow of all leaks (L/s), where the lung rests at a pressure at the wye."""
    told = float(p["leak_exponent"]), float(p["leak_closes"])
    per_pressure: Any = leaking  # of which the interpreter takes the plain form
    low, high = 0.0, base
    for _ in range(60 if p["cuff_leak"] > 0 else 0):
        carina = 0.5 * (low + high)
        past = per_pressure.py_func(float(p["cuff_leak"]), *told, carina) * carina
        low, high = (carina, high) if carina + (p["tube_k1"] + p["tube_k2"] * past) * past < base else (low, carina)
    past = per_pressure.py_func(float(p["cuff_leak"]), *told, high) * high
    return high, past + per_pressure.py_func(float(p["mask_leak"]), *told, base) * base


def _hold(start: Start, pressure: float) -> None:
    """Volumes of the compartments at one transpulmonary pressure, each opened or closed by it."""
    for i, lung in enumerate(start.memory.lung):
        opened = reopened(lung, 0.0, pressure, 1e9)
        start.units[i]["opened"], start.units[i]["volume"] = opened, volume_at(lung, pressure, opened)


def fill_gases(start: Start) -> None:
    """Alveoli and stores near the steady state that the settings suggest, so that minutes need not pass first."""
    g, p, machine = start.gases, start.memory.patient[0], start.memory.machine[0]
    met = 1.0 - p["alveolar_dead_space"]
    dry = p["barometric_pressure"] - gases.WATER
    g["volume"] = met * (p["residual_volume"] + float(start.units["volume"].sum()))
    tension = 40.0 if p["co2_gain"] == 0 else float(p["co2_setpoint"])
    oxygen = max(60.0, machine["fio2"] * dry - tension / QUOTIENT)
    g["co2"], g["o2"] = (g["volume"] + p["tissue_volume"]) * tension / dry, g["volume"] * oxygen / dry
    g["behind_co2"], g["behind_o2"] = met * tension / dry, met * oxygen / dry
    g["first_co2"] = g["behind_co2"]
    g["ph"] = gases.acidity(tension, float(p["bicarbonate"]))
    venous = p["co2_production"] / (p["cardiac_output"] * (1.0 - p["shunt"]) * gases.CO2_SLOPE)
    g["co2_tension"] = g["co2_slow_tension"] = tension + venous
    content = gases.oxygen_content(oxygen, p["haemoglobin"], g["ph"])
    taken = p["o2_uptake"] / (p["cardiac_output"] * (1.0 - p["shunt"]))
    g["venous_o2"] = max(0.02, content - taken)
    g["arterial_co2"], g["arterial_o2"] = tension, oxygen


def patient_of(scenario: Scenario) -> Memory:
    """The patient's parameters at time 0; the machine's are not there yet."""
    memory = Memory(len(scenario.lung.compartments))
    fill_lung(memory, scenario)
    fill_patient(memory, scenario)
    return memory


def start_of(scenario: Scenario) -> Start:
    """Everything in place at time 0."""
    memory = patient_of(scenario)
    for name, value in machine_values(
        scenario.settings[0], scenario.ventilator, weight_kg(scenario), "settings"
    ).items():
        memory.machine[0][name] = value
    circuit = scenario.circuit
    memory.machine[0]["circuit_compliance"] = (circuit.compliance_ml_cmh2o or 0.0) / 1000
    memory.machine[0]["compensates_compliance"] = float(circuit.volume_compensated)
    m, v, e, g = (
        np.zeros(1, layout.record(names))[0]
        for names in (layout.MECHANICS, layout.VENTILATOR, layout.EFFORT, layout.GASES)
    )
    changes = changes_of(scenario, memory)
    slopes = np.zeros((len(memory.block), 3))
    units = np.zeros(len(memory.lung), layout.record(layout.UNIT))
    start = Start(memory, units, m, v, e, g, changes, slopes, moving_of(changes))
    begin(memory.machine[0], start.ventilator, 0.0)
    start.ventilator["hold_kind"] = -1.0
    start.effort["next_onset"] = 0.8 if scenario.effort.rate_per_min > 0 else NEVER
    start.effort["paced"] = scenario.effort.rate_per_min
    start.effort["entrained_at"], start.effort["cough_at"] = NEVER, NEVER
    start.effort["onset"], start.effort["rising"], start.effort["falling"] = -100.0, 1.0, 0.1
    start.effort["previous_rising"] = start.effort["previous_falling"] = 1.0
    settle(start)
    fill_gases(start)
    start.effort["felt_fast"] = start.effort["felt_slow"] = start.gases["arterial_co2"]
    return start
