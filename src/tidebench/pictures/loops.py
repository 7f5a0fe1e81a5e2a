"""Loops: one quantity over another, traced as closed curves without time, and what those can tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.errors import PictureError
from tidebench.pictures.assemble import Pixels, Scale, cut
from tidebench.pictures.axes import Panel, unit_of
from tidebench.pictures.ink import ink_of
from tidebench.quantities import QUANTITIES
from tidebench.readers.headers import canonical_unit
from tidebench.units import factor

Values = npt.NDArray[np.float64]

JOULE = 0.0980665
"""Of a litre times a cmH2O."""
GAPS_PX = (0, 2, 4, 6)
"""Widths of gaps in a loop that are bridged, the narrowest that will do: this house's."""
LEANS = 0.2
"""Share of a loop's breadth by which its lowest and highest point lie apart at least for a slope: this house's."""
_SMALLEST = 40.0  # square pixels that a loop encloses at least


@dataclass(frozen=True)
class Loop:
    """A closed curve in canonical units, and what it tells.

    ``points`` are (across, up). ``area`` is what the curve encloses, in the product of both units; with pressure and
    volume that is work, and ``work_j`` holds it in joules. ``slope`` is the rise from its lowest to its highest point
    by what lies across between the two; None where a loop is so upright or round that its ends decide. Direction and
    time are not told.
    """

    panel: Panel
    points: Values
    across_range: tuple[float, float]
    range: tuple[float, float]
    area: float
    slope: float | None
    work_j: float | None

    @property
    def words(self) -> tuple[str, ...]:
        """What it tells and what it doesn't, as sentences."""
        assert self.panel.across is not None
        first, other = self.panel.quantity, self.panel.across
        said = [f"{_between(first, self.range)} over {_between(other, self.across_range)}."]
        if self.work_j is not None:
            said.append(f"It encloses {self.work_j:.2f} J: work lost in a breath.")
            rise = self.slope if first == "volume" else None if not self.slope else 1 / self.slope
            if rise is not None:
                said.append(f"From its lowest to its highest volume it gains {1000 * rise:.0f} mL for each cmH2O.")
        return (*said, "A loop has neither direction nor time.")


def _between(key: str, ends: tuple[float, float]) -> str:
    record = QUANTITIES[key]
    scale = factor(record.canonical, record.unit) if record.canonical else 1.0
    low, high = (record.text(scale * end, unit=False) for end in ends)
    return f"{record.label} {low} to {high} {record.unit}"


def trace_loop(pixels: Pixels, panel: Panel, where: str) -> Loop:
    """The loop in a panel: the middle between its stroke's outer and inner edge.

    Raises
    ------
    PictureError
        The panel lies outside the picture, or holds no closed curve.
    """
    if panel.across is None or panel.across_unit is None or panel.across_values is None:
        raise ValueError("a loop has another axis")
    colour = None
    if panel.colour is not None:
        colour = np.array([int(panel.colour[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.float32)
    ink = ink_of(cut(pixels, panel, where), colour)
    outlines = _ring(ink.share) if ink is not None else None
    if outlines is None:
        raise PictureError(
            f"no closed curve is found in the panel of {panel.quantity} over {panel.across}",
            where=where, expected="a loop that stands out from its background and whose ends meet",
            remedy="Check the box, and give the curve's colour.",
        )  # fmt: skip
    middle, area_px = _middle(*outlines)
    left, top = (round(edge) for edge in panel.box[:2])
    across = Scale.of(panel.across_values, factor(unit_of(panel.across_unit), canonical_unit(panel.across)))
    up = Scale.of(panel.values, factor(unit_of(panel.unit), canonical_unit(panel.quantity)))
    points = np.stack([across(middle[:, 0] + left), up(middle[:, 1] + top)], axis=1)
    area = area_px * abs(across.each * up.each)
    low, high = points[points[:, 1].argmin()], points[points[:, 1].argmax()]
    run = float(high[0] - low[0])
    told = abs(run) >= LEANS * float(np.ptp(points[:, 0]))
    work = {panel.quantity, panel.across} == {"airway_pressure", "volume"}
    return Loop(
        panel, points, (float(points[:, 0].min()), float(points[:, 0].max())), (float(low[1]), float(high[1])),
        float(area), float(high[1] - low[1]) / run if told else None, area * JOULE if work else None,
    )  # fmt: skip


def _ring(share: npt.NDArray[np.float32]) -> tuple[Values, Values] | None:
    """Outer and inner edge of a ring, over the gaps that lines across it (the axis through zero, a grid) leave."""
    from scipy import ndimage

    bridged = (share if gap == 0 else ndimage.grey_closing(share, size=gap + 1) for gap in GAPS_PX)
    return next((found for one in bridged if (found := _outlines(one)) is not None), None)


def _outlines(share: npt.NDArray[np.float32]) -> tuple[Values, Values] | None:
    """Outer and inner edge of the largest ring of ink, shape (n, 2) of column and row."""
    import contourpy

    framed = np.pad(share, 1)
    lines = [np.asarray(line, dtype=float) - 1.0 for line in contourpy.contour_generator(z=framed).lines(0.5)]
    closed = [line for line in lines if len(line) > 8 and np.allclose(line[0], line[-1])]
    closed.sort(key=lambda line: -abs(_area(line)))
    if not closed or abs(_area(closed[0])) < _SMALLEST:
        return None
    outer = closed[0]
    inner = [line for line in closed[1:] if _area(line) * _area(outer) < 0 and _within(line, outer)]
    return (outer, inner[0]) if inner and abs(_area(inner[0])) > _SMALLEST else None


def _area(line: Values) -> float:
    """Signed area of a closed line (shoelace formula)."""
    x, y = line.T
    return float(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def _within(line: Values, outer: Values) -> bool:
    low, high = outer.min(axis=0), outer.max(axis=0)
    return bool((line.min(axis=0) >= low).all() and (line.max(axis=0) <= high).all())


def _middle(outer: Values, inner: Values) -> tuple[Values, float]:
    """The line between two edges, and its area: the mean of theirs."""
    from scipy.spatial import KDTree

    _, nearest = KDTree(inner).query(outer)
    area = (abs(_area(outer)) + abs(_area(inner))) / 2
    return (outer + inner[nearest]) / 2, area
