"""Straightens a picture: four corners of what is a rectangle in truth become one.

::

    as taken            straightened
      1-----2            1------2
      |      \\     ->    |      |
      4-------3          4------3
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from tidebench.errors import PictureError

if TYPE_CHECKING:
    from PIL.Image import Image

Points = npt.NDArray[np.float64]
_COARSE = 700  # pixels of the longer side at which a rectangle is looked for
_PATCH = 24
_BESIDE, _ALL = 3.0, 0.95  # coarse pixels beside a screen that are its edge, and share of all edges that it holds
_DIFFERS = 30.0  # sum over red, green and blue from which on two places differ
TILES = 32
"""Boxes by which a bent picture is unbent, along each side: within one, the bend is nothing to see."""
MOST_BEND = 0.3
CLEARLY = 0.6
"""Share of the squared distances from straight sides that a bend must leave at most to be believed: this house's."""
CROOKED_PX = 2.0
"""Pixels, root mean square, by which points of a side may stray from its line."""
TRIES, NEAR_PX, LEAST_STRAIGHT, LEAST_FILLED = 200, 1.5, 0.35, 0.6
"""Lines tried along an edge that lacks a part, how near points lie, the least share of them that has to, and the least
share of what the four lines enclose that has to stand out: this house's."""
BOWED = 0.03
"""Of its length that a side may bow."""


def homography(source: Points, target: Points) -> Points:
    """The 3 by 3 matrix that takes four points to four others.

    Eight linear equations in its eight unknowns (Hartley and Zisserman, Multiple View Geometry, 2003, section 4.1).
    """
    (x, y), (u, v) = source.T, target.T
    zero, one = np.zeros(4), np.ones(4)
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=1),
        ]
    )
    return np.append(np.linalg.solve(rows, np.concatenate([u, v])), 1.0).reshape(3, 3)


def through(matrix: Points, points: Points) -> Points:
    """Points, shape (n, 2), taken by a matrix."""
    moved = np.concatenate([points, np.ones((len(points), 1))], axis=1) @ matrix.T
    taken: Points = moved[:, :2] / moved[:, 2:]
    return taken


def rectangle(size: tuple[int, int]) -> Points:
    """The outer corners of a picture of that size, in pixels counted from the centre of the first."""
    width, height = size
    return np.array([[0, 0], [width, 0], [width, height], [0, height]]) - 0.5


def natural_size(points: Points) -> tuple[int, int]:
    """Width and height of a rectangle between four corners: the means of opposite sides, rounded."""
    sides = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    return round(float(sides[0] + sides[2]) / 2), round(float(sides[1] + sides[3]) / 2)


@dataclass(frozen=True)
class Lens:
    """A lens that bends straight lines: a point at r half diagonals from the middle is seen at r·(1 + bend·r²).

    One radial term (Brown, Photogrammetric Engineering 1966;32:444): below 0 a barrel, above 0 a cushion.
    """

    size: tuple[int, int]
    bend: float = 0.0

    def seen(self, points: Points) -> Points:
        """Where points of a picture without bend, shape (n, 2), are seen."""
        away = self._away(points)
        bent: Points = self._middle + away * (1 + self.bend * (away**2).sum(axis=1, keepdims=True)) * self._half
        return bent

    def unbent(self, points: Points) -> Points:
        """Where seen points lie in a picture without bend (by iteration)."""
        away = self._away(points)
        free = away
        for _ in range(12):
            free = away / (1 + self.bend * (free**2).sum(axis=1, keepdims=True))
        return self._middle + free * self._half

    @property
    def _middle(self) -> Points:
        middle: Points = (np.array(self.size) - 1) / 2
        return middle

    @property
    def _half(self) -> float:
        return float(np.hypot(*self.size)) / 2

    def _away(self, points: Points) -> Points:
        return (points - self._middle) / self._half


def straight(
    image: Image, corners: Sequence[Sequence[float]], size: tuple[int, int], where: str, bend: float = 0.0
) -> Image:
    """The part of a picture between four corners as a rectangle of ``size``; ``bend`` as :class:`Lens` has it.

    Raises
    ------
    PictureError
        The corners don't go round clockwise from the top left, or lie far outside.
    """
    from PIL import Image

    points = np.asarray(corners, dtype=float)
    _check_corners(points, image.size, where)
    lens = Lens(image.size, bend)
    matrix = homography(rectangle(size), lens.unbent(points))
    coarser = _shrink(points, size)
    image = image.reduce(coarser) if coarser > 1 else image
    if bend != 0:
        mesh = [(box, _source(box, matrix, lens, coarser)) for box in _tiles(size, TILES)]
        return image.transform(size, Image.Transform.MESH, mesh, Image.Resampling.BICUBIC)
    return image.transform(size, Image.Transform.PERSPECTIVE, _coefficients(matrix, coarser), Image.Resampling.BICUBIC)


