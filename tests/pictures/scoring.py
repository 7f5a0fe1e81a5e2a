"""How well a picture was read: curves against what was drawn, quantities against the signals themselves."""

from __future__ import annotations

import io
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import polars as pl
from PIL import Image

from tests.pictures.draw import Chart, Placed, axes_tables, draw
from tests.pictures.patients import RATE_HZ, Set, Signals, Values, signals
from tests.pictures.spoil import compressed, photographed
from tests.pictures.styles import draw_style
from tidebench.case import Case
from tidebench.errors import PictureError
from tidebench.pictures.assemble import TracedPanel
from tidebench.pictures.axes import axes_from
from tidebench.pictures.opening import Opened
from tidebench.pictures.read import Read, read_picture
from tidebench.pictures.straighten import find_corners
from tidebench.recording import Recording
from tidebench.review import Review, review
from tidebench.sampled import with_intervals

Kind = Literal["clean", "compressed", "photograph"]
KINDS: tuple[Kind, ...] = ("clean", "compressed", "photograph")
KEYS = (
    "vti_ml", "vte_ml", "peak_pressure_cmh2o", "peep_cmh2o", "mean_pressure_cmh2o", "inspiratory_time_s",
    "rate_per_min", "peak_inspiratory_flow_l_min", "peak_expiratory_flow_l_min", "compliance_ml_cmh2o",
    "resistance_cmh2o_s_l",
)  # fmt: skip
MECHANICS = ("compliance_ml_cmh2o", "resistance_cmh2o_s_l")
MECHANICS_HZ = 100.0
"""At which mechanics of the signals are measured: on a dozen breaths at a higher rate passivity is often undecided."""
SCALE = {"airway_pressure": 1.0, "flow": 60.0, "volume": 1000.0}
STYLE_SEED = {"open": 61, "frozen": 251}


@dataclass(frozen=True)
class Drawn:
    """A picture of the population with everything that is known of it."""

    signals: Signals
    chart: Chart
    image: Image.Image
    axes: dict[str, Any]


def drawn(of: Set, k: int, kind: Kind) -> Drawn:
    """Picture ``k`` of a population."""
    rng = np.random.default_rng([STYLE_SEED[of], k])
    style = draw_style(rng)
    given = signals(of, k, 2 * style.seconds + 1 if style.sweeping else style.seconds + 1)
    chart = draw(given, style, rng)
    colours = bool(rng.random() < 0.5)
    if kind == "clean":
        return Drawn(given, chart, chart.image, axes_tables(chart, colours=colours))
    if kind == "compressed":
        return _compressed(given, chart, colours, rng)
    image, corners = photographed(chart.image, rng)
    read = corners + rng.normal(0, 0.7, (4, 2))
    tables = axes_tables(chart, colours=colours, corners=read)
    return Drawn(given, chart, compressed(image, int(rng.integers(70, 96))), tables)


def _compressed(given: Signals, chart: Chart, colours: bool, rng: np.random.Generator) -> Drawn:
    """Another size, and through JPEG; the axes are read on the result."""
    factor = float(rng.uniform(0.7, 1.4))
    size = (round(chart.image.width * factor), round(chart.image.height * factor))
    image = compressed(chart.image.resize(size, Image.Resampling.BICUBIC), int(rng.integers(60, 96)))
    fx, fy = size[0] / chart.image.width, size[1] / chart.image.height
    panels = []
    for panel in chart.panels:
        left, top, right, bottom = panel.box
        box = ((left + 0.5) * fx - 0.5, (top + 0.5) * fy - 0.5, (right + 0.5) * fx - 0.5, (bottom + 0.5) * fy - 0.5)
        panels.append(replace(panel, box=box))
    resized = replace(chart, image=image, panels=tuple(panels))
    return Drawn(given, resized, image, axes_tables(resized, colours=colours))


def corners_off_px(of: Set, k: int) -> float | None:
    """How far the worst corner that is found lies from the true one in photograph ``k``; None where none is found."""
    rng = np.random.default_rng([STYLE_SEED[of], k, 1])
    style = draw_style(rng)
    chart = draw(signals(of, k, 2 * style.seconds + 1), style, rng)
    image, corners = photographed(chart.image, rng)
    try:
        found, _ = find_corners(image, f"photograph-{k}")
    except PictureError:
        return None
    return float(np.linalg.norm(found - corners, axis=1).max())


