"""Filled areas: where a panel has two grounds with a sharp edge between them, the curve runs along that edge.

A pen that is hardly darker than what it fills is lost in it; the edge of the area is not. So the edge is one more way
to read such a curve, and a check on all others: a curve with filled ground on every side, or bare ground on every side
and an area elsewhere in its column, is not what was drawn.

::

    bare  bare  bare                  bare                      filled
    bare ~~~~~~ filled    as drawn    bare ~~~~ bare    astray   filled ~~~~ filled   astray
    filled filled filled              bare                      filled
                                      filled
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tidebench.pictures.ink import Ink, covered, inks_of, without_rules
from tidebench.pictures.trace import Curve, best_of, trace

Pixels = npt.NDArray[np.float32]
Shares = npt.NDArray[np.float32]
Values = npt.NDArray[np.float64]

BLOCK = 6
"""Pixels of a block whose median colour is that of a ground: wider than half a pen on either side of it."""
LEAST_APART = 8.0
"""Of 255, by which two grounds differ at least."""
LEAST_SHARE = 0.03
"""Share of a panel that each of the grounds covers at least."""
SHARP_PX, SHARP = 4, 0.6
"""Half the pixels over which an edge is looked at, and the share of the grounds' difference that lies within them: at
the edge of a reflection far less does. This house's."""
BESIDE_PX = (2, 5)
"""Pixels beyond the pen's own half between which ground beside a curve is looked at."""
FILLED, BARE = 0.75, 0.25
TALL_PX = 8.0
"""Pixels beyond twice the pen that an area is tall at least before a curve on bare ground has left it."""
MOST_PEN_PX = 6
DARKER = 1.1
"""Times the grounds' difference by which a pen that is darker than the area differs from bare ground at least."""
TOLD = 0.9
"""Mean share of ink along a pen that is told from its area: less is what a compressed file leaves of it."""
RAMP_PX = 1.5
"""Pixels beside bare ground that are part of the pen's softened edge, and no area."""
WIDE_PX, WIDE = 15, 0.5
"""Pixels, wider than a thick pen on a noisy curve, and the share of each ground that lies in squares of so many: less
is the pen's own. This house's."""
THIN_PX, FRAME_PX = 3, 3
"""Lines thinner than so many pixels are no area; pixels along a panel's sides that its frame may take."""
MAY_STRAY = 0.02
"""Share of the columns in which a curve may be off the edge (letters, a cursor) before the edge itself is read."""


@dataclass(frozen=True)
class Area:
    """How much of each pixel is filled, shape (rows, columns): 0 bare ground, 1 the area or the pen on its edge.

    ``raw`` has lines in it, ``share`` has not: grid, letters, a pen on bare ground are taken off by an opening.
    ``pen`` is how wide the pen on its edge is, in pixels, as far as it is darker than the area; 2 where it is not.
    ``stroke`` is the ink of that pen, None where it is not darker.
    """

    raw: Shares
    share: Shares
    pen: int
    stroke: Ink | None

    def ink(self) -> Ink:
        """The edge of the area as ink as wide as the pen: what an erosion takes off (Serra, 1982).

        Not the edge at which the area stands: above it the area is eroded from above alone, below it from below.
        """
        from scipy import ndimage

        wide, base = 2 * self.pen + 1, self._base()
        rim, filled = np.zeros_like(self.share), self.share.copy()
        foot = slice(max(0, base - self.pen - 1), base + self.pen + 2)
        filled[foot] = self.raw[foot]
        for side, other in ((slice(0, base), slice(base, None)), (slice(base, None), slice(0, base))):
            whole = filled.copy()
            whole[other] = 1.0
            rim[side] = (whole - ndimage.grey_erosion(whole, (wide, wide), mode="nearest"))[side]
        beside = [self.share[row] for row in (base - self.pen - 3, base + self.pen + 3) if 0 <= row < len(rim)]
        stands = np.max([*beside, np.zeros(rim.shape[1])], axis=0) > 0.5
        rim[foot] = np.where(stands, 0.0, rim[foot])
        return Ink(rim, np.zeros(3, dtype=np.float32), 0.1)

    def _base(self) -> int:
        """The row on which the area stands: most of its columns end there, or they end at the panel's lower edge."""
        filled = self.share > 0.5
        if filled[-1].mean() > filled.any(axis=0).mean() / 2:
            return len(filled)
        ends = (filled[1:] != filled[:-1]).sum(axis=1)
        return int(np.convolve(ends, np.ones(3), "same").argmax()) + 1

    def astray(self, column: Values, row: Values, width: float) -> npt.NDArray[np.bool_]:
        """True at each place of a curve that is not on the area's edge."""
        filled = [self._beside(column, row, width, way) for way in ((-1, 0), (1, 0), (0, -1), (0, 1))]
        most, least = np.max(filled, axis=0), np.min(filled, axis=0)
        out: npt.NDArray[np.bool_] = np.isfinite(row) & ((least > FILLED) | ((most < BARE) & self._tall(column, width)))
        return out

    def lost(self, column: Values, row: Values, width: float) -> npt.NDArray[np.bool_]:
        """True where the area has an edge and a curve that was held against it is not there; an erase bar has none."""
        out: npt.NDArray[np.bool_] = np.isnan(row) & self._tall(column, width)
        return out

    def _tall(self, column: Values, width: float) -> npt.NDArray[np.bool_]:
        """True in columns whose area is too tall to be the pen's own."""
        out: npt.NDArray[np.bool_] = (self.share > 0.5).sum(axis=0)[np.round(column).astype(int)] > 2 * width + TALL_PX
        return out

    def _beside(self, column: Values, row: Values, width: float, way: tuple[int, int]) -> Values:
        """How much of the ground is filled on one side of each place; NaN-free: a panel's edge goes on as it ends."""
        rows, columns = self.share.shape
        away = width / 2 + np.arange(BESIDE_PX[0], BESIDE_PX[1] + 1)
        y = np.round(np.add.outer(np.nan_to_num(row), way[0] * away)).astype(int).clip(0, rows - 1)
        x = np.round(np.add.outer(column, way[1] * away)).astype(int).clip(0, columns - 1)
        return np.asarray(self.share[y, x].mean(axis=1), np.float64)


