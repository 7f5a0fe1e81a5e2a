"""A stretch and a debrief as pictures, by the drawing code of the report."""

from __future__ import annotations

from pathlib import Path

from tidebench.lessons.debrief import LEARNER, Debrief, summary
from tidebench.lessons.stretch import Stretch
from tidebench.report.debrief_figure import Lane, debrief_figure
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


def debrief_picture(told: Debrief) -> Picture:
    """The timeline of a run: its limits, what was done, and a way that works beside it."""
    lanes = [
        Lane(limit.label, limit.unit, limit.words, (limit.least, limit.most), limit.yours, limit.reference)
        for limit in told.limits
    ]
    deeds = [(row.at_s, row.text) for row in told.rows if row.who == LEARNER]
    return debrief_figure(told.time_s, lanes, deeds, (told.inside, told.reference_inside), told.of_s, summary(told))


def write_picture(drawn: Picture, path: Path) -> Path:
    """Write a picture as an SVG file that stands alone."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(drawn.standing_alone, encoding="utf-8")
    return path