def _coefficients(matrix: Points, coarser: int) -> tuple[float, ...]:
    """A homography as Pillow takes it: counted from the edge of the first pixel."""
    centre = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    matrix = np.diag([1 / coarser, 1 / coarser, 1.0]) @ np.linalg.inv(centre) @ matrix @ centre
    return tuple((matrix / matrix[2, 2]).ravel()[:8])


def _tiles(size: tuple[int, int], count: int) -> list[tuple[int, int, int, int]]:
    """A picture cut into ``count`` by ``count`` boxes."""
    x, y = (np.round(np.linspace(0, side, count + 1)).astype(int).tolist() for side in size)
    return [(a, b, c, d) for b, d in pairwise(y) for a, c in pairwise(x)]


def _source(box: tuple[int, int, int, int], matrix: Points, lens: Lens, coarser: int) -> tuple[float, ...]:
    """Where a box comes from: four points, as Pillow's mesh takes them (anticlockwise from the top left)."""
    left, top, right, bottom = box
    around = np.array([[left, top], [left, bottom], [right, bottom], [right, top]], dtype=float) - 0.5
    return tuple(((lens.seen(through(matrix, around)) + 0.5) / coarser).ravel().tolist())


def _shrink(points: Points, size: tuple[int, int]) -> int:
    """By which whole number a picture is averaged first, where it has many more pixels than are wanted."""
    sides = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    return max(1, int(min(sides[0] / size[0], sides[1] / size[1])))


def _check_corners(points: Points, size: tuple[int, int], where: str) -> None:
    sides = np.roll(points, -1, axis=0) - points
    following = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
    outside = (points < -0.5 * np.array(size)).any() or (points > 1.5 * np.array(size)).any()
    if outside:
        raise PictureError(
            f"the corners {points.round(1).tolist()} lie outside this picture of {size[0]} by {size[1]} pixels",
            where=where, expected="four points in or near the picture, clockwise from the top left",
            remedy='Are they another picture\'s? Give this one\'s: --corners "x,y x,y x,y x,y", or "find" in its axes.',
        )  # fmt: skip
    if (turns <= 0).any():
        raise PictureError(
            f"the corners {points.round(1).tolist()} are no rectangle seen aslant",
            where=where, expected="four points in or near the picture, clockwise from the top left",
        )  # fmt: skip