def curve_in(pixels: Pixels, colour: Pixels | None = None) -> Curve | None:
    """The curve of a panel: of several ways to read it the one seen best and most alone; None without any.

    Over a filled area, places where it is off the area's edge are left open, and ``astray`` says in how many columns.

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns, 3)
        Red, green, blue, 0 to 255.
    colour : ndarray, shape (3,), optional
        The curve's colour, as nearly as a person can say it.
    """
    inks, area = inks_of(pixels, colour), area_of(pixels)
    if area is None:
        return best_of(inks)
    curves = [trace(ink) for ink in inks]
    if area.stroke is not None and (pen := trace(area.stroke)).ink >= TOLD:
        curves.append(pen)
    on_edge = [_on_edge(curve, area) for curve in curves]
    best = max(on_edge, key=lambda curve: curve.worth, default=None)
    if best is not None and area.lost(best.column, best.row, best.width).mean() <= MAY_STRAY:
        return best
    edge = trace(area.ink())
    return max([*on_edge, _on_edge(replace(edge, aside=edge.width / 2), area)], key=lambda curve: curve.worth)


def _on_edge(curve: Curve, area: Area) -> Curve:
    """A curve without the places where it is off the area's edge."""
    off = area.astray(curve.column, curve.row, curve.width)
    row, sd = (np.where(off, np.nan, values) for values in (curve.row, curve.sd))
    return replace(curve, row=row, sd=sd, astray=float(off.mean()))


def area_of(pixels: Pixels) -> Area | None:
    """The filled area of a panel; None where its ground is one, or two without a sharp edge (uneven light).

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns, 3)
        Red, green, blue, 0 to 255.
    """
    from scipy import ndimage

    grounds = _grounds(pixels)
    if grounds is None:
        return None
    one, other = grounds
    way = (other - one) / float(((other - one) ** 2).sum())
    along = ((pixels - one) @ way).astype(np.float32)
    share = _within_frame(np.clip(along, 0.0, 1.0).astype(np.float32))
    opened = ndimage.grey_opening(share, (THIN_PX, THIN_PX))
    if not _is_area(opened):
        return None
    return Area(share, opened, _pen(along, opened > 0.5), _stroke(pixels - one.astype(np.float32), along, other - one))


def _within_frame(share: Shares) -> Shares:
    """A panel whose outermost pixels are as those further in: there its frame runs."""
    inner = share[FRAME_PX:-FRAME_PX, FRAME_PX:-FRAME_PX]
    return np.pad(inner, FRAME_PX, mode="edge")


