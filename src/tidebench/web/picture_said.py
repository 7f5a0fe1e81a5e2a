"""Panels as a person says them on the page, and the tables of ``axes.toml`` that stand for them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

from tidebench.errors import PictureError
from tidebench.pictures.axes import Axes, Panel, axes_from
from tidebench.web.picture_models import (
    AxisMarkTold,
    ClockTold,
    MarkSaid,
    PanelSaid,
    PanelSlipTold,
    PanelTold,
    StraightSaid,
)

OF_PAGE = {"times": "clock", "sweep_s": "clock", "across_values": "clock", "across": "quantity"}
PLAIN = {
    ("values", "two [pixel, value]"): "The two marks have to lie apart, on the picture and in their figures.",
    ("clock", "two [pixel, value]"): "The two marks have to lie apart, on the picture and in their figures.",
    ("clock", "seconds that grow"): "Seconds have to grow from left to right.",
    ("box", "[left, top"): "A panel is at least 16 pixels wide and tall.",
}
"""What the page says instead of a file's words."""
_PLACE = re.compile(r", (?P<key>[a-z_]+)")
_WORD = re.compile(r"has (?P<key>unit|across_unit|quantity|times)\b")
HOUR_S = 3600
"""Trends have hours on the page, and seconds in a file."""
PROPOSED = "This panel is only proposed: look at it, then confirm it or take it out."


def slips_of(panels: Sequence[PanelSaid]) -> list[PanelSlipTold]:
    """What is in the way of tracing a picture, panel by panel."""
    return list(_slips(panels))


def _slips(panels: Sequence[PanelSaid]) -> Iterator[PanelSlipTold]:
    found = False
    for number, panel in enumerate(panels, 1):
        for field, problem in _own(panel):
            found = True
            yield PanelSlipTold(panel=number, field=field, problem=problem)
    if not found and panels:
        try:
            axes_from({"panel": [table_of(panel) for panel in panels]}, name="the panels")
        except PictureError as error:
            yield PanelSlipTold(panel=0, field="", problem=_words(error))


def _own(panel: PanelSaid) -> Iterator[tuple[str, str]]:
    """What is in the way within one panel; a figure that is none is told at its field."""
    figures = [("values", mark.value) for mark in panel.values]
    sweeping = panel.clock.way == "sweep" and panel.kind == "curve"
    figures += [("clock", panel.clock.seconds)] if sweeping else [("clock", mark.value) for mark in panel.clock.marks]
    wrong = {field: text for field, text in reversed(figures) if _number(text) is None}
    for field, text in wrong.items():
        yield field, f"{text!r} is no number." if text.strip() else "A figure is missing."
    if not panel.quantity:
        yield "quantity", "Say what it shows."
    if wrong or not panel.quantity:
        return
    try:
        axes_from({"panel": [table_of(panel)]}, name="panel")
    except PictureError as error:
        yield _told(error)
        return
    if not panel.confirmed:
        yield "confirmed", PROPOSED


def _told(error: PictureError) -> tuple[str, str]:
    """The field of the page that an error of the file's speaks of, and what is said there."""
    match = _PLACE.search(error.where) or _WORD.search(error.problem)
    key = match["key"] if match else "quantity"
    field = OF_PAGE.get(key, key)
    plain = (words for (place, begins), words in PLAIN.items() if place == field and begins in error.expected)
    return field, next(plain, _words(error))


def _words(error: PictureError) -> str:
    tail = f" Expected: {error.expected}." if error.expected else ""
    head = "It " if error.problem.startswith(("has ", "is ")) else ""
    words = f"{head}{error.problem}"
    return f"{words[:1].upper()}{words[1:]}.{tail}"


def _number(text: str) -> float | None:
    try:
        return float(text.strip().replace(",", ".").replace("−", "-"))
    except ValueError:
        return None


def _marks(marks: tuple[MarkSaid, MarkSaid]) -> list[list[float | str]]:
    return [[mark.at, mark.value if (value := _number(mark.value)) is None else value] for mark in marks]


def table_of(panel: PanelSaid) -> dict[str, Any]:
    """The table of a panel."""
    said: dict[str, Any] = {
        "quantity": panel.quantity, "unit": panel.unit, "box": list(panel.box), "kind": panel.kind,
        "values": _marks(panel.values),
    }  # fmt: skip
    if panel.kind == "loop":
        marks = _marks(panel.clock.marks)
        said |= {"across": panel.across, "across_unit": panel.across_unit, "across_values": marks}
    elif panel.clock.way == "sweep" and panel.kind == "curve":
        said["sweep_s"] = _number(panel.clock.seconds)
        if panel.clock.newest is not None:
            said["newest"] = panel.clock.newest
    else:
        said["times"] = _marks(panel.clock.marks)
    if panel.kind == "trend":
        said["times"] = [[at, v * HOUR_S if isinstance(v, float) else v] for at, v in said["times"]]
    if panel.colour:
        said["colour"] = panel.colour
    return said


def axes_tables(panels: Sequence[PanelSaid], size: tuple[int, int], straight: StraightSaid | None) -> dict[str, Any]:
    """All of an ``axes.toml``."""
    said: dict[str, Any] = {"panel": [table_of(panel) for panel in panels], "picture": list(size)}
    if straight is not None:
        said |= {"corners": [list(corner) for corner in straight.corners], "size": list(straight.size)}
        said |= {"bend": straight.bend} if straight.bend else {}
    return said


def panels_told(axes: Axes) -> list[PanelTold]:
    """The panels of an arrangement, proposed for the picture at hand."""
    return [_panel_told(panel) for panel in axes.panels]


def _panel_told(panel: Panel) -> PanelTold:
    left, _, right, _ = panel.box
    marks = panel.across_values if panel.kind == "loop" else panel.times
    if panel.kind == "trend" and marks is not None:
        (one, a), (other, b) = marks
        marks = (one, a / HOUR_S), (other, b / HOUR_S)
    clock = ClockTold(
        way="sweep" if panel.sweep_s is not None else "marks",
        marks=marks_told(marks) if marks else (AxisMarkTold(at=left, value=""), AxisMarkTold(at=right, value="")),
        seconds="" if panel.sweep_s is None else f"{panel.sweep_s:g}",
        newest=panel.newest,
    )
    return PanelTold(
        kind=panel.kind, quantity=panel.quantity, unit=panel.unit, box=panel.box, values=marks_told(panel.values),
        clock=clock, across=panel.across or "", across_unit=panel.across_unit or "", colour=panel.colour or "",
        confirmed=False,
    )  # fmt: skip


def marks_told(marks: tuple[tuple[float, float], tuple[float, float]]) -> tuple[AxisMarkTold, AxisMarkTold]:
    """Two marks of an axis, their figures as they would be typed."""
    (one, a), (two, b) = marks
    return AxisMarkTold(at=one, value=f"{a:g}"), AxisMarkTold(at=two, value=f"{b:g}")
