"""Figures of a rehearsal: the present over the recording and what would come, a curve along a range, a map."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tidebench.caution import CAUTION
from tidebench.fitting.change import TOLD_BY
from tidebench.fitting.compare import BEYOND
from tidebench.quantities import quantity
from tidebench.report.drawing import WIDTH_MM, Sheet, drawing, head
from tidebench.report.figures import Picture
from tidebench.report.palette import BLUE, GREY, INK, RED
from tidebench.views.rehearsal import TOGETHER, fitted_rows, then_page, together
from tidebench.views.wording import change_words, clock, count

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tidebench.fitting.change import WhatIf
    from tidebench.fitting.course import Course
    from tidebench.fitting.overlay import Overlay
    from tidebench.fitting.sweep import Sweep

LEFT, RIGHT, HEAD, PANEL = 13.0, 38.0, 14.0, 26.0  # mm; above the first panel
GAP, FOOT = 7.0, 21.0  # mm between panels, and for axis label and caution
LONGEST_TITLE = 110  # letters
LEAST_SPAN = {"paco2_mmhg": 10.0, "sao2": 4.0}
"""How much an axis of a course spans at least, mmHg and %: a hundredth of a per cent is no change."""
MOST_PAIRS = 6  # correlations that the report tells
L_MIN, ML = 60.0, 1000.0
REHEARSED = "A rehearsal on a model, not advice. Each interval holds nine tenths of the patients that it allows."
WITHIN = f"within what was recorded,\nor past it by at most\n{100 * BEYOND:.0f} % of its span"
"""What a filled mark of a curve says."""
LEAST_LEFT, ROOM = 0.2, 1.3  # cmH2O that the panel of what is left spans at least, and its room beside the curve
EDGE_S, STEEP = 0.08, 0.03
"""About edges of flow, which valves move faster than a model follows; from which share of its range in a sample."""
MOST_TICKS = 13  # of an axis, beyond which every other value that was swept has one
ROWS = (("airway_pressure", 1.0), ("flow", L_MIN), ("volume", ML))
"""A channel and its factor."""


def what_changes(answer: WhatIf) -> str:
    """The settings that change, in words."""
    now, then = answer.now.setting, answer.then.setting
    keys = [key for key in dict.fromkeys((*now, *then)) if now.get(key) != then.get(key)]
    return change_words({key: (now.get(key), then.get(key)) for key in keys}) if keys else "settings as they are"


def framed(sheet: Sheet, title: str) -> None:
    """A title on the sheet, and the caution at its foot."""
    figure, height = sheet.figure, sheet.height_mm
    short = textwrap.shorten(title, LONGEST_TITLE, placeholder=" …")
    figure.text(LEFT / WIDTH_MM, 1 - 4.5 / height, short, weight="bold", va="center")
    lines = "\n".join(textwrap.wrap(CAUTION, 150))
    figure.text(LEFT / WIDTH_MM, 1.5 / height, lines, fontsize=6.5, color=GREY, va="bottom")


def waves_figure(answer: WhatIf) -> Picture:
    """Mean breaths: recorded, the same settings simulated, and the changed ones; what the fit leaves at the bottom."""
    shown = answer.overlay
    with drawing():
        muscle = shown.muscle_cmh2o
        panels = 4 if muscle is None else 5
        sheet = Sheet(HEAD + panels * (PANEL + GAP) + FOOT)
        framed(sheet, f"Mean breaths: {what_changes(answer)}")
        first = None
        for k, (key, per) in enumerate(ROWS):
            axes = sheet.axes(LEFT, HEAD + k * (PANEL + GAP), WIDTH_MM - LEFT - RIGHT, PANEL, share=first)
            first = first or axes
            record = quantity(key)
            head(axes, f"{record.label}, {record.unit}")
            for band, ink, words in zip(answer.bands, (BLUE, RED), ("now, 90 %", "then, 90 %"), strict=True):
                if band is not None:
                    low, high = (per * edge[k] for edge in band)
                    at = np.arange(len(low)) / answer.rate_hz
                    axes.fill_between(at, low, high, color=ink, alpha=0.2, linewidth=0, label=words)
            axes.plot(shown.time_s, per * shown.recorded[k], color=INK, linewidth=1.6, label="recorded")
            axes.plot(shown.time_s, per * shown.simulated[k], "--", color=BLUE, linewidth=1.1, label="now, simulated")
            later = answer.waves_then
            axes.plot(
                np.arange(len(later[k])) / answer.rate_hz, per * later[k], "-.", color=RED, label="then (see the title)"
            )
            axes.tick_params(labelbottom=False)
            if k == 0:
                axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False)
        if muscle is not None:
            axes = sheet.axes(LEFT, HEAD + 3 * (PANEL + GAP), WIDTH_MM - LEFT - RIGHT, PANEL, share=first)
            head(axes, "muscle pressure by the fitted lung, cmH2O")
            axes.plot(shown.time_s, muscle, color=INK)
            axes.tick_params(labelbottom=False)
        axes = sheet.axes(LEFT, HEAD + (panels - 1) * (PANEL + GAP), WIDTH_MM - LEFT - RIGHT, PANEL, share=first)
        head(axes, "recorded less simulated pressure, cmH2O")
        axes.axhline(0.0, color=GREY, linewidth=0.5)
        left_over = shown.recorded[0] - shown.simulated[0]
        axes.plot(shown.time_s, left_over, color=INK)
        span = away_from_edges(shown)
        axes.set_ylim(-span, span)
        axes.set_xlabel("time from the start of inflation, s")
        spikes = float(np.max(np.abs(left_over)))
        if spikes > span:
            words = f"up to {spikes:.1f} at\nedges of flow,\nbeyond the panel"
            axes.annotate(words, (1.01, 1.0), xycoords="axes fraction", va="top", fontsize=7, color=GREY)
        words = (
            "Mean breath, recorded and simulated. The present is reproduced within "
            f"{shown.pressure_error_cmh2o:.2f} cmH2O (root mean square) and {shown.volume_error_percent:.1f} % of "
            "volume."
        )
        return Picture(sheet.svg(), words)


def away_from_edges(shown: Overlay) -> float:
    """Half the height of the panel of what is left, cmH2O: by what is left away from edges of inflation."""
    time, (pressure, flow, _) = shown.time_s, shown.recorded
    steep = np.abs(np.gradient(flow)) > STEEP * float(np.ptp(flow))
    steep[[0, -1]] = True
    clear = np.asarray((np.abs(time[:, None] - time[steep]) > EDGE_S).all(axis=1), np.bool_)
    if not clear.any():
        clear[:] = True
    return max(LEAST_LEFT, ROOM * float(np.max(np.abs(pressure - shown.simulated[0])[clear])))


def rehearsed_content(answer: WhatIf) -> dict[str, Any]:
    """What the report prints of a rehearsal, beside its waves."""
    page, window = then_page(answer), answer.fit.window
    return {
        "lead": f"Fitted to {count(len(window.breaths), 'breath')} from {clock(window.from_s)} to {clock(window.to_s)} "
        f"({window.reason}). {REHEARSED}",
        "settings": f"Then: {page.settings}",
        "caption": "Mean breath: recorded, the fitted patient on the recorded settings, and on the changed ones; "
        "shaded is where nine tenths of drawn patients lie at each moment.",
        "fitted": [[row.label, row.value, row.span, row.why] for row in fitted_rows(answer.fit)],
        "fitted_notes": fitted_notes(answer),
        "rows": [
            [row.quantity.label, row.now, row.then, row.span, row.change, row.change_span] for row in page.rows
        ],
        "limits": [[row.text, row.now, row.then, row.share.partition(" of ")[0]] for row in page.limits],
        "beyond": page.beyond,
        "assumptions": page.assumptions,
    }  # fmt: skip


def fitted_notes(answer: WhatIf) -> list[str]:
    """What the fit leaves of the recording, and which of its parameters go together."""
    fit, shown = answer.fit, answer.overlay
    left = f"{fit.mechanics.residual:.2f} cmH2O of the breaths" if np.isfinite(fit.mechanics.residual) else ""
    said = [
        f"The present is reproduced within {shown.pressure_error_cmh2o:.2f} cmH2O (root mean square) and "
        f"{shown.volume_error_percent:.1f} % of volume; what is left of pressure is drawn at the foot of the figure."
    ]
    if left:
        said.append(f"The equation of motion leaves {left} that the lung was fitted to (root mean square).")
    pairs = [f"{one} with {other} {r:+.2f}".replace("-", "−") for one, other, r in together(fit)[:MOST_PAIRS]]
    said.append(
        f"Correlations beyond {TOGETHER:g}: {'; '.join(pairs)}." if pairs
        else f"No two parameters go together by more than {TOGETHER:g} (correlation)."
    )  # fmt: skip
    return said


def sweep_figure(found: Sweep, key: str, answer: WhatIf) -> Picture:
    """One quantity along a range with its band and limits, or over two as a map with lines of equal PaCO2 where it is
    told; what leaves the recorded range is marked.
    """
    return _map(found, key, answer) if len(found.ranges) == 2 else _curve(found, key, answer)


def course_figure(found: Course, answer: WhatIf) -> Picture:
    """Arterial carbon dioxide and saturation over the minutes after the change, with their bands."""
    with drawing():
        told = [(key, per) for key, per in (("paco2_mmhg", 1.0), ("sao2", 100.0)) if key in found.gases]
        sheet = Sheet(HEAD + len(told) * (PANEL + GAP) + FOOT)
        framed(sheet, f"Blood gases after the change: {what_changes(answer)}")
        first = None
        for k, (key, per) in enumerate(told):
            axes = sheet.axes(LEFT, HEAD + k * (PANEL + GAP), WIDTH_MM - LEFT - RIGHT, PANEL, share=first)
            first = first or axes
            record = quantity(key)
            head(axes, f"{record.label}, {record.unit or '%'}")
            low, high = per * found.low[key], per * found.high[key]
            axes.fill_between(found.minutes, low, high, color=BLUE, alpha=0.2, linewidth=0, label="90 %")
            axes.plot(found.minutes, per * found.gases[key], color=BLUE)
            middle, half = 0.5 * (low.min() + high.max()), 0.5 * max(LEAST_SPAN[key], 1.1 * (high.max() - low.min()))
            axes.set_ylim(middle - half, middle + half)
            axes.tick_params(labelbottom=k == len(told) - 1)
        axes.set_xlabel("minutes after the change")
        tension = found.gases["paco2_mmhg"]
        words = f"PaCO2 goes from {tension[0]:.0f} to {tension[-1]:.0f} mmHg in {found.minutes[-1]:.0f} minutes."
        return Picture(sheet.svg(), words)


def _curve(found: Sweep, key: str, answer: WhatIf) -> Picture:
    record, setting = quantity(key), found.ranges[0]
    told = _told(found, key)
    told[np.isinf(told)] = np.nan
    beyond = np.array([bool(point.beyond) for point in found.points])
    values = np.array(setting.values)
    with drawing():
        sheet = Sheet(HEAD + 58 + FOOT)
        framed(sheet, f"{record.label} along {_named(setting.key)}")
        axes = sheet.axes(LEFT, HEAD, WIDTH_MM - LEFT - RIGHT, 58)
        head(axes, f"{record.label}, {record.unit}")
        axes.fill_between(values, told[:, 1], told[:, 2], color=BLUE, alpha=0.2, linewidth=0, label="90 %")
        axes.plot(values, told[:, 0], color=BLUE)
        axes.plot(values[~beyond], told[~beyond, 0], "o", color=BLUE, markersize=4, label=WITHIN)
        if beyond.any():
            axes.plot(
                values[beyond],
                told[beyond, 0],
                "o",
                color=BLUE,
                markersize=4,
                fillstyle="none",
                label="beyond what was recorded",
            )
        for one in answer.limits:
            if TOLD_BY.get(one.limit.key, one.limit.key) == key:
                for edge in (one.limit.low, one.limit.high):
                    if edge is not None:
                        axes.axhline(edge, color=RED, linewidth=0.8, linestyle="--", label=one.limit.bound)
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=7)
        axes.set_xlabel(_named(setting.key))
        return Picture(
            sheet.svg(),
            f"{record.label} along {setting.key}: "
            + "; ".join(
                f"{value:g}: {middle:.3g} ({low:.3g} to {high:.3g}{', beyond what was recorded' if off else ''})"
                for value, (middle, low, high), off in zip(setting.values, told, beyond, strict=True)
                if np.isfinite(middle)
            ),
        )


def _map(found: Sweep, key: str, answer: WhatIf) -> Picture:
    record, (across, up) = quantity(key), found.ranges
    shape = len(across.values), len(up.values)
    told = "its doubt in the table" if found.draws > 1 else "too many fields to tell its doubt"
    field = _told(found, key)[:, 0].reshape(shape).T
    field[np.isinf(field)] = np.nan
    with drawing():
        sheet = Sheet(HEAD + 70 + FOOT)
        present = present_of(found, answer)
        ring = f"ring: settings of now{'' if present else ', outside this map'}"
        framed(sheet, f"{record.label}: the estimate, {told}; {ring}; ×: beyond what was recorded")
        axes = sheet.axes(LEFT, HEAD, WIDTH_MM - LEFT - RIGHT, 70)
        axes.grid(visible=False)
        head(axes, f"{record.label}, {record.unit}")
        drawn = axes.pcolormesh(across.values, up.values, field, cmap="cividis", shading="nearest")
        sheet.figure.colorbar(drawn, cax=sheet.axes(WIDTH_MM - RIGHT + 4, HEAD, 4, 70))
        tension = _told(found, "paco2_mmhg")[:, 0].reshape(shape).T
        if min(shape) > 2 and np.isfinite(tension).any():
            lines = axes.contour(across.values, up.values, tension, colors="white", linewidths=0.9)
            axes.clabel(lines, fmt="PaCO2 %g", fontsize=7)
        off = [(point.settings[across.key], point.settings[up.key]) for point in found.points if point.beyond]
        if off:
            axes.plot(*zip(*off, strict=True), "x", color=RED, markersize=4)
        axes.set_xticks(ticks(across.values))
        axes.set_yticks(ticks(up.values))
        if present:
            axes.plot(*present, "o", color="white", markeredgecolor=INK, markersize=6)
        axes.set_xlabel(_named(across.key))
        axes.set_ylabel(_named(up.key))
        span = f"{np.nanmin(field):.3g} to {np.nanmax(field):.3g} {record.unit}"
        return Picture(
            sheet.svg(), f"{record.label} over {across.key} and {up.key}: {span}. Each field is in sweep.csv."
        )


def _told(found: Sweep, key: str) -> NDArray[np.float64]:
    """Estimate and ends of a quantity, shape (points, 3); NaN where it isn't told or the settings can't be."""
    return np.array([point.quantities.get(key, (np.nan,) * 3) for point in found.points])


def present_of(found: Sweep, answer: WhatIf) -> tuple[float, ...]:
    """Settings of now on a map; empty where they lie outside, or one has no value now."""
    told = [answer.now.setting.get(each.key) for each in found.ranges]
    on = [
        value for value, each in zip(told, found.ranges, strict=True)
        if isinstance(value, (int, float)) and min(each.values) <= value <= max(each.values)
    ]  # fmt: skip
    return tuple(on) if len(on) == len(told) else ()


def ticks(values: Sequence[float]) -> list[float]:
    """Values that were swept, every other one (or fewer) where an axis has too many."""
    return list(values[:: -(-len(values) // MOST_TICKS)])


def _named(key: str) -> str:
    record = quantity(key)
    return f"{record.label}, {record.unit}" if record.unit else record.label
