"""Straightens a picture: four corners of what is a rectangle in truth become one.

::

    as taken            straightened
      1-----2            1------2
      |      \\     ->    |      |
      4-------3          4------3
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from tidebench.errors import PictureError

if TYPE_CHECKING:
    from PIL.Image import Image

Points = npt.NDArray[np.float64]
_COARSE = 700  # pixels of the longer side at which a rectangle is looked for
_PATCH = 24


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


def straight(image: Image, corners: Sequence[Sequence[float]], size: tuple[int, int], where: str) -> Image:
    """The part of a picture between four corners as a rectangle of ``size``.

    Raises
    ------
    PictureError
        The corners don't go round clockwise from the top left, or lie far outside.
    """
    from PIL import Image

    points = np.asarray(corners, dtype=float)
    _check_corners(points, image.size, where)
    matrix = homography(rectangle(size), points)
    centre = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])  # Pillow counts from the edge of the first pixel
    matrix = np.linalg.inv(centre) @ matrix @ centre
    matrix /= matrix[2, 2]
    coarser = _shrink(points, size)
    if coarser > 1:
        image = image.reduce(coarser)
        matrix = np.diag([1 / coarser, 1 / coarser, 1.0]) @ matrix
    return image.transform(size, Image.Transform.PERSPECTIVE, tuple(matrix.ravel()[:8]), Image.Resampling.BICUBIC)


def _shrink(points: Points, size: tuple[int, int]) -> int:
    """By which whole number a picture is averaged first, where it has many more pixels than are wanted."""
    sides = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    return max(1, int(min(sides[0] / size[0], sides[1] / size[1])))


def _check_corners(points: Points, size: tuple[int, int], where: str) -> None:
    sides = np.roll(points, -1, axis=0) - points
    following = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
    outside = (points < -0.5 * np.array(size)).any() or (points > 1.5 * np.array(size)).any()
    if (turns <= 0).any() or outside:
        raise PictureError(
            f"the corners {points.round(1).tolist()} are no rectangle seen aslant",
            where=where, expected="four points in or near the picture, clockwise from the top left",
        )  # fmt: skip


def find_corners(image: Image, where: str) -> Points:
    """The corners of the largest four-sided thing that stands out from the picture's rim, to a fraction of a pixel.

    Raises
    ------
    PictureError
        Nothing four-sided stands out.
    """
    coarse = max(1, max(image.size) // _COARSE)
    pixels = np.asarray(image.reduce(coarse), dtype=np.float32)
    corners = _four_sides(_standing_out(pixels))
    if corners is None:
        raise PictureError(
            "no four-sided screen or sheet stands out in this picture",
            where=where, remedy="Give its corners: corners = [[x, y], ...], clockwise from the top left.",
        )  # fmt: skip
    rough = (corners + 0.5) * coarse - 0.5
    return _refined(np.asarray(image.convert("L"), dtype=np.float32), rough, 2.5 * coarse)


def _standing_out(pixels: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """The largest region that differs from the rim."""
    from scipy import ndimage

    rim = np.concatenate([pixels[:8].reshape(-1, 3), pixels[-8:].reshape(-1, 3), pixels[:, :8].reshape(-1, 3),
                          pixels[:, -8:].reshape(-1, 3)])  # fmt: skip
    middle = np.median(rim, axis=0)
    spread = np.median(np.abs(rim - middle).sum(axis=1))
    differs = np.abs(ndimage.median_filter(pixels, (3, 3, 1)) - middle).sum(axis=2) > max(30.0, 5 * spread)
    labels, count = ndimage.label(ndimage.binary_closing(differs, iterations=2))
    if not count:
        return np.zeros(differs.shape, dtype=bool)
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    filled: npt.NDArray[np.bool_] = ndimage.binary_fill_holes(labels == sizes.argmax())
    return filled


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


def _refined(grey: npt.NDArray[np.float32], corners: Points, reach: float) -> Points:
    """Corners where the lines through the sharpest edge along each side meet."""
    lines = [_side(grey, first, last, reach) for first, last in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    met = [np.cross(lines[k - 1], lines[k]) for k in range(4)]
    return np.array([point[:2] / point[2] for point in met])


def _side(grey: npt.NDArray[np.float32], first: Points, last: Points, reach: float) -> Points:
    """The line (a, b, c of a·x + b·y + c = 0) through the steepest change across a side."""
    from scipy import ndimage

    share = np.linspace(0.06, 0.94, 120)
    on = first + share[:, None] * (last - first)
    direction = (last - first) / np.linalg.norm(last - first)
    normal = np.array([direction[1], -direction[0]])
    away = np.arange(-reach, reach + 0.25, 0.5)
    places = on[:, None, :] + away[None, :, None] * normal
    seen = ndimage.map_coordinates(grey, [places[..., 1], places[..., 0]], order=1, mode="nearest")
    steep = np.abs(np.gradient(ndimage.gaussian_filter1d(seen, 1.5, axis=1), axis=1))
    steep = np.where(steep > 0.5 * steep.max(axis=1, keepdims=True), steep, 0.0)
    off = (steep * away).sum(axis=1) / np.maximum(steep.sum(axis=1), 1e-9)
    keep = np.abs(off - np.median(off)) < 3 * np.median(np.abs(off - np.median(off))) + 0.3
    slope, level = np.polyfit(share[keep], off[keep], 1)
    ends = [first + level * normal, last + (level + slope) * normal]
    return np.cross([*ends[0], 1.0], [*ends[1], 1.0])
