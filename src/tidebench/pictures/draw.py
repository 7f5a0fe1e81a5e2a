"""What is kept of a picture: its panels alone, and the same with what was traced drawn over them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tidebench.pictures.assemble import Scale
from tidebench.pictures.axes import unit_of
from tidebench.pictures.loops import Loop
from tidebench.pictures.read import Read
from tidebench.readers.headers import canonical_unit
from tidebench.units import factor

if TYPE_CHECKING:
    from PIL.Image import Image

LEFT_OUT = (127, 127, 127)
TRACED = (213, 94, 0)
"""Vermilion of a palette that colour-blind readers can tell (Okabe and Ito, Color Universal Design, 2008)."""
MARGIN = 2


def panels_only(read: Read) -> Image:
    """The straightened picture with everything outside its panels grey."""
    from PIL import Image

    kept = Image.new("RGB", read.image.size, LEFT_OUT)
    for panel in read.axes.panels:
        left, top, right, bottom = (round(edge) for edge in panel.box)
        box = (max(0, left - MARGIN), max(0, top - MARGIN), right + 1 + MARGIN, bottom + 1 + MARGIN)
        box = (*box[:2], min(box[2], read.image.width), min(box[3], read.image.height))
        kept.paste(read.image.crop(box), box[:2])
    return kept


def with_traces(read: Read) -> Image:
    """The panels, paler, with every traced curve over them."""
    from PIL import Image, ImageDraw

    shown = Image.blend(panels_only(read), Image.new("RGB", read.image.size, "white"), 0.6)
    pen = ImageDraw.Draw(shown)
    for one in (*read.panels, *read.trends):
        left, top = (round(edge) for edge in one.panel.box[:2])
        known = np.isfinite(one.curve.row)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False]))))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            line = np.stack([one.curve.column[first:last] + left, one.curve.row[first:last] + top], axis=1)
            pen.line([tuple(point) for point in line.tolist()], fill=TRACED, width=1)
    for loop in read.loops:
        pen.line([tuple(point) for point in loop_pixels(loop)], fill=TRACED, width=1)
    return shown


def loop_pixels(loop: Loop) -> list[list[float]]:
    """A loop's places in the straightened picture."""
    panel = loop.panel
    assert panel.across_values is not None
    assert panel.across is not None
    assert panel.across_unit is not None
    across = Scale.of(panel.across_values, factor(unit_of(panel.across_unit), canonical_unit(panel.across)))
    up = Scale.of(panel.values, factor(unit_of(panel.unit), canonical_unit(panel.quantity)))
    places: list[list[float]] = np.stack(
        [across.pixel(loop.points[:, 0]), up.pixel(loop.points[:, 1])], axis=1
    ).tolist()
    return places
