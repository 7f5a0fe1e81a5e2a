"""A drawn chart as somebody drags it in, and what a careful person would say of it."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from tests.pictures.draw import UNITS, Chart, draw
from tests.pictures.patients import signals
from tests.pictures.styles import Style

PLAIN = Style(
    size=(1280, 720), panels=("airway_pressure", "flow", "volume"), left=0.08, right=0.95, spacing=0.3, seconds=20.0,
    paper=(1, 1, 1), ground=(0.97, 0.97, 0.97), ink=(0.1, 0.1, 0.1), grid="solid", grid_shade=0.15,
    colours=((0.0, 0.4, 0.7), (0.8, 0.35, 0.0), (0.0, 0.6, 0.45), (0.5, 0.3, 0.6)), width_px=2.0, smooth=True, fill=0.0,
    frame=True, text_inside=False, cursor=False, second_curve=False, bar=0.0, head=0.5,
)  # fmt: skip


def plain_chart() -> Chart:
    """Twenty seconds of a passive patient."""
    return draw(signals("open", 9, 21.0), PLAIN, np.random.default_rng(3))


def png(chart: Chart) -> bytes:
    """A chart as a file."""
    out = io.BytesIO()
    chart.image.save(out, "PNG")
    return out.getvalue()


def panels_of(chart: Chart, *, confirmed: bool = True) -> list[dict[str, Any]]:
    """What the page sends of a chart's panels."""
    said = []
    for panel in chart.panels:
        left, top, right, bottom = (round(edge) for edge in panel.box)
        marks = [{"at": round(chart.column(panel, t)), "value": f"{t:g}"} for t in (0.0, chart.seconds)]
        said.append(
            {
                "quantity": panel.quantity, "unit": UNITS[panel.quantity], "box": [left, top, right, bottom],
                "values": [{"at": round(panel.row(value)), "value": f"{value:g}"} for value in panel.ticks],
                "clock": {"way": "marks", "marks": marks}, "confirmed": confirmed,
            }
        )  # fmt: skip
    return said
