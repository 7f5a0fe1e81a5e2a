"""Traced curves against the vector file that drew them, and a few pictures of the population against its limits.

The reference is general-purpose: the path that matplotlib wrote as SVG (W3C, SVG 1.1, section 8.3: absolute M and L
commands), read with the standard library's XML parser. Limits are those that were asked for: 0.7 % of a panel's height
on clean bitmaps and 2 % on photographs, starts within 1.5 pixels, volume within 3 % and 6 %.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import polars as pl
import pytest

from tests.pictures.draw import DPI, axes_tables, draw
from tests.pictures.patients import Values, signals
from tests.pictures.scoring import Kind, scored
from tests.pictures.styles import draw_style
from tidebench.pictures.assemble import trace_panels
from tidebench.pictures.axes import axes_from

SVG = "{http://www.w3.org/2000/svg}"


def path_of(svg: str, name: str) -> Values:
    """Points of a named curve in pixels counted from the centre of the first, shape (n, 2)."""
    for group in ElementTree.fromstring(svg).iter(f"{SVG}g"):
        if group.get("id") == name:
            path = group.find(f"{SVG}path")
            assert path is not None
            numbers = re.findall(r"[ML] (\S+) (\S+)", path.get("d", ""))
            return np.array(numbers, dtype=float) * DPI / 72 - 0.5
    raise AssertionError(f"no curve {name}")


def distance(points: Values, line: Values) -> Values:
    """Distance of each point from a polyline."""
    first, step = line[:-1], np.diff(line, axis=0)
    length = np.maximum((step**2).sum(axis=1), 1e-12)
    away = np.empty(len(points))
    for k, point in enumerate(points):
        near = np.abs(first[:, 0] - point[0]) < 8
        share = np.clip(((point - first[near]) * step[near]).sum(axis=1) / length[near], 0, 1)
        away[k] = np.sqrt(((first[near] + share[:, None] * step[near] - point) ** 2).sum(axis=1)).min()
    return away


@pytest.mark.parametrize("k", [2, 4, 5, 8])
def test_a_traced_curve_is_the_path_of_the_vector_file(k: int) -> None:
    rng = np.random.default_rng([5, k])
    style = draw_style(rng)
    while style.sweeping or style.second_curve:
        style = draw_style(rng)
    chart = draw(signals("open", k, style.seconds + 1), style, rng, svg=True)
    traced = trace_panels(np.asarray(chart.image, dtype=np.float32), axes_from(axes_tables(chart, colours=True)), "svg")
    for one, panel in zip(traced, chart.panels, strict=True):
        left, top = round(panel.box[0]), round(panel.box[1])
        known = np.isfinite(one.curve.row)
        points = np.stack([one.curve.column[known] + left, one.curve.row[known] + top], axis=1)[::7]
        away = distance(points, path_of(chart.svg, f"curve-{panel.quantity}"))
        tall = panel.box[3] - panel.box[1]
        assert np.sqrt(np.mean(away**2)) < 0.007 * tall
        assert np.median(away) < 0.5


@pytest.mark.parametrize("kind", ["clean", "compressed", "photograph"])
def test_pictures_of_the_population_keep_the_limits(kind: Kind) -> None:
    tables = [scored("open", k, kind, intervals=False) for k in (2, 4, 9)]  # the second sweeps
    curves, starts, quantities = (pl.concat([t[name] for t in tables]) for name in ("curves", "starts", "quantities"))
    photograph = kind == "photograph"
    assert curves["near"].max() < (2.0 if photograph else 0.7)  # type: ignore[operator]
    assert (starts["px"].abs() <= 1.5).mean() > 0.95  # type: ignore[operator]
    off = (quantities["found"] / quantities["signals"] - 1).abs()
    volumes = quantities["key"].is_in(["vti_ml", "vte_ml"])
    assert off.filter(volumes).max() < (0.06 if photograph else 0.03)  # type: ignore[operator]
    compliance = quantities["key"] == "compliance_ml_cmh2o"
    assert compliance.sum() == 3
    assert off.filter(compliance).max() < (0.10 if photograph else 0.05)  # type: ignore[operator]
