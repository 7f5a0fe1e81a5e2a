"""One breath: where its pressure went, its loops, its numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from tidebench.recording import Samples
from tidebench.records import PressureAccount, Spread
from tidebench.views.numbers import EFFORT, Number, breath_left_open, breath_number
from tidebench.views.wording import DELIVERIES, clock

if TYPE_CHECKING:
    from tidebench.review import Review

SHOWN = (
    "vti_ml",
    "vte_ml",
    "peak_pressure_cmh2o",
    "plateau_pressure_cmh2o",
    "peep_cmh2o",
    "total_peep_cmh2o",
    "inspiratory_time_s",
    "expiratory_time_s",
    "compliance_ml_cmh2o",
    "resistance_cmh2o_s_l",
    EFFORT,
)
MOST_NEIGHBOURS = 12
DRAWN = ("airway_pressure", "flow", "oesophageal_pressure")
BEFORE_S, AFTER_S = 0.8, 0.8


@dataclass(frozen=True, slots=True)
class Instant:
    """The account at one instant, all cmH2O: pressure = start + elastic + resistive − muscle + unexplained."""

    name: str
    after_start_s: float
    pressure: float
    start: float
    elastic: float
    resistive: float
    muscle: float
    unexplained: float


@dataclass(frozen=True)
class Surroundings:
    """The recorded signals of a breath and a little before and after; time from its start."""

    time_s: Samples
    channels: Mapping[str, Samples]
    turn_s: float
    end_s: float


@dataclass(frozen=True)
class BreathPage:
    """A breath and what explains it; ``account`` is None where no mechanics are known for it."""

    breath: int
    heading: str
    numbers: tuple[Number, ...]
    recorded: Surroundings
    account: PressureAccount | None
    instants: tuple[Instant, ...]
    unexplained_rms: float | None
    neighbours: tuple[PressureAccount, ...]


def breath_page(review: Review, breath: int | None = None, *, neighbours: bool = True) -> BreathPage | None:
    """A breath by its index, or the typical one; None where there is no such breath.

    ``neighbours`` adds accounts of breaths spread over the record, which take longer than all the rest.
    """
    index = review.typical_breath() if breath is None else breath
    rows = review.breaths.filter(pl.col("breath") == index) if index is not None else review.breaths.head(0)
    if index is None or rows.is_empty():
        return None
    row = rows.row(0, named=True)
    account = review.account(index)
    return BreathPage(
        breath=index,
        heading=breath_heading(row),
        numbers=tuple(_number(review, key, row) for key in SHOWN if row[key] is not None and not _idle(key, row)),
        recorded=_surroundings(review, row),
        account=account,
        instants=_instants(account) if account else (),
        unexplained_rms=float(np.sqrt(np.mean(account.residual**2))) if account else None,
        neighbours=_neighbours(review, index) if account and neighbours else (),
    )


def breath_with_effort(review: Review) -> BreathPage | None:
    """The breath whose effort is nearest the median, where its pressure can be accounted for."""
    active = review.breaths.filter(~pl.col("passive") & pl.col(EFFORT).is_not_null())
    if active.is_empty():
        return None
    nearest = active.sort((pl.col(EFFORT) - pl.col(EFFORT).median()).abs(), "breath")
    page = breath_page(review, int(nearest["breath"][0]))
    return page if page is not None and page.account is not None else None


def _surroundings(review: Review, row: dict[str, float]) -> Surroundings:
    recording = review.recording
    first = max(0, round((row["start_s"] - BEFORE_S) * recording.rate_hz))
    last = min(len(recording), round((row["end_s"] + AFTER_S) * recording.rate_hz))
    drawn = {name: recording[name][first:last] for name in DRAWN if name in recording}
    time = np.arange(first, last) / recording.rate_hz - row["start_s"]
    return Surroundings(time, drawn, row["expiration_s"] - row["start_s"], row["end_s"] - row["start_s"])


def _idle(key: str, row: dict[str, object]) -> bool:
    """True for the effort of a passive breath."""
    return key == EFFORT and row["passive"] is True


def breath_heading(row: dict[str, object]) -> str:
    """A breath in words: its number and time, how it was delivered and begun, passive or with effort."""
    delivery = DELIVERIES.get(str(row["delivery"]), "delivery not known")
    begun = {"patient": "triggered by the patient", "machine": "begun by the machine"}.get(str(row["trigger"]), "")
    kinds: dict[object, str] = {True: "passive", False: "with effort", None: "passive or not can't be told"}
    words = [delivery, begun, kinds[row["passive"]]]
    start = row["start_s"]
    assert isinstance(start, float)
    return f"breath {row['breath']} at {clock(start)}: " + ", ".join(word for word in words if word)


def _number(review: Review, key: str, row: dict[str, float]) -> Number:
    value = float(row[key])
    number = breath_number(review, key, Spread(value, value, value, 1))
    return replace(number, left_open=breath_left_open(review, int(row["breath"]), key))


def _instants(account: PressureAccount) -> tuple[Instant, ...]:
    after = account.time_s - account.time_s[0]
    turn = int(np.searchsorted(account.time_s, account.expiration_s))
    turn = min(max(turn - 1, 0), len(after) - 1)
    places = {
        "highest pressure": int(np.argmax(account.airway_pressure[: turn + 1])),
        "just before expiration": turn,
        "fastest expiration": turn + int(np.argmin(account.flow[turn:])),
    }
    return tuple(_instant(name, i, float(after[i]), account) for name, i in places.items())


def _instant(name: str, i: int, after_s: float, account: PressureAccount) -> Instant:
    return Instant(
        name=name,
        after_start_s=after_s,
        pressure=float(account.airway_pressure[i]),
        start=account.start,
        elastic=float(account.elastic[i]),
        resistive=float(account.resistive[i]),
        muscle=float(account.muscle[i]),
        unexplained=float(account.residual[i]),
    )


def _neighbours(review: Review, index: int) -> tuple[PressureAccount, ...]:
    """Breaths spread evenly over the record, for paler loops behind the typical one."""
    others = review.breaths.filter(pl.col("breath") != index)["breath"]
    if others.is_empty():
        return ()
    places = np.unique(np.linspace(0, len(others) - 1, min(MOST_NEIGHBOURS, len(others))).round().astype(int))
    found = (review.account(int(others[int(place)])) for place in places)
    return tuple(account for account in found if account is not None)
