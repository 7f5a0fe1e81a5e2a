"""A stretch of signals with numbered breaths, and with what is pointed at: the figure of a lesson."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from tidebench.quantities import quantity
from tidebench.report.drawing import WIDTH_MM, Sheet, drawing, head
from tidebench.report.figures import LEFT, RIGHT, Picture
from tidebench.report.palette import BLUE, GREY, INK, RED
from tidebench.views.wording import count, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from tidebench.recording import Samples

TALL, HEAD, FOOT, TOP = 24.0, 6.0, 10.0, 5.0
LINE = 4.2  # mm that a line of words takes
MOST_NUMBERS = 60
HIDDEN = ("muscle_pressure",)

Numbered = tuple[int, float, float]
Pointed = tuple[float, float, str]


def stretch_figure(
    time_s: Samples,
    channels: Mapping[str, Samples],
    breaths: Sequence[Numbered],
    pointed: Sequence[Pointed],
    title: str,
) -> Picture:
    """Channels over time, breaths numbered at the foot, stretches that are pointed at hatched and lettered.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    channels : mapping of str to ndarray
        By quantity, in the unit it is shown in.
    breaths : sequence of (number, start_s, turn_s)
    pointed : sequence of (start_s, end_s, words)
    title : str
        For those who can't see it.
    """
    with drawing():
        words = _grouped(pointed)
        sheet = Sheet(TOP + len(channels) * (TALL + HEAD) + FOOT + LINE * (len(words) + bool(words)))
        axes: list[Axes] = []
        for place, (name, values) in enumerate(channels.items()):
            top = TOP + HEAD + place * (TALL + HEAD)
            axis = sheet.axes(LEFT, top, WIDTH_MM - LEFT - RIGHT, TALL, share=axes[0] if axes else None)
            hidden = name in HIDDEN
            axis.plot(time_s, values, color=RED if hidden else INK, linewidth=0.9, linestyle="--" if hidden else "-")
            if float(values.min()) < 0 < float(values.max()):
                axis.axhline(0, color=GREY, linewidth=0.4)
            head(axis, f"{quantity(name).heading}{' (the truth)' if hidden else ''}")
            for _, start, turn in breaths:
                axis.axvspan(start, turn, facecolor=BLUE, alpha=0.07, linewidth=0)
            for letter, (_, spans) in words.items():
                for start, end in spans:
                    axis.axvspan(start, end, facecolor="none", edgecolor=RED, hatch="////", alpha=0.35, linewidth=0)
                    if place == 0:
                        axis.text((start + end) / 2, 0.97, letter, transform=axis.get_xaxis_transform(), fontsize=7,
                                  ha="center", va="top", color=RED, fontweight="bold")  # fmt: skip
            axes.append(axis)
        if len(breaths) <= MOST_NUMBERS:
            for number, start, _ in breaths:
                axes[-1].text(start, 0.03, str(number), transform=axes[-1].get_xaxis_transform(), fontsize=6,
                              ha="left", va="bottom", color=BLUE)  # fmt: skip
        for axis in axes:
            axis.tick_params(labelbottom=axis is axes[-1])
        axes[-1].set_xlim(float(time_s[0]), float(time_s[-1]))
        axes[-1].set_xlabel("time [s]", labelpad=2)
        foot = sheet.height_mm - LINE * len(words)
        for place, (letter, (text, _)) in enumerate(words.items()):
            down = 1 - (foot + LINE * place) / sheet.height_mm
            sheet.figure.text(LEFT / WIDTH_MM, down, f"{letter}  {text}", fontsize=8, color=INK, va="center")
        return Picture(sheet.svg(), _alt(time_s, channels, breaths, pointed, title))


def _grouped(pointed: Sequence[Pointed]) -> dict[str, tuple[str, list[tuple[float, float]]]]:
    """What is said, under a letter, with every stretch that it is said of."""
    groups: dict[str, list[tuple[float, float]]] = {}
    for start, end, text in pointed:
        groups.setdefault(text, []).append((start, end))
    return {chr(ord("A") + place): group for place, group in enumerate(groups.items()) if place < 26}


def _alt(
    time_s: Samples,
    channels: Mapping[str, Samples],
    breaths: Sequence[Numbered],
    pointed: Sequence[Pointed],
    title: str,
) -> str:
    names = listed(quantity(name).label for name in channels)
    said = "".join(f" {start:.1f} to {end:.1f} s: {text}." for start, end, text in pointed)
    numbers = "; ".join(
        f"breath {number} at {start:.1f} s, {_span(time_s, channels, start, turn)}" for number, start, turn in breaths
    )
    ends = f"{float(time_s[0]):.0f} to {float(time_s[-1]):.0f} s"
    return f"{title}. {names}, {ends}: {count(len(breaths), 'breath')}. {numbers}.{said}"


def _span(time_s: Samples, channels: Mapping[str, Samples], start: float, turn: float) -> str:
    inside = (time_s >= start) & (time_s <= turn)
    told = [
        f"{quantity(name).label} up to {quantity(name).text(float(values[inside].max()))}"
        for name, values in channels.items()
        if inside.any() and name not in HIDDEN
    ]
    return listed(told)