def _grounds(pixels: Pixels) -> tuple[Values, Values] | None:
    """Colours of the two grounds, the bare one first: the one nearer to the colour most of the panel's rim has.

    Medians of blocks, along the direction in which they scatter most, parted where both sides scatter least (Otsu, IEEE
    Trans Syst Man Cybern 1979;9:62).
    """
    rows, columns = (side // BLOCK * BLOCK for side in pixels.shape[:2])
    if min(rows, columns) < 2 * BLOCK:
        return None
    blocks = pixels[:rows, :columns].reshape(rows // BLOCK, BLOCK, columns // BLOCK, BLOCK, 3)
    middles = np.median(blocks.transpose(0, 2, 1, 3, 4).reshape(-1, BLOCK * BLOCK, 3), axis=1).astype(np.float64)
    away = middles - middles.mean(axis=0)
    along = away @ np.linalg.svd(away.T @ away)[0][:, 0]
    order = np.sort(along)
    count = np.arange(1, len(order))
    lower, upper = np.cumsum(order)[:-1] / count, (order.sum() - np.cumsum(order)[:-1]) / (len(order) - count)
    cut = int((count * (len(order) - count) * (upper - lower) ** 2).argmax())
    high = along > order[cut]
    if not LEAST_SHARE < high.mean() < 1 - LEAST_SHARE:
        return None
    two = np.median(middles[~high], axis=0), np.median(middles[high], axis=0)
    if np.linalg.norm(two[0] - two[1]) < LEAST_APART:
        return None
    top = high.reshape(rows // BLOCK, -1)[0].mean()
    return (two[1], two[0]) if top > 0.5 else two


def _is_area(share: Shares) -> bool:
    """True where most of both grounds is wider than any pen, and most of the way between them a few pixels."""
    from scipy import ndimage

    filled = share > 0.5
    for ground in (filled, ~filled):
        if ndimage.binary_opening(ground, np.ones((WIDE_PX, WIDE_PX))).sum() < WIDE * ground.sum():
            return False
    rows, columns = np.nonzero(filled[1:] != filled[:-1])
    if not len(rows):
        return False
    above = share[np.clip(rows - SHARP_PX, 0, None), columns]
    below = share[np.clip(rows + 1 + SHARP_PX, None, len(share) - 1), columns]
    return bool(np.median(np.abs(above - below)) > SHARP)


def _stroke(differs: Pixels, along: Pixels, filled: Values) -> Ink | None:
    """The ink of a pen darker than the area, each pixel held against the ground that is nearer to it; None of no such.

    Half the pen lies on bare ground and half on the area. A pixel that is half ink is darker over the area than over
    bare ground: by one ground alone, an edge of the stroke lies inside the area or outside it by up to half a pixel.
    """
    from scipy import ndimage

    inner = along[FRAME_PX:-FRAME_PX, FRAME_PX:-FRAME_PX]
    ink = float(np.quantile(inner, 0.995))
    if ink < DARKER:
        return None
    strong = np.sort(inner, axis=0)[-2]
    seen = strong[strong > (1 + ink) / 2]
    if not len(seen):
        return None
    ink = float(np.median(seen))
    from_bare = ndimage.distance_transform_edt(along >= 0.5)
    from_area = ndimage.distance_transform_edt((from_bare <= RAMP_PX) | (along >= (1 + ink) / 2))
    ground = np.where(from_bare < from_area, 0.0, 1 / ink).astype(np.float32)
    contrast = (filled * ink).astype(np.float32)
    share = _within_frame(covered(differs, contrast, 0.0, lambda _: ground))
    bare = along < 0.5
    noise = float(np.median(np.abs(along[bare]))) if bare.any() else 0.0
    return Ink(without_rules(share), contrast, noise / ink)


def _pen(along: Pixels, area: npt.NDArray[np.bool_]) -> int:
    """Width of the pen on the area's edge across its stroke, however that slants; 2 where it is no darker than it.

    Pixels of a stroke w pixels wide lie (w + 2)/4 from the nearest one beside it on the average.
    """
    from scipy import ndimage

    ink = float(np.quantile(along, 0.995))
    stroke = (along > (1 + ink) / 2) & area
    if ink < DARKER or not stroke.any():
        return 2
    deep = float(ndimage.distance_transform_edt(stroke)[stroke].mean())
    return int(np.clip(round(4 * deep - 2), 1, MOST_PEN_PX))
