"""Figures beside a panel's axes, read by character recognition where the machine has it: proposals, never more.

Tesseract (Smith, ICDAR 2007;2:629) is asked where its program is found; nothing needs it. Figures count where three at
least lie on one straight axis, which a misread one does not.
"""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from PIL.Image import Image

PROGRAM = "tesseract"
LARGER = 4
"""Times as large as they stand: figures of eight pixels are read badly."""
MOST_S = 20.0
BESIDE, BELOW, MARGIN = 0.12, 0.08, 8
"""Shares of a picture's width beside, and height below, in which a panel's figures stand; pixels beyond its ends."""
SURE = 30.0
OFF_PX = 2.0
FEWEST = 3
MOST_FIGURES = 30
Box = tuple[int, int, int, int]
Mark = tuple[float, float]


@dataclass(frozen=True)
class Axis:
    """Two marks of an axis, pixel and figure, as they were read; and how many figures stand on that axis."""

    marks: tuple[Mark, Mark]
    figures: int


def can_read() -> bool:
    """True where the program is there."""
    return shutil.which(PROGRAM) is not None


def value_axis(image: Image, box: Box) -> Axis | None:
    """The figures left of a panel; None where too few lie on one axis."""
    left, top, _, bottom = box
    return _axis([(y, value) for _, y, value in _read(image, (left - round(BESIDE * image.width), top, left, bottom))])


def time_axis(image: Image, box: Box) -> Axis | None:
    """The figures below a panel; None where too few lie on one axis."""
    left, _, right, bottom = box
    beneath = (left, bottom + MARGIN, right, bottom + MARGIN + round(BELOW * image.height))
    return _axis([(x, value) for x, _, value in _read(image, beneath)])


def _read(image: Image, box: Box) -> list[tuple[float, float, float]]:
    """Column, row and value of each figure in a part of a picture."""
    from PIL import Image as Pictures
    from PIL import ImageOps

    left, top = max(0, box[0] - MARGIN), max(0, box[1] - MARGIN)
    part = image.crop((left, top, min(image.width, box[2] + MARGIN), min(image.height, box[3] + MARGIN))).convert("L")
    if min(part.size) < MARGIN:
        return []
    if np.median(np.asarray(part)) < 128:
        part = ImageOps.invert(part)
    size = (part.width * LARGER, part.height * LARGER)
    part = ImageOps.autocontrast(part.resize(size, Pictures.Resampling.LANCZOS))
    out = io.BytesIO()
    part.save(out, "PNG")
    words = [PROGRAM, "-", "-", "--psm", "11", "-c", "tessedit_char_whitelist=0123456789.-−", "tsv"]
    try:
        done = subprocess.run(words, input=out.getvalue(), capture_output=True, timeout=MOST_S, check=True)
    except (OSError, subprocess.SubprocessError):
        return []
    return [
        (left + (x + 0.5) / LARGER - 0.5, top + (y + 0.5) / LARGER - 0.5, value)
        for x, y, value in figures_in(done.stdout.decode("utf-8", "replace"))
    ]


def figures_in(table: str) -> list[tuple[float, float, float]]:
    """Middle and value of each word of a table of words that is a number read with some confidence."""
    head, *lines = table.splitlines() or [""]
    columns = head.split("\t")
    found = []
    for line in lines:
        row = dict(zip(columns, line.split("\t"), strict=False))
        try:
            sure, value = float(row["conf"]), float(row["text"].strip().replace("−", "-"))
            left, top, wide, tall = (float(row[key]) for key in ("left", "top", "width", "height"))
        except (KeyError, ValueError):
            continue
        if sure >= SURE:
            found.append((left + wide / 2, top + tall / 2, value))
    return found[:MOST_FIGURES]


def _axis(figures: Sequence[Mark]) -> Axis | None:
    """The straight axis on which most figures lie; its outermost two."""
    best: list[Mark] = []
    for (one, a), (two, b) in combinations(figures, 2):
        if a == b or abs(one - two) < 2 * OFF_PX:
            continue
        on = [(at, value) for at, value in figures if abs(at - one - (value - a) * (two - one) / (b - a)) <= OFF_PX]
        if len({value for _, value in on}) > len({value for _, value in best}):
            best = on
    if len({value for _, value in best}) < FEWEST:
        return None
    ends = sorted(best)
    return Axis((ends[0], ends[-1]), len(best))
