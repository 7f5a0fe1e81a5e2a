"""From a straightened picture and its axes to traced panels, and from panels on one clock to a Recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tidebench.errors import PictureError
from tidebench.interval import Interval
from tidebench.pictures.areas import curve_in
from tidebench.pictures.axes import PER_CENT, Axes, Marks, Panel, unit_of
from tidebench.pictures.colours import left_out
from tidebench.pictures.corrections import Correction, corrected
from tidebench.pictures.slope import with_slope
from tidebench.pictures.sweep import find_bar, unrolled
from tidebench.pictures.trace import Curve, bridged
from tidebench.quantities import QUANTITIES
from tidebench.readers.headers import canonical_unit
from tidebench.recording import Recording, Uncertainty
from tidebench.units import factor

Values = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8] | npt.NDArray[np.float32]
Order = npt.NDArray[np.intp]

RATES_HZ = (25.0, 40.0, 50.0, 80.0, 100.0, 125.0, 160.0, 200.0)
FINER = 2.4
"""Samples at the most for each column of pixels: where flow turns between two samples, what goes in and out cancels."""
FEWEST_PX_S = 8.0
"""Columns a second below which the phases of a breath can't be told: this house's choice."""
TOGETHER_PX = 2.0
"""Columns over which a traced curve errs together: about the width of a pen."""
ASIDE_PX = 0.25
"""One standard deviation of the column in which a steep edge is seen."""
LEAST_SEEN = 0.5
EDGE_S = 0.05


@dataclass(frozen=True)
class TracedPanel:
    """A panel with its curve: seconds and values in canonical units, each with one standard deviation of tracing.

    ``curve`` holds places in the panel (from its own left and top); ``reach``, shape (2, n), is how far its stroke
    reaches beyond the values, up and down; ``clipped`` is the share of the columns in which the curve runs along the
    panel's upper or lower edge, or is beyond it.
    """

    panel: Panel
    curve: Curve
    time_s: Values
    values: Values
    sd: Values
    reach: Values
    per_row: float
    per_column_s: float
    clipped: float


@dataclass(frozen=True)
class Scale:
    """A straight axis: value = first + (pixel − at)·each."""

    at: float
    first: float
    each: float

    @classmethod
    def of(cls, marks: Marks, scale: float = 1.0) -> Scale:
        """The axis through two marks, its values times ``scale``."""
        (one, a), (two, b) = marks
        return cls(one, a * scale, (b - a) * scale / (two - one))

    def __call__(self, pixel: Values) -> Values:
        """Values at pixels."""
        return self.first + (pixel - self.at) * self.each

    def pixel(self, value: Values) -> Values:
        """Pixels of values."""
        return self.at + (value - self.first) / self.each


def trace_panels(pixels: Pixels, axes: Axes, where: str, corrections: Sequence[Correction] = ()) -> list[TracedPanel]:
    """Every curve over seconds as a person mended it, with the erase bar of a sweeping display taken out.

    Raises
    ------
    PictureError
        A panel lies outside the picture, holds no curve, or has too few pixels a second.
    """
    curves = [
        (panel, corrected(trace_panel(pixels, panel, where), panel, corrections_of(axes, panel, corrections)))
        for panel in axes.curves
    ]
    sweeping = [(panel, curve) for panel, curve in curves if panel.sweep_s is not None]
    bar = _bar(sweeping)
    return [_calibrated(panel, curve, bar, where) for panel, curve in curves]


def corrections_of(axes: Axes, panel: Panel, corrections: Sequence[Correction]) -> list[Correction]:
    """Those of one panel."""
    number = next(n for n, one in enumerate(axes.panels, 1) if one is panel)
    return [one for one in corrections if one.panel == number]


def trace_trends(pixels: Pixels, axes: Axes, where: str, corrections: Sequence[Correction] = ()) -> list[TracedPanel]:
    """Every trend as a person mended it, in the units in which its quantities are told.

    Raises
    ------
    PictureError
        As :func:`trace_panel`.
    """
    trends = [panel for panel in axes.panels if panel.kind == "trend"]
    curves = [
        corrected(trace_panel(pixels, panel, where), panel, corrections_of(axes, panel, corrections))
        for panel in trends
    ]
    return [_calibrated(panel, curve, None, where) for panel, curve in zip(trends, curves, strict=True)]


def trace_panel(pixels: Pixels, panel: Panel, where: str) -> Curve:
    """The curve of a panel, places counted from the panel's left and top.

    Raises
    ------
    PictureError
        The panel lies outside the picture, or holds no curve.
    """
    crop = cut(pixels, panel, where)
    colour = None
    if panel.colour is not None:
        colour = np.array([int(panel.colour[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.float32)
    curve = curve_in(crop, colour)
    if curve is None or curve.seen < LEAST_SEEN:
        raise PictureError(
            f"no curve is found in the panel of {panel.quantity}",
            where=where, expected="one that stands out from its background",
            remedy='Check the box, and give the curve\'s colour: colour = "#1f77b4".',
        )  # fmt: skip
    return curve if colour is not None else replace(curve, colours=left_out(crop, curve))


def cut(pixels: Pixels, panel: Panel, where: str) -> npt.NDArray[np.float32]:
    """The pixels of a panel: the rest of a large picture stays as small as it is.

    Raises
    ------
    PictureError
        It lies outside the picture.
    """
    left, top, right, bottom = (round(edge) for edge in panel.box)
    tall, wide = pixels.shape[:2]
    if left < 0 or top < 0 or right >= wide + 1 or bottom >= tall + 1:
        raise PictureError(
            f"the box {[left, top, right, bottom]} of {panel.quantity} lies outside the picture",
            where=where, expected=f"[left, top, right, bottom] within {wide} by {tall} pixels",
        )  # fmt: skip
    return pixels[top : bottom + 1, left : right + 1].astype(np.float32)


def _bar(sweeping: Sequence[tuple[Panel, Curve]]) -> tuple[float, float] | None:
    """The erase bar that panels share."""
    told = next((panel for panel, _ in sweeping if panel.newest is not None), None)
    found = find_bar([(curve.column / max(1.0, curve.column[-1]), curve.row) for _, curve in sweeping])
    if told is None or told.newest is None:
        return found
    at = (told.newest - round(told.box[0])) / max(1.0, told.size[0])
    return (at, max(at, found[1])) if found and found[0] - 0.02 < at < found[1] + 0.02 else (at, at)


def _calibrated(panel: Panel, curve: Curve, bar: tuple[float, float] | None, where: str) -> TracedPanel:
    left, top, _, bottom = (round(edge) for edge in panel.box)
    trend = panel.kind == "trend"
    axis = Scale.of(panel.values, _trend_scale(panel) if trend else _scale(panel))
    if panel.sweep_s is not None:
        each = panel.sweep_s / panel.size[0]
        across = (curve.column + left - panel.box[0]) / panel.size[0]
        order, sweeps = unrolled(across, bar) if bar else (np.arange(len(across), dtype=np.intp), across)
        curve = replace(curve, row=_only(curve.row, order))
        time = sweeps * panel.sweep_s
        seam: int | None = int(np.count_nonzero(sweeps < 0))
    else:
        assert panel.times is not None
        clock = Scale.of(panel.times)
        each, order, time = clock.each, np.arange(len(curve.column), dtype=np.intp), clock(curve.column + left)
        seam = None
    if not trend and 1 / each < FEWEST_PX_S:
        raise PictureError(
            f"the panel of {panel.quantity} has {1 / each:.1f} pixels a second",
            where=where, expected=f"{FEWEST_PX_S:g} at least",
            remedy="Take a picture with more pixels or fewer seconds.",
        )  # fmt: skip
    row, sd = bridged(curve.row[order], curve.sd[order], curve.width, seam)
    near = curve.width / 2 + 1.5
    clipped = np.isfinite(row) & ((row < near) | (row > bottom - top - near))
    reach = np.abs(axis.each) * curve.reach[:: 1 if axis.each < 0 else -1, order]
    return TracedPanel(
        panel, curve, time, axis(row + top), np.abs(axis.each) * sd, reach, abs(axis.each), each,
        float((clipped | _cut_off(row, clipped)).mean()),
    )  # fmt: skip


def _cut_off(row: Values, at_rim: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Gaps of a curve that it leaves for, or comes back from, where it is at its panel's edge."""
    out = np.zeros(len(row), bool)
    ends = np.flatnonzero(np.diff(np.isnan(row), prepend=False, append=False))
    for first, last in zip(ends[::2], ends[1::2], strict=True):
        out[first:last] = at_rim[max(first - 1, 0)] or at_rim[min(last, len(row) - 1)]
    return out


