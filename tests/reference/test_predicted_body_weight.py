"""Predicted body weight against the printed equations and cards."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.errors import OptionError
from tidebench.formulas.weight import devine_weight_kg, is_extrapolated, predicted_body_weight_kg

# Equations: verified (ARDS Network, N Engl J Med 2000;342:1301; Devine, Drug Intell Clin Pharm 1974;8:650); table:
# computed. Height cm; predicted weight of men and women; Devine of men and women; 6 mL/kg of men and women.
TABLE = (
    (140.0, 38.716, 34.216, 38.772, 34.272, 232.3, 205.3),
    (150.0, 47.816, 43.316, 47.827, 43.327, 286.9, 259.9),
    (152.4, 50.000, 45.500, 50.000, 45.500, 300.0, 273.0),
    (160.0, 56.916, 52.416, 56.882, 52.382, 341.5, 314.5),
    (165.0, 61.466, 56.966, 61.409, 56.909, 368.8, 341.8),
    (170.0, 66.016, 61.516, 65.937, 61.437, 396.1, 369.1),
    (175.0, 70.566, 66.066, 70.465, 65.965, 423.4, 396.4),
    (180.0, 75.116, 70.616, 74.992, 70.492, 450.7, 423.7),
    (190.0, 84.216, 79.716, 84.047, 79.547, 505.3, 478.3),
    (200.0, 93.316, 88.816, 93.102, 88.602, 559.9, 532.9),
)


@pytest.mark.parametrize(("height", "man", "woman", "devine_man", "devine_woman", "six_man", "six_woman"), TABLE)
def test_table(
    *,
    height: float,
    man: float,
    woman: float,
    devine_man: float,
    devine_woman: float,
    six_man: float,
    six_woman: float,
) -> None:
    assert predicted_body_weight_kg(height, "male") == pytest.approx(man, abs=1e-3)
    assert predicted_body_weight_kg(height, "female") == pytest.approx(woman, abs=1e-3)
    assert devine_weight_kg(height, "male") == pytest.approx(devine_man, abs=1e-3)
    assert devine_weight_kg(height, "female") == pytest.approx(devine_woman, abs=1e-3)
    assert 6 * predicted_body_weight_kg(height, "male") == pytest.approx(six_man, abs=0.06)
    assert 6 * predicted_body_weight_kg(height, "female") == pytest.approx(six_woman, abs=0.06)


# Status: computed. Printed cards use inches; 0.1 kg is their tolerance.
@pytest.mark.parametrize(
    ("inches", "man", "woman"),
    [(60, 50.0, 45.5), (64, 59.2, 54.7), (68, 68.4, 63.9), (70, 73.0, 68.5), (72, 77.6, 73.1), (76, 86.8, 82.3)],
)
def test_printed_cards(inches: int, man: float, woman: float) -> None:
    assert devine_weight_kg(inches * 2.54, "male") == pytest.approx(man, abs=1e-9)
    assert devine_weight_kg(inches * 2.54, "female") == pytest.approx(woman, abs=1e-9)
    assert predicted_body_weight_kg(inches * 2.54, "male") == pytest.approx(man, abs=0.2)


def test_short_people_are_an_extrapolation() -> None:
    assert is_extrapolated(152.3)
    assert not is_extrapolated(152.4)


def test_arrays_and_edges() -> None:
    found = predicted_body_weight_kg(np.array([170.0, 119.9, 250.1, np.nan]), "female")
    assert found[0] == pytest.approx(61.516)
    assert np.isnan(found).tolist() == [False, True, True, True]
    with pytest.raises(OptionError, match=r"height_cm: 1\.7 .*120 to 250 cm"):
        predicted_body_weight_kg(1.7, "male")
    with pytest.raises(OptionError, match=r"sex: 'm' .*'female', 'male'"):
        predicted_body_weight_kg(170.0, "m")
