"""Figures and page of an event log: alarms over time, by hour of the day, burden against missed events."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from tidebench._version import __version__
from tidebench.care.logs.burden import course
from tidebench.care.logs.tradeoff import front, telling
from tidebench.caution import CAUTION
from tidebench.quantities import quantity
from tidebench.report.drawing import WIDTH_MM, Sheet, drawing, head
from tidebench.report.figures import Picture
from tidebench.report.palette import BLUE, GREY, INK, RED, Style
from tidebench.report.pdf import pdf_bytes
from tidebench.report.typesetting import typeset
from tidebench.views.logs import log_page
from tidebench.views.replayed import alarm_words
from tidebench.views.section import Section, moment, rated

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from tidebench.care.logs.burden import Burden
    from tidebench.care.logs.room import Told
    from tidebench.care.logs.tradeoff import Tradeoff

LEFT, RIGHT, HEAD = 11.0, 34.0, 7.0  # mm
PRIORITIES = {
    "high": Style("#C1121F", hatch="", tint=1.0),
    "medium": Style("#E8C500", hatch="////", tint=1.0),
    "low": Style("#00A3C4", hatch="....", tint=1.0),
    "not stated": Style(GREY, hatch="xxxx", tint=0.4),
}
"""Red, yellow and cyan of IEC 60601-1-8 (from memory), with a pattern each, so that none needs its colour."""
STEPS = {600.0: "ten minutes", 1800.0: "half an hour", 3600.0: "an hour", 7200.0: "two hours", 21600.0: "six hours"}
STEPS |= {86400.0: "a day", 604800.0: "a week"}
FEWEST_HOURS = 6
DELAYS = (("no delay", "o", 0.0, 1.0), ("to 15 s", "^", 1.0, 15.5), ("longer", "s", 15.5, np.inf))
"""Delays by mark."""


def log_figures(told: Told) -> dict[str, Picture]:
    """The figures that there is something to draw of."""
    found: dict[str, Picture] = {}
    if told.heard is not None and told.heard.burden is not None:
        found["course"] = course_figure(told)
        if sum(one.per_hour is not None for one in told.heard.burden.by_hour) >= FEWEST_HOURS:
            found["hours"] = hours_figure(told.heard.burden)
    weighed = [one for one in told.tradeoffs if one.played.alarms.any()]
    if weighed:
        found["tradeoff"] = tradeoff_figure(weighed)
    return found


def course_figure(told: Told) -> Picture:
    """Alarms over the time that the log covers, stacked by priority."""
    assert told.heard is not None
    assert told.alarms is not None
    covered = told.heard.coverage
    width, begins, counts = course(told.alarms, covered)
    shown = {name: np.array(values) for name, values in counts.items() if any(values)}
    with drawing():
        sheet = Sheet(52)
        axes = sheet.axes(LEFT, HEAD, WIDTH_MM - LEFT - RIGHT, 34)
        head(axes, f"alarms in {STEPS.get(width, f'{width / 86400:.0f} days')}")
        unit, name = (3600.0, "hours") if covered.last_s - covered.first_s < 4 * 86400 else (86400.0, "days")
        below = np.zeros(len(begins))
        for grade, values in shown.items():
            style = PRIORITIES[grade]
            axes.bar(
                np.array(begins) / unit, values, width / unit, bottom=below, align="edge", color=style.fill,
                hatch=style.hatch, edgecolor="white", linewidth=0.2, label=grade,
            )  # fmt: skip
            below = below + values
        axes.set_xlabel(f"{name} from {moment(told, 0.0)}" if told.start else f"{name} on the log's clock")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, title="priority", alignment="left")
        most = int(below.max(initial=0))
        words = ", ".join(f"{grade} {int(values.sum())}" for grade, values in shown.items())
        return Picture(
            sheet.svg(), f"Alarms over time by priority: {words}; at most {most} in {STEPS.get(width, 'a step')}."
        )


def hours_figure(told: Burden) -> Picture:
    """Alarms per covered hour at each hour of the day."""
    known = [one for one in told.by_hour if one.per_hour is not None]
    with drawing():
        sheet = Sheet(44)
        axes = sheet.axes(LEFT, HEAD, WIDTH_MM - LEFT - RIGHT, 26)
        head(axes, "alarms per covered hour")
        axes.bar([one.hour + 0.5 for one in known], [one.per_hour or 0.0 for one in known], 0.85, color=BLUE)
        axes.set_xlim(0, 24)
        axes.set_xticks(range(0, 25, 3))
        axes.set_xlabel("hour of the day")
        words = "; ".join(f"{one.hour} h: {rated(one.per_hour)}" for one in known)
        return Picture(sheet.svg(), f"Alarms per covered hour by hour of the day: {words}.")


def tradeoff_figure(told: Sequence[Tradeoff]) -> Picture:
    """Burden against missed events, a panel for each alarm: a line for each delay, along the limits."""
    across, panel, gap = 3, 26.0, 15.5
    rows = -(-len(told) // across)
    with drawing():
        sheet = Sheet(rows * (panel + gap) + 3)
        wide = (WIDTH_MM - across * LEFT - 6.0) / across
        for place, one in enumerate(told):
            left = 7.0 + (place % across) * (wide + LEFT + 3.0)
            axes = sheet.axes(left, HEAD + place // across * (panel + gap), wide, panel)
            _curve(axes, one, key=place == 0)
        words = "; ".join(_told(one) for one in told)
        return Picture(sheet.svg(), f"Alarms against missed events. {words}")


def _curve(axes: Axes, one: Tradeoff, *, key: bool) -> None:
    """Every pair as a mark by its delay, the front of those that no other beats, the usual and the suggested one."""
    from matplotlib.ticker import NullLocator

    played, record = one.played, quantity(one.watched.key)
    per_hour, told = played.alarms / (one.hours if one.rated else 1.0), telling(played, one.hours)
    head(axes, f"{alarm_words(one.watched.key, one.watched.side)}: missed of {one.events}")
    for name, mark, low, high in DELAYS:
        some = (played.delays_s >= low) & (played.delays_s < high)
        shown = told & some[None, :]
        axes.plot(
            per_hour[shown], played.missed[shown], mark, color=GREY, markersize=2.2,
            markerfacecolor="none", markeredgewidth=0.35, label=name,
        )  # fmt: skip
    best = tuple(np.array(front(played, one.hours), int).reshape(-1, 2).T)
    axes.plot(
        per_hour[best], played.missed[best], "-", color=INK, linewidth=0.9, marker=".", markersize=3, label="fewest"
    )
    if one.usual is not None:
        m = list(played.limits).index(one.usual.tight)
        axes.plot(per_hour[m, 0], played.missed[m, 0], "x", markersize=6, color=RED, label="usual")
    for offer in one.offers[:1]:
        axes.plot(offer.alarms_per_hour, offer.missed, "o", markersize=6.5, markerfacecolor="none", color=BLUE)
        right = offer.alarms_per_hour > 2.0
        axes.annotate(
            f"{record.bounds(offer.limit)}, {offer.delay_s:g} s", (offer.alarms_per_hour, offer.missed),
            xytext=(-3 if right else 5, 6), textcoords="offset points", color=BLUE, fontsize=7.5,
            ha="right" if right else "left", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
        )  # fmt: skip
    axes.set_xscale("symlog", linthresh=1.0)
    axes.set_xlim(-0.15, max(1.0, 1.4 * float(per_hour[told].max(initial=0.0))))
    axes.xaxis.set_major_formatter("{x:g}")
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlabel("alarms per hour" if one.rated else "alarms in all")
    axes.set_ylim(-0.08 * max(one.events, 1), 1.15 * max(one.events, 1))
    axes.locator_params(axis="y", integer=True)
    if key:
        axes.legend(frameon=False, loc="upper right", fontsize=7, borderaxespad=0.0)


def _told(one: Tradeoff) -> str:
    offers = ", ".join(
        f"{quantity(one.watched.key).bounds(offer.limit)} after {offer.delay_s:g} s: "
        f"{rated(offer.alarms_per_hour)} per hour, {offer.missed} of {one.events} missed"
        for offer in one.offers
    )
    return f"{alarm_words(one.watched.key, one.watched.side)}: {offers or 'nothing weighed'}"


CAPTIONS = {
    "course": "Colours by the alarm standard (IEC 60601-1-8, from memory), and a pattern for all but high priority.",
    "hours": "Hours by the log's clock, over covered time without standby.",
    "tradeoff": "Each mark is a pair of limit and delay; down is fewer missed, left is fewer alarms. Pairs that sound "
    "more than a fifth of the time are left out. Line: those that no other beats in both. Circle: suggested, or least "
    "missed, within what is usual. Cross: usual, without delay.",
}


def log_pdf(told: Told, figures: dict[str, Picture], further: Sequence[Section] = ()) -> bytes:
    """The page as PDF: the same log, the same bytes."""
    return pdf_bytes(log_content(told, figures, further), "page.typ", "logs.typ")


def log_content(told: Told, figures: dict[str, Picture], further: Sequence[Section] = ()) -> dict[str, Any]:
    """What the template prints."""
    title = (told.case.title if told.case else "") or "Event log"
    words: dict[str, Any] = {
        "title": title,
        "description": "What an event log covers, what its alarms come to, and what limits would have done.",
        "caution": CAUTION,
        "program": f"Tidebench {__version__}",
        "sections": [
            {
                "heading": part.heading,
                "lines": part.lines,
                "head": part.head,
                "rows": part.rows,
                "right": sorted(part.right),
                "after": part.after,
                "figure": part.figure if part.figure in figures else "",
            }
            for part in (*log_page(told), *further)
        ],
        "captions": CAPTIONS,
    }
    pictures = {name: {"svg": one.svg, "alt": typeset(one.alt)} for name, one in figures.items()}
    return {**typeset(words), "figures": pictures}