def _scale(panel: Panel) -> float:
    return factor(unit_of(panel.unit), canonical_unit(panel.quantity))


def _trend_scale(panel: Panel) -> float:
    """To the unit in which the quantity is told; shares have none."""
    wanted = QUANTITIES[panel.quantity].unit
    if panel.unit == wanted:
        return 1.0
    return 0.01 if panel.unit == PER_CENT else factor(unit_of(panel.unit), unit_of(wanted))


def _only(row: Values, order: Order) -> Values:
    """Rows of the places in ``order``, NaN elsewhere."""
    kept = np.full(len(row), np.nan)
    kept[order] = row[order]
    return kept


def on_one_clock(traced: Sequence[TracedPanel], axes: Axes, source: str) -> tuple[Recording, float]:
    """A recording of panels that hold pressure and flow, and the second of the picture's clock at its first sample.

    Without flow, of panels that hold pressure and volume: flow is then the slope of volume.
    """
    rate = _rate(traced)
    moving = "flow" if any(one.panel.quantity == "flow" for one in traced) else "volume"
    needed = [one for one in traced if one.panel.quantity in ("airway_pressure", moving)]
    begins = max(_span(one)[0] for one in needed)
    ends = min(_span(one)[1] for one in needed)
    time = begins + np.arange(int((ends - begins) * rate) + 1) / rate
    channels, samples, above, below = {}, {}, {}, {}
    for one in traced:
        name = one.panel.quantity
        channels[name] = np.interp(time, one.time_s, one.values, np.nan, np.nan)
        samples[name] = np.interp(time, one.time_s, one.sd, np.nan, np.nan)
        above[name], below[name] = _beyond(one, channels[name], begins, rate)
    missing = np.isnan(channels["airway_pressure"]) | np.isnan(channels[moving])
    for name, values in channels.items():
        channels[name] = np.where(missing, np.nan, values)
    each = max(one.per_column_s for one in traced)
    shared = _shared(traced, axes)
    uncertainty = Uncertainty(samples, TOGETHER_PX * each, ASIDE_PX * each, *shared, above=above, below=below)
    recording = Recording(rate, channels, _gaps(missing, rate), source=source, uncertainty=uncertainty)
    return recording if moving == "flow" else with_slope(recording), float(begins)


