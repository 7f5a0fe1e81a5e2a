"""The sigmoid of a pressure-volume curve: a 0, b 2.5 L, c 20, d 6 cmH2O.

Form: Venegas, J Appl Physiol 1998;84:389 (verified in a later letter). Numbers computed.
"""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.errors import OptionError
from tidebench.formulas.recoil import Sigmoid

CURVE = Sigmoid(0.0, 2.5, 20.0, 6.0)
VOLUMES = (
    (0.0, 0.0861130),
    (10.0, 0.397173),
    (15.0, 0.757352),
    (20.0, 1.25),
    (25.0, 1.74265),
    (30.0, 2.10283),
    (40.0, 2.41389),
)


@pytest.mark.parametrize(("pressure", "volume"), VOLUMES)
def test_volume_and_back(pressure: float, volume: float) -> None:
    assert CURVE.volume_l(pressure) == pytest.approx(volume, rel=1e-5)
    assert CURVE.pressure_cmh2o(CURVE.volume_l(pressure)) == pytest.approx(pressure, abs=1e-9)


def test_slopes() -> None:
    assert 1000 * CURVE.compliance_l_cmh2o(20.0) == pytest.approx(104.167, rel=1e-5)
    assert 1000 * CURVE.compliance_l_cmh2o(10.0) == pytest.approx(55.6790, rel=1e-5)
    chord = (CURVE.volume_l(25.0) - CURVE.volume_l(10.0)) / 15.0
    assert 1000 * chord == pytest.approx(89.6984, rel=1e-5)
    pressure = np.linspace(-10.0, 60.0, 7001)
    slope = np.gradient(CURVE.volume_l(pressure), pressure)[1:-1]
    np.testing.assert_allclose(CURVE.compliance_l_cmh2o(pressure)[1:-1], slope, atol=1e-6)


# Definitions: from memory (Venegas 1998 for the tangent, Harris 2000 for the curvature).
def test_corners() -> None:
    assert CURVE.corners() == pytest.approx((8.0, 32.0))
    assert CURVE.corners_of_curvature() == pytest.approx((12.0983, 27.9017), rel=1e-5)
    volumes = [CURVE.volume_l(corner) for corner in CURVE.corners_of_curvature()]
    assert volumes == pytest.approx((0.528315, 1.97168), rel=1e-5)
    steepest = CURVE.compliance_l_cmh2o(20.0)
    lower, upper = CURVE.corners()
    assert 1.25 + steepest * (lower - 20.0) == pytest.approx(0.0)
    assert 1.25 + steepest * (upper - 20.0) == pytest.approx(2.5)
    pressure = np.linspace(5.0, 20.0, 15001)
    bend = np.gradient(CURVE.compliance_l_cmh2o(pressure), pressure)
    assert pressure[np.argmax(bend)] == pytest.approx(CURVE.corners_of_curvature().lower_cmh2o, abs=2e-3)


def test_edges() -> None:
    assert CURVE.volume_l(-1e6) == 0.0
    assert CURVE.volume_l(1e6) == 2.5
    with pytest.raises(OptionError, match=r"width_cmh2o: 0 .*above 0"):
        Sigmoid(0.0, 2.5, 20.0, 0.0)
    with pytest.raises(OptionError, match="span_l: -1 "):
        Sigmoid(0.0, -1.0, 20.0, 6.0)
    with pytest.raises(OptionError, match="between 0 and 1"):
        CURVE.pressure_cmh2o(2.5)
    assert np.isnan(CURVE.pressure_cmh2o(np.array([-0.1, 2.6, np.nan]))).all()
    assert np.isnan(CURVE.volume_l(float("nan")))
