"""What a person mends of a traced curve: stretches erased, and stretches drawn anew over the picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from tidebench.entries import refusal
from tidebench.pictures.axes import Panel, Point, floats
from tidebench.pictures.trace import Curve

HAND_PX = 1.5
"""One standard deviation of a stretch that a hand drew: this house's choice."""
MOST_POINTS = 2000
MOST_CORRECTIONS = 400


class Correction(BaseModel):
    """A stretch of a panel's curve, erased or drawn; ``panel`` counts the panels of the axes from 1.

    ``points`` are (column, row) of the straightened picture. What is erased lies between the first and the last column;
    what is drawn runs from point to point.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    panel: Annotated[int, Field(ge=1, le=100)]
    kind: Literal["erase", "draw"]
    points: Annotated[tuple[Point, ...], BeforeValidator(floats), Field(min_length=2, max_length=MOST_POINTS)]

    @model_validator(mode="after")
    def _some_width(self) -> Self:
        columns = [column for column, _ in self.points]
        if max(columns) - min(columns) < 0.5:
            raise refusal("is narrower than half a pixel", "points that lie apart from left to right")
        return self

    @property
    def columns(self) -> tuple[float, float]:
        """First and last column."""
        return min(column for column, _ in self.points), max(column for column, _ in self.points)


def corrected(curve: Curve, panel: Panel, corrections: Sequence[Correction]) -> Curve:
    """The curve after its corrections, the later over the earlier."""
    left, top = (round(edge) for edge in panel.box[:2])
    for one in corrections:
        first, last = one.columns
        inside = (curve.column + left >= first) & (curve.column + left <= last)
        row = np.full(int(inside.sum()), np.nan)
        if one.kind == "draw":
            columns, rows = _from_left_to_right(one.points)
            row = np.interp(curve.column[inside] + left, columns, rows) - top
        sd = _with(curve.sd, inside, row * 0 + HAND_PX)
        reach = np.where(inside, 0.0, curve.reach)
        curve = replace(curve, row=_with(curve.row, inside, row), sd=sd, reach=reach)
    return curve


def _from_left_to_right(points: Sequence[Point]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Columns that grow and their rows; of points in one column the last counts."""
    last = dict(points)
    columns = sorted(last)
    return np.array(columns), np.array([last[column] for column in columns])


def _with(
    values: npt.NDArray[np.float64], inside: npt.NDArray[np.bool_], anew: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    changed = values.copy()
    changed[inside] = anew
    return changed


def told(corrections: Sequence[Correction], panel: Panel) -> str:
    """How much of a panel's width was mended, as a sentence; empty where nothing was."""
    from tidebench.quantities import QUANTITIES

    parts = [
        f"{words} over {100 * sum(b - a for a, b in spans) / panel.size[0]:.1f} % of it"
        for kind, words in (("draw", "drawn by hand"), ("erase", "erased"))
        if (spans := [one.columns for one in corrections if one.kind == kind])
    ]
    return f"The curve of {QUANTITIES[panel.quantity].label} was {' and '.join(parts)}." if parts else ""
