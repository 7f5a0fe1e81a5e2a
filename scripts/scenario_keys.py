"""Writes docs/scenario-keys.md from the models of a scenario, so that page and validation can't disagree.

usage: PYTHONPATH=src python scripts/scenario_keys.py
"""

from __future__ import annotations

import runpy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from tidebench.simulation.scenario import Scenario
from tidebench.simulation.truth import BREATH_COLUMNS, EFFORT_COLUMNS

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "scenario-keys.md"
SHARED = runpy.run_path(str(ROOT / "scripts" / "case_keys.py"))
AS_IN_A_CASE = ("patient", "airway", "circuit", "settings")

HEAD = """# Every key of a scenario

Written by `scripts/scenario_keys.py` from the models that validate a scenario. `[patient]`, `[airway]`, `[circuit]` and
`[[settings]]` are those of [a case](case-keys.md); a later `[[settings]]` keeps what it doesn't set anew. With `who`,
what stands here amends that patient of the library (`tidebench patients`).
"""

TRUTH = """## `truth.json`

What was simulated: sensors' delay, whether the lung is viscoelastic, of two compartments or flow-limited, its static
compliance (none where recoil bends, units close or an event changes it; `truth_breaths.csv` has it breath by breath),
resistances, leak and drive, and the scenario whole. `holds` says when each was asked for; it begins with the next
inflation's end or the next breath that is due.
"""

MEANING = {
    "who": "a patient of the library",
    "seed": "the same seed draws the same efforts and noise",
    "step_ms": "of the solver",
    "oesophageal": "record oesophageal pressure too",
    "capnogram": "record carbon dioxide at the wye too",
    "compliance_ml_cmh2o": "straight recoil; this or `sigmoid`",
    "sigmoid": "bent recoil, a table as below",
    "recruitment": "units that close and open, a table as below",
    "resistance_cmh2o_s_l": "of the compartment's own airway",
    "expiratory_resistance_cmh2o_s_l": "as in inspiration unless said",
    "limiting_resistance_cmh2o_s_l": "expiratory flow is at most recoil over this",
    "pleural_pressure_cmh2o": "at rest, from the weight of chest and belly",
    "relaxation_elastance_cmh2o_l": "stress relaxation: a spring and a dashpot in series",
    "upper_airway_resistance_cmh2o_s_l": "beside the tube's, which follows from `[airway]`",
    "secretions": "how strongly wet airways rattle",
    "condensate": "how strongly water in the tubing rattles",
    "flow_l_min": "a leak's at 10 cmH2O; a slow inflation's throughout",
    "closes_below_cmh2o": "pressure below which the leak is tight",
    "periodic_depth": "of waxing and waning: 1 reaches apnoea",
    "co2_gain_per_mmhg": "by which share drive rises per mmHg above the set point",
    "unloading": "by which share drive falls when volume is twice `unloaded_volume_ml`",
    "entrained_every": "an effort after every so many timed inflations; 0: none",
    "bend": "how an effort rises: 1 a straight ramp, 2 a parabola, more and sooner its peak",
    "expiratory_cmh2o": "of expiratory muscles",
    "size": "1 is typical",
    "over_s": "how long it takes to be there",
    "levels_cmh2o": "PEEP levels, one after the other",
    "each_s": "how long a level, or a trial, lasts",
    "support_cmh2o": "of a breathing trial",
    "volume_ml": "of a slow inflation",
    "trigger_delay_s": "from the criterion met to the inflation's start",
    "refractory_s": "after the turn, in which no trigger is heard",
    "shortest_inflation_s": "before which no flow ends a supported inflation",
    "longest_support_s": "after which time ends a supported inflation",
    "pressure_limit_cmh2o": "at the wye: an inflation that exceeds it ends at once; volume-targeted ones stay 5 below",
    "largest_change_cmh2o": "of a volume-targeted inflation's pressure, from one to the next",
    "synchronising_share": "of the breath before a mandatory inflation is due, in which SIMV gives it to an effort",
    "apnoea_s": "without a trigger in CSV, after which back-up begins",
    "backup_rate_per_min": "of back-up in CSV, pressure-controlled; 0: none",
    "backup_above_peep_cmh2o": "pressure of back-up",
    "leak_compensation": "share of the leak that triggers, cycling and base flow leave out",
    "source_resistance_cmh2o_s_l": "of the inspiratory valve and limb",
    "valve_resistance_cmh2o_s_l": "of the expiratory valve and limb",
    "valve_time_s": "in which valves go two thirds of a way",
    "highest_flow_l_min": "that the source can give",
    "base_flow_l_min": "on offer during expiration",
}


