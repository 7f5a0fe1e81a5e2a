"""Follows a curve at a fraction of a pixel: its stroke's two edges, and the line that a round pen drew between them.

::

    stroke's upper edge   T(x) = min over u of  y(u) − e(u − x)      e(d) = √(w²/4 − d²), the pen's half height
    stroke's lower edge   B(x) = max over u of  y(u) + e(u − x)      rows are counted from the top

Turned round, ``y(u) ≥ max over x of T(x) + e(u − x)`` and ``y(u) ≤ min over x of B(x) − e(u − x)``: the closing and
the opening of the curve by the pen (Serra, Image Analysis and Mathematical Morphology, 1982). Both are the curve itself
where it bends less than the pen; the mean of the two is taken, also along steep edges, where a pixel's own middle is
of no use.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel
from tidebench.pictures.ink import Ink
from tidebench.pictures.path import way

Pixels = npt.NDArray[np.float64]
Shares = npt.NDArray[np.float32]

SEEN = 0.4  # share of the curve's usual ink below which a column holds none of it
FLAT = 0.1  # share of the columns in which a curve is taken to run level, so that its stroke is as tall as wide
STEEP = 14.0  # pixels from which on a column of ink is a steep stretch
FINE = 4  # places in a pixel's width at which edges are sought
POINT_PX = 2.5  # pixels by which a curve's two readings part where it comes to a point
ALONE, ROUGH = 2.5, 0.2  # widths of the stroke around a point, and the share of them that may come to points as well
ISLAND = 2.0  # widths of the stroke: what is shorter and alone is a letter or a dot
BRIDGED = 3.0  # widths of the stroke that are bridged: a cursor, a figure, a dash
LEAP_PX, LEAP = 8.0, 2.5  # pixels, and widths of the stroke, beyond which a step needs ink between its ends
RUNS, AWAY = 0.08, 2.0  # share of ink, beyond that of bare ground some widths aside, from which on it runs there
LOOSE, RIM = 0.1, 0.01  # shares of the panel's width: a piece that may be loose, and what counts as its edge
_FLOOR_PX = 0.2


@dataclass(frozen=True)
class Curve:
    """A traced curve: columns, a row for each and one standard deviation of it, NaN where there is none.

    ``reach``, shape (2, n), is by how many rows the stroke's upper edge lies above the curve and its lower one below,
    the pen's own half taken off: where several samples share a column, the largest and the least of them.
    ``width`` is that of the pen, in pixels; ``ink`` the mean share of ink along the curve, ``alone`` the share of the
    panel's ink that lies on it: little where a filled area is taken for ink. ``astray`` is the share of the columns
    that are left open since the curve was off the edge of a filled area there. ``aside`` is by how much the whole curve
    may lie nearer to what it fills, or further from it, one standard deviation: where the edge of an area was read, and
    half a pen that can't be seen lies beyond it. ``colours`` are its own and that of another curve that was left, where
    a panel has two and nobody told which.
    """

    column: Pixels
    row: Pixels
    sd: Pixels
    reach: Pixels
    width: float
    ink: float = 1.0
    alone: float = 1.0
    astray: float = 0.0
    aside: float = 0.0
    colours: tuple[str, str] | None = None

    @property
    def seen(self) -> float:
        """Share of the columns that hold the curve."""
        return float(np.isfinite(self.row).mean())

    @property
    def worth(self) -> float:
        """How well it is seen, and how much of the panel's ink is its own: by it ways to read a panel are held."""
        return self.ink * self.seen * self.alone


