"""What is possible in a scenario and probably not meant: told, never refused."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from tidebench.case import Setting
from tidebench.formulas.tube import TUBES
from tidebench.formulas.weight import weight_by_age_kg
from tidebench.simulation.machine import PEAK_TO_MEAN, SHAPES, machine_values, trigger_l_min
from tidebench.simulation.patient import airway_resistance_cmh2o_s_l
from tidebench.simulation.protocol import Procedure
from tidebench.simulation.scenario import Scenario
from tidebench.simulation.setup import circuit_dead_space_ml, weight_kg
from tidebench.simulation.solution import Solution
from tidebench.simulation.truth import breathes, wakes
from tidebench.simulation.tube import tube_loss

MOST_ML_KG = 40.0
"""A set volume beyond any that is meant, several times a usual one (common practice, no source)."""
LEAST_ML_CMH2O_KG = 0.05
"""Compliance by weight that no patient has: a tenth of a stiff lung's 0.5 mL/cmH2O/kg (common practice, no source)."""
MOST_STRETCHES = 3  # without a breath, that are told one by one
SAME = 0.05  # of a time: closer than this, two are the same
MOST_TIMES_USUAL = 3.0
"""Of a child's usual weight for age: heavier is probably mistyped (this house's choice)."""
YOUNGEST_YEARS, OLDEST_CHILD_YEARS, DAYS_PER_YEAR = 0.1, 12.0, 365.25
"""Ages for which there is a usual weight; a newborn's is taken as the youngest's."""
TYPES_WITH = {
    "pressure_support_cmh2o": {"PS"},
    "pressure_control_cmh2o": {"PC", "vtPC"},
    "tidal_volume_ml": {"VC", "vtPC", "vtPS"},
    "inspiratory_flow_l_min": {"VC"},
    "pause_s": {"VC"},
    "cycling_percent": {"PS", "vtPS"},
}
"""The inflation types in which a setting has a use."""


def scenario_doubts(scenario: Scenario) -> Iterator[str]:
    """A sentence for each such thing: pressures and volumes (cmH2O, mL/kg), useless settings, what the end cuts off."""
    for before, setting in itertools.pairwise((None, *scenario.settings)):
        assert setting is not None
        for words in (
            *_pressures(setting, scenario), *_volumes(setting, scenario), *_given_flow(setting, scenario),
            *_leak(setting, scenario), *_times(setting), *_useless(setting, before), *_trigger(setting, scenario),
        ):  # fmt: skip
            yield f"[[settings]] at {setting.at_s:g} s: {words} Meant so?"
    for manoeuvre in scenario.manoeuvres:
        if manoeuvre.at_s + manoeuvre.lasts_s > scenario.duration_s:
            yield f"The {manoeuvre.kind} at {manoeuvre.at_s:g} s outlasts the recording of {scenario.duration_s:g} s."
    for procedure in scenario.procedures:
        yield from _procedure(procedure, scenario)
    yield from _patient(scenario)
    yield from _lung(scenario)
    yield from _airway(scenario)
    yield from _exchanger(scenario)
    yield from _back_up(scenario)


def run_doubts(done: Solution) -> Iterator[str]:
    """A sentence for each stretch in which nothing was breathed, longer than what the scenario calls an apnoea."""
    until_s, rows = done.scenario.duration_s, done.raw_breaths
    if rows.is_empty():
        yield f"Nothing was breathed in all of {until_s:g} s: no inflation, and no breath of the patient's own."
        return
    turns = rows["turn"].fill_nan(None).fill_null(rows["start"])
    stretches = zip([0.0, *turns], [*rows["start"], until_s], strict=True)
    quiet = [stretch for stretch in stretches if stretch[1] - stretch[0] > done.scenario.ventilator.apnoea_s]
    for begins, ends in quiet[:MOST_STRETCHES]:
        yield f"Nothing was breathed from {begins:.0f} to {ends:.0f} s."
    if len(quiet) > MOST_STRETCHES:
        yield f"Nothing was breathed in {len(quiet) - MOST_STRETCHES} further stretches either."
    if done.breaths.is_empty() and not quiet:
        yield f"No whole breath fits into {until_s:g} s."


def _lung(scenario: Scenario) -> Iterator[str]:
    """A lung so stiff that litres were probably meant."""
    parts, kg = scenario.lung.compartments, weight_kg(scenario)
    total = sum(part.compliance_ml_cmh2o or 0.0 for part in parts)
    if all(part.sigmoid is None for part in parts) and total < LEAST_ML_CMH2O_KG * kg:
        yield (
            f"[lung] has a compliance of {total:g} mL/cmH2O at {kg:.3g} kg; that in L/cmH2O would be {1000 * total:g}. "
            "Meant so?"
        )


def _exchanger(scenario: Scenario) -> Iterator[str]:
    if scenario.circuit.dead_space_ml is None:
        taken = circuit_dead_space_ml(scenario.circuit, weight_kg(scenario))
        if taken:
            yield f"[circuit] has a heat and moisture exchanger and no dead_space_ml; {taken:g} mL is taken."


