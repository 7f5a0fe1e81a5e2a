"""Draws virtual patients whose breaths fall out of step with the ventilator, each in its own way, in part of the time.

Two populations never meet: the one to look at while rules are written, and the frozen one, which has effort shapes,
delays and spectra of its own. Every patient is a scenario; the same set and number give the same one.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from tidebench.simulation import Scenario, scenario_from

Draw = np.random.Generator
Tables = dict[str, Any]
Set = Literal["open", "frozen"]
Sensing = Literal["clean", "real"]

SECONDS = 120.0
SEEDS = {"open": 101, "frozen": 202}
TUBE_MM = {"adult": (7.0, 7.5, 8.0), "child": (4.5, 5.0, 5.5), "newborn": (3.0, 3.5)}
SIZES = ("adult", "adult", "adult", "adult", "child", "newborn")
WAYS = (
    "passive", "in step", "ineffective", "delayed", "premature", "double support", "double volume", "auto", "entrained",
    "free in timed", "waxing",
)  # fmt: skip
"""What brings a patient out of step. Each is one of the ways that :data:`BRING` knows."""


def within(rng: Draw, low: float, high: float) -> float:
    """Uniform between two values."""
    return float(rng.uniform(low, high))


def mechanics(rng: Draw, size: str, narrow: bool) -> tuple[Tables, float, float]:
    """A lung, its compliance (mL/cmH2O) and its airway resistance (cmH2O·s/L)."""
    compliance, resistance = {
        "adult": (within(rng, 22, 75), within(rng, 3, 12)),
        "child": (within(rng, 8, 20), within(rng, 10, 25)),
        "newborn": (within(rng, 1.5, 4.5), within(rng, 30, 70)),
    }[size]
    if narrow:
        compliance, resistance = compliance * within(rng, 1.0, 1.4), resistance * within(rng, 1.6, 2.6)
    out = resistance * within(rng, 1.0, 1.5)
    if rng.random() < 0.25:
        share, more = within(rng, 0.3, 0.6), within(rng, 1.0, 2.2)
        parts = [(share, resistance / share), (1 - share, more * resistance / (1 - share))]
    else:
        parts = [(1.0, resistance)]
    compartments = [
        {
            "compliance_ml_cmh2o": compliance * part,
            "resistance_cmh2o_s_l": value,
            "expiratory_resistance_cmh2o_s_l": value * out / resistance,
        }
        for part, value in parts
    ]
    return {"compartments": compartments}, compliance, resistance


def person(rng: Draw, size: str, mask: bool) -> Tables:
    """Who it is, and what the airway is."""
    tube = float(rng.choice(TUBE_MM[size]))
    people: dict[str, Tables] = {
        "adult": {"sex": "female", "age_years": 58, "height_cm": 168, "weight_kg": 66},
        "child": {"age_years": 5, "weight_kg": 19, "height_cm": 109, "sex": "male"},
        "newborn": {"age_days": 6, "weight_kg": 3.2},
    }
    airway: Tables = {"interface": "endotracheal tube", "tube_inner_diameter_mm": tube}
    if size != "adult":
        airway["tube_length_cm"] = 12.0 if size == "newborn" else 17.0
    return {"patient": people[size], "airway": {"interface": "mask"} if mask else airway}


def effort(rng: Draw, size: str, kind: Set) -> Tables:
    """A respiratory drive. The frozen set has other shapes, times and spreads than the open one."""
    rate = {"adult": within(rng, 13, 26), "child": within(rng, 18, 32), "newborn": within(rng, 30, 48)}[size]
    neural = within(rng, 0.32, 0.42) * 60 / rate
    frozen = kind == "frozen"
    return {
        "rate_per_min": rate,
        "rate_cv": within(rng, 0.03, 0.2) if frozen else within(rng, 0.05, 0.12),
        "size_cmh2o": within(rng, 4, 12),
        "size_cv": within(rng, 0.1, 0.35) if frozen else within(rng, 0.1, 0.2),
        "neural_time_s": neural,
        "neural_time_cv": within(rng, 0.04, 0.15) if frozen else 0.08,
        "relaxing_time_s": min(0.3 * neural, within(rng, 0.05, 0.18) if frozen else 0.1),
        "bend": float(rng.choice([1.0, 1.4, 3.0])) if frozen else 2.0,
    }


def sensors(rng: Draw, size: str, kind: Set, sensing: Sensing) -> tuple[Tables, Tables]:
    """What sensors make of it, and the heartbeat; ``real`` adds 20 ms between channels and a real sensor's noise."""
    scale = {"adult": 1.0, "child": 0.4, "newborn": 0.1}[size]
    real = sensing == "real"
    noise = {
        "pressure_noise_cmh2o": within(rng, 0.1, 0.2) if real else within(rng, 0.02, 0.08),
        "flow_noise_l_min": scale * (within(rng, 0.8, 1.5) if real else within(rng, 0.1, 0.5)),
        "flow_delay_s": float(rng.choice([-0.02, 0.02])) if real else 0.0,
        "flow_lag_s": within(rng, 0.0, 0.012) if kind == "frozen" else 0.0,
        "pressure_step_cmh2o": 0.05 if kind == "frozen" else 0.0,
        "seed": 7,
    }
    heart = {
        "heart_amplitude_cmh2o": within(rng, 0.0, 0.3),
        "heart_rate_per_min": {"adult": within(rng, 65, 110), "child": within(rng, 90, 130)}.get(size, 140.0),
    }
    return noise, heart


