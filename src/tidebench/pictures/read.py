"""Reads one picture by its axes: straightened, traced, on one clock, with what its panels say of each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tidebench.errors import PictureError
from tidebench.pictures.agreement import Agreement, Mend, agreement_of, mended
from tidebench.pictures.assemble import (
    TracedPanel,
    corrections_of,
    label,
    on_one_clock,
    trace_panels,
    trace_trends,
)
from tidebench.pictures.axes import Axes
from tidebench.pictures.corrections import Correction, told
from tidebench.pictures.loops import Loop, trace_loop
from tidebench.pictures.opening import Opened
from tidebench.pictures.slope import words as slope_words
from tidebench.pictures.straighten import find_corners, straight
from tidebench.pictures.turns import Turns, turns_of
from tidebench.pictures.zero import LEAST_PX, Zero, zero_of, zeroed
from tidebench.quantities import QUANTITIES
from tidebench.recording import Recording
from tidebench.units import factor

if TYPE_CHECKING:
    from PIL.Image import Image

NEEDED = ("airway_pressure", "flow")
STRAYED = 0.01
"""Share of a panel's columns off the edge of its filled area from which on that is said."""
CLIPPED = 0.01
"""Share of a panel's columns along its edge from which on its curve counts as cut off there."""


@dataclass(frozen=True)
class Read:
    """What a picture gave.

    ``recording`` is None where the picture shows no airway pressure or no flow over time, and ``why_no_recording``
    says so. ``begins_s`` is what the picture's own clock shows at the recording's first sample.
    """

    opened: Opened
    axes: Axes
    image: Image
    panels: tuple[TracedPanel, ...]
    trends: tuple[TracedPanel, ...]
    loops: tuple[Loop, ...]
    recording: Recording | None
    begins_s: float
    agreement: Agreement | None
    turns: Turns | None
    warnings: tuple[str, ...]
    why_no_recording: str = ""


def read_picture(
    opened: Opened,
    axes: Axes,
    *,
    corners: Sequence[Sequence[float]] | None = None,
    mend: Mend | None = None,
    corrections: Sequence[Correction] = (),
) -> Read:
    """Trace every panel of a picture.

    Parameters
    ----------
    opened : Opened
    axes : Axes
    corners : four points, optional
        Where this picture shows the arrangement's corners, instead of what the axes say.
    mend : "flow" or "volume", optional
        Which channel is scaled where flow summed up and volume disagree; neither unless asked.
    corrections : sequence of Correction
        What a person erased and drew anew.

    Raises
    ------
    PictureError
        A panel can't be read; the message says which and why.
    """
    image = straightened(opened, axes, corners)
    pixels = np.asarray(image)
    panels = trace_panels(pixels, axes, opened.name, corrections)
    trends = trace_trends(pixels, axes, opened.name, corrections)
    loops = tuple(trace_loop(pixels, panel, opened.name) for panel in axes.panels if panel.kind == "loop")
    shown = {one.panel.quantity for one in panels}
    missing = [name for name in NEEDED if name not in shown and not (name == "flow" and "volume" in shown)]
    why = f"the picture shows no {' and no '.join(label(name) for name in missing)} over time" if missing else ""
    recording, begins, agreement, turns, zero = None, 0.0, None, None, None
    if not missing:
        recording, begins = on_one_clock(panels, axes, opened.name)
        zero = _zero(recording, panels) if {"flow", "volume"} <= shown else None
        recording = recording if zero is None else zeroed(recording, zero)
        agreement = agreement_of(recording) if "flow" in shown else None
        turns = turns_of(recording, max(one.per_column_s for one in panels))
        if agreement is not None and mend is not None:
            recording = mended(recording, agreement, mend)
    mended_by_hand = [told(corrections_of(axes, one.panel, corrections), one.panel) for one in (*panels, *trends)]
    derived = [slope_words(recording)] if recording is not None and "flow" not in shown else []
    warnings = (*_pixels(panels), *derived, *_warnings(panels, agreement, turns, zero), *filter(None, mended_by_hand))
    if recording is not None and recording.uncertainty is not None:
        recording = replace(recording, uncertainty=replace(recording.uncertainty, notes=warnings))
    return Read(
        opened, axes, image, tuple(panels), tuple(trends), loops, recording, begins, agreement, turns, warnings, why
    )


def straightened(opened: Opened, axes: Axes, corners: Sequence[Sequence[float]] | None = None) -> Image:
    """The picture as its axes are given in.

    Raises
    ------
    PictureError
        The corners can't be, none are found, or they are given for axes that need none.
    """
    if axes.corners is None or axes.size is None:
        if corners is not None:
            raise PictureError(
                "corners are given for this picture, but its axes count in the picture as it was taken",
                where=opened.name, expected="axes with corners and size",
                remedy="Begin them on the straightened picture: --propose AXES.toml --corners ...",
            )  # fmt: skip
        return opened.image
    told = corners if corners is not None else axes.corners
    points, bend = find_corners(opened.image, opened.name) if isinstance(told, str) else (np.asarray(told), 0.0)
    bend = bend if axes.bend is None else axes.bend
    return straight(opened.image, points.tolist(), axes.size, opened.name, bend)


def _pixels(panels: Sequence[TracedPanel]) -> list[str]:
    """How much a pixel stands for, as a sentence."""
    if not panels:
        return []
    rows = [f"a row {_shown(one)} of {label(one.panel.quantity)}" for one in panels]
    return [f"A column of pixels is {1000 * max(one.per_column_s for one in panels):.0f} ms, {', '.join(rows)}."]


def _shown(one: TracedPanel) -> str:
    record = QUANTITIES[one.panel.quantity]
    each = one.per_row * (factor(record.canonical, record.unit) if record.canonical else 1.0)
    return f"{each:.2g} {record.unit}"


def _zero(recording: Recording, panels: Sequence[TracedPanel]) -> Zero | None:
    """Flow's zero by the volume beside it."""
    flow = next(one for one in panels if one.panel.quantity == "flow")
    return zero_of(recording, flow.per_row, max(one.per_column_s for one in panels))


def _warnings(
    panels: Sequence[TracedPanel], agreement: Agreement | None, turns: Turns | None, zero: Zero | None
) -> list[str]:
    said = []
    for one in panels:
        name = label(one.panel.quantity)
        if one.clipped > CLIPPED:
            said.append(
                f"The curve of {name} runs along the edge of its panel, or leaves it, in {100 * one.clipped:.0f} % of "
                "it: what went beyond is not known, and peaks there are lower bounds."
            )
        if (one.panel.values[0][0] < one.panel.values[1][0]) == (one.panel.values[0][1] < one.panel.values[1][1]):
            said.append(f"The value axis of {name} grows downwards by its two marks: are their values swapped?")
        if one.curve.astray > STRAYED:
            said.append(
                f"In {100 * one.curve.astray:.0f} % of the panel of {name} its curve can't be told from the filled "
                "area: it is left open there."
            )
        if one.curve.colours is not None:
            traced, left = one.curve.colours
            said.append(
                f"The panel of {name} shows a second colour: the curve of {traced} was traced, that of {left} was "
                "left. Choose the curve's colour if it is the other one."
            )
        if one.panel.sweep_s is not None and np.isfinite(one.curve.row).all():
            said.append(f"No erase bar was found in the panel of {name}: its left edge is taken as the earliest.")
    if agreement is not None:
        said.append(agreement.words)
    if zero is not None and abs(zero.px) >= LEAST_PX:
        said.append(zero.words)
    if turns is not None:
        said += [words for name, words in zip(turns.late_s, turns.words, strict=True) if turns.apart(name)]
    return said
