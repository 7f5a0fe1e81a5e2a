"""Draws patients of the library, preterm to adult, and lays conditions on them: of drive, lung, circuit and sensors.

Every condition is there in some patients and absent in most, in a degree that is drawn, near a rule's limit too. The
open population is for setting confidence, the frozen one for judging it: it has other seeds, lungs beyond the
library's ranges, other shapes of effort, tissue that relaxes, other leaks, triggers, hearts and sampling rates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from tidebench.simulation import Scenario, scenario_from
from tidebench.simulation.parameters import patient_names, sample

Draw = np.random.Generator
Tables = dict[str, Any]
Set = Literal["open", "frozen"]

SECONDS = 180.0
SEEDS = {"open": 303, "frozen": 404}
FLOW_SCALE = {
    "preterm-800g": 0.03, "preterm-1200g": 0.04, "newborn-term": 0.1, "infant": 0.2, "child": 0.45,
}  # fmt: skip
"""Of an adult's flow."""
SHARE = 0.12  # of the patients have each of the conditions that they can have


@dataclass(frozen=True)
class Spoilt:
    """What happens to the recording, not to the patient: a gap, a held value, an end of range."""

    kind: Literal["gap", "flat", "clip"]
    channels: tuple[str, ...]
    start_s: float = 0.0
    end_s: float = SECONDS
    share: float = 1.0  # of the highest value, at which a range ends


@dataclass
class Drawn:
    """A patient while conditions are laid on."""

    who: str
    tables: Tables
    frozen: bool
    conditions: list[str] = field(default_factory=list)
    spoilt: list[Spoilt] = field(default_factory=list)

    @property
    def scale(self) -> float:
        """Size of its flows against an adult's."""
        return FLOW_SCALE.get(self.who, 1.0)

    @property
    def size(self) -> str:
        """Adult, child or newborn."""
        return "adult" if self.scale == 1.0 else "newborn" if self.scale <= 0.1 else "child"

    @property
    def setting(self) -> Tables:
        """The first setting."""
        first: Tables = self.tables["settings"][0]
        return first

    @property
    def breathes(self) -> bool:
        """True where there is a drive."""
        return bool(self.tables["effort"].get("rate_per_min", 0) > 0)

    @property
    def compliance(self) -> float:
        """Of lung and chest wall, mL/cmH2O."""
        lung = self.tables["lung"]
        parts = sum(part["compliance_ml_cmh2o"] for part in lung["compartments"])
        return float(1 / (1 / parts + 1 / lung["chest_wall_compliance_ml_cmh2o"]))

    def rate(self, rng: Draw) -> float:
        """A usual rate for this size, per minute."""
        low, high = {"adult": (13, 26), "child": (18, 32), "newborn": (32, 50)}[self.size]
        return within(rng, low, high)


def within(rng: Draw, low: float, high: float) -> float:
    """Uniform between two values."""
    return float(rng.uniform(low, high))


