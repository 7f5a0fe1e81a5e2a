"""A run against its limits as a timeline: what was done, how the patient stood, and a way that works beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.report.drawing import WIDTH_MM, Sheet, drawing, head
from tidebench.report.figures import LEFT, RIGHT, Picture
from tidebench.report.palette import BLUE, GREY, INK, PALE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from tidebench.recording import Samples

TALL, HEAD, FOOT, TOP = 22.0, 6.0, 10.0, 6.0
RIBBON, RIBBON_LEFT = 4.0, 30.0
LINE = 4.2  # mm that a line of words takes

Span = tuple[float, float]


@dataclass(frozen=True)
class Lane:
    """One limit: what it is, its edges, and both runs on the figure's moments."""

    label: str
    unit: str
    words: str
    edges: tuple[float | None, float | None]
    yours: Samples
    reference: Samples


def debrief_figure(
    time_s: Samples,
    lanes: Sequence[Lane],
    deeds: Sequence[tuple[float, str]],
    inside: tuple[Sequence[Span], Sequence[Span]],
    of_s: float,
    words: str,
) -> Picture:
    """Ribbons of the time inside all limits, then a lane for each limit, deeds numbered across them.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        From the start of the run.
    lanes : sequence of Lane
    deeds : sequence of (at_s, words)
        What the learner did.
    inside : pair of sequences of (from_s, to_s)
        When all limits were kept: the learner's run, and the reference's.
    of_s : float
        How long it took.
    words : str
        The run in a sentence, for those who can't see it.
    """
    with drawing():
        top = TOP + 2 * RIBBON + HEAD
        sheet = Sheet(top + len(lanes) * (TALL + HEAD) + FOOT + LINE * (len(deeds) + bool(deeds)))
        ribbons = sheet.axes(RIBBON_LEFT, TOP, WIDTH_MM - RIBBON_LEFT - RIGHT, 2 * RIBBON)
        _ribbons(ribbons, inside)
        axes: list[Axes] = [ribbons]
        for place, lane in enumerate(lanes):
            at = top + place * (TALL + HEAD)
            axis = sheet.axes(RIBBON_LEFT, at, WIDTH_MM - RIBBON_LEFT - RIGHT, TALL, share=ribbons)
            _lane(axis, time_s, lane)
            axes.append(axis)
        for axis in axes:
            axis.tick_params(labelbottom=axis is axes[-1])
            for at_s, _ in deeds:
                axis.axvline(at_s, color=INK, linewidth=0.5)
        for number, (at_s, _) in enumerate(deeds, start=1):
            ribbons.text(at_s, 1.1, str(number), transform=ribbons.get_xaxis_transform(), fontsize=7, ha="center")
        ribbons.set_xlim(0.0, of_s)
        axes[-1].set_xlabel("time [s]", labelpad=2)
        for number, (at_s, text) in enumerate(deeds, start=1):
            down = 1 - (sheet.height_mm - LINE * (len(deeds) - number + 1)) / sheet.height_mm
            sheet.figure.text(LEFT / WIDTH_MM, down, f"{number}  {at_s:.0f} s: {text}", fontsize=8, color=INK)
        return Picture(sheet.svg(), _alt(lanes, deeds, words))


def _ribbons(axis: Axes, inside: tuple[Sequence[Span], Sequence[Span]]) -> None:
    for row, spans in enumerate(inside):
        widths = [(start, end - start) for start, end in spans]
        axis.broken_barh(widths, (1.1 - row, 0.8), facecolor=GREY if row else BLUE, hatch="...." if row else "",
                         edgecolor="white", linewidth=0.3)  # fmt: skip
    axis.set_ylim(0, 2)
    axis.set_yticks([1.5, 0.5], ["all kept", "reference"])
    axis.grid(False)


def _lane(axis: Axes, time_s: Samples, lane: Lane) -> None:
    axis.plot(time_s, lane.reference, color=GREY, linewidth=0.9, linestyle="--")
    axis.plot(time_s, lane.yours, color=INK, linewidth=1.2)
    low, high = axis.get_ylim()
    least, most = lane.edges
    reach = (low if least is None else min(low, least), high if most is None else max(high, most))
    margin = 0.06 * (reach[1] - reach[0] or 1.0)
    axis.set_ylim(reach[0] - margin, reach[1] + margin)
    axis.axhspan(reach[0] - margin if least is None else least, reach[1] + margin if most is None else most,
                 facecolor=PALE, alpha=0.45, linewidth=0)  # fmt: skip
    head(axis, f"{lane.words} (inside: shaded; the reference: dashed)")


def _alt(lanes: Sequence[Lane], deeds: Sequence[tuple[float, str]], words: str) -> str:
    ends = "; ".join(f"{lane.words}, at the end {lane.yours[-1]:.2f} {lane.unit}".rstrip() for lane in lanes)
    done = "; ".join(f"{at_s:.0f} s {text}" for at_s, text in deeds) or "nothing"
    return f"{words} {ends}. Done: {done}."
