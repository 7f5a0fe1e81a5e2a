"""Tracheal pressure as a derived channel."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.case import case_from
from tidebench.recording import Recording
from tidebench.review import tracheal_pressure


def recording(flow: list[float]) -> Recording:
    return Recording(100.0, {"airway_pressure": np.full(len(flow), 20.0), "flow": np.array(flow)})


def test_adult_tube_takes_what_its_coefficients_say() -> None:
    """8.0 mm: 0.36·V' + 6.19·V'², Guttmann 1993 refitted (secondary source): 6.55 cmH2O at 1 L/s."""
    case = case_from({"airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 8.0}})
    derived = tracheal_pressure(case, recording([0.0, 0.5, 1.0, -1.0, np.nan]))
    assert derived is not None
    assert derived["tracheal_pressure"][:4] == pytest.approx([20.0, 20 - 1.7275, 20 - 6.55, 20 + 6.55])
    assert np.isnan(derived["tracheal_pressure"][4])
    assert "Guttmann" in derived.steps[-1]


def test_newborn_tube_follows_the_law_of_smooth_bent_tubes() -> None:
    """2.5 mm, 11 cm, 3 L/min: 1.8231 cmH2O (Ito's factor from memory; Jarreau, J Appl Physiol 1999;87:36)."""
    case = case_from(
        {"airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 2.5, "tube_length_cm": 11}}
    )
    derived = tracheal_pressure(case, recording([0.05]))
    assert derived is not None
    assert derived["tracheal_pressure"][0] == pytest.approx(20 - 1.8231, abs=0.01)


@pytest.mark.parametrize("airway", [{}, {"interface": "mask"}, {"interface": "endotracheal tube"}])
def test_without_a_law_there_is_no_channel(airway: dict[str, str]) -> None:
    assert tracheal_pressure(case_from({"airway": airway}), recording([0.5])) is None