@kernel
def _edges(share: Shares, low: npt.NDArray[np.intp], high: npt.NDArray[np.intp], usual: float) -> Pixels:
    """Upper and lower edge of the stroke in each column, middle and mass of thin ones; NaN where there is none."""
    rows, columns = share.shape
    out = np.full((4, columns), np.nan)
    for x in range(columns):
        most, at = 0.0, -1
        for y in range(max(0, low[x] - 1), min(rows, high[x] + 2)):
            if share[y, x] > most:
                most, at = share[y, x], y
        if at < 0 or most < SEEN * usual:
            continue
        half = 0.5 * min(most, usual)
        top = at
        while top > 0 and share[top - 1, x] >= half:
            top -= 1
        bottom = at
        while bottom < rows - 1 and share[bottom + 1, x] >= half:
            bottom += 1
        out[0, x], out[1, x] = top - 0.5, bottom + 0.5
        if top > 0:
            out[0, x] = top - (share[top, x] - half) / max(share[top, x] - share[top - 1, x], 1e-6)
        if bottom < rows - 1:
            out[1, x] = bottom + (share[bottom, x] - half) / max(share[bottom, x] - share[bottom + 1, x], 1e-6)
        mass, moment = 0.0, 0.0
        first, last = max(0, top - 2), min(rows - 1, bottom + 2)
        for y in range(first, last + 1):
            behind = share[first, x] + (share[last, x] - share[first, x]) * (y - first) / (last - first)
            weight = max(0.0, share[y, x] - min(behind, half))
            mass += weight
            moment += weight * y
        if mass > 0:
            out[2, x], out[3, x] = moment / mass, mass / usual
    return out


@kernel
def _across(share: Shares, top: Pixels, bottom: Pixels, usual: float) -> Pixels:
    """Mass of the stroke from left to right, where it runs steeply: at the middle of each tall column."""
    columns = share.shape[1]
    out = np.full(columns, np.nan)
    half = 0.5 * usual
    for x in range(columns):
        if np.isnan(top[x]) or bottom[x] - top[x] < STEEP:
            continue
        y = int((top[x] + bottom[x]) / 2)
        first = last = x
        while first > 0 and share[y, first - 1] >= half:
            first -= 1
        while last < columns - 1 and share[y, last + 1] >= half:
            last += 1
        mass = 0.0
        for column in range(max(0, first - 2), min(columns, last + 3)):
            mass += share[y, column]
        out[x] = mass / usual
    return out


def _width(mass: Pixels, across: Pixels) -> float:
    """Width of the pen: the height of the stroke where it runs level, or its breadth where it runs steeply."""
    widths = [np.quantile(found[np.isfinite(found)], FLAT) for found in (mass, across) if np.isfinite(found).sum() > 3]
    return max(1.0, float(min(widths))) if widths else 1.0


@kernel
def _between(top: Pixels, bottom: Pixels, width: float) -> Pixels:
    """Closing and opening of the curve by a round pen of that width, column by column."""
    columns = len(top)
    reach = int(width / 2 * FINE)
    out = np.full((2, columns), np.nan)
    for u in range(columns):
        if np.isnan(top[u]):
            continue
        lower, upper = -np.inf, np.inf
        for d in range(-reach, reach + 1):
            x = u + d
            if 0 <= x < columns and not np.isnan(top[x]):
                pen = np.sqrt(max(0.0, width * width / 4 - (d / FINE) ** 2))
                lower = max(lower, top[x] + pen)
                upper = min(upper, bottom[x] - pen)
        out[0, u], out[1, u] = lower, upper
    return out


def best_of(inks: Sequence[Ink]) -> Curve | None:
    """The curve that is seen best and most alone, of several ways to read its ink; None without one."""
    return max((trace(ink) for ink in inks), key=lambda curve: curve.worth, default=None)


