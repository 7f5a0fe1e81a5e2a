"""What marks leave open, against marks that lie anywhere within the pixel that was read."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.pictures.draw import axes_tables
from tests.web.pictures import plain_chart
from tidebench.pictures.axes import axes_from
from tidebench.pictures.opening import Opened
from tidebench.pictures.read import read_picture


@pytest.fixture(scope="module")
def doubts() -> tuple[float, float, float, float]:
    """Of pressure: its zero in rows, its scale, how far its marks lie apart, and how well they were read, in pixels."""
    chart = plain_chart()
    axes = axes_from(axes_tables(chart, colours=True))
    read = read_picture(Opened(chart.image, "chart", ""), axes)
    assert read.recording is not None
    doubt = read.recording.uncertainty
    assert doubt is not None
    panel = next(one for one in read.panels if one.panel.quantity == "airway_pressure")
    apart = abs(panel.panel.values[0][0] - panel.panel.values[1][0])
    return doubt.offset["airway_pressure"] / panel.per_row, doubt.scale["airway_pressure"], apart, axes.reading_px


def test_zero_and_scale_are_as_unsure_as_marks_read_to_the_pixel(doubts: tuple[float, float, float, float]) -> None:
    """Marks uniform within half a pixel (SciPy), the zero midway between them, ten thousand times."""
    zero, scale, apart, reading = doubts
    marks = stats.uniform(-reading, 2 * reading).rvs((10_000, 2), random_state=np.random.default_rng(1))
    assert zero == pytest.approx(marks.mean(axis=1).std(), rel=0.03)
    assert scale == pytest.approx((marks[:, 0] - marks[:, 1]).std() / apart, rel=0.03)
