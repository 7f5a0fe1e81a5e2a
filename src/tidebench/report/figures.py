"""The figures of the report: each takes a view and returns an SVG with a description for those who can't see it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from tidebench.quantities import Quantity, quantity
from tidebench.report.drawing import WIDTH_MM, Sheet, drawing, head
from tidebench.report.palette import BANDS, BLUE, GREY, INK, PALE, SERIES, YELLOW, Style
from tidebench.views.wording import clock, count, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from tidebench.recording import Samples
    from tidebench.records import PressureAccount, Spread
    from tidebench.views.breath import BreathPage
    from tidebench.views.holds import HoldsPage, HoldTrace
    from tidebench.views.steps import StepsPage
    from tidebench.views.trend import Mark, Series, Trend

LEFT, RIGHT = 11.0, 3.0  # mm beside the axes
HEAD = 6.0  # mm above an axis, for its heading
PRESSURE, FLOW, VOLUME = quantity("airway_pressure"), quantity("flow"), quantity("volume")
L_MIN, ML = 60.0, 1000.0
CROWDED = 15  # marks along a record, from where on they stand back
MOST_WORDS = 4000  # letters of a description: nobody listens longer, and a PDF allows no more than 32 767
LETTERS = {"start": "A", "elastic": "B", "resistive": "C", "muscle": "D"}


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure and its description in words."""

    svg: str
    alt: str

    def __post_init__(self) -> None:
        if len(self.alt) > MOST_WORDS:
            object.__setattr__(self, "alt", f"{self.alt[:MOST_WORDS].rsplit('; ', 1)[0]}; and more.")

    @property
    def standing_alone(self) -> str:
        """The figure as a file of its own: its description inside, for those who can't see it, on white."""
        opening = re.search(r"<svg[^>]*>", self.svg)
        assert opening
        further = f'<title>{escape(self.alt)}</title><rect width="100%" height="100%" fill="white"/>'
        return self.svg[: opening.end()] + further + self.svg[opening.end() :]


# --- trend ------------------------------------------------------------------------------------------------------------


def trend_figure(trend: Trend) -> Picture:
    """Quantities along the whole record, with changes of settings, holds and gaps."""
    with drawing():
        strip, panel, foot = 7.0 if trend.marks else 1.0, 18.0, 9.0
        sheet = Sheet(strip + len(trend.panels) * (panel + HEAD) + foot)
        axes: list[Axes] = []
        for i, series in enumerate(trend.panels):
            top = strip + HEAD + i * (panel + HEAD)
            axis = sheet.axes(LEFT, top, WIDTH_MM - LEFT - RIGHT, panel, share=axes[0] if axes else None)
            _trend_panel(axis, series, binned=trend.bin_s > 0)
            axes.append(axis)
        _time_axis(axes, trend.duration_s)
        _happenings(axes, trend)
        return Picture(sheet.svg(), _trend_alt(trend))


def _trend_panel(axis: Axes, panel: tuple[Series, ...], *, binned: bool) -> None:
    for series, style in zip(panel, SERIES, strict=False):
        if binned:
            axis.fill_between(series.time_s, series.low, series.high, color=style.colour, alpha=0.15, linewidth=0)
            axis.plot(series.time_s, series.median, style.line, color=style.colour, linewidth=0.9)
        else:
            axis.plot(
                series.time_s,
                series.median,
                color=style.colour,
                linewidth=0.35,
                marker=style.marker,
                markersize=2.6,
                markerfacecolor=style.colour if style.marker == "o" else "white",
                markeredgewidth=0.6,
            )
    names = [series.quantity.label for series in panel]
    marks = [_named_mark(style, binned=binned) for style in SERIES]
    key = ",  ".join(f"{mark} {name}" for mark, name in zip(marks, names, strict=False)) if len(names) > 1 else names[0]
    head(axis, f"{key} [{panel[0].quantity.unit}]")
    _room(axis, panel)


def _named_mark(style: Style, *, binned: bool) -> str:
    dots = {"^": "△", "s": "□", "o": "●", "_": "–"}
    lines = {"-": "—", "--": "– –", ":": "···"}
    return lines[style.line] if binned else dots[style.marker]


