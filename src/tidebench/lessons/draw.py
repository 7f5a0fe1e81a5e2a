"""A stretch as a picture, by the drawing code of the report."""

from __future__ import annotations

from pathlib import Path

from tidebench.lessons.stretch import Stretch
from tidebench.report.figures import Picture
from tidebench.report.stretch_figure import stretch_figure


def picture(stretch: Stretch) -> Picture:
    """A stretch drawn: SVG, and a description for those who can't see it."""
    return stretch_figure(
        stretch.time_s,
        stretch.channels,
        [(breath.number, breath.start_s, breath.turn_s) for breath in stretch.breaths],
        [(one.start_s, one.end_s, one.text) for one in stretch.pointed],
        stretch.title,
    )


def write_figure(stretch: Stretch, path: Path) -> Path:
    """Write a stretch as an SVG file that stands alone."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(picture(stretch).standing_alone, encoding="utf-8")
    return path