def evenly(rng: Draw, low: float, high: float) -> float:
    """Uniform in the logarithm: as often twice as half."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def wake(rng: Draw, one: Drawn, low: float, high: float) -> None:
    """Give a drive, with efforts of a size between two, cmH2O."""
    effort = one.tables["effort"]
    if not one.breathes:
        effort["rate_per_min"] = one.rate(rng)
        effort["neural_time_s"] = within(rng, 0.32, 0.42) * 60 / effort["rate_per_min"]
    effort["size_cmh2o"] = evenly(rng, low, high)


def sleep(one: Drawn) -> None:
    """Take the drive away; support becomes control."""
    one.tables["effort"] = {"rate_per_min": 0.0}


def volume_control(rng: Draw, one: Drawn, seconds: float, per_kg: float = 1.0) -> None:
    """Volume control with constant flow, so much volume in so many seconds."""
    old, rate = one.setting, one.setting.get("rate_per_min") or one.tables["effort"].get("rate_per_min") or 18.0
    one.tables["settings"] = [
        {
            "mode": "A/C-VC", "peep_cmh2o": old["peep_cmh2o"], "fio2": old["fio2"], "rate_per_min": rate,
            "tidal_volume_ml": per_kg * one.compliance * within(rng, 7, 13), "inspiratory_time_s": seconds,
            "trigger_flow_l_min": old.get("trigger_flow_l_min", 2.0 * one.scale),
        }
    ]  # fmt: skip


def support(rng: Draw, one: Drawn, low: float, high: float) -> None:
    """Pressure support between two pressures above PEEP, cmH2O."""
    old = one.setting
    one.tables["settings"] = [
        {
            "mode": "CSV-PS", "peep_cmh2o": old["peep_cmh2o"], "fio2": old["fio2"], "rise_s": 0.1,
            "pressure_support_cmh2o": within(rng, low, high), "cycling_percent": within(rng, 20, 40),
            "trigger_flow_l_min": old.get("trigger_flow_l_min", 2.0 * one.scale),
        }
    ]  # fmt: skip


def insensitive(rng: Draw, one: Drawn) -> None:
    """A trigger that asks much of a patient who breathes."""
    wake(rng, one, 2, 10)
    if rng.random() < 0.5:
        one.setting.pop("trigger_flow_l_min", None)
        one.setting["trigger_pressure_cmh2o"] = within(rng, 0.7, 4)
        one.tables["ventilator"]["base_flow_l_min"] = 0.0
    else:
        one.setting["trigger_flow_l_min"] = max(0.05, one.scale * evenly(rng, 2, 14))


def starved(rng: Draw, one: Drawn) -> None:
    """Volume control with little flow, and a patient who pulls."""
    wake(rng, one, 3, 22)
    volume_control(rng, one, one.tables["effort"]["neural_time_s"] * within(rng, 0.9, 1.7))


def strong(rng: Draw, one: Drawn) -> None:
    """Efforts about the limit of strong ones and beyond."""
    wake(rng, one, 9, 26)


def weak(rng: Draw, one: Drawn) -> None:
    """Hardly any effort, and support that asks for none."""
    wake(rng, one, 1, 5)
    support(rng, one, 7, 16)
    one.setting["trigger_flow_l_min"] = max(0.05, one.scale * within(rng, 0.5, 1.5))


def hurried(rng: Draw, one: Drawn) -> None:
    """A rate that leaves little time to empty."""
    for table in (one.setting, one.tables["effort"]):
        if table.get("rate_per_min"):
            table["rate_per_min"] = min(80.0, table["rate_per_min"] * within(rng, 1.2, 1.9))
    share = 0.45 * 60 / max(one.setting.get("rate_per_min") or 1.0, one.tables["effort"]["rate_per_min"], 1.0)
    for table, key in ((one.setting, "inspiratory_time_s"), (one.tables["effort"], "neural_time_s")):
        if key in table:
            table[key] = min(table[key], share)


def narrow(rng: Draw, one: Drawn) -> None:
    """Airways narrower, more so in expiration."""
    times, out = within(rng, 1.2, 2.5), within(rng, 1.0, 1.8)
    for part in one.tables["lung"]["compartments"]:
        before = part["resistance_cmh2o_s_l"]
        part["resistance_cmh2o_s_l"] = before * times
        part["expiratory_resistance_cmh2o_s_l"] = part.get("expiratory_resistance_cmh2o_s_l", before) * times * out


def peep_step(rng: Draw, one: Drawn) -> None:
    """Another PEEP in the middle of the recording."""
    old = one.setting["peep_cmh2o"]
    new = max(0.0, old + float(rng.choice([-1, 1, 1])) * within(rng, 1, 6))
    one.tables["settings"].append({"at_s": within(rng, 70, 110), "peep_cmh2o": new})


def limited(rng: Draw, one: Drawn) -> None:
    """Flow limitation, or a resistance as large going out that is none; and a PEEP that is raised."""
    one.setting["peep_cmh2o"] = within(rng, 0, 4)
    one.setting["rate_per_min"] = one.setting.get("rate_per_min") or one.rate(rng)
    volume_control(rng, one, 0.3 * 60 / one.setting["rate_per_min"])
    key = "limiting_resistance_cmh2o_s_l" if rng.random() < 0.6 else "expiratory_resistance_cmh2o_s_l"
    seconds = within(rng, 0.5, 1.4) * 60 / one.setting["rate_per_min"]
    parts = one.tables["lung"]["compartments"]
    for part in parts:
        part.pop("limiting_resistance_cmh2o_s_l", None)
        part[key] = max(part["resistance_cmh2o_s_l"], 1000 * seconds / part["compliance_ml_cmh2o"])
    sleep(one)
    one.tables["settings"].append({"at_s": within(rng, 80, 105), "peep_cmh2o": one.setting["peep_cmh2o"] + 4.0})


def leaky(rng: Draw, one: Drawn) -> None:
    """A leak from hardly any to more than half."""
    one.tables["leak"] = {
        **one.tables["leak"], "flow_l_min": one.scale * evenly(rng, 0.7, 25),
        "exponent": within(rng, 0.4, 1.1) if one.frozen else within(rng, 0.5, 0.8),
    }  # fmt: skip


def cuff(rng: Draw, one: Drawn) -> None:
    """A leak that comes suddenly, or within a minute, and may go."""
    at, over = within(rng, 55, 90), float(rng.choice([0.0, 0.0, 60.0]))
    size = min(5.0, max(0.1, one.scale * evenly(rng, 0.3, 4)))
    events(one).append({"at_s": at, "kind": "cuff leak", "size": size, "over_s": over})
    if rng.random() < 0.5 and not over:
        events(one).append({"at_s": at + within(rng, 40, 60), "kind": "relief"})


def wet(rng: Draw, one: Drawn) -> None:
    """Secretions from the start or from a moment on, or water in the circuit."""
    which = rng.random()
    resistance = 1.0 / sum(1.0 / part["resistance_cmh2o_s_l"] for part in one.tables["lung"]["compartments"])
    if which < 0.4:
        one.tables["lung"]["secretions"] = min(30.0, evenly(rng, 0.1, 1.0) * resistance)
    elif which < 0.7:
        one.tables["ventilator"]["condensate"] = evenly(rng, 0.05, 0.9)
    else:
        events(one).append({"at_s": within(rng, 60, 90), "kind": "secretions", "size": evenly(rng, 0.3, 2)})


def bent(rng: Draw, one: Drawn) -> None:
    """A recoil that bends down, up, or hardly within the breath, mostly passive under constant flow."""
    middle = one.setting["peep_cmh2o"] + within(rng, -8, 18)
    width = within(rng, 4, 9)
    for part in one.tables["lung"]["compartments"]:
        compliance = part.pop("compliance_ml_cmh2o")
        part.pop("recruitment", None)
        part["sigmoid"] = {"span_ml": 4 * width * compliance, "middle_cmh2o": middle, "width_cmh2o": width}


def constant_flow(rng: Draw, one: Drawn) -> None:
    """Passive under constant flow."""
    seconds = {"adult": within(rng, 0.7, 1.1), "child": within(rng, 0.5, 0.8), "newborn": within(rng, 0.3, 0.45)}
    volume_control(rng, one, seconds[one.size])
    sleep(one)


def recruitable(rng: Draw, one: Drawn) -> None:
    """Units that open within the breath, at pressures within it or beyond."""
    opening = one.setting["peep_cmh2o"] + within(rng, 2, 16)
    for part in one.tables["lung"]["compartments"]:
        part["recruitment"] = {
            "share": within(rng, 0.1, 0.7), "opening_cmh2o": opening, "closing_cmh2o": opening - within(rng, 4, 12),
            "opening_time_s": evenly(rng, 0.1, 1.5), "closing_time_s": evenly(rng, 0.3, 3),
        }  # fmt: skip


def coughs(rng: Draw, one: Drawn) -> None:
    """One cough or some."""
    times = within(rng, 20, 40) + np.cumsum(rng.uniform(5, 25, int(rng.integers(1, 8))))
    manoeuvres(one).extend({"at_s": float(at), "kind": "cough"} for at in times if at < SECONDS - 10)


def event(rng: Draw, one: Drawn) -> None:
    """Bronchospasm, one-sided intubation or a pneumothorax, at once or within a minute; it may be relieved."""
    kind = str(rng.choice(["bronchospasm", "one-sided intubation", "pneumothorax"]))
    told: Tables = {"at_s": within(rng, 60, 95), "kind": kind, "over_s": float(rng.choice([0.0, 0.0, 5.0, 60.0]))}
    if kind != "one-sided intubation":
        told["size"] = evenly(rng, 0.1, 2)
    events(one).append(told)
    if rng.random() < 0.4:
        events(one).append({"at_s": told["at_s"] + within(rng, 62, 75), "kind": "relief"})


def opened(rng: Draw, one: Drawn) -> None:
    """A disconnection or a suction."""
    kind = str(rng.choice(["disconnection", "suction"]))
    manoeuvres(one).append({"at_s": within(rng, 40, 140), "kind": kind, "duration_s": evenly(rng, 1.2, 12)})


def occlusions(rng: Draw, one: Drawn) -> None:
    """Occlusions of a patient who breathes."""
    wake(rng, one, 1.5, 20)
    manoeuvres(one).extend({"at_s": at + within(rng, 0, 15), "kind": "occlusion"} for at in (30.0, 80.0, 130.0))


def holds(rng: Draw, one: Drawn) -> None:
    """A hold at the end of expiration, and one of inspiration where there is one to hold."""
    manoeuvres(one).append({"at_s": within(rng, 30, 50), "kind": "expiratory hold"})
    if "CPAP" not in one.setting["mode"]:
        manoeuvres(one).append({"at_s": within(rng, 120, 140), "kind": "inspiratory hold"})


def large(rng: Draw, one: Drawn) -> None:
    """Volumes or pressures about their limits and beyond."""
    for key in ("tidal_volume_ml", "pressure_control_cmh2o", "pressure_support_cmh2o"):
        if key in one.setting:
            one.setting[key] *= within(rng, 1.1, 1.9)
    if "inspiratory_flow_l_min" in one.setting:
        one.setting["inspiratory_flow_l_min"] *= 1.5
    if "VC" in one.setting["mode"]:
        one.setting["pause_s"] = 0.3
    if one.size == "adult":
        one.setting["peep_cmh2o"] += within(rng, 0, 6)


def pushing(rng: Draw, one: Drawn) -> None:
    """Expiratory muscles at work: no cough."""
    if one.breathes:
        one.tables["effort"]["expiratory_cmh2o"] = evenly(rng, 1, 10)


def offset(rng: Draw, one: Drawn) -> None:
    """A flow sensor whose zero is off."""
    one.tables["sensors"]["flow_offset_l_min"] = one.scale * float(rng.choice([-1, 1])) * evenly(rng, 0.3, 6)


def drift(rng: Draw, one: Drawn) -> None:
    """A flow sensor that drifts."""
    one.tables["sensors"]["flow_drift_l_min_per_h"] = one.scale * float(rng.choice([-1, 1])) * evenly(rng, 10, 200)


def delay(rng: Draw, one: Drawn) -> None:
    """Flow before or after pressure."""
    one.tables["sensors"]["flow_delay_s"] = float(rng.choice([-1, 1])) * evenly(rng, 0.004, 0.06)


def coarse(rng: Draw, one: Drawn) -> None:
    """A recorder with large digits and little noise."""
    told = one.tables["sensors"]
    told |= {"pressure_step_cmh2o": evenly(rng, 0.05, 1.0), "flow_step_l_min": one.scale * evenly(rng, 0.1, 1.0)}
    told |= {"pressure_noise_cmh2o": within(rng, 0.0, 0.03), "flow_noise_l_min": one.scale * within(rng, 0.0, 0.1)}


def missing(rng: Draw, one: Drawn) -> None:
    """A gap."""
    at = within(rng, 30, 150)
    one.spoilt.append(Spoilt("gap", ("airway_pressure", "flow"), at, at + evenly(rng, 0.5, 12)))


def standing(rng: Draw, one: Drawn) -> None:
    """A channel, or both, that hold one value."""
    at = within(rng, 30, 150)
    which = (("airway_pressure",), ("flow",), ("airway_pressure", "flow"))[int(rng.integers(3))]
    one.spoilt.append(Spoilt("flat", which, at, at + evenly(rng, 0.8, 15)))


def range_ends(rng: Draw, one: Drawn) -> None:
    """A sensor whose range ends before, or beyond, the signal does."""
    which = (("airway_pressure",), ("flow",))[int(rng.integers(2))]
    one.spoilt.append(Spoilt("clip", which, share=within(rng, 0.6, 1.15)))


def events(one: Drawn) -> list[Tables]:
    """Its events, to add to."""
    told: list[Tables] = one.tables.setdefault("events", [])
    return told


def manoeuvres(one: Drawn) -> list[Tables]:
    """Its manoeuvres, to add to."""
    told: list[Tables] = one.tables.setdefault("manoeuvres", [])
    return told


Condition = Callable[[Draw, Drawn], None]
OF_PATIENT: tuple[Condition, ...] = (
    strong, weak, starved, insensitive, hurried, narrow, constant_flow, bent, recruitable, limited, peep_step, large,
    pushing, leaky, cuff, wet, coughs, event, opened, occlusions, holds,
)  # fmt: skip
OF_SENSORS: tuple[Condition, ...] = (coarse, offset, drift, delay, missing, standing, range_ends)
ONE_RECOIL: tuple[Condition, ...] = (bent, recruitable, limited)
ONE_CLOCK: tuple[Condition, ...] = (cuff, event)
ONE_VALVE: tuple[Condition, ...] = (opened, occlusions, holds)
ONE_PLAN: tuple[Condition, ...] = (limited, peep_step)
ONE_DRIVE: tuple[Condition, ...] = (strong, weak, starved, occlusions, constant_flow, limited)
APART = (ONE_RECOIL, ONE_CLOCK, ONE_VALVE, ONE_PLAN, ONE_DRIVE)
"""Of each of these a patient has one at most."""
RARE_MATTERS: dict[Condition, float] = {limited: 2.0, bent: 1.5, recruitable: 1.5, occlusions: 1.5, cuff: 1.5}
"""Conditions drawn more often, since few patients show their finding."""


def conditions(rng: Draw) -> list[Condition]:
    """Conditions of one patient, in the order in which they are laid on."""
    chosen: list[Condition] = []
    for condition in (*OF_PATIENT, *OF_SENSORS):
        barred = any(condition in group and any(other in group for other in chosen) for group in APART)
        if rng.random() < SHARE * RARE_MATTERS.get(condition, 1.0) and not barred:
            chosen.append(condition)
    if (bent in chosen or recruitable in chosen) and not set(ONE_DRIVE) & set(chosen) and rng.random() < 0.7:
        chosen.insert(0, constant_flow)
    return chosen


def settle(rng: Draw, one: Drawn) -> None:
    """What every patient has: its sensors' noise, its ventilator, and the shapes of its set."""
    tables, frozen = one.tables, one.frozen
    tables["sensors"] = {
        "pressure_noise_cmh2o": evenly(rng, 0.02, 0.2), "flow_noise_l_min": one.scale * evenly(rng, 0.1, 1.2),
        "flow_lag_s": within(rng, 0, 0.012) if frozen else 0.0, "seed": 7,
    }  # fmt: skip
    tables["ventilator"] = {
        "base_flow_l_min": {"adult": 8.0, "child": 5.0, "newborn": 3.0}[one.size],
        "trigger_delay_s": within(rng, 0.03, 0.12) if frozen else 0.06,
        "apnoea_s": 15.0, "backup_rate_per_min": {"adult": 12.0, "child": 18.0, "newborn": 30.0}[one.size],
    }  # fmt: skip
    tables.setdefault("effort", {"rate_per_min": 0.0})
    tables.setdefault("leak", {"flow_l_min": 0.0})
    if frozen:
        shape(rng, one)


