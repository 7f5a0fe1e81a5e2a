"""Proposes the panels of a picture: where they seem to lie, for a person to correct and complete.

Which quantity a panel shows and what its marks stand for is never guessed: those places hold a question mark, which
no reading accepts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import tomlkit

if TYPE_CHECKING:
    from PIL.Image import Image

Box = tuple[int, int, int, int]

WIDEST, LOWEST = 0.3, 0.05
"""Shares of a picture's width and height that a panel has at least."""
_JOIN = 0.02  # of the width: what lies nearer side by side belongs together
_STANDS_OUT = 40.0
MARKED = (204, 121, 167)
TO_FILL = "?"


def propose_panels(image: Image) -> list[Box]:
    """Left, top, right and bottom of what looks like panels, from the top."""
    from scipy import ndimage

    pixels = np.asarray(image.convert("RGB"), dtype=np.float32)
    drawn = _drawn(pixels)
    joined = ndimage.binary_closing(drawn, np.ones((1, max(3, int(_JOIN * pixels.shape[1]))), dtype=bool))
    labels, _ = ndimage.label(joined | drawn)
    tall, wide = drawn.shape
    found = []
    for rows, columns in ndimage.find_objects(labels):
        box = columns.start, rows.start, columns.stop - 1, rows.stop - 1
        if box[2] - box[0] >= WIDEST * wide and box[3] - box[1] >= LOWEST * tall:
            found.append(_within_frame(drawn, pixels, box))
    return sorted(_largest(found), key=lambda box: (box[1], box[0]))


def _drawn(pixels: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Pixels that differ from the most frequent colours: the paper, and the ground of panels."""
    coarse = np.round(pixels / 16).astype(np.int32)
    codes = (coarse[..., 0] * 17 + coarse[..., 1]) * 17 + coarse[..., 2]
    counts = np.bincount(codes.ravel(), minlength=17**3)
    drawn = np.ones(codes.shape, dtype=bool)
    for code in np.argsort(counts)[::-1][:4]:
        if counts[code] >= 0.08 * codes.size:
            colour = np.median(pixels[codes == code], axis=0)
            drawn &= np.abs(pixels - colour).sum(axis=2) > _STANDS_OUT
    return drawn


def _within_frame(drawn: npt.NDArray[np.bool_], pixels: npt.NDArray[np.float32], box: Box) -> Box:
    """A box without the figures beside a frame: from the first to the last long line, where there are such lines.

    Of a line that is several pixels thick, softened at its sides, the row or column that stands out most: its middle.
    """
    left, top, right, bottom = box
    inside = slice(top, bottom + 1), slice(left, right + 1)
    part = drawn[inside]
    contrast = np.abs(pixels[inside] - np.median(pixels[inside], axis=(0, 1))).sum(axis=2)
    upright = np.flatnonzero(part.mean(axis=0) > 0.8)
    level = np.flatnonzero(part.mean(axis=1) > 0.7)
    if len(upright) and upright[-1] - upright[0] > 0.5 * part.shape[1]:
        first, last = _middles(upright, contrast.mean(axis=0))
        left, right = left + first, left + last
    if len(level) and level[-1] - level[0] > 0.5 * part.shape[0]:
        first, last = _middles(level, contrast.mean(axis=1))
        top, bottom = top + first, top + last
    return left, top, right, bottom


def _middles(lines: npt.NDArray[np.int64], contrast: npt.NDArray[np.float32]) -> tuple[int, int]:
    """Of the first and of the last run of neighbours among some lines, the one that stands out most."""
    runs = np.split(lines, np.flatnonzero(np.diff(lines) > 1) + 1)
    first, last = (int(run[np.argmax(contrast[run])]) for run in (runs[0], runs[-1]))
    return first, last


def _largest(boxes: list[Box]) -> list[Box]:
    """Boxes that lie in no larger one."""
    kept: list[Box] = []
    for box in sorted(boxes, key=lambda b: -(b[2] - b[0]) * (b[3] - b[1])):
        if not any(
            k[0] <= box[0] + 4 and k[1] <= box[1] + 4 and k[2] >= box[2] - 4 and k[3] >= box[3] - 4 for k in kept
        ):
            kept.append(box)
    return kept


def _inside(box: Box, other: Box, slack: int = 4) -> bool:
    first = all(b >= o - slack for b, o in zip(box[:2], other[:2], strict=True))
    return first and all(b <= o + slack for b, o in zip(box[2:], other[2:], strict=True))


def proposal(image: Image, corners: npt.NDArray[np.float64] | None, bend: float = 0.0) -> str:
    """An ``axes.toml`` to be completed."""
    document = tomlkit.document()
    for line in (
        "Proposed: correct each box, and replace every question mark.",
        "Places are pixels of the picture beside this file, counted from the top left.",
        "values: two [row, value]; times: two [column, seconds], or sweep_s, the seconds from edge to edge.",
    ):
        document.add(tomlkit.comment(line))
    if corners is not None:
        document.add("corners", [[round(float(x), 1), round(float(y), 1)] for x, y in corners])
        document.add("size", [image.width, image.height])
        if bend:
            document.add("bend", round(bend, 5))
    panels = tomlkit.aot()
    for left, top, right, bottom in propose_panels(image) or [(0, 0, image.width - 1, image.height - 1)]:
        table = tomlkit.table()
        table.update(
            {
                "quantity": TO_FILL, "unit": TO_FILL, "box": [left, top, right, bottom],
                "values": [[bottom, TO_FILL], [top, TO_FILL]], "times": [[left, TO_FILL], [right, TO_FILL]],
            }
        )  # fmt: skip
        panels.append(table)
    document.add("panel", panels)
    return tomlkit.dumps(document)


def with_boxes(image: Image) -> Image:
    """The picture with the proposed boxes drawn."""
    from PIL import ImageDraw

    shown = image.convert("RGB")
    pen = ImageDraw.Draw(shown)
    for box in propose_panels(image):
        pen.rectangle(box, outline=MARKED, width=2)
    return shown