def _room(axis: Axes, panel: tuple[Series, ...]) -> None:
    """Limits that hold what is usual, so that a cough doesn't flatten the rest."""
    values = np.concatenate([np.concatenate([s.low, s.high]) for s in panel])
    values = values[np.isfinite(values)]
    low, high = (float(x) for x in np.percentile(values, [0.5, 99.5]))
    _span(axis, low, high, panel[0].quantity)


def _span(axis: Axes, low: float, high: float, record: Quantity) -> None:
    """An axis from low to high that doesn't blow up what hardly varies, and shows zero where it is near."""
    least = 0.3 * max(abs(high), abs(low)) or 4 * 10.0**-record.decimals
    spare = max(0.15 * (high - low), (least - (high - low)) / 2)
    axis.set_ylim(0.0 if 0 <= low < max(0.4 * high, spare) else low - spare, high + spare)


def _time_axis(axes: list[Axes], duration_s: float) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    long = duration_s >= 3600
    steps = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 21600, 43200, 86400)
    step = next((s for s in steps if duration_s / s <= 9), 86400)
    for axis in axes:
        axis.set_xlim(0, duration_s)
        axis.xaxis.set_major_locator(MultipleLocator(step))
        axis.xaxis.set_major_formatter(FuncFormatter(lambda value, _: clock(value / 60 if long else value)))
        axis.tick_params(labelbottom=axis is axes[-1])
    if axes:
        axes[-1].set_xlabel("time [h:min]" if long else "time [min:s]", labelpad=2)


def _happenings(axes: list[Axes], trend: Trend) -> None:
    changes = [mark.at_s for mark in trend.marks if mark.kind == "settings"]
    colour = PALE if len(changes) > CROWDED else GREY
    gaps = [(gap.start_s, gap.duration_s) for gap in trend.gaps]
    for axis in axes:
        upright = axis.get_xaxis_transform()
        axis.broken_barh(
            gaps, (0, 1), transform=upright, facecolor="white", edgecolor=GREY, hatch="xxxx", linewidth=0, zorder=3
        )
        if len(changes) <= 4 * CROWDED:
            axis.vlines(changes, 0, 1, transform=upright, colors=colour, linewidth=0.5, linestyles=(0, (4, 2)))
    if axes:
        _flags(axes[0], trend)


def _flags(axis: Axes, trend: Trend) -> None:
    """Numbers of settings changes and letters of holds above the first axis, dropped where they would overprint."""
    last = -np.inf
    room = 0.015 + 0.008 * len(f"{len(trend.marks)}")
    for mark in sorted(trend.marks, key=lambda mark: mark.at_s):
        if mark.at_s - last < room * trend.duration_s:
            continue
        last = mark.at_s
        _flag(axis, mark)


def _flag(axis: Axes, mark: Mark) -> None:
    words = {"settings": f"{mark.number}", "inspiratory hold": "I", "expiratory hold": "E"}
    shape = "square,pad=0.25" if mark.kind == "settings" else "circle,pad=0.15"
    box = {"boxstyle": shape, "facecolor": "white", "edgecolor": GREY, "linewidth": 0.5}
    axis.annotate(
        words[mark.kind],
        (mark.at_s, 1),
        xycoords=("data", "axes fraction"),
        xytext=(0, 19),
        textcoords="offset points",
        ha="center",
        va="center",
        fontsize=7.5,
        bbox=box,
        annotation_clip=False,
    )


def _trend_alt(trend: Trend) -> str:
    lines = []
    for panel in trend.panels:
        for series in panel:
            median = float(np.nanmedian(series.median))
            lines.append(f"{series.quantity.label} about {series.quantity.text(median)}")
    changes = sum(mark.kind == "settings" for mark in trend.marks)
    return (
        f"Trend over {clock(trend.duration_s)}: {listed(lines)}. {count(changes, 'change')} of settings, "
        f"{count(len(trend.marks) - changes, 'hold')}, {count(len(trend.gaps), 'gap')}."
    )