def shape(rng: Draw, one: Drawn) -> None:
    """Lungs beyond the library's ranges, other efforts, tissue that relaxes, a heart that is felt."""
    lung = one.tables["lung"]
    stiffer, narrower = evenly(rng, 0.75, 1.3), evenly(rng, 0.75, 1.4)
    for part in lung["compartments"]:
        part["compliance_ml_cmh2o"] /= stiffer
        for key in ("resistance_cmh2o_s_l", "expiratory_resistance_cmh2o_s_l", "limiting_resistance_cmh2o_s_l"):
            if key in part:
                part[key] *= narrower
    one.tables["effort"] |= {"bend": float(rng.choice([1.0, 1.4, 3.0])), "size_cv": within(rng, 0.1, 0.3)}
    if rng.random() < 0.3:
        lung["relaxation_elastance_cmh2o_l"] = 1000 / one.compliance * within(rng, 0.05, 0.2)
    if rng.random() < 0.4:
        lung["heart_amplitude_cmh2o"] = within(rng, 0.05, 0.5)
    one.tables["sampling_hz"] = float(rng.choice([50.0, 100.0, 200.0]))


def patient(kind: Set, k: int) -> tuple[Drawn, Scenario]:
    """Patient ``k`` of a set, and the scenario."""
    rng = np.random.default_rng([SEEDS[kind], k])
    names = patient_names()
    who = names[k % len(names)]
    one = Drawn(who, sample(who, (SEEDS[kind], k)), kind == "frozen")
    settle(rng, one)
    for condition in conditions(rng):
        condition(rng, one)
        one.conditions.append(condition.__name__)
    apart(one)
    told = {"title": f"{kind} {k}: {who}", "duration_s": SECONDS, "seed": 1000 * SEEDS[kind] + k, **one.tables}
    return one, scenario_from(told)


def apart(one: Drawn) -> None:
    """A patient without drive is given inflations by time."""
    if not one.breathes and one.setting["mode"].startswith("CSV"):
        for setting in one.tables["settings"]:
            if "mode" in setting:
                setting |= {
                    "mode": "A/C-PC", "pressure_control_cmh2o": setting.pop("pressure_support_cmh2o"),
                    "rate_per_min": 18.0, "inspiratory_time_s": 1.0,
                }  # fmt: skip
                setting.pop("cycling_percent", None)