def file_of(image: Image.Image) -> bytes:
    """A picture as PNG."""
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def curve_errors(traced: TracedPanel, panel: Placed, chart: Chart) -> tuple[float, float]:
    """Rms distance to the drawn line, and rms vertical distance, in per cent of the panel's height.

    Distance is to the nearest point of the line within five pixels to either side; along steep edges a vertical
    distance measures time rather than value.
    """
    left, top, right, bottom = panel.box
    per_s = (right - left) / chart.seconds
    known = np.isfinite(traced.values)
    time, values = traced.time_s[known], traced.values[known] * SCALE[panel.quantity]
    aside = np.arange(-80, 81) / 16
    rows = panel.row(np.interp(np.add.outer(time, aside / per_s), panel.time_s, panel.values))  # type: ignore[arg-type]
    off = rows - panel.row(values)[:, None]  # type: ignore[arg-type,index]
    dx, dy = np.diff(aside), np.diff(off, axis=1)
    share = np.clip(-(aside[:-1] * dx + off[:, :-1] * dy) / (dx**2 + dy**2), 0, 1)
    near = np.sqrt((aside[:-1] + share * dx) ** 2 + (off[:, :-1] + share * dy) ** 2).min(axis=1)
    upright = off[:, len(aside) // 2]
    tall = bottom - top
    return 100 * float(np.sqrt(np.mean(near**2))) / tall, 100 * float(np.sqrt(np.mean(upright**2))) / tall


def same_stretch(read: Read, given: Signals, chart: Chart, rate_hz: float = RATE_HZ) -> Recording:
    """The signals themselves over the stretch that the picture's recording spans."""
    assert read.recording is not None
    first = chart.begins_s + read.begins_s
    time = first + np.arange(int(read.recording.duration_s * rate_hz)) / rate_hz
    channels: dict[str, Values] = {
        name: np.interp(time, given.time_s, given.channels[name] / SCALE[name]) for name in ("airway_pressure", "flow")
    }
    return Recording(rate_hz, channels)


def starts_px(traced: Review, signals_review: Review, per_s: float) -> Values:
    """Distance of each breath's start from the same breath's start in the signals, in pixels."""
    mine, theirs = traced.breaths["start_s"].to_numpy(), signals_review.breaths["start_s"].to_numpy()
    if not len(mine) or not len(theirs):
        return np.zeros(0)
    off = mine[:, None] - theirs[None, :]
    nearest = off[np.arange(len(mine)), np.abs(off).argmin(axis=1)]
    return np.asarray(nearest[np.abs(nearest) < 0.7] * per_s)


def measured(done: Review, key: str) -> dict[str, Any]:
    """What a review's summary says of a quantity."""
    told: dict[str, Any] = done.summary["quantities"].get(key, {})
    return told


def scored(of: Set, k: int, kind: Kind, *, reviewed: bool = True, intervals: bool = True) -> dict[str, pl.DataFrame]:
    """Rows for curves, and unless they are left out for starts and quantities, of one picture."""
    made = drawn(of, k, kind)
    head = {"k": k, "kind": kind, "who": made.signals.who}
    began = time.perf_counter()
    try:
        read = read_picture(Opened(made.image, f"{kind}-{k}", ""), axes_from(made.axes))
    except PictureError as error:
        return {"lost": pl.DataFrame([{**head, "why": str(error)}])}
    seconds = time.perf_counter() - began
    tables = {"curves": pl.DataFrame(_curve_rows(read, made, {**head, "seconds": seconds}))}
    return {**tables, **_review_tables(read, made, head, intervals=intervals)} if reviewed else tables


def _curve_rows(read: Read, made: Drawn, head: dict[str, Any]) -> list[dict[str, Any]]:
    rows = []
    style = made.chart.style
    for traced, panel in zip(read.panels, made.chart.panels, strict=True):
        near, upright = curve_errors(traced, panel, made.chart)
        rows.append(
            {**head, "quantity": panel.quantity, "near": near, "upright": upright, "seen": traced.curve.seen,
             "width": traced.curve.width, "drawn_width": style.width_px, "grid": style.grid, "fill": style.fill,
             "sweeping": style.sweeping, "smooth": style.smooth, "text": style.text_inside, "cursor": style.cursor,
             "second": style.second_curve}
        )  # fmt: skip
    return rows


def _review_tables(read: Read, made: Drawn, head: dict[str, Any], *, intervals: bool) -> dict[str, pl.DataFrame]:
    assert read.recording is not None
    done = review(Case(), read.recording)
    done = with_intervals(done) if intervals else done
    signals_review = review(Case(), same_stretch(read, made.signals, made.chart))
    mechanics = review(Case(), same_stretch(read, made.signals, made.chart, MECHANICS_HZ))
    panel = made.chart.panels[0]
    per_s = (panel.box[2] - panel.box[0]) / made.chart.seconds
    starts = starts_px(done, signals_review, per_s)
    counted = {"breaths": done.breaths.height, "of": signals_review.breaths.height}
    rows = []
    for key in KEYS:
        mine, theirs = measured(done, key), measured(mechanics if key in MECHANICS else signals_review, key)
        if not theirs:
            continue
        rows.append(
            {**head, **counted, "key": key, "found": mine.get("median"), "low": mine.get("low"),
             "high": mine.get("high"), "signals": theirs["median"], "passive": made.signals.passive}
        )  # fmt: skip
    tables = {"starts": pl.DataFrame([{**head, "px": float(v)} for v in starts])}
    numbers = {"found": pl.Float64, "low": pl.Float64, "high": pl.Float64}
    if rows:
        tables["quantities"] = pl.DataFrame(rows, schema_overrides=numbers)
    return tables


def population(
    of: Set, pictures: int, reviewed: int, *, most_s: float = float("inf"), workers: int = 3
) -> dict[str, pl.DataFrame]:
    """Rows of the first ``pictures`` charts of a population in each kind; of the first ``reviewed`` quantities, too.

    Fewer where time is up: whole charts, in their order.
    """
    found: dict[str, list[pl.DataFrame]] = {}
    until = time.monotonic() + most_s
    with ProcessPoolExecutor(workers) as pool:
        for tables in pool.map(_scored, [(of, k, k < reviewed) for k in range(pictures)]):
            for name, table in tables:
                found.setdefault(name, []).append(table)
            if time.monotonic() > until:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    return {name: pl.concat(tables, how="diagonal_relaxed") for name, tables in found.items()}


def _scored(work: tuple[Set, int, bool]) -> list[tuple[str, pl.DataFrame]]:
    of, k, reviewed = work
    return [pair for kind in KINDS for pair in scored(of, k, kind, reviewed=reviewed).items()]
