"""Gas exchange beside published tables and worked examples (reference-values.md, gas section)."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.errors import OptionError
from tidebench.formulas.gas_exchange import (
    alveolar_po2_mmhg,
    arterial_po2_mmhg,
    bicarbonate_mmol_l,
    blood_ph,
    curve_ph,
    oxygen_content_ml_dl,
    oxygen_saturation,
    shunt_fraction,
)


@pytest.mark.parametrize(
    ("po2", "saturation"), [(26.857, 0.5), (40.040, 0.75), (58.655, 0.9), (75.668, 0.95), (90.573, 0.97)]
)
def test_saturation_is_severinghaus(po2: float, saturation: float) -> None:
    """The equation's own exact inverse (Ellis 1989's form agrees)."""
    assert oxygen_saturation(po2) == pytest.approx(saturation, abs=2e-5)


@pytest.mark.parametrize(("po2", "ph"), [(26.857, 7.4), (76.0, 7.31), (40.0, 7.1), (60.0, 7.55)])
def test_where_a_curve_lies_is_the_saturations_inverse(po2: float, ph: float) -> None:
    """There and back through Severinghaus's own equation."""
    assert curve_ph(po2, float(oxygen_saturation(po2, ph))) == pytest.approx(ph, abs=1e-9)


def test_content_is_hufners() -> None:
    """Hb 15, saturation 0.98, PO2 100, 1.34: 19.998 mL/dL."""
    dissolved = 0.003 * 100
    assert oxygen_content_ml_dl(100.0, 15.0) - dissolved == pytest.approx(1.34 * 15 * oxygen_saturation(100.0))
    assert 1.34 * 15 * 0.98 + dissolved == pytest.approx(19.998)


def test_alveolar_gas_at_room_air_and_on_oxygen() -> None:
    """(760 − 47)·0.21 − 40/0.8 (full form) is near 100; on pure oxygen the quotient falls out."""
    assert alveolar_po2_mmhg(0.21, 40.0) == pytest.approx(149.73 - 40 * (0.21 + 0.79 / 0.8))
    assert alveolar_po2_mmhg(1.0, 40.0) == pytest.approx(673.0)


@pytest.mark.parametrize(("paco2", "bicarbonate", "ph"), [(40.0, 24.0, 7.39), (60.0, 24.0, 7.21), (25.0, 24.0, 7.59)])
def test_ph_is_henderson_and_hasselbalch(paco2: float, bicarbonate: float, ph: float) -> None:
    assert blood_ph(paco2, bicarbonate) == pytest.approx(ph, abs=0.01)
    assert bicarbonate_mmol_l(paco2, float(blood_ph(paco2, bicarbonate))) == pytest.approx(bicarbonate)


def test_shunt_and_arterial_tension_are_each_others_inverse() -> None:
    for shunt in (0.02, 0.15, 0.35):
        tension = arterial_po2_mmhg(350.0, shunt, 11.0, 5.0)
        assert shunt_fraction(tension, 350.0, 11.0, 5.0) == pytest.approx(shunt, abs=1e-6)


def test_shunt_of_the_worked_example() -> None:
    """Cc 18.069, Ca 15.516, Cv 11.367: 0.380931, put as what tissues take."""
    lacking, taken = 18.0690 - 15.5160, 15.5160 - 11.3670
    assert lacking / (lacking + taken) == pytest.approx(0.380931, abs=1e-6)
    assert shunt_fraction(90.0, 90.0, 12.0, 5.0) == 0.0


@pytest.mark.parametrize("bad", [-1.0, 0.0])
def test_tensions_below_zero_are_refused(bad: float) -> None:
    with pytest.raises(OptionError):
        oxygen_saturation(bad)
    with pytest.raises(OptionError):
        blood_ph(bad, 24.0)
    assert np.isnan(oxygen_saturation(np.array([bad, 50.0]))[0])