def _beyond(one: TracedPanel, values: Values, begins: float, rate: float) -> tuple[Values, Values]:
    """How far the stroke reaches above and below each sample anywhere between it and its neighbours' halves."""
    place = np.round((one.time_s - begins) * rate).astype(np.intp)
    inside = (place >= 0) & (place < len(values))
    most, least = values.copy(), values.copy()
    np.fmax.at(most, place[inside], (one.values + one.reach[0])[inside])
    np.fmin.at(least, place[inside], (one.values - one.reach[1])[inside])
    return most - values, values - least


def _rate(traced: Sequence[TracedPanel]) -> float:
    """The highest usual rate that the columns of every panel bear."""
    most = FINER / max(one.per_column_s for one in traced)
    return max((rate for rate in RATES_HZ if rate <= most), default=RATES_HZ[0])


def _span(one: TracedPanel) -> tuple[float, float]:
    seen = one.time_s[np.isfinite(one.values)]
    return float(seen[0]), float(seen[-1])


def _gaps(missing: npt.NDArray[np.bool_], rate: float) -> tuple[Interval, ...]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], missing, [False])))) / rate
    return tuple(Interval(float(a), float(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def _shared(
    traced: Sequence[TracedPanel], axes: Axes
) -> tuple[dict[str, float], dict[str, float], dict[str, float], float]:
    """Zero, scale and clock of each channel, and the length of a second: from marks, and corners where straightened.

    A mark lies anywhere within ``reading_px`` of where it was read: a uniform distribution, whose standard deviation is
    s = reading/√3. Two marks give a zero within s/√2 and a scale within √2·s/distance.
    """
    corners = axes.corners_px if axes.corners is not None else 0.0
    read = axes.reading_px / np.sqrt(3)
    offset, scale, shift, clock = {}, {}, {}, 0.0
    for one in traced:
        name, panel = one.panel.quantity, one.panel
        apart = abs(panel.values[0][0] - panel.values[1][0])
        offset[name] = one.per_row * float(np.hypot(read / np.sqrt(2), corners / 2))
        whole = float(axes.size[1]) if axes.size else np.inf
        scale[name] = float(np.hypot(np.sqrt(2) * read / apart, corners / whole))
        if one.curve.aside:
            _lean(one, offset, scale)
        shift[name] = one.per_column_s * float(np.hypot(read / np.sqrt(2), corners / 2))
        width = abs(panel.times[0][0] - panel.times[1][0]) if panel.times else panel.size[0]
        across = float(axes.size[0]) if axes.size else np.inf
        clock = max(clock, float(np.hypot(np.sqrt(2) * read / width, corners / across)))
    return offset, scale, shift, clock


def _lean(one: TracedPanel, offset: dict[str, float], scale: dict[str, float]) -> None:
    """Adds that a whole curve may lie nearer to what it fills: its scale where it fills both sides of a zero, else up.

    Of what is filled on both sides, volume in and out are as wrong as the curve's mean distance from zero is.
    """
    name, aside = one.panel.quantity, one.per_row * one.curve.aside
    known = one.values[np.isfinite(one.values)]
    if (known > aside).any() and (known < -aside).any():
        scale[name] = float(np.hypot(scale[name], aside / np.abs(known[np.abs(known) > aside]).mean()))
    else:
        offset[name] = float(np.hypot(offset[name], aside))


def label(quantity: str) -> str:
    """What a quantity is called."""
    return QUANTITIES[quantity].label