# --- breath -----------------------------------------------------------------------------------------------------------


def account_figure(page: BreathPage) -> Picture | None:
    """The pressure account: bands under the measured curve; beneath it what is left over, flow and volume."""
    account = page.account
    if account is None:
        return None
    with drawing():
        heights = (("pressure", 58.0), ("rest", 8.0), ("flow", 18.0), ("volume", 18.0))
        key, foot = 12.0, 9.0
        sheet = Sheet(key + sum(height + HEAD for _, height in heights) + foot)
        top = key + HEAD
        axes: dict[str, Axes] = {}
        for name, height in heights:
            axes[name] = sheet.axes(LEFT, top, WIDTH_MM - LEFT - RIGHT, height, share=next(iter(axes.values()), None))
            top += height + HEAD
        time = account.time_s - account.time_s[0]
        _bands(axes["pressure"], time, account)
        _key(sheet, account)
        _residual(axes["rest"], time, account)
        _curve(axes["flow"], time, account.flow * L_MIN, FLOW)
        _curve(axes["volume"], time, account.volume * ML, VOLUME)
        for name, axis in axes.items():
            axis.axvline(account.expiration_s - account.time_s[0], color=GREY, linewidth=0.6, dashes=(4, 2))
            axis.tick_params(labelbottom=name == "volume")
        axes["volume"].set_xlim(0, float(time[-1]) if time[-1] > 0 else 1)
        axes["volume"].set_xlabel(f"time from the start of the inflation [{quantity('time').unit}]", labelpad=2)
        return Picture(sheet.svg(), _account_alt(page))


def recorded_figure(page: BreathPage) -> Picture:
    """A breath that can't be accounted for, as it was recorded, with its surroundings."""
    with drawing():
        tall, foot = 26.0, 9.0
        seen = page.recorded
        sheet = Sheet(len(seen.channels) * (tall + HEAD) + foot + 1)
        axes: list[Axes] = []
        for i, (name, values) in enumerate(seen.channels.items()):
            top = 1 + HEAD + i * (tall + HEAD)
            axis = sheet.axes(LEFT, top, WIDTH_MM - LEFT - RIGHT, tall, share=axes[0] if axes else None)
            axis.axvspan(0, seen.turn_s, facecolor=BLUE, alpha=0.08, linewidth=0)
            for moment in (0, seen.turn_s, seen.end_s):
                axis.axvline(moment, color=GREY, linewidth=0.6, dashes=(4, 2))
            axis.plot(seen.time_s, values * (L_MIN if name == "flow" else 1.0), color=INK)
            head(axis, quantity(name).heading)
            axes.append(axis)
        for axis in axes:
            axis.tick_params(labelbottom=axis is axes[-1])
        axes[-1].set_xlim(float(seen.time_s[0]), float(seen.time_s[-1]))
        axes[-1].set_xlabel(f"time from the start of the inflation [{quantity('time').unit}]", labelpad=2)
        numbers = listed(f"{n.label} {n.value}" for n in page.numbers)
        return Picture(sheet.svg(), f"Recorded signals of {page.heading}. {numbers}.")


def _bands(axis: Axes, time: Samples, account: PressureAccount) -> None:
    base = np.zeros_like(time)
    start = base + account.start
    recoil = start + account.elastic
    all_in = recoil + account.resistive
    given = account.muscle > 0.05
    turn = max(1, int(np.searchsorted(account.time_s, account.expiration_s)))
    pairs = {
        "start": (base, start, None),
        "elastic": (start, recoil, None),
        "resistive": (recoil, all_in, None),
        "muscle": (all_in - account.muscle, all_in, given if given.any() else np.zeros_like(given)),
    }
    for name, (low, high, where) in pairs.items():
        if where is not None and not where.any():
            continue
        style = BANDS[name]
        axis.fill_between(
            time, low, high, where=where, facecolor=style.fill, edgecolor=style.colour, hatch=style.hatch, linewidth=0.0
        )
        shown = high if name == "muscle" else np.where(given, np.minimum(high, all_in - account.muscle), high)
        _letter(axis, LETTERS[name], time, low, np.where(time < time[turn - 1], shown, high), turn)
    axis.plot(time, recoil, color=BLUE, linewidth=0.9, linestyle="--")
    axis.plot(time, account.airway_pressure, color=INK, linewidth=1.7)
    _account_limits(axis, account, all_in, recoil)
    head(axis, PRESSURE.heading)