def support(rng: Draw, tables: Tables, **more: float) -> Tables:
    """Pressure support that follows the patient: enough, cycled where flow has fallen to a third."""
    return {
        "mode": "CSV-PS", "peep_cmh2o": round(within(rng, 4, 8)), "fio2": 0.4, "rise_s": 0.1,
        "pressure_support_cmh2o": within(rng, 7, 11), "cycling_percent": within(rng, 28, 40),
        "trigger_flow_l_min": tables["trigger"], **more,
    }  # fmt: skip


def timed(rng: Draw, tables: Tables, control: Literal["VC", "PC"], pattern: str, rate: float) -> Tables:
    """Volume or pressure control at a rate, with an inspiration of about a third."""
    seconds = 60 / rate * within(rng, 0.28, 0.36)
    above = within(rng, 10, 15)
    setting = {
        "mode": f"{pattern}-{control}", "peep_cmh2o": round(within(rng, 4, 9)), "fio2": 0.4, "rate_per_min": rate,
        "inspiratory_time_s": seconds, "trigger_flow_l_min": tables["trigger"],
    }  # fmt: skip
    if control == "VC":
        return {**setting, "tidal_volume_ml": tables["compliance"] * within(rng, 9, 12)}
    return {**setting, "pressure_control_cmh2o": above, "rise_s": 0.1}


def alternately(rng: Draw, usual: Tables, other: Tables) -> list[Tables]:
    """The usual setting, and the other for a part of the time."""
    begin, lasts = within(rng, 25, 55), within(rng, 15, 40)
    return [{"at_s": 0, **usual}, {"at_s": begin, **other}, {"at_s": begin + lasts, **usual}]


