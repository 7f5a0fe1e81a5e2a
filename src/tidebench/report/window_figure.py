"""A stretch of signals as a figure: one panel for each channel, inspirations shaded, triggers and holds marked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tidebench.report.drawing import WIDTH_MM, Sheet, drawing, head
from tidebench.report.figures import LEFT, RIGHT, Picture
from tidebench.report.palette import BLUE, GREY, INK
from tidebench.views.wording import clock, count, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from tidebench.views.window import Marks, Trace

TALL, HEAD, FOOT, TOP = 26.0, 6.0, 9.0, 4.0
TRIGGERED = {"patient": "▲", "machine": "■"}


def window_figure(traces: Sequence[Trace], marks: Marks, from_s: float) -> Picture:
    """Signals over time on the case clock; ▲ begun by the patient, ■ by the machine."""
    with drawing():
        sheet = Sheet(TOP + len(traces) * (TALL + HEAD) + FOOT)
        axes: list[Axes] = []
        for i, trace in enumerate(traces):
            top = TOP + HEAD + i * (TALL + HEAD)
            axis = sheet.axes(LEFT, top, WIDTH_MM - LEFT - RIGHT, TALL, share=axes[0] if axes else None)
            axis.plot(trace.time_s + from_s, trace.values, color=INK, linewidth=0.8)
            head(axis, f"{trace.quantity.heading}{', from flow' if trace.derived else ''}")
            _shaded(axis, marks)
            axes.append(axis)
        _begun(axes[0], marks)
        for axis in axes:
            axis.tick_params(labelbottom=axis is axes[-1])
        ends = [float(traces[0].time_s[0]) + from_s, float(traces[0].time_s[-1]) + from_s]
        axes[-1].set_xlim(*ends)
        axes[-1].set_xlabel("time on the case clock [s]", labelpad=2)
        return Picture(sheet.svg(), _alt(traces, marks, ends))


def _shaded(axis: Axes, marks: Marks) -> None:
    for breath in marks.breaths or ():
        axis.axvspan(breath.start_s, breath.turn_s, facecolor=BLUE, alpha=0.08, linewidth=0)
    for hold in marks.holds:
        axis.axvspan(hold.start_s, hold.end_s, facecolor="none", edgecolor=GREY, hatch="////", linewidth=0)


def _begun(axis: Axes, marks: Marks) -> None:
    upright = axis.get_xaxis_transform()
    for breath in marks.breaths or ():
        axis.text(breath.start_s, 1.02, TRIGGERED.get(breath.trigger, "?"), transform=upright, fontsize=5, ha="center",
                  clip_on=False)  # fmt: skip


def _alt(traces: Sequence[Trace], marks: Marks, ends: list[float]) -> str:
    names = listed(trace.quantity.label for trace in traces)
    breaths = count(len(marks.breaths), "breath") if marks.breaths is not None else "many breaths"
    return f"{names} from {clock(ends[0])} to {clock(ends[1])}: {breaths}, {count(len(marks.holds), 'hold')}."