def _key(sheet: Sheet, account: PressureAccount) -> None:
    """What the letters, patterns and lines mean, in two rows above the drawing."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    words = {
        "start": "there at the start: total PEEP",
        "elastic": "taken by lung and chest wall (elastic)",
        "resistive": "taken by tube and airways (resistive)",
        "muscle": "given by the patient's muscles",
    }
    if not account.muscle.any():
        del words["muscle"]
    patches = [
        Patch(
            facecolor=style.fill,
            edgecolor=style.colour,
            hatch=style.hatch,
            linewidth=0,
            label=f"{LETTERS[name]}  {word}",
        )
        for name, word in words.items()
        for style in [BANDS[name]]
    ]
    lines = [
        Line2D([], [], color=INK, linewidth=1.7, label="measured airway pressure"),
        Line2D([], [], color=BLUE, linewidth=0.9, linestyle="--", label="recoil: A and B"),
    ]
    sheet.figure.legend(
        handles=[*patches, *lines],
        loc="upper left",
        bbox_to_anchor=((LEFT - 1.0) / WIDTH_MM, 1.0),
        ncols=3,
        frameon=False,
        borderpad=0,
        borderaxespad=0,
        columnspacing=1.6,
        handlelength=2.0,
        handletextpad=0.5,
    )


def _account_limits(axis: Axes, account: PressureAccount, all_in: Samples, recoil: Samples) -> None:
    values = np.concatenate([account.airway_pressure, all_in, recoil, [0.0]])
    low, high = float(values.min()), float(values.max())
    spare = 0.06 * max(high - low, 1.0)
    axis.set_ylim(low - (spare if low < 0 else 0), high + spare)


def _letter(axis: Axes, letter: str, time: Samples, low: Samples, high: Samples, turn: int) -> None:
    """A letter in the middle of its band's inspiratory part, or of all of it; none where there is no room for one."""
    thick = np.abs(high - low)
    part = thick[:turn] if thick[:turn].max() > 0.4 else thick
    i = int(np.searchsorted(np.cumsum(part), part.sum() / 2))
    if part[min(i, len(part) - 1)] < 0.4:
        return
    axis.text(
        float(time[i]),
        float(low[i] + high[i]) / 2,
        letter,
        ha="center",
        va="center",
        fontsize=9,
        fontweight="bold",
        bbox={"boxstyle": "circle,pad=0.18", "facecolor": "white", "edgecolor": "none", "alpha": 0.9},
    )


def _residual(axis: Axes, time: Samples, account: PressureAccount) -> None:
    axis.fill_between(time, 0, account.residual, color=GREY, linewidth=0)
    axis.axhline(0, color=GREY, linewidth=0.5)
    reach = max(1.0, float(np.abs(account.residual).max()) * 1.1)
    axis.set_ylim(-reach, reach)
    axis.set_yticks([-reach, 0, reach], [f"{-reach:.0f}".replace("-", "−"), "0", f"{reach:.0f}"])
    axis.grid(False)
    head(axis, f"not explained: measured less model [{PRESSURE.unit}]")


def _curve(axis: Axes, time: Samples, values: Samples, record: Quantity) -> None:
    axis.plot(time, values, color=INK)
    axis.axhline(0, color=GREY, linewidth=0.5)
    head(axis, record.heading)


def _account_alt(page: BreathPage) -> str:
    parts = [
        f"{instant.name}: {PRESSURE.text(instant.pressure)} = {PRESSURE.text(instant.start, unit=False)} start"
        f" + {PRESSURE.text(instant.elastic, unit=False)} elastic + {PRESSURE.text(instant.resistive, unit=False)}"
        f" resistive − {PRESSURE.text(instant.muscle, unit=False)} muscle"
        f" + {PRESSURE.text(instant.unexplained, unit=False)} not explained"
        for instant in page.instants
    ]
    return f"Pressure account of {page.heading}. " + "; ".join(parts) + "."


