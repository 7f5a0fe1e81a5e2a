"""Indices against worked numbers; equations verified unless said otherwise, numbers computed."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.errors import OptionError
from tidebench.formulas.indices import (
    oxygen_saturation_index,
    oxygenation_index,
    pf_ratio_mmhg,
    rapid_shallow_index,
    rate_for_paco2_per_min,
    ventilatory_ratio,
)

ARTERIAL = "arterial"


# Yang & Tobin, N Engl J Med 1991;324:1445.
@pytest.mark.parametrize(("volume", "index"), [(0.300, 100.0), (0.250, 120.0)])
def test_rate_over_volume(volume: float, index: float) -> None:
    assert rapid_shallow_index(30.0, volume) == pytest.approx(index)


# ARDS Definition, JAMA 2012;307:2526.
def test_pf_ratio() -> None:
    assert pf_ratio_mmhg(80.0, 0.5, ARTERIAL) == 160.0


# PALICC, Pediatr Crit Care Med 2015;16:428.
@pytest.mark.parametrize(("pressure", "fio2", "pao2", "index"), [(18.0, 0.6, 70.0, 15.4286), (20.0, 0.6, 60.0, 20.0)])
def test_oxygenation_index(pressure: float, fio2: float, pao2: float, index: float) -> None:
    assert oxygenation_index(pressure, fio2, pao2, ARTERIAL) == pytest.approx(index, rel=1e-5)


# PALICC-2, Pediatr Crit Care Med 2023;24:143 (secondary source).
@pytest.mark.parametrize(("pressure", "fio2", "index"), [(18.0, 0.6, 11.7391), (15.0, 0.5, 8.15217)])
def test_oxygen_saturation_index(pressure: float, fio2: float, index: float) -> None:
    assert oxygen_saturation_index(pressure, fio2, 0.92) == pytest.approx(index, rel=1e-5)


# Sinha, Br J Anaesth 2009 and Am J Respir Crit Care Med 2019: 5 kPa and 37.5 mmHg give one number.
def test_ventilatory_ratio() -> None:
    assert ventilatory_ratio(9.0, 45.0, 70.0) == pytest.approx(1.54286, rel=1e-5)
    in_kilopascal = 9000 * (45 * 5 / 37.5) / (70 * 100 * 5)
    assert in_kilopascal == pytest.approx(1.54286, rel=1e-5)
    assert ventilatory_ratio(7.0, 37.5, 70.0) == 1.0


# 20·60/45; from the alveolar ventilation equation.
def test_rate_for_a_carbon_dioxide_pressure() -> None:
    assert rate_for_paco2_per_min(20.0, 60.0, 45.0) == pytest.approx(26.6667, rel=1e-5)


def test_only_arterial_samples() -> None:
    for site in ("venous", "capillary"):
        with pytest.raises(OptionError, match="'arterial'"):
            pf_ratio_mmhg(80.0, 0.5, site)
        with pytest.raises(OptionError, match="'arterial'"):
            oxygenation_index(15.0, 0.5, 80.0, site)
        with pytest.raises(OptionError, match="'arterial'"):
            ventilatory_ratio(9.0, 45.0, 70.0, site)


def test_arguments_outside_are_refused_and_array_elements_become_nan() -> None:
    with pytest.raises(OptionError, match=r"fio2: 40 .*0\.21 to 1"):
        pf_ratio_mmhg(80.0, 40.0, ARTERIAL)
    with pytest.raises(OptionError, match=r"spo2: 0\.99 .*0\.8 to 0\.97"):
        oxygen_saturation_index(15.0, 0.5, 0.99)
    with pytest.raises(OptionError, match="volume_l: 0 "):
        rapid_shallow_index(30.0, 0.0)
    found = pf_ratio_mmhg(np.array([80.0, 80.0, np.nan, -1.0]), np.array([0.5, 40.0, 0.5, 0.5]), ARTERIAL)
    assert np.isnan(found).tolist() == [False, True, True, True]