def trace(ink: Ink) -> Curve:
    """The curve whose ink is given."""
    enters, leaves = way(ink.share)
    low, high = np.minimum(enters, leaves), np.maximum(enters, leaves)
    along = np.array([ink.share[a : b + 1, x].max() for x, (a, b) in enumerate(zip(low, high, strict=True))])
    there = along[along > SEEN * 0.5]
    usual = float(np.median(there)) if len(there) else 1.0
    seen = float(np.minimum(there, 1.0).mean()) if len(there) else 0.0
    top, bottom, _, mass = _edges(ink.share, low, high, usual)
    width = _width(mass, _across(ink.share, top, bottom, usual))
    column, share = _finer(ink.share)
    nearest = np.round(column).astype(int)
    top, bottom, middle, mass = _edges(share, low[nearest], high[nearest], usual)
    thin = bottom - top <= width + 1.2
    lower, upper = _between(np.where(thin, middle - mass / 2, top), np.where(thin, middle + mass / 2, bottom), width)
    row = _at_points(lower, upper, width)
    row = _without_islands(np.where(thin & (np.abs(row - middle) < 0.6), middle, row), width)
    row = _without_loose(row, ink, width)
    reach = np.nan_to_num(np.maximum(np.stack([row - lower, upper - row]), 0.0))
    sd = _doubt(row, lower, upper, width, ink.noise)
    alone = _alone(ink.share, low, high, round(width) + 1)
    return Curve(column, *bridged(row, sd, width), reach, width, seen, alone)


def _alone(share: Shares, low: npt.NDArray[np.intp], high: npt.NDArray[np.intp], beside: int) -> float:
    """Share of a panel's ink that lies within some rows of the curve's way."""
    rows = np.arange(len(share))[:, None]
    seen = np.where(share > RUNS, share, 0.0)
    own = seen[(rows >= low - beside) & (rows <= high + beside)].sum()
    return float(own / max(seen.sum(), 1e-9))


def _at_points(lower: Pixels, upper: Pixels, width: float) -> Pixels:
    """The mean of closing and opening; where they part, at a point narrower than the pen, the one that holds it.

    Between two sides of a spike the stroke's outer edge tells its height, and the inner one only where the sides meet.
    A curve that is rough all along has no such points: there the mean is right.
    """
    row = (lower + upper) / 2
    least = max(POINT_PX, width)
    parted = upper - lower > least
    around = round(ALONE * width * FINE)
    for first, last in _runs(parted):
        before, after = slice(max(0, first - around), first), slice(last, last + around)
        if last - first > around or max(_share(parted[before]), _share(parted[after])) > ROUGH:
            continue
        sides = np.array([*row[before][-1:], *row[after][:1]])
        if len(sides) < 2 or np.isnan(sides).any():
            continue
        highest, lowest = lower[first:last].min(), upper[first:last].max()
        if sides.min() >= highest + POINT_PX / 2 and sides.max() >= lowest - POINT_PX:
            row[first:last] = lower[first:last]
        elif sides.max() <= lowest - POINT_PX / 2 and sides.min() <= highest + POINT_PX:
            row[first:last] = upper[first:last]
    return row


def _share(mask: npt.NDArray[np.bool_]) -> float:
    return float(mask.mean()) if len(mask) else 0.0


def _finer(share: Shares) -> tuple[Pixels, Shares]:
    """Columns at a fraction of a pixel, and shares between their neighbours' there."""
    column = np.arange((share.shape[1] - 1) * FINE + 1) / FINE
    before = np.minimum(column.astype(int), share.shape[1] - 2)
    part = (column - before).astype(np.float32)
    return column, share[:, before] * (1 - part) + share[:, before + 1] * part