# --- loops ------------------------------------------------------------------------------------------------------------


def loops_figure(page: BreathPage) -> Picture | None:
    """Volume against pressure, and flow against volume; other breaths paler behind."""
    account = page.account
    if account is None:
        return None
    with drawing():
        sheet = Sheet(72.0)
        half = (WIDTH_MM - 2 * LEFT - RIGHT - 8) / 2
        pressure = sheet.axes(LEFT, HEAD + 1, half, 54)
        flow = sheet.axes(2 * LEFT + half + 8, HEAD + 1, half, 54)
        for other in page.neighbours:
            pressure.plot(other.airway_pressure, other.volume * ML, color=PALE, linewidth=0.6)
            flow.plot(other.volume * ML, other.flow * L_MIN, color=PALE, linewidth=0.6)
        order = np.argsort(account.volume)
        recoil = (account.start + account.elastic)[order], (account.volume * ML)[order]
        pressure.plot(*recoil, color=BLUE, linestyle="--", linewidth=0.9)
        pressure.plot(account.airway_pressure, account.volume * ML, color=INK, linewidth=1.4)
        flow.plot(account.volume * ML, account.flow * L_MIN, color=INK, linewidth=1.4)
        flow.axhline(0, color=GREY, linewidth=0.5)
        for axis, turned in ((pressure, account.airway_pressure), (flow, account.volume * ML)):
            _arrow(axis, turned, (account.volume * ML if axis is pressure else account.flow * L_MIN))
        head(pressure, VOLUME.heading)
        head(flow, FLOW.heading)
        pressure.set_xlabel(PRESSURE.heading, labelpad=2)
        flow.set_xlabel(VOLUME.heading, labelpad=2)
        return Picture(sheet.svg(), _loops_alt(page, account))


def _arrow(axis: Axes, x: Samples, y: Samples) -> None:
    """The direction of time, a third of the way into the inflation."""
    i = max(1, len(x) // 8)
    if i + 2 >= len(x):
        return
    axis.annotate(
        "",
        (float(x[i + 2]), float(y[i + 2])),
        xytext=(float(x[i - 1]), float(y[i - 1])),
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.0, "shrinkA": 0, "shrinkB": 0},
    )


def _loops_alt(page: BreathPage, account: PressureAccount) -> str:
    volume = VOLUME.text(float(account.volume.max()) * ML)
    low, high = (PRESSURE.text(float(v)) for v in (account.airway_pressure.min(), account.airway_pressure.max()))
    out = FLOW.text(float(-account.flow.min()) * L_MIN)
    return (
        f"Loops of {page.heading}: volume up to {volume} between {low} and {high}; flow out at most {out}. "
        f"{count(len(page.neighbours), 'other breath')} paler behind."
    )


# --- holds ------------------------------------------------------------------------------------------------------------