def _trigger(setting: Setting, scenario: Scenario) -> Iterator[str]:
    """A trigger that is none, or one that efforts of this size can't reach."""
    effort, kg = scenario.effort, weight_kg(scenario)
    asked = trigger_l_min(setting, kg)
    if setting.trigger_pressure_cmh2o == 0:
        yield f"trigger_pressure_cmh2o 0 is no trigger; {asked:g} L/min is taken."
    parts = scenario.lung.compartments
    waits = setting.pattern in ("A/C", "SIMV", "CSV") and not setting.trigger_pressure_cmh2o
    if not waits or setting.bi_level or not effort.rate_per_min or any(part.sigmoid for part in parts):
        return
    compliance = sum(part.compliance_ml_cmh2o or 0.0 for part in parts) + (scenario.circuit.compliance_ml_cmh2o or 0.0)
    drawn = 0.06 * compliance * effort.bend * effort.size_cmh2o / effort.neural_time_s
    if drawn < asked:
        yield (
            f"an effort of {effort.size_cmh2o:g} cmH2O draws at most {drawn:.2g} L/min, and the trigger asks for "
            f"{asked:g} L/min: no breath answers it."
        )


def _patient(scenario: Scenario) -> Iterator[str]:
    patient = scenario.patient
    years = patient.age_years if patient.age_days is None else patient.age_days / DAYS_PER_YEAR
    if years is None or patient.weight_kg is None or years > OLDEST_CHILD_YEARS:
        return
    usual = weight_by_age_kg(max(years, YOUNGEST_YEARS))
    if patient.weight_kg > MOST_TIMES_USUAL * usual:
        yield f"[patient] weighs {patient.weight_kg:g} kg, and {usual:.3g} kg is usual at that age. Meant so?"


def _airway(scenario: Scenario) -> Iterator[str]:
    """What the interface can't have."""
    interface, leak = scenario.airway.interface, scenario.leak
    if leak.at == "mask" and leak.flow_l_min and interface in TUBES:
        yield f"[leak] is at the mask, and the interface is {interface!r}. Meant so?"
    if interface is None or interface in TUBES:
        return
    cuffs = ["[leak]"] if leak.at == "cuff" and leak.flow_l_min else []
    cuffs += [f"[[events]] at {event.at_s:g} s" for event in scenario.events if event.kind == "cuff leak"]
    for place in cuffs:
        yield f"{place} leaks past a cuff, and the interface is {interface!r}. Meant so?"
    if interface == "high-flow cannula":
        modes = dict.fromkeys(f"{setting.mode}" for setting in scenario.settings)
        yield f"A high-flow cannula holds no pressure and gives no inflations; set is {', '.join(modes)}. Meant so?"


def _back_up(scenario: Scenario) -> Iterator[str]:
    free = [setting for setting in scenario.settings if setting.pattern in ("CSV", "CPAP")]
    built = scenario.ventilator
    if built.backup_rate_per_min > 0:
        if not free:
            yield "[ventilator] backup_rate_per_min has a use in CSV and CPAP alone."
        reached = built.backup_above_peep_cmh2o + max((setting.peep_cmh2o or 0.0 for setting in free), default=0.0)
        if free and reached > built.pressure_limit_cmh2o:
            limit = built.pressure_limit_cmh2o
            yield f"The back-up reaches {reached:g} cmH2O, above pressure_limit_cmh2o {limit:g}. Meant so?"
        return
    if breathes(scenario) or wakes(scenario):
        return
    for setting in free:
        yield f"[[settings]] at {setting.at_s:g} s: no effort and no back-up, so nobody breathes. Meant so?"


def _procedure(procedure: Procedure, scenario: Scenario) -> Iterator[str]:
    place = f"The {procedure.kind} at {procedure.at_s:g} s"
    if procedure.ends_s > scenario.duration_s:
        yield f"{place} ends at {procedure.ends_s:g} s, after the recording of {scenario.duration_s:g} s."
    wakes = [event.at_s for event in scenario.events if event.kind == "sedation wearing off"]
    awake = breathes(scenario) or min(wakes, default=scenario.duration_s) <= procedure.at_s
    reached, limit = procedure.peep_cmh2o + procedure.support_cmh2o, scenario.ventilator.pressure_limit_cmh2o
    if procedure.kind == "breathing trial" and reached > limit:
        yield f"{place} reaches {reached:g} cmH2O, above pressure_limit_cmh2o {limit:g}. Meant so?"
    if procedure.kind == "breathing trial" and not awake:
        yield f"{place} finds nobody who breathes: [effort] rate_per_min is 0."


def _pressures(setting: Setting, scenario: Scenario) -> Iterator[str]:
    limit, peep = scenario.ventilator.pressure_limit_cmh2o, setting.peep_cmh2o or 0.0
    for key in ("pressure_control_cmh2o", "pressure_support_cmh2o"):
        above = getattr(setting, key)
        if above is not None and peep + above > limit:
            yield f"{key} on PEEP reaches {peep + above:g} cmH2O, above pressure_limit_cmh2o {limit:g}."