def _runs(mask: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and behind the last of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def _without_islands(row: Pixels, width: float) -> Pixels:
    """A curve without what is shorter than its own stroke is wide, a few times, and stands alone."""
    row = row.copy()
    for first, last in _runs(np.isfinite(row)):
        if last - first < ISLAND * width * FINE:
            row[first:last] = np.nan
    return row


def _without_loose(row: Pixels, ink: Ink, width: float) -> Pixels:
    """A curve without short pieces that ink joins to nothing: letters where a sweeping display has erased the curve.

    Pieces belong together where they are near in height, or ink runs from one to the other, as a steep edge's does.
    What touches the panel's left or right edge may be the beginning of something, what reaches its upper or lower one
    a curve that the panel cuts off: it stays, unless it is but a few widths of the stroke: there the frame leaves
    specks.
    """
    pieces = _pieces(row, ink, width)
    groups: list[tuple[int, int]] = []
    for first, last in pieces:
        if groups and _joined(row, ink, width, groups[-1][1] - 1, first):
            groups[-1] = (groups[-1][0], last)
        else:
            groups.append((first, last))
    row = row.copy()
    rim = round(RIM * len(row))
    for first, last in groups:
        inside = first > rim and last < len(row) - rim and not _reaches_rim(row[first:last], len(ink.share), width)
        if last - first < (LOOSE * len(row) if inside else ISLAND * width * FINE):
            row[first:last] = np.nan
    return row


def _reaches_rim(row: Pixels, tall: int, width: float) -> bool:
    """True where a piece of curve comes to the panel's upper or lower edge."""
    near = width + 2.0
    return bool(np.nanmin(row) < near or np.nanmax(row) > tall - 1 - near)


def _pieces(row: Pixels, ink: Ink, width: float) -> list[tuple[int, int]]:
    """Runs of a curve, cut where it leaps over bare ground."""
    found: list[tuple[int, int]] = []
    for first, last in _runs(np.isfinite(row)):
        leaps = np.flatnonzero(np.abs(np.diff(row[first:last])) > max(LEAP_PX, LEAP * width)) + first
        cuts = [int(place) + 1 for place in leaps if not _joined(row, ink, width, int(place), int(place) + 1)]
        found += pairwise([first, *cuts, last])
    return found


def _joined(row: Pixels, ink: Ink, width: float, one: int, other: int) -> bool:
    """True where two places of a curve are near, or ink runs between them."""
    if other - one > (BRIDGED * width + 2) * FINE:
        return False
    low, high = sorted((row[one], row[other]))
    if not _leaps(low, high, width):
        return True
    rows = slice(round(float(low)), round(float(high)) + 1)
    first, last = max(0, one // FINE - 1), other // FINE + 2
    wide, far = last - first, round(AWAY * width) + 2
    aside = [ink.share[rows, max(0, at) : at + wide] for at in (first - far - wide, last + far) if at + wide > 0]
    bare = [float(np.median(part.max(axis=1))) for part in aside if part.size]
    between = float(np.median(ink.share[rows, first:last].max(axis=1)))
    return between >= RUNS + min(bare, default=0.0)


def _leaps(one: float, other: float, width: float) -> bool:
    """True where two heights lie so far apart that ink has to run between them."""
    return bool(abs(other - one) > max(LEAP_PX, LEAP * width))


def _doubt(row: Pixels, lower: Pixels, upper: Pixels, width: float, noise: float) -> Pixels:
    """One standard deviation of each row: what a pixel holds, noise, and where the two readings part."""
    return np.where(
        np.isnan(row), np.nan, np.sqrt(_FLOOR_PX**2 + (noise * width) ** 2 + np.minimum((upper - lower) / 4, 2.0) ** 2)
    )


def bridged(row: Pixels, sd: Pixels, width: float, seam: int | None = None) -> tuple[Pixels, Pixels]:
    """Short holes in a stroke filled by a straight line, with a doubt that grows with what it rises or falls.

    A hole around ``seam``, the first place of another edge of the panel, is left where the curve leaps there: no ink
    can join its ends.
    """
    row, sd = row.copy(), sd.copy()
    for first, last in _runs(np.isnan(row)):
        if first == 0 or last == len(row) or last - first > (BRIDGED * width + 2) * FINE:
            continue
        if seam is not None and first <= seam <= last and _leaps(row[first - 1], row[last], width):
            continue
        inside = np.arange(first, last)
        row[inside] = np.interp(inside, (first - 1, last), (row[first - 1], row[last]))
        sd[inside] = np.maximum(sd[first - 1], sd[last]) + 0.25 * np.abs(row[last] - row[first - 1]) + 0.5
    return row, sd