def holds_figure(page: HoldsPage) -> Picture | None:
    """Pressure and flow around each drawn hold, with the pressures that were read."""
    if not page.traces:
        return None
    with drawing():
        columns = min(2, len(page.traces))
        rows = -(-len(page.traces) // columns)
        tall = 53.0
        sheet = Sheet(rows * tall + 2)
        wide = (WIDTH_MM - columns * (LEFT + RIGHT) - (columns - 1) * 4) / columns
        for i, trace in enumerate(page.traces):
            left = LEFT + (i % columns) * (wide + LEFT + RIGHT + 4)
            top = HEAD + 1 + (i // columns) * tall
            upper = sheet.axes(left, top, wide, 24)
            lower = sheet.axes(left, top + 24 + HEAD - 1, wide, 9, share=upper)
            _hold(upper, lower, trace)
        return Picture(sheet.svg(), _holds_alt(page))


def _hold(upper: Axes, lower: Axes, trace: HoldTrace) -> None:
    hold = trace.hold
    for axis in (upper, lower):
        axis.axvspan(-hold.duration_s, 0, facecolor=YELLOW, alpha=0.22, linewidth=0)
        axis.axvspan(-min(0.5, hold.duration_s), 0, facecolor="none", edgecolor=YELLOW, hatch="////", linewidth=0)
    upper.plot(trace.time_s, trace.pressure, color=INK)
    lower.plot(trace.time_s, trace.flow * L_MIN, color=INK)
    lower.axhline(0, color=GREY, linewidth=0.5)
    lower.locator_params(axis="y", nbins=2)
    reads = {
        "inspiratory": ("initial_pressure_cmh2o", "plateau_pressure_cmh2o"),
        "expiratory": ("total_peep_cmh2o",),
    }[hold.kind]
    told = []
    for key, line in zip(reads, ("dotted", "dashed") if len(reads) > 1 else ("dashed",), strict=True):
        value: float | None = getattr(hold, key)
        if value is not None:
            upper.axhline(value, color=BLUE, linewidth=0.8, linestyle=line)
            told.append(quantity(key).symbol + " " + quantity(key).text(value))
    upper.tick_params(labelbottom=False)
    lower.set_xlim(float(trace.time_s[0]), float(trace.time_s[-1]))
    lower.set_xlabel(f"time from the end of the hold [{quantity('time').unit}]", labelpad=1)
    head(upper, f"{trace.number}  {hold.kind} at {clock(hold.at_s)}: {', '.join(told) or 'no pressure read'}")
    head(lower, FLOW.heading)


def _holds_alt(page: HoldsPage) -> str:
    parts = []
    for row in page.rows:
        numbers = [f"{n.quantity.label} {n.value}" for n in row.numbers if n.spread]
        parts.append(f"{row.hold.kind} hold at {clock(row.hold.at_s)}: {listed(numbers)}, {row.quality}")
    return "Pressure and flow around holds. " + "; ".join(parts) + "."


# --- steps of PEEP ----------------------------------------------------------------------------------------------------


def peep_figure(page: StepsPage) -> Picture | None:
    """Quantities against measured PEEP, levels numbered in the order in which they came."""
    if not page.along_peep or not page.along_peep_quantities:
        return None
    with drawing():
        number = len(page.along_peep_quantities)
        sheet = Sheet(50.0)
        wide = (WIDTH_MM - number * (LEFT + RIGHT)) / number
        for i, record in enumerate(page.along_peep_quantities):
            axis = sheet.axes(LEFT + i * (wide + LEFT + RIGHT), HEAD + 1, wide, 33)
            points = [(p.order, p.peep, value) for p in page.along_peep if (value := p.values[i]) is not None]
            _along(axis, points, record)
            head(axis, record.heading)
            axis.set_xlabel(f"measured {quantity('peep_cmh2o').heading}", labelpad=2)
        return Picture(sheet.svg(), _peep_alt(page))


def _along(axis: Axes, points: list[tuple[int, Spread, Spread]], record: Quantity) -> None:
    x, y = [p.median for _, p, _ in points], [v.median for _, _, v in points]
    reach = [[v.median - v.p05 for _, _, v in points], [v.p95 - v.median for _, _, v in points]]
    axis.errorbar(x, y, yerr=reach, color=BLUE, marker="o", markersize=3.5, linewidth=0.8, elinewidth=0.8, capsize=2)
    for order, peep, value in points if len(points) <= CROWDED else ():
        axis.annotate(f"{order}", (peep.median, value.p95), xytext=(4, 2), textcoords="offset points", ha="left")
    axis.margins(x=0.12)
    _span(axis, min(v.p05 for _, _, v in points), max(v.p95 for _, _, v in points), record)


def _peep_alt(page: StepsPage) -> str:
    peep = quantity("peep_cmh2o")
    parts = []
    for point in page.along_peep:
        values = [
            f"{record.label} {record.text(value.median)}"
            for record, value in zip(page.along_peep_quantities, point.values, strict=True)
            if value is not None
        ]
        parts.append(f"PEEP {peep.text(point.peep.median)}: {listed(values)}")
    return "Along PEEP. " + "; ".join(parts) + "."
