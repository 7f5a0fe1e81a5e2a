"""What happens while time runs: manoeuvres at the ventilator, events in the patient, as timed changes.

Settings change by their own tables (``[[settings]]``). A manoeuvre is a closed or open valve; an event is a change of
the patient's parameters, at once or over some time. Each turns into rows ``(time, what, which, value, duration)``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import model_validator

from tidebench.entries import Within, refusal
from tidebench.simulation.layout import (
    COUGH,
    DISCONNECTION,
    EXPIRATORY_HOLD,
    INSPIRATORY_HOLD,
    SPONTANEOUS,
    SUCTION,
    SUPPORT,
    VOLUME,
    Memory,
)
from tidebench.simulation.patient import Table

Row = tuple[float, float, float, float, float]
PARAMETER, MANOEUVRE = 0.0, 1.0

KINDS = {
    "inspiratory hold": INSPIRATORY_HOLD,
    "expiratory hold": EXPIRATORY_HOLD,
    "occlusion": EXPIRATORY_HOLD,
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
    """A hold, an occlusion, a disconnection, suction or a cough, at a time."""

    at_s: Annotated[float, Within(0, 1e6, "s")]
    kind: Literal["inspiratory hold", "expiratory hold", "occlusion", "disconnection", "suction", "cough"]
    duration_s: Annotated[float, Within(0.1, 60, "s")] | None = None

    def rows(self) -> Iterator[Row]:
        """The one row that this is."""
        lasts = LASTS[self.kind] if self.duration_s is None else self.duration_s
        yield self.at_s, MANOEUVRE, float(KINDS[self.kind]), 0.0, lasts


class Event(Table):
    """Something that happens in the patient: how much (1 is typical) and how fast it comes."""

    at_s: Annotated[float, Within(0, 1e6, "s")]
    kind: EventKind
    size: Annotated[float, Within(0.1, 5, "times the typical")] = 1.0
    over_s: Annotated[float, Within(0, 1e5, "s")] = 0.0

    def rows(self, memory: Memory) -> Iterator[Row]:
        """Changes of parameters, from what ``memory`` holds before anything has happened."""
        for name, compartment, value in changed(self.kind, self.size, memory):
            yield self.at_s, PARAMETER, float(Memory.position(name, compartment)), value, self.over_s


def changed(kind: str, size: float, memory: Memory) -> Iterator[tuple[str, int | None, float]]:
    """Parameter, compartment and new value of what an event changes.

    Sizes are teaching values (common practice, no source): bronchospasm triples airway resistance and doubles it again
    in expiration; a tube in one main bronchus closes the last compartment; a pneumothorax stiffens it and presses on
    the pleura; fever adds 40 % to metabolism.
    """
    patient, lung = memory.patient[0], memory.lung
    last = len(lung) - 1
    if kind == "bronchospasm":
        for i in range(len(lung)):
            yield "inspiratory_resistance", i, lung[i]["inspiratory_resistance"] * (1 + 2 * size)
            yield "expiratory_resistance", i, lung[i]["expiratory_resistance"] * (1 + 4 * size)
    elif kind == "one-sided intubation":
        yield "inspiratory_resistance", last, 1e4
        yield "expiratory_resistance", last, 1e4
    elif kind == "pneumothorax":
        yield "compliance", last, lung[last]["compliance"] / (1 + 3 * size)
        yield "pleural_pressure", None, patient["pleural_pressure"] + 4 * size
        yield "shunt", None, min(0.8, patient["shunt"] + 0.15 * size)
    elif kind == "secretions":
        yield "secretions", None, 4 * size * max(1.0, lung[0]["inspiratory_resistance"] / 8)
        yield "tube_k2", None, patient["tube_k2"] * (1 + 0.6 * size)
    elif kind == "cuff leak":
        yield "cuff_leak", None, patient["cuff_leak"] + 0.02 * size
    elif kind == "sedation wearing off":
        yield "effort_rate", None, max(patient["effort_rate"], 18.0)
        yield "effort_size", None, patient["effort_size"] + 4 * size
    elif kind == "fever":
        yield "co2_production", None, patient["co2_production"] * (1 + 0.4 * size)
        yield "o2_uptake", None, patient["o2_uptake"] * (1 + 0.4 * size)
        yield "effort_rate", None, patient["effort_rate"] * (1 + 0.3 * size)
    elif kind == "apnoea":
        yield "effort_rate", None, 0.0
    else:
        for i in range(len(lung)):
            for name in ("inspiratory_resistance", "expiratory_resistance", "compliance"):
                yield name, i, lung[i][name]
        for name in ("pleural_pressure", "shunt", "secretions", "tube_k2", "cuff_leak"):
            yield name, None, patient[name]


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
    def _has_levels(self) -> Self:
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

    def steps(self) -> Iterator[tuple[float, dict[str, float]]]:
        """Times and values of :data:`layout.MACHINE` that are set then."""
        if self.kind in ("peep steps", "recruitment"):
            for k, level in enumerate(self.levels_cmh2o):
                yield self.at_s + k * self.each_s, {"peep": level}
        elif self.kind == "slow inflation":
            seconds = 60 * self.volume_ml / 1000 / self.flow_l_min
            yield self.at_s, {
                "mandatory": float(VOLUME), "tidal_volume": self.volume_ml / 1000, "volume_time": seconds,
                "rate": 60 / (2 * seconds + 2.0), "pressure_limit": 60.0,
            }  # fmt: skip
        else:
            yield self.at_s, {
                "pattern": float(SPONTANEOUS), "support": float(SUPPORT), "support_above": self.support_cmh2o,
                "peep": self.peep_cmh2o,
            }  # fmt: skip
