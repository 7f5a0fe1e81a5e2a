"""What pictures gave beside a recording: trends over hours, loops, numbers that were noted."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tidebench.case import MOST_BYTES, Case, load_case
from tidebench.quantities import quantity
from tidebench.views.wording import sentence

MOST_POINTS = 600


@dataclass(frozen=True)
class PicturedTrend:
    """A trend of a picture: hours and values in the quantity's unit."""

    label: str
    unit: str
    words: str
    hours: tuple[float, ...]
    values: tuple[float, ...]


@dataclass(frozen=True)
class Pictured:
    """What a case was given by its pictures, apart from signals."""

    trends: tuple[PicturedTrend, ...]
    loops: tuple[str, ...]
    noted: tuple[str, ...]


def pictured(folder: Path) -> Pictured:
    """What the pictures of a case gave; empty where it is made of none.

    Raises
    ------
    CaseError
        The folder holds no case.
    """
    return pictured_of(load_case(folder))


def pictured_of(case: Case) -> Pictured:
    """What the pictures of a case gave that lies in its folder."""
    told = case.folder / "picture.json"
    if not told.is_file() or told.stat().st_size > MOST_BYTES:
        return Pictured((), (), ())
    said = json.loads(told.read_bytes())
    noted = [
        sentence(f"noted: {quantity(key, 'observed').label} {quantity(key, 'observed').text(value)}")
        for one in case.observed
        for key, value in one.numbers.items()
    ]
    loops = [sentence(loop["words"]) for picture in said["pictures"] for loop in picture.get("loops", ())]
    trends = case.folder / "trends.parquet"
    return Pictured(tuple(_trends(pl.read_parquet(trends)) if trends.is_file() else ()), tuple(loops), tuple(noted))


def _trends(table: pl.DataFrame) -> Iterator[PicturedTrend]:
    for (_, key), rows in table.group_by("picture", "quantity", maintain_order=True):
        record: Any = quantity(str(key), "observed")
        hours, values = rows["time_s"].to_numpy() / 3600, rows["value"].to_numpy()
        low, middle, high = (float(edge) for edge in np.quantile(values, (0, 0.5, 1)))
        span = f"{record.text(low, unit=False)} to {record.text(high)}, median {record.text(middle)}"
        words = f"{record.label} {span}, over {hours[-1] - hours[0]:.1f} h"
        step = max(1, len(hours) // MOST_POINTS)
        shown = (tuple(np.round(part[::step], 4).tolist()) for part in (hours, values))
        yield PicturedTrend(record.label, record.unit, sentence(words), *shown)
