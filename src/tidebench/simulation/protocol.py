"""What happens while time runs: manoeuvres at the ventilator, events in the patient, as timed changes.

Settings change by their own tables (``[[settings]]``). A manoeuvre is a closed or open valve; an event is a change of
the patient's parameters, at once or over some time. Each turns into rows ``(time, what, which, value, duration)``;
what events make of each other is in :mod:`tidebench.simulation.course`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Annotated, Any, Literal, Self

from pydantic import model_validator

from tidebench.case import Setting
from tidebench.entries import Within, refusal
from tidebench.simulation.layout import (
    CMV,
    CONSTANT,
    COUGH,
    DISCONNECTION,
    EXPIRATORY_HOLD,
    INSPIRATORY_HOLD,
    OCCLUSION,
    SPONTANEOUS,
    SUCTION,
    SUPPORT,
    VOLUME,
    Memory,
    Record,
)
from tidebench.simulation.patient import MOST_RATTLING, Table

OWN = {
    "peep steps": ("levels_cmh2o", "each_s"),
    "recruitment": ("levels_cmh2o", "each_s"),
    "slow inflation": ("volume_ml", "flow_l_min"),
    "breathing trial": ("peep_cmh2o", "support_cmh2o", "each_s"),
}
"""The keys of each procedure."""

Row = tuple[float, float, float, float, float]
PARAMETER, MANOEUVRE = 0.0, 1.0

KINDS = {
    "inspiratory hold": INSPIRATORY_HOLD,
    "expiratory hold": EXPIRATORY_HOLD,
    "occlusion": OCCLUSION,
    "disconnection": DISCONNECTION,
    "suction": SUCTION,
    "cough": COUGH,
}
LASTS = {
    "inspiratory hold": 3.0, "expiratory hold": 4.0, "occlusion": 1.2, "disconnection": 5.0, "suction": 8.0,
    "cough": 0.35,
}  # fmt: skip
"""Seconds that a manoeuvre lasts unless said (common practice, no source)."""

EventKind = Literal[
    "bronchospasm", "one-sided intubation", "pneumothorax", "secretions", "cuff leak", "sedation wearing off", "fever",
    "apnoea", "relief",
]  # fmt: skip


class Manoeuvre(Table):
    """A hold, an occlusion, a disconnection, suction or a cough, at a time.

    An occlusion lasts from the first effort that pulls on it, and is given up after 6 s without one.
    """

    at_s: Annotated[float, Within(0, 1e6, "s")]
    kind: Literal["inspiratory hold", "expiratory hold", "occlusion", "disconnection", "suction", "cough"]
    duration_s: Annotated[float, Within(0.1, 60, "s")] | None = None

    @model_validator(mode="after")
    def _own_keys(self) -> Self:
        if self.kind == "cough" and self.duration_s is not None:
            raise refusal("has duration_s, which a cough has no use for", "at_s and kind alone")
        return self

    @property
    def lasts_s(self) -> float:
        """How long it takes: as said, or as usual."""
        return LASTS[self.kind] if self.duration_s is None else self.duration_s

    def rows(self) -> Iterator[Row]:
        """The one row that this is."""
        yield self.at_s, MANOEUVRE, float(KINDS[self.kind]), 0.0, self.lasts_s


Change = tuple[str, int | None, float]  # parameter, compartment (None: of the whole patient), new value
SHUT_RESISTANCE = 1e4
MOST_SHUNT, MOST_DEAD_SPACE = 0.8, 0.9
MOST_EFFORT, MOST_RATE, MOST_METABOLISM, MOST_WIDTH, LEAST_COMPLIANCE = 80.0, 300.0, 3.6, 480.0, 3e-6
"""cmH2O, per minute, L/min, cmH2O, L/cmH2O: what the largest single event makes of the utmost that a scenario may have.
Several together go no further.
"""


def bronchospasm(size: float, memory: Memory) -> Iterator[Change]:
    """Airways narrow, three times the resistance, five times in expiration, and unevenly: what is ventilated little
    counts as shunt, what is ventilated much as dead space (Rodriguez-Roisin, Am Rev Respir Dis 1989;139:732, from
    memory, describes the unevenness; the sizes are teaching values).
    """
    for i, part in enumerate(memory.lung):
        yield "inspiratory_resistance", i, part["inspiratory_resistance"] * (1 + 2 * size)
        yield "expiratory_resistance", i, part["expiratory_resistance"] * (1 + 4 * size)
    patient = memory.patient[0]
    yield "alveolar_dead_space", None, min(MOST_DEAD_SPACE, patient["alveolar_dead_space"] + 0.1 * size)
    yield "shunt", None, min(MOST_SHUNT, patient["shunt"] + 0.05 * size)


def one_sided_intubation(_size: float, memory: Memory) -> Iterator[Change]:
    """The tube in one main bronchus: the last compartment is shut off, its blood flow a shunt from then on, less the
    half that narrowed vessels turn away. A lung of one compartment does half its work through narrower airways.

    Teaching values, common practice, no source.
    """
    last, shunt = len(memory.lung) - 1, memory.patient[0]["shunt"]
    resistances = ("inspiratory_resistance", "expiratory_resistance")
    if last == 0:
        yield _recoil(memory, 0, 2.0)
        for name in resistances:
            yield name, 0, memory.lung[0][name] * 1.5
        yield "shunt", None, min(MOST_SHUNT, shunt + 0.25)
        return
    for name in resistances:
        yield name, last, SHUT_RESISTANCE
    parts = [_compliance(part) for part in memory.lung]
    yield "shunt", None, min(MOST_SHUNT, shunt + 0.5 * parts[last] / sum(parts))


def _compliance(part: Record) -> float:
    """Compliance of a compartment, L/cmH2O; of a bent recoil where it is steepest."""
    return float(part["sigmoid_span"] / (4 * part["sigmoid_width"]) if part["sigmoid_span"] else part["compliance"])


def _recoil(memory: Memory, compartment: int, times: float) -> Change:
    """A compartment stiffer by a factor: its compliance divided by it, or a bent recoil drawn out over pressure."""
    part = memory.lung[compartment]
    if part["sigmoid_span"]:
        return "sigmoid_width", compartment, min(MOST_WIDTH, part["sigmoid_width"] * times)
    return "compliance", compartment, max(LEAST_COMPLIANCE, part["compliance"] / times)


def pneumothorax(size: float, memory: Memory) -> Iterator[Change]:
    """Gas outside the lung stiffens the last compartment, presses on the pleura and adds shunt."""
    last, patient = len(memory.lung) - 1, memory.patient[0]
    yield _recoil(memory, last, 1 + 3 * size)
    yield "pleural_pressure", None, patient["pleural_pressure"] + 4 * size
    yield "shunt", None, min(MOST_SHUNT, patient["shunt"] + 0.15 * size)


def secretions(size: float, memory: Memory) -> Iterator[Change]:
    """Airways rattle, and the tube narrows."""
    airways = 1 / sum(1 / part["inspiratory_resistance"] for part in memory.lung)
    rattling = 4 * size * max(1.0, memory.lung[0]["inspiratory_resistance"] / 8)
    yield "secretions", None, max(memory.patient[0]["secretions"], min(rattling, MOST_RATTLING * airways))
    yield "tube_k2", None, memory.patient[0]["tube_k2"] * (1 + 0.6 * size)


def cuff_leak(size: float, memory: Memory) -> Iterator[Change]:
    """Gas passes the cuff."""
    yield "cuff_leak", None, memory.patient[0]["cuff_leak"] + 0.02 * size


def sedation_wearing_off(size: float, memory: Memory) -> Iterator[Change]:
    """Efforts come, or grow."""
    yield "effort_rate", None, max(memory.patient[0]["effort_rate"], 18.0)
    yield "effort_size", None, min(MOST_EFFORT, memory.patient[0]["effort_size"] + 4 * size)


def fever(size: float, memory: Memory) -> Iterator[Change]:
    """Metabolism rises by 40 %, and drive with it."""
    for name in ("co2_production", "o2_uptake"):
        yield name, None, min(MOST_METABOLISM, memory.patient[0][name] * (1 + 0.4 * size))
    yield "effort_rate", None, min(MOST_RATE, memory.patient[0]["effort_rate"] * (1 + 0.3 * size))


def apnoea(_size: float, _memory: Memory) -> Iterator[Change]:
    """Efforts cease."""
    yield "effort_rate", None, 0.0


def relief(_size: float, _memory: Memory) -> Iterator[Change]:
    """Every event ends: airways, lung, pleura, tube, cuff, efforts and metabolism are as at the start."""
    yield from ()


CHANGES: dict[str, Callable[[float, Memory], Iterator[Change]]] = {
    "secretions": secretions,
    "one-sided intubation": one_sided_intubation,
    "bronchospasm": bronchospasm,
    "pneumothorax": pneumothorax,
    "cuff leak": cuff_leak,
    "sedation wearing off": sedation_wearing_off,
    "fever": fever,
    "apnoea": apnoea,
    "relief": relief,
}
"""What an event changes of what it finds, 1 being the typical size: teaching values (common practice, no source).

