"""What is possible in a scenario and probably not meant: told, never refused."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from tidebench.case import Setting
from tidebench.simulation.machine import machine_values
from tidebench.simulation.scenario import Scenario
from tidebench.simulation.setup import weight_kg
from tidebench.simulation.truth import breathes

MOST_ML_KG = 40.0
"""A set volume beyond any that is meant, several times a usual one (common practice, no source)."""
SAME = 0.05  # of a time: closer than this, two are the same
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
        for words in (*_pressures(setting, scenario), *_volumes(setting, scenario), *_useless(setting, before)):
            yield f"[[settings]] at {setting.at_s:g} s: {words} Meant so?"
    for manoeuvre in scenario.manoeuvres:
        if manoeuvre.at_s + manoeuvre.lasts_s > scenario.duration_s:
            yield f"The {manoeuvre.kind} at {manoeuvre.at_s:g} s outlasts the recording of {scenario.duration_s:g} s."
    awake = breathes(scenario) or any(event.kind == "sedation wearing off" for event in scenario.events)
    for procedure in scenario.procedures:
        if procedure.kind == "breathing trial" and not awake:
            yield f"The breathing trial at {procedure.at_s:g} s finds nobody who breathes: [effort] rate_per_min is 0."


def _pressures(setting: Setting, scenario: Scenario) -> Iterator[str]:
    limit, peep = scenario.ventilator.pressure_limit_cmh2o, setting.peep_cmh2o or 0.0
    for key in ("peep_cmh2o", "pressure_high_cmh2o"):
        level = getattr(setting, key)
        if level is not None and level >= limit:
            yield f"{key} {level:g} is not below pressure_limit_cmh2o {limit:g}, where inflations end."
    for key in ("pressure_control_cmh2o", "pressure_support_cmh2o"):
        above = getattr(setting, key)
        if above is not None and peep + above > limit:
            yield f"{key} on PEEP reaches {peep + above:g} cmH2O, above pressure_limit_cmh2o {limit:g}."


def _volumes(setting: Setting, scenario: Scenario) -> Iterator[str]:
    volume, kg = setting.tidal_volume_ml, weight_kg(scenario)
    if volume is None:
        return
    if volume > MOST_ML_KG * kg:
        yield f"tidal_volume_ml {volume:g} is {volume / kg:.0f} mL/kg at {kg:.3g} kg."
    mode, seconds = setting.parsed_mode, setting.inspiratory_time_s
    if mode is not None and mode.mandatory == "VC" and seconds and setting.inspiratory_flow_l_min:
        untimed = setting.model_copy(update={"inspiratory_time_s": None})
        by_flow = machine_values(untimed, scenario.ventilator, "settings")["volume_time"]
        if abs(by_flow - seconds) > SAME * seconds:
            yield (
                f"inspiratory_flow_l_min {setting.inspiratory_flow_l_min:g} takes {by_flow:.3g} s; "
                f"inspiratory_time_s {seconds:g} is what holds."
            )


def _useless(setting: Setting, before: Setting | None) -> Iterator[str]:
    """Settings made here that no inflation of this mode uses."""
    mode = setting.parsed_mode
    for key, types in TYPES_WITH.items():
        made = getattr(setting, key) not in (None, before and getattr(before, key))
        if made and mode is not None and not setting.bi_level and not types & {mode.mandatory, mode.support}:
            yield f"{key} has no use in {setting.mode}."
