"""Draws a chart with matplotlib, as a bitmap or as SVG, and knows where everything lies.

Pixels are counted from the centre of the top left one.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from tests.pictures.patients import Signals, Values
from tests.pictures.styles import Colour, Style

DPI = 100.0
UNITS = {"airway_pressure": "cmH2O", "flow": "L/min", "volume": "mL"}
STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500)


@dataclass(frozen=True)
class Placed:
    """A panel: where it lies, what its edges stand for, and its true curve on the picture's clock."""

    quantity: str
    box: tuple[float, float, float, float]  # left, top, right, bottom
    low: float
    high: float
    ticks: tuple[float, float]
    time_s: Values
    values: Values
    colour: Colour

    def row(self, value: float) -> float:
        """The pixel row of a value."""
        _, top, _, bottom = self.box
        return bottom - (value - self.low) / (self.high - self.low) * (bottom - top)


@dataclass(frozen=True)
class Chart:
    """A drawn chart: the picture, its panels, the seconds across, and its zero on the signals' clock."""

    image: Image.Image
    panels: tuple[Placed, ...]
    seconds: float
    begins_s: float
    style: Style
    svg: str = field(default="", repr=False)

    def column(self, panel: Placed, seconds: float) -> float:
        """The pixel column of a time on the picture's clock."""
        left, _, right, _ = panel.box
        return left + seconds / self.seconds * (right - left)


def draw(signals: Signals, style: Style, rng: np.random.Generator, *, svg: bool = False) -> Chart:
    """The chart of a stretch of signals, which last at least twice as long as the chart where it sweeps."""
    width, height = style.size
    figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI, facecolor=style.paper)
    FigureCanvasAgg(figure)
    begins = style.seconds if style.sweeping else 0.0
    placed = []
    tall = 0.9 / len(style.panels)
    for n, quantity in enumerate(style.panels):
        bottom = 0.95 - (n + 1) * tall + style.spacing * tall / 2
        axes = figure.add_axes((style.left, bottom, style.right - style.left, tall * (1 - style.spacing)))
        placed.append(_panel(axes, quantity, n, signals, style, begins, rng))
    figure.canvas.draw()
    image = Image.fromarray(np.asarray(figure.canvas.buffer_rgba())[..., :3].copy())  # type: ignore[attr-defined]
    text = ""
    if svg:
        out = io.StringIO()
        figure.savefig(out, format="svg", facecolor=style.paper)
        text = out.getvalue()
    return Chart(image, tuple(placed), style.seconds, begins, style, text)


def _range(values: Values, zero: bool) -> tuple[float, float, float]:
    """Lower and upper end of a panel, and the step of its marks."""
    low, high = float(values.min()), float(values.max())
    low = min(low, 0.0) if zero else low
    span = high - low
    step = next(s for s in STEPS if span / s <= 5)
    return low - 0.12 * span, high + 0.12 * span, step


def _panel(
    axes: Any, quantity: str, n: int, signals: Signals, style: Style, begins: float, rng: np.random.Generator
) -> Placed:
    seconds = style.seconds
    time, values = signals.time_s - begins, signals.channels[quantity]
    seen = (time >= -begins - 0.05) & (time <= seconds + 0.05)
    time, values = time[seen], values[seen]
    low, high, step = _range(values, zero=True)
    axes.set_xlim(0, seconds)
    axes.set_ylim(low, high)
    axes.set_facecolor(style.ground)
    ticks = np.arange(np.ceil(low / step) * step, high, step)
    axes.set_yticks(ticks)
    axes.set_xticks(np.arange(0, seconds + 0.1, 5 if seconds > 12 else 2))
    axes.tick_params(colors=style.ink, labelsize=8)
    axes.set_title(f"{quantity.replace('_', ' ')} [{UNITS[quantity]}]", fontsize=8, color=style.ink, loc="left", pad=2)
    for spine in axes.spines.values():
        spine.set_visible(style.frame)
        spine.set_color(style.ink)
    mixed = [g + style.grid_shade * (i - g) for g, i in zip(style.ground, style.ink, strict=True)]
    if style.grid != "none":
        axes.grid(True, color=mixed, linewidth=0.8, linestyle={"solid": "-", "dashed": "--", "dotted": ":"}[style.grid])
        axes.set_axisbelow(True)
    colour = style.colours[n]
    shown_time, shown = _swept(time, values, style) if style.sweeping else (time, values)
    width = style.width_px * 72 / DPI
    if style.fill:
        axes.fill_between(shown_time, 0, shown, color=colour, alpha=style.fill, linewidth=0)
    if style.second_curve and quantity == "airway_pressure":
        axes.plot(shown_time, low + 0.45 * (shown - low), color=style.colours[3], linewidth=width)
    axes.plot(shown_time, shown, color=colour, linewidth=width, antialiased=style.smooth, gid=f"curve-{quantity}")
    if style.text_inside:
        axes.text(
            rng.uniform(0.05, 0.7), 0.9, "for teaching 12.5", color=style.ink, fontsize=8, transform=axes.transAxes
        )
    if style.cursor:
        axes.axvline(rng.uniform(0.2, 0.8) * seconds, color=style.ink, linewidth=0.8)
    box = axes.get_window_extent()
    tall = style.size[1]
    pixels = (box.x0 - 0.5, tall - box.y1 - 0.5, box.x1 - 0.5, tall - box.y0 - 0.5)
    inner = ticks[(ticks > low) & (ticks < high)]
    return Placed(quantity, pixels, low, high, (float(inner[0]), float(inner[-1])), time, values, colour)


def _swept(time: Values, values: Values, style: Style) -> tuple[Values, Values]:
    """A stretch as a sweeping display shows it: new on the left, old on the right, nothing in the bar between."""
    seconds, head = style.seconds, style.head * style.seconds
    new = (time >= 0) & (time <= head)
    old = (time + seconds >= head + style.bar * seconds) & (time < 0)
    nothing = np.array([np.nan])
    across = np.concatenate([time[new], nothing, time[old] + seconds])
    return across, np.concatenate([values[new], nothing, values[old]])


def axes_tables(chart: Chart, *, colours: bool, corners: npt.NDArray[np.float64] | None = None) -> dict[str, Any]:
    """What a careful person would write of a chart: whole pixels."""
    panels = []
    for panel in chart.panels:
        left, top, right, bottom = (round(edge) for edge in panel.box)
        said: dict[str, Any] = {
            "quantity": panel.quantity, "unit": UNITS[panel.quantity], "box": [left, top, right, bottom],
            "values": [[round(panel.row(value)), value] for value in panel.ticks],
        }  # fmt: skip
        if chart.style.sweeping:
            said["sweep_s"] = chart.seconds
        else:
            said["times"] = [[round(chart.column(panel, t)), t] for t in (0.0, chart.seconds)]
        if colours or chart.style.second_curve:
            said["colour"] = "#" + "".join(f"{round(255 * part):02x}" for part in panel.colour)
        panels.append(said)
    tables: dict[str, Any] = {"panel": panels}
    if corners is not None:
        tables["corners"] = [[round(float(x), 1), round(float(y), 1)] for x, y in corners]
        tables["size"] = list(chart.style.size)
    return tables
