"""Virtual patients for rehearsals: built of parts that a fit does not have, with a setting of now and one of then."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np

from tidebench.simulation.parameters import sample
from tidebench.simulation.scenario import Scenario, scenario_from
from tidebench.simulation.setup import DEAD_SPACE_ML_KG

Set = Literal["open", "frozen"]
SEEDS = {"open": 71, "frozen": 1709}
WHO = (
    "adult-healthy", "ards-mild", "ards-severe", "copd", "asthma-severe", "obesity", "neuromuscular", "hard-to-wean",
    "child", "newborn-term", "infant",
)  # fmt: skip
NOISE = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.3}
SMALL = {"child": 0.5, "infant": 0.2, "newborn-term": 0.15}
STRETCH_S = 90.0
DEAD_SPACE_SPREAD = 0.25  # of people of one weight (common practice, no source)


def built_otherwise(lung: dict[str, Any], rng: np.random.Generator) -> list[str]:
    """Add to a lung what the fit does not have, or has otherwise; returns what."""
    said = []
    parts = lung["compartments"]
    for part in parts:
        part.pop("recruitment", None)
    if rng.random() < 0.3 and len(parts) == 1 and "compliance_ml_cmh2o" in parts[0]:
        share, part = rng.uniform(0.3, 0.6), parts[0]
        other = dict(part)
        for one, of in ((part, share), (other, 1 - share)):
            one["compliance_ml_cmh2o"] = max(0.06, part["compliance_ml_cmh2o"] * of)
            one["resistance_cmh2o_s_l"] = min(4000.0, part["resistance_cmh2o_s_l"] / of * rng.uniform(0.6, 1.8))
            one.pop("expiratory_resistance_cmh2o_s_l", None)
            one.pop("limiting_resistance_cmh2o_s_l", None)
        parts.append(other)
    if len(parts) > 1:
        said.append("two compartments")
    total = sum(part.get("compliance_ml_cmh2o") or 0.0 for part in parts)
    if rng.random() < 0.4 and total > 0:
        lung["relaxation_elastance_cmh2o_l"] = min(4000.0, 1000 / total * rng.uniform(0.1, 0.4))
        lung["relaxation_time_s"] = rng.uniform(0.3, 1.6)
        said.append("relaxation")
    for part in parts:
        if rng.random() < 0.3:
            part["expiratory_resistance_cmh2o_s_l"] = min(4000.0, part["resistance_cmh2o_s_l"] * rng.uniform(1.2, 2.5))
    if any(part.get("limiting_resistance_cmh2o_s_l") for part in parts):
        said.append("flow limitation")
    return said


def setting_of(who: str, tables: Any, passive: bool, rng: np.random.Generator) -> dict[str, Any]:
    """The setting of now."""
    usual: dict[str, Any] = dict(tables["settings"][0])
    peep = float(usual.get("peep_cmh2o", 5.0))
    rate = float(usual.get("rate_per_min", 18.0))
    common = {
        "peep_cmh2o": peep,
        "fio2": usual.get("fio2", 0.4),
        "trigger_flow_l_min": usual.get("trigger_flow_l_min", 2.0),
    }
    seconds = min(float(usual.get("inspiratory_time_s", 1.0)), 0.4 * 60 / rate)
    above = float(usual.get("pressure_control_cmh2o", usual.get("pressure_support_cmh2o", 12.0)))
    if not passive and rng.random() < 0.7:
        return {
            "mode": "CSV-PS",
            **common,
            "pressure_support_cmh2o": max(6.0, min(above, 14.0)),
            "cycling_percent": 25.0,
        }
    pattern = "CMV" if passive else "A/C"
    if rng.random() < 0.5 and who not in SMALL:
        volume = float(usual.get("tidal_volume_ml", 420.0))
        return {
            "mode": f"{pattern}-VC", **common, "rate_per_min": rate, "tidal_volume_ml": volume,
            "inspiratory_time_s": seconds, "flow_pattern": str(rng.choice(["constant", "constant", "decelerating"])),
            "pause_s": float(rng.choice([0.0, 0.2])),
        }  # fmt: skip
    return {
        "mode": f"{pattern}-PC", **common, "rate_per_min": rate, "pressure_control_cmh2o": max(8.0, min(above, 18.0)),
        "inspiratory_time_s": seconds,
    }  # fmt: skip


def changes_of(setting: dict[str, Any], rng: np.random.Generator) -> dict[str, Any]:
    """What is changed: one or two settings, as a clinician would."""
    moves: dict[str, Callable[[float], float]] = {
        "peep_cmh2o": lambda v: max(0.0, v + float(rng.choice([-4, -3, 3, 4, 5]))),
        "rate_per_min": lambda v: v * float(rng.uniform(0.75, 1.3)),
        "tidal_volume_ml": lambda v: v * float(rng.uniform(0.75, 1.25)),
        "pressure_control_cmh2o": lambda v: max(5.0, v + float(rng.choice([-4, -3, 3, 4]))),
        "pressure_support_cmh2o": lambda v: max(3.0, v + float(rng.choice([-4, -3, 3, 4]))),
        "inspiratory_time_s": lambda v: v * float(rng.uniform(0.8, 1.2)),
        "cycling_percent": lambda _v: float(rng.choice([15.0, 40.0])),
    }
    able = [key for key in moves if key in setting]
    chosen = rng.choice(able, size=min(len(able), int(rng.integers(1, 3))), replace=False)
    return {str(key): moves[str(key)](setting[str(key)]) for key in chosen}


def patient(kind: Set, k: int) -> tuple[str, bool, list[str], dict[str, Any], dict[str, Any]]:
    """Name, whether passive, what it has that the fit has not, its tables with the setting of now, and the changes."""
    rng = np.random.default_rng([SEEDS[kind], k])
    who = str(WHO[k % len(WHO)])
    tables = sample(who, (SEEDS[kind], k))
    said = built_otherwise(tables["lung"], rng)
    passive = bool(rng.random() < 0.55)
    tables["settings"] = [setting_of(who, tables, passive, rng)]
    own = np.random.default_rng([SEEDS[kind], k, 1]).lognormal(0.0, DEAD_SPACE_SPREAD)
    tables["exchange"]["airway_dead_space_ml"] = own * DEAD_SPACE_ML_KG * tables["patient"]["weight_kg"]
    small = SMALL.get(who, 1.0)
    if passive:
        tables["effort"] = {"rate_per_min": 0.0}
    else:
        effort = tables.get("effort", {})
        rate = float(effort.get("rate_per_min", 0.0)) or 18.0 / small**0.35
        tables["effort"] = {
            "rate_per_min": rate, "size_cmh2o": float(rng.uniform(4, 10)), "size_cv": 0.12,
            "neural_time_s": float(rng.uniform(0.28, 0.38)) * 60 / rate, "bend": float(rng.uniform(1.0, 3.0)),
            "relaxing_time_s": float(rng.uniform(0.06, 0.15)) * small**0.3,
        }  # fmt: skip
    return who, passive, said, tables, changes_of(tables["settings"][0], rng)


def scenario(tables: dict[str, Any], changes: dict[str, Any], seconds: float, seed: int) -> Scenario:
    """A patient on the setting of now, amended."""
    setting = {**tables["settings"][0], **changes}
    told = {**tables, "settings": [setting], "duration_s": seconds, "sensors": NOISE, "seed": seed}
    return scenario_from(
        {key: value for key, value in told.items() if key not in ("manoeuvres", "events", "procedures")}
    )
