"""What a number can be asked: what it is, after whom, from which breaths, and why it is missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tidebench.quantities import QUANTITIES, Quantity, quantity
from tidebench.recording import Samples
from tidebench.records import BREATH_COLUMNS
from tidebench.views.breath import SHOWN
from tidebench.views.numbers import breath_left_open

if TYPE_CHECKING:
    from tidebench.kept import KeptReview
    from tidebench.review import Review

EARLIER = 6
WITHOUT = ("breath", "start_s", "expiration_s", "end_s")
"""Which breath it is and when stands in its heading."""


@dataclass(frozen=True, slots=True)
class BreathNumber:
    """A quantity of one breath: its value in words, or the reason why there is none."""

    quantity: Quantity
    value: str
    reason: str


@dataclass(frozen=True)
class Loop:
    """One breath as pressure and flow over volume; ``earlier`` counts back from the breath that is looked at."""

    breath: int
    earlier: int
    pressure_cmh2o: Samples
    flow_l_min: Samples
    volume_ml: Samples


def breath_numbers(review: Review, breath: int) -> tuple[BreathNumber, ...]:
    """Every quantity of a breath, the usual ones first; each without a value has its reason."""
    row = review.breaths.row(breath, named=True)
    reasons = {entry["quantity"]: entry["text"] for entry in row["not_measured"] or ()}
    keys = dict.fromkeys((*SHOWN, *(key for key in BREATH_COLUMNS if key in QUANTITIES)))
    found = []
    for key in keys:
        value = row[key]
        if key in WITHOUT or isinstance(value, (str, bool)) or (value is None and key not in reasons):
            continue
        record = quantity(key)
        told = record.text(value) if value is not None else "–"
        if value is not None and (left_open := breath_left_open(review, int(row["breath"]), key)):
            told = f"{told} ({left_open})"
        found.append(BreathNumber(record, told, "" if value is not None else reasons[key]))
    return tuple(found)


def loops(kept: KeptReview, breath: int) -> tuple[Loop, ...]:
    """A breath and up to six before it, the breath itself first."""
    last = max(-1, breath - EARLIER - 1)
    found = (_loop(kept, index, breath - index) for index in range(breath, last, -1))
    return tuple(loop for loop in found if len(loop.volume_ml) > 1)


def _loop(kept: KeptReview, breath: int, earlier: int) -> Loop:
    columns, recording = kept.review.mechanics, kept.review.recording
    part = slice(int(columns["start"][breath]), int(columns["end"][breath]))
    volume = np.asarray(kept.volume[part], np.float64)
    volume = 1000 * (volume - volume[0] if len(volume) else volume)
    pressure, flow = recording["airway_pressure"][part], 60 * recording["flow"][part]
    known = np.isfinite(volume) & np.isfinite(pressure) & np.isfinite(flow)
    return Loop(breath, earlier, pressure[known], flow[known], volume[known])
