"""Where a sweep's right edge and its left one meet in time, worked out by hand."""

from __future__ import annotations

import numpy as np

from tidebench.pictures.ink import Ink
from tidebench.pictures.trace import FINE, bridged, trace


def test_a_speck_that_the_frame_leaves_beside_a_curve_is_none_of_it() -> None:
    """A level stroke of 3 pixels on row 100 from column 2 on, and ink on row 40 in the first column."""
    share = np.zeros((150, 400), dtype=np.float32)
    share[99:102, 2:] = 1.0
    share[39:42, 0] = 1.0
    found = trace(Ink(share, np.array([-1.0, -1.0, -1.0]), 0.0))
    np.testing.assert_allclose(found.row[np.isfinite(found.row)], 100, atol=0.2)
    assert np.isfinite(found.row[3 * FINE :]).all()


def test_a_hole_at_the_seam_is_bridged_where_the_curve_runs_on_and_left_where_it_leaps() -> None:
    width, seam = 3.0, 52
    for after, left in ((104.0, False), (160.0, True)):
        row = np.r_[np.full(50, 100.0), np.full(4, np.nan), np.full(50, after)]
        sd = np.full(len(row), 0.2)
        assert np.isnan(bridged(row, sd, width, seam)[0]).any() == left
        assert np.isfinite(bridged(row, sd, width)[0]).all()
        assert np.isfinite(bridged(row, sd, width, seam - 30)[0]).all()
