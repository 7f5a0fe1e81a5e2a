"""What the case knows beside the signals: blood gases, and what was logged, in the order of time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.formulas.indices import pf_ratio_mmhg
from tidebench.gas_contradictions import settled
from tidebench.quantities import Quantity, quantity
from tidebench.views.wording import clock, duration, sentence

if TYPE_CHECKING:
    from tidebench.case import BloodGas, Case, Event, Observed

ANALYSED = ("fio2", "ph", "paco2_mmhg", "pao2_mmhg", "hco3_mmol_l", "sao2", "haemoglobin_g_dl")
PF = "pf_ratio_mmhg"


@dataclass(frozen=True, slots=True)
class GasRow:
    """One blood gas: when, from where, and its values in the order of ``Beside.columns``."""

    when: str
    site: str
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class EventRow:
    """A line of the log."""

    at_s: float
    kind: str
    text: str

    @property
    def time(self) -> str:
        """On the case clock."""
        return clock(self.at_s)


@dataclass(frozen=True)
class Beside:
    """Blood gases with the quantities that at least one of them has, and events."""

    columns: tuple[Quantity, ...]
    gases: tuple[GasRow, ...]
    events: tuple[EventRow, ...]


def beside(case: Case) -> Beside:
    """What stands in the case beside settings and signals."""
    keys = [key for key in ANALYSED if any(getattr(gas, key) is not None for gas in case.blood_gases)]
    if any(_pf(settled(case, gas)) is not None for gas in case.blood_gases):
        keys.append(PF)
    gases = tuple(
        GasRow(_when(case, gas), gas.site or "not stated", tuple(_value(case, gas, key) for key in keys))
        for gas in sorted(case.blood_gases, key=lambda gas: case.drawn_at_s(gas) or 0.0)
    )
    events = sorted((*map(_event, case.events), *_remarks(case.observed)), key=lambda row: row.at_s)
    return Beside(tuple(quantity(key, "blood_gases") for key in keys), gases, tuple(events))


def _value(case: Case, gas: BloodGas, key: str) -> float | None:
    value: float | None = _pf(settled(case, gas)) if key == PF else getattr(gas, key)
    return value


def _pf(gas: BloodGas) -> float | None:
    """PaO2 over inspired oxygen: of an arterial sample of which both are stated."""
    if gas.site != "arterial" or gas.pao2_mmhg is None or gas.fio2 is None:
        return None
    return float(pf_ratio_mmhg(gas.pao2_mmhg, gas.fio2, gas.site))


def _when(case: Case, gas: BloodGas) -> str:
    at_s = case.drawn_at_s(gas)
    if at_s is None:
        return "not stated" if gas.time is None else f"{gas.time:%Y-%m-%d %H:%M}"
    return f"{duration(-at_s)} before" if at_s < 0 else clock(at_s)


def _event(event: Event) -> EventRow:
    kind = event.kind if event.priority is None else f"{event.kind}, {event.priority}"
    return EventRow(event.at_s, kind, event.text or "")


def _remarks(observed: tuple[Observed, ...]) -> Iterator[EventRow]:
    """What was noted in words; noted numbers stand beside the measured ones."""
    for row in observed:
        words = (("position", row.position), ("sedation", row.sedation if isinstance(row.sedation, str) else None))
        for kind, text in words:
            if text:
                yield EventRow(row.at_s, kind, sentence(text))
