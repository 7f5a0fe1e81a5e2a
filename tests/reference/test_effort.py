"""Effort: pressure over time, drive, and estimates from an occlusion."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.errors import OptionError
from tidebench.formulas.effort import (
    muscle_pressure_from_occlusion_cmh2o,
    occlusion_pressure_p01_cmh2o,
    pressure_time_product_cmh2o_s,
    tension_time_index,
    transpulmonary_pressure_from_occlusion_cmh2o,
)


# Status: computed. A triangle of 10 cmH2O over 0.8 s is 4.0 cmH2O·s, 100 a minute at 25 /min; a half sine 5.09296.
def test_pressure_time_product() -> None:
    time = np.linspace(0.0, 0.8, 8001)
    triangle = 10.0 * (1.0 - np.abs(time - 0.4) / 0.4)
    assert pressure_time_product_cmh2o_s(triangle, 1e-4) == pytest.approx(4.0, rel=1e-6)
    half_sine = pressure_time_product_cmh2o_s(10.0 * np.sin(np.pi * time / 0.8), 1e-4)
    assert half_sine == pytest.approx(5.09296, rel=1e-5)
    assert 25 * half_sine == pytest.approx(127.324, rel=1e-5)


def test_drive_is_the_fall_in_a_tenth_of_a_second() -> None:
    pressure = 5.0 - 18.0 * 0.008 * np.arange(40.0, dtype=np.float64)
    assert occlusion_pressure_p01_cmh2o(pressure, 0.008) == pytest.approx(1.8)
    assert np.isnan(occlusion_pressure_p01_cmh2o(pressure[:12], 0.008))
    assert occlusion_pressure_p01_cmh2o(pressure[:14], 0.008) == pytest.approx(1.8)
    assert np.isnan(occlusion_pressure_p01_cmh2o(np.where(np.arange(40) == 12, np.nan, pressure), 0.008))


# Bertoni, Crit Care 2019;23:346: −0.74 to −0.75 verified secondary, −0.66 from memory; numbers computed.
def test_occlusion() -> None:
    assert muscle_pressure_from_occlusion_cmh2o(-12.0) == pytest.approx(9.0)
    assert transpulmonary_pressure_from_occlusion_cmh2o(20.0, 8.0, -12.0) == pytest.approx(20.0)


# Threshold 0.15: Bellemare & Grassino, J Appl Physiol 1982;53:1190 (from memory); 0.4·0.4 computed.
def test_tension_time_index() -> None:
    assert tension_time_index(40.0, 100.0, 1.2, 3.0) == pytest.approx(0.160)


def test_arguments_outside_are_refused() -> None:
    with pytest.raises(OptionError, match=r"swing_cmh2o: 12 .*at most 0 cmH2O"):
        muscle_pressure_from_occlusion_cmh2o(12.0)
    with pytest.raises(OptionError, match="at least PEEP"):
        transpulmonary_pressure_from_occlusion_cmh2o(4.0, 5.0, -3.0)
    with pytest.raises(OptionError, match="at most the cycle"):
        tension_time_index(10.0, 60.0, 4.0, 3.0)
    with pytest.raises(OptionError, match="n ≥ 2"):
        pressure_time_product_cmh2o_s(np.ones(1), 0.01)
    with pytest.raises(OptionError, match="n ≥ 1"):
        occlusion_pressure_p01_cmh2o(np.ones(0), 0.01)
    assert np.isnan(muscle_pressure_from_occlusion_cmh2o(np.array([3.0, np.nan]))).all()