def bring(rng: Draw, way: str, size: str, tables: Tables) -> list[Tables]:
    """Settings that bring a patient out of step in one way, part of the time; changes ``tables`` where it must."""
    drive = tables["effort"]
    rate = drive["rate_per_min"]
    usual = support(rng, tables)
    control: Literal["VC", "PC"] = "VC" if rng.random() < 0.5 else "PC"
    if way == "passive":
        drive["rate_per_min"] = 0.0
        return [{"at_s": 0, **timed(rng, tables, control, "CMV" if rng.random() < 0.5 else "A/C", rate)}]
    if way == "in step":
        return [{"at_s": 0, **usual}]
    if way == "ineffective":
        drive["size_cmh2o"] = within(rng, 3, 6)
        much = {"pressure_support_cmh2o": within(rng, 15, 20), "cycling_percent": within(rng, 8, 18)}
        return alternately(rng, usual, {**usual, **much, "trigger_flow_l_min": 2.5 * tables["trigger"]})
    if way == "delayed":
        late = {"pressure_support_cmh2o": within(rng, 13, 18), "cycling_percent": within(rng, 5, 10)}
        return alternately(rng, usual, {**usual, **late})
    if way in ("premature", "double support"):
        drive["neural_time_s"] = min(0.5 * 60 / rate, drive["neural_time_s"] * within(rng, 1.2, 1.4))
        soon = {"pressure_support_cmh2o": within(rng, 4, 7), "cycling_percent": within(rng, 60, 80)}
        tables["ventilator"]["refractory_s"] = 0.6 if way == "premature" else 0.15
        return alternately(rng, usual, {**usual, **soon})
    if way == "double volume":
        drive["size_cmh2o"] = within(rng, 7, 12)
        drive["neural_time_s"] = min(0.5 * 60 / rate, drive["neural_time_s"] * 1.2)
        tables["ventilator"]["refractory_s"] = 0.15
        setting = timed(rng, tables, "VC", "A/C", max(6.0, 0.6 * rate))
        brief = {
            **setting,
            "inspiratory_time_s": 0.5 * drive["neural_time_s"],
            "tidal_volume_ml": 5 * tables["compliance"],
        }
        return alternately(rng, {**setting, "inspiratory_time_s": 0.95 * drive["neural_time_s"]}, brief)
    if way == "auto":
        drive["rate_per_min"] = 0.5 * rate
        tables["heart"]["heart_amplitude_cmh2o"] = within(rng, 0.8, 1.4)
        keen = {"trigger_flow_l_min": 0.25 * tables["trigger"]}
        return alternately(rng, {**usual, "trigger_flow_l_min": 1.5 * tables["trigger"]}, {**usual, **keen})
    if way == "entrained":
        lasts = 60 / rate
        drive |= {
            "entrained_every": int(rng.integers(1, 4)), "entrained_delay_s": within(rng, 0.2, 0.45) * lasts,
            "entrained_delay_sd_s": 0.03 * lasts, "entrained_size_cmh2o": drive["size_cmh2o"], "rate_per_min": 0.0,
        }  # fmt: skip
        return [{"at_s": 0, **timed(rng, tables, control, "A/C", rate)}]
    if way == "free in timed":
        drive["size_cmh2o"] = within(rng, 3, 7)
        drive["rate_per_min"] = rate * within(rng, 0.3, 0.8)
        return [{"at_s": 0, **timed(rng, tables, control, "CMV", rate)}]
    drive |= {"periodic_cycle_s": within(rng, 30, 60), "periodic_depth": within(rng, 0.5, 0.9)}
    return [{"at_s": 0, **timed(rng, tables, control, "A/C", 0.7 * rate)}]


def patient(kind: Set, k: int, sensing: Sensing) -> tuple[str, str, Scenario]:
    """Patient ``k`` of a set: in which way out of step, of which size, and the scenario."""
    rng = np.random.default_rng([SEEDS[kind], k])
    way, size = WAYS[k % len(WAYS)], str(rng.choice(SIZES))
    mask = size == "adult" and rng.random() < 0.2
    lung, compliance, _ = mechanics(rng, size, way in ("ineffective", "delayed"))
    noise, heart = sensors(rng, size, kind, sensing)
    leak = within(rng, 10, 25) if sensing == "real" else within(rng, 2, 10)
    tables: Tables = {
        "compliance": compliance,
        "trigger": {"adult": 2.0, "child": 1.0, "newborn": 0.4}[size],
        "effort": effort(rng, size, kind),
        "heart": heart,
        "ventilator": {
            "base_flow_l_min": {"adult": 8.0, "child": 5.0, "newborn": 3.0}[size],
            "trigger_delay_s": within(rng, 0.03, 0.12) if kind == "frozen" else 0.06,
        },
    }
    settings = bring(rng, way, size, tables)
    told: Tables = {
        "title": f"{kind} {k}: {way}, {size}",
        "duration_s": SECONDS,
        "seed": 1000 * SEEDS[kind] + k,
        **person(rng, size, mask),
        "circuit": {"compliance_ml_cmh2o": {"adult": 1.5, "child": 0.8, "newborn": 0.4}[size]},
        "lung": {**lung, **tables["heart"]},
        "effort": tables["effort"],
        "ventilator": tables["ventilator"],
        "sensors": noise,
        "settings": settings,
    }
    if mask:
        told["leak"] = {"at": "mask", "flow_l_min": leak, "exponent": within(rng, 0.5, 0.8)}
    return way, size, scenario_from(told)