def page() -> str:
    """The whole page."""
    return "\n".join(
        [HEAD, section("At the top", Scenario), *(section(f"`{name}`", model) for name, model in tables()), truth()]
    )


def truth() -> str:
    """The files of truth, column by column."""
    lines = [TRUTH]
    for name, columns in (("truth_breaths.csv", BREATH_COLUMNS), ("truth_efforts.csv", EFFORT_COLUMNS)):
        lines += [f"## `{name}`", "", "| column | |", "| --- | --- |"]
        lines += [f"| `{column}` | {meaning.replace('|', '&#124;')} |" for column, meaning in columns.items()]
        lines.append("")
    return "\n".join(lines)


def tables() -> Iterator[tuple[str, type[BaseModel]]]:
    """Heading and model of each table that only a scenario has, inner ones after their owners."""
    for name, field in Scenario.model_fields.items():
        model = SHARED["inner"](field.annotation)
        if model and name not in AS_IN_A_CASE:
            yield from below(name, model, "tuple" in str(field.annotation))


def below(name: str, model: type[BaseModel], several: bool) -> Iterator[tuple[str, type[BaseModel]]]:
    """A table and those within it."""
    yield (f"[[{name}]]" if several else f"[{name}]"), model
    for key, field in model.model_fields.items():
        inner = SHARED["inner"](field.annotation)
        if inner:
            yield from below(f"{name}.{key}", inner, "tuple" in str(field.annotation))


def section(heading: str, model: type[BaseModel]) -> str:
    """Heading, what the table is for, and a row per key."""
    about = (model.__doc__ or "").strip().split("\n\n")[0].replace("``", "`")
    lines = [f"## {heading}", "", about, "", "| key | may be | unless said | |", "| --- | --- | --- | --- |"]
    for key, field in model.model_fields.items():
        if not (model is Scenario and SHARED["inner"](field.annotation)):
            lines.append(f"| `{key}` | {allowed(field)} | {unless_said(field)} | {MEANING.get(key, '')} |")
    return "\n".join([*lines, ""])


def allowed(field: Any) -> str:
    """What may stand under a key."""
    if SHARED["inner"](field.annotation):
        return "tables" if "tuple" in str(field.annotation) else "a table"
    patterns = [mark.pattern for mark in field.metadata if getattr(mark, "pattern", None)]
    if patterns:
        return ", ".join(f'`"{word}"`' for word in patterns[0].strip("^()$").split("|"))
    if field.annotation is int:
        bounds = {name: getattr(mark, name) for mark in field.metadata for name in ("ge", "le") if hasattr(mark, name)}
        return f"a whole number, {bounds['ge']} {'to ' + str(bounds['le']) if 'le' in bounds else 'or more'}"
    words = SHARED["allowed"](field.annotation, field.metadata)
    return f"a list: each {words}" if "tuple" in str(field.annotation) else str(words)


def unless_said(field: Any) -> str:
    """A key's default."""
    value = field.default
    if value is PydanticUndefined:
        return "" if field.default_factory else "needed"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"{value:g}" if isinstance(value, (int, float)) else str(value) if isinstance(value, str) else ""


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