def _volumes(setting: Setting, scenario: Scenario) -> Iterator[str]:
    volume, kg = setting.tidal_volume_ml, weight_kg(scenario)
    mode, seconds, flow = setting.parsed_mode, setting.inspiratory_time_s, setting.inspiratory_flow_l_min
    if volume is None or mode is None:
        return
    if volume > MOST_ML_KG * kg:
        yield f"tidal_volume_ml {volume:g} is {volume / kg:.0f} mL/kg at {kg:.3g} kg."
    if mode.mandatory != "VC" or setting.bi_level:
        return
    if seconds and flow:
        lasts = 0.06 * volume * PEAK_TO_MEAN[SHAPES[setting.flow_pattern]] / flow + (setting.pause_s or 0.0)
        if abs(lasts - seconds) > SAME * seconds:
            yield f"inspiratory_flow_l_min {flow:g} takes {lasts:.3g} s; inspiratory_time_s {seconds:g} is what holds."
    if not seconds and not flow:
        values = machine_values(setting, scenario.ventilator, kg, "settings")
        lasts = values["volume_time"] + (setting.pause_s or 0.0)
        yield f"neither inspiratory_flow_l_min nor inspiratory_time_s is set; {lasts:.3g} s is taken."


def _set_flow_l_s(setting: Setting, scenario: Scenario) -> tuple[float, float] | None:
    """Mean and peak flow of volume control; None in other modes."""
    mode = setting.parsed_mode
    if mode is None or mode.mandatory != "VC" or setting.bi_level:
        return None
    values = machine_values(setting, scenario.ventilator, weight_kg(scenario), "settings")
    mean = values["tidal_volume"] / values["volume_time"]
    return mean, mean * PEAK_TO_MEAN[int(values["flow_shape"])]


def _given_flow(setting: Setting, scenario: Scenario) -> Iterator[str]:
    """Flow that tube and airways don't let through below the pressure limit, however empty the lung."""
    flow, lung, limit = _set_flow_l_s(setting, scenario), scenario.lung, scenario.ventilator.pressure_limit_cmh2o
    if flow is None:
        return
    k1, k2 = tube_loss(scenario.airway, lung.tube_blocked)
    straight = k1 + lung.upper_airway_resistance_cmh2o_s_l + airway_resistance_cmh2o_s_l(lung.compartments)
    reached = (setting.peep_cmh2o or 0.0) + (straight + k2 * flow[1]) * flow[1]
    if reached > limit:
        yield (
            f"{60 * flow[1]:.3g} L/min through tube and airways alone takes {reached:.0f} cmH2O, PEEP included, above "
            f"pressure_limit_cmh2o {limit:g}, which ends inflations early."
        )


def _leak(setting: Setting, scenario: Scenario) -> Iterator[str]:
    """A leak that leaves nothing for the lung: all of a set flow, or more than the ventilator can give."""
    leak, flow, most = scenario.leak, _set_flow_l_s(setting, scenario), scenario.ventilator.highest_flow_l_min
    if flow is not None and leak.flow_l_min >= 60 * flow[0]:
        yield f"[leak] takes {leak.flow_l_min:g} L/min at 10 cmH2O, and {60 * flow[0]:.3g} L/min is set."
    above = max(setting.pressure_control_cmh2o or 0.0, setting.pressure_support_cmh2o or 0.0)
    highest = setting.pressure_high_cmh2o or (setting.peep_cmh2o or 0.0) + above
    lost = leak.flow_l_min * (highest / 10) ** leak.exponent
    if flow is None and lost > most:
        yield f"[leak] takes {lost:.3g} L/min at {highest:g} cmH2O, above highest_flow_l_min {most:g}."


def _times(setting: Setting) -> Iterator[str]:
    rise, seconds, mode = setting.rise_s, setting.inspiratory_time_s, setting.parsed_mode
    if rise and seconds and rise > seconds and mode is not None and mode.mandatory != "VC":
        yield f"rise_s {rise:g} is longer than inspiratory_time_s {seconds:g}."


def _useless(setting: Setting, before: Setting | None) -> Iterator[str]:
    """Settings made here that no inflation of this mode uses."""
    mode = setting.parsed_mode
    if mode is None:
        return
    if setting.bi_level and setting.pattern not in ("IMV", "SIMV"):
        yield f"two pressure levels stand instead of {setting.mode}."
    if setting.bi_level and setting.rate_per_min and setting.time_high_s and setting.time_low_s:
        given = 60 / (setting.time_high_s + setting.time_low_s)
        if abs(given - setting.rate_per_min) > SAME * given:
            yield f"rate_per_min {setting.rate_per_min:g} has no use on two levels, whose times give {given:.3g}."
    types = {mode.support} if setting.bi_level else {mode.mandatory, mode.support}
    for key, having in TYPES_WITH.items():
        made = getattr(setting, key) not in (None, before and getattr(before, key))
        if made and not having & types:
            yield f"{key} has no use in {setting.mode}{' on two levels' if setting.bi_level else ''}."