In the order in which those that stand at a time act: who wakes gets a rate before fever raises it, and apnoea stops
what is left; wet noise and lost blood flow go by airways and recoil before others have narrowed and stiffened them.
"""

WITHOUT_SIZE = ("one-sided intubation", "apnoea", "relief")
"""Events that are there or not: twice is once."""

ENDS: dict[str, frozenset[str]] = {kind: frozenset() for kind in CHANGES} | {
    "sedation wearing off": frozenset({"apnoea"}),
    "apnoea": frozenset({"sedation wearing off"}),
    "relief": frozenset(CHANGES),
}
"""Events that an event ends."""


class Event(Table):
    """Something that happens in the patient, on top of other events, until relief: how much (1 is typical), how fast.

    Apnoea and sedation wearing off end each other; see :mod:`tidebench.simulation.course`.
    """

    at_s: Annotated[float, Within(0, 1e6, "s")]
    kind: EventKind
    size: Annotated[float, Within(0.1, 5, "times the typical")] = 1.0
    over_s: Annotated[float, Within(0, 1e5, "s")] = 0.0

    @model_validator(mode="after")
    def _own_keys(self) -> Self:
        if self.kind in WITHOUT_SIZE and "size" in self.model_fields_set:
            raise refusal(f"has size, which {self.kind} has no use for", "at_s, kind and over_s")
        return self


class Procedure(Table):
    """Settings moved by a plan: PEEP in steps, a recruitment, one slow inflation, a breathing trial; then as before."""

    at_s: Annotated[float, Within(0, 1e6, "s")]
    kind: Literal["peep steps", "recruitment", "slow inflation", "breathing trial"]
    levels_cmh2o: tuple[Annotated[float, Within(0, 60, "cmH2O")], ...] = ()
    each_s: Annotated[float, Within(1, 1e5, "s")] = 60.0
    peep_cmh2o: Annotated[float, Within(0, 60, "cmH2O")] = 5.0
    support_cmh2o: Annotated[float, Within(0, 60, "cmH2O")] = 5.0
    volume_ml: Annotated[float, Within(1, 4000, "mL")] = 500.0
    flow_l_min: Annotated[float, Within(0.2, 60, "L/min")] = 6.0

    @model_validator(mode="after")
    def _own_keys(self) -> Self:
        foreign = sorted(self.model_fields_set - {"at_s", "kind", *OWN[self.kind]})
        if foreign:
            raise refusal(f"has {foreign[0]}, which a {self.kind} has no use for", ", ".join(OWN[self.kind]))
        if self.kind in ("peep steps", "recruitment") and not self.levels_cmh2o:
            raise refusal("has no levels", "levels_cmh2o, such as [8, 12, 16]")
        return self

    @property
    def ends_s(self) -> float:
        """When settings are as before."""
        if self.kind in ("peep steps", "recruitment"):
            return self.at_s + self.each_s * len(self.levels_cmh2o)
        if self.kind == "slow inflation":
            return self.at_s + 2 * 60 * self.volume_ml / 1000 / self.flow_l_min + 2.0
        return self.at_s + self.each_s

    @property
    def highest_cmh2o(self) -> float:
        """The highest PEEP that it sets; 0 where it leaves PEEP as it is."""
        if self.kind == "breathing trial":
            return self.peep_cmh2o
        return max(self.levels_cmh2o, default=0.0)

    def steps(self) -> Iterator[tuple[float, dict[str, float]]]:
        """Times and values of :data:`layout.MACHINE` that are set then."""
        if self.kind in ("peep steps", "recruitment"):
            for k, level in enumerate(self.levels_cmh2o):
                yield self.at_s + k * self.each_s, {"peep": level}
        elif self.kind == "slow inflation":
            seconds = 60 * self.volume_ml / 1000 / self.flow_l_min
            yield self.at_s, {
                "pattern": float(CMV), "mandatory": float(VOLUME), "tidal_volume": self.volume_ml / 1000,
                "volume_time": seconds, "flow_shape": float(CONSTANT), "pause": 0.0, "rate": 60 / (2 * seconds + 2.0),
            }  # fmt: skip
        else:
            yield self.at_s, {
                "pattern": float(SPONTANEOUS), "support": float(SUPPORT), "support_above": self.support_cmh2o,
                "peep": self.peep_cmh2o,
            }  # fmt: skip

    def settings(self, standing: Setting) -> Iterator[Setting]:
        """What a case file says was set: each step, then what stood before."""
        told = standing.model_dump(exclude_none=True)
        if standing.pressure_control_cmh2o is not None or standing.pressure_support_cmh2o is not None:
            told.pop("inspiratory_pressure_cmh2o", None)  # follows PEEP
        for at, row in self._rows(told):
            yield Setting.model_validate({**row, "at_s": at})
        yield Setting.model_validate({**told, "at_s": self.ends_s})

    def _rows(self, told: dict[str, Any]) -> Iterator[tuple[float, dict[str, Any]]]:
        if self.kind in ("peep steps", "recruitment"):
            for k, level in enumerate(self.levels_cmh2o):
                yield self.at_s + k * self.each_s, {**told, "peep_cmh2o": level}
            return
        kept = {key: told[key] for key in ("peep_cmh2o", "fio2", "rise_s", "trigger_flow_l_min") if key in told}
        if self.kind == "slow inflation":
            yield self.at_s, kept | {
                "mode": "CMV-VC", "tidal_volume_ml": self.volume_ml, "inspiratory_flow_l_min": self.flow_l_min,
                "rate_per_min": 60 / (self.ends_s - self.at_s),
            }  # fmt: skip
        else:
            yield self.at_s, kept | {
                "mode": "CSV-PS", "peep_cmh2o": self.peep_cmh2o, "pressure_support_cmh2o": self.support_cmh2o,
            }  # fmt: skip