def find_corners(image: Image, where: str) -> tuple[Points, float]:
    """Corners of the largest four-sided thing that stands out from the picture's rim, and the bend of its sides.

    Corners to a fraction of a pixel; the bend as :class:`Lens` has it, 0 where sides are as straight without.

    Raises
    ------
    PictureError
        Nothing four-sided stands out.
    """
    coarse = max(1, max(image.size) // _COARSE)
    pixels = np.asarray(image.reduce(coarse), dtype=np.float32)
    grey = np.asarray(image.convert("L"), dtype=np.float32)
    for corners in _rough(pixels):
        found = None if corners is None else _refined(grey, (corners + 0.5) * coarse - 0.5, 2.5 * coarse)
        if found is not None:
            return found
    raise _no_screen(where)


def aslant(image: Image) -> bool:
    """True where all that is drawn lies on a screen or sheet seen aslant: its rows are no rows of pixels."""
    coarse = max(1, max(image.size) // _COARSE)
    pixels = np.asarray(image.reduce(coarse), dtype=np.float32)
    rough = next((corners for corners in _rough(pixels) if corners is not None), None)
    if rough is None or _slant(rough) <= CROOKED_PX:
        return False
    try:
        found, _ = find_corners(image, "")
    except PictureError:
        return False
    rows, columns = np.nonzero(_edges(pixels))
    inside = np.ones(len(rows), dtype=bool)
    ends = (found + 0.5) / coarse - 0.5
    for (x, y), (u, v) in zip(ends, np.roll(ends, -1, axis=0), strict=True):
        inside &= ((u - x) * (rows - y) - (v - y) * (columns - x)) > -_BESIDE * np.hypot(u - x, v - y)
    return _slant(found) > CROOKED_PX and inside.mean() > _ALL


def _slant(corners: Points) -> float:
    """By how many pixels the ends of a side lie apart across it, the worst of four."""
    across = np.abs(np.roll(corners, -1, axis=0) - corners)
    return float(max(across[[0, 2], 1].max(), across[[1, 3], 0].max()))


def _rough(pixels: npt.NDArray[np.float32]) -> Iterator[Points | None]:
    """Corners to some pixels, by one way after the other: each sees what those before it may miss."""
    mask = _standing_out(pixels)
    yield _four_sides(mask)
    yield _along_edges(mask)
    yield _along_edges(_sharply_bounded(pixels))


def _refined(grey: npt.NDArray[np.float32], rough: Points, reach: float) -> tuple[Points, float] | None:
    """Corners where lines along the sides meet, and their bend; None where a side is not straight."""
    size = (grey.shape[1], grey.shape[0])
    following = np.roll(rough, -1, axis=0)
    sides = [_side(grey, first, last, reach) for first, last in zip(rough, following, strict=True)]
    bend = _bend(sides, size)
    lens = Lens(size, bend)
    unbent = [lens.unbent(side) for side in sides]
    if max(_off(side) / len(side) for side in unbent) > CROOKED_PX**2:
        return None
    lines = [_line(side) for side in unbent]
    met = np.array([_meeting(lines[k - 1], lines[k]) for k in range(4)])
    return lens.seen(met), bend


def _no_screen(where: str) -> PictureError:
    return PictureError(
        "no four-sided screen or sheet with straight sides stands out in this picture",
        where=where, remedy="Give its corners: corners = [[x, y], ...], clockwise from the top left.",
    )  # fmt: skip


def _bend(sides: Sequence[Points], size: tuple[int, int]) -> float:
    """The bend that leaves sides straightest; 0 where that is no clear gain."""
    from scipy.optimize import minimize_scalar

    def crooked(bend: float) -> float:
        lens = Lens(size, bend)
        return sum(_off(lens.unbent(side)) for side in sides)

    found = minimize_scalar(crooked, bounds=(-MOST_BEND, MOST_BEND), method="bounded", options={"xatol": 1e-5})
    return float(found.x) if found.fun < CLEARLY * crooked(0.0) else 0.0


def _line(points: Points) -> Points:
    """The line a·x + b·y + c = 0 nearest to points, as (a, b, c) with a² + b² = 1 (total least squares)."""
    middle = points.mean(axis=0)
    normal = np.linalg.svd(points - middle, full_matrices=False)[2][1]
    return np.append(normal, -normal @ middle)


def _off(points: Points) -> float:
    """Sum of squared distances from the nearest line."""
    a, b, c = _line(points)
    return float(((points @ (a, b) + c) ** 2).sum())


def _meeting(one: Points, other: Points) -> Points:
    point = np.cross(one, other)
    met: Points = point[:2] / point[2]
    return met


def _standing_out(pixels: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """The largest region that differs from the rim."""
    from scipy import ndimage

    rim = np.concatenate([pixels[:8].reshape(-1, 3), pixels[-8:].reshape(-1, 3), pixels[:, :8].reshape(-1, 3),
                          pixels[:, -8:].reshape(-1, 3)])  # fmt: skip
    middle = np.median(rim, axis=0)
    spread = np.median(np.abs(rim - middle).sum(axis=1))
    differs = np.abs(ndimage.median_filter(pixels, (3, 3, 1)) - middle).sum(axis=2) > max(_DIFFERS, 5 * spread)
    labels, count = ndimage.label(ndimage.binary_closing(differs, iterations=2))
    if not count:
        return np.zeros(differs.shape, dtype=bool)
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    filled: npt.NDArray[np.bool_] = ndimage.binary_fill_holes(labels == sizes.argmax())
    return filled


def _sharply_bounded(pixels: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """What lies between sharp edges on all four sides: a reflection across an edge changes both its sides alike."""
    edges = _edges(pixels)
    inside: npt.NDArray[np.bool_] = np.ones(edges.shape, dtype=bool)
    for axis in (0, 1):
        before = np.maximum.accumulate(edges, axis=axis)
        after = np.flip(np.maximum.accumulate(np.flip(edges, axis), axis=axis), axis)
        inside &= before & after
    return inside


def _edges(pixels: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Where neighbours differ; a speck of that is no edge."""
    from scipy import ndimage

    smooth = ndimage.median_filter(pixels, (3, 3, 1))
    steps = [np.abs(part).sum(axis=2) for part in np.gradient(smooth, axis=(0, 1))]
    step = 2 * np.hypot(*steps)
    edges = step > max(_DIFFERS, 5 * float(np.median(step)))
    labels, _ = ndimage.label(edges, np.ones((3, 3)))
    sizes = np.bincount(labels.ravel())
    kept: npt.NDArray[np.bool_] = edges & (sizes[labels] >= _PATCH)
    return kept


def _four_sides(mask: npt.NDArray[np.bool_]) -> Points | None:
    """Corners of a mask that is nearly a quadrilateral, else None."""
    rows, columns = np.nonzero(mask)
    if len(rows) < 0.05 * mask.size:
        return None
    points = np.stack([columns, rows], axis=1).astype(float)
    along, against = points.sum(axis=1), points[:, 0] - points[:, 1]
    corners = points[[along.argmin(), against.argmax(), along.argmax(), against.argmin()]]
    sides = np.roll(corners, -1, axis=0) - corners
    area = 0.5 * abs(np.sum(corners[:, 0] * np.roll(corners[:, 1], -1) - np.roll(corners[:, 0], -1) * corners[:, 1]))
    if np.linalg.norm(sides, axis=1).min() < _PATCH or not 0.9 < len(rows) / max(area, 1.0) < 1.15:
        return None
    return corners


def _along_edges(mask: npt.NDArray[np.bool_]) -> Points | None:
    """Corners where lines along a mask's four edges meet, of one that lacks a corner: a reflection hides it.

    None where an edge is straight in too little of it, or the mask fills too little of what lies between.
    """
    columns, rows = np.flatnonzero(mask.any(axis=0)), np.flatnonzero(mask.any(axis=1))
    if min(len(columns), len(rows)) < _PATCH:
        return None
    tall, wide = mask.shape
    upright, across = mask[:, columns], mask[rows]
    edges = (
        (columns, upright.argmax(axis=0)),
        (wide - 1 - across[:, ::-1].argmax(axis=1), rows),
        (columns, tall - 1 - upright[::-1].argmax(axis=0)),
        (across.argmax(axis=1), rows),
    )
    lines = [_most_of(np.stack(edge, axis=1).astype(float)) for edge in edges]
    known = [line for line in lines if line is not None]
    if len(known) < 4:
        return None
    corners = np.array([_meeting(known[k - 1], known[k]) for k in range(4)])
    x, y = corners.T
    area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
    return corners if LEAST_FILLED < mask.sum() / max(area, 1.0) < 1.15 else None


def _most_of(points: Points) -> Points | None:
    """The line on which most points lie, of those through two of them (RANSAC: Fischler and Bolles, 1981); None if few.

    The same points, the same line.
    """
    rng = np.random.default_rng(0)
    best = np.zeros(len(points), dtype=bool)
    for one, other in rng.integers(0, len(points), (TRIES, 2)).tolist():
        way = points[other] - points[one]
        length = float(np.hypot(*way))
        if length >= _PATCH:
            near = np.abs((points - points[one]) @ (-way[1], way[0])) < NEAR_PX * length
            best = near if near.sum() > best.sum() else best
    return _line(points[best]) if best.mean() > LEAST_STRAIGHT else None


def _side(grey: npt.NDArray[np.float32], first: Points, last: Points, reach: float) -> Points:
    """Points of the steepest change across a side, shape (n, 2); those far from the others left out."""
    from scipy import ndimage

    share = np.linspace(0.06, 0.94, 120)
    on = first + share[:, None] * (last - first)
    direction = (last - first) / np.linalg.norm(last - first)
    normal = np.array([direction[1], -direction[0]])
    reach = max(reach, BOWED * float(np.linalg.norm(last - first)))
    away = np.arange(-reach, reach + 0.25, 0.5)
    places = on[:, None, :] + away[None, :, None] * normal
    seen = ndimage.map_coordinates(grey, [places[..., 1], places[..., 0]], order=1, mode="nearest")
    steep = np.abs(np.gradient(ndimage.gaussian_filter1d(seen, 1.5, axis=1), axis=1))
    near = np.abs(away - away[steep.argmax(axis=1)][:, None]) < 4  # around the steepest place alone
    steep = np.where(near, steep, 0.0)
    off = (steep * away).sum(axis=1) / np.maximum(steep.sum(axis=1), 1e-9)
    rest = off - np.polyval(np.polyfit(share, off, 2), share)
    keep = np.abs(rest) < 3 * np.median(np.abs(rest)) + 0.3
    points: Points = (on + off[:, None] * normal)[keep]
    return points
