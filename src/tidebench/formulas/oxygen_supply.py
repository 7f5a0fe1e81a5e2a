"""Oxygen in cylinders, what a ventilator draws of it, and how long it lasts. Litres at ambient conditions."""

from __future__ import annotations

from tidebench.formulas._domain import Number, known, positive, within

LITRES_PER_PSI = {"D": 0.16, "E": 0.28, "M": 1.56, "G": 2.41, "H": 3.14, "K": 3.14}
"""Litres of oxygen for each psi on the gauge, by the letters of United States cylinder sizes. Sizes named alike differ
by country: elsewhere take water capacity and bar."""
BAR_PER_PSI = 0.0689475729
ROOM_AIR = 0.21


def cylinder_by_psi_l(size: str, pressure_psi: Number) -> Number:
    """Content [L] by United States size and gauge pressure [psi, 0 to 3500]: ``factor·psi`` (trade pages)."""
    factor = LITRES_PER_PSI[known("size", size, LITRES_PER_PSI)]
    return factor * within("pressure_psi", pressure_psi, 0.0, 3500.0, unit="psi")


def cylinder_by_bar_l(water_capacity_l: Number, pressure_bar: Number) -> Number:
    """Content [L]: water capacity [L] times gauge pressure [bar, 0 to 310].

    The gas taken for ideal, as the trade does. At 20 °C that is 2 to 8 % less than oxygen holds at 50 to 200 bar.
    """
    capacity = positive("water_capacity_l", water_capacity_l, 200.0, unit="L")
    return capacity * within("pressure_bar", pressure_bar, 0.0, 310.0, unit="bar")


def blended_fio2(air_l_min: Number, oxygen_l_min: Number) -> Number:
    """Oxygen fraction of air and oxygen together: ``(0.21·air + O2)/(air + O2)``; flows [L/min], one above zero."""
    air = within("air_l_min", air_l_min, 0.0, unit="L/min")
    oxygen = within("oxygen_l_min", oxygen_l_min, 0.0, unit="L/min")
    total = positive("air_l_min + oxygen_l_min", air + oxygen, unit="L/min")
    return (ROOM_AIR * air + oxygen) / total


def oxygen_flow_l_min(gas_l_min: Number, fio2: Number) -> Number:
    """Oxygen [L/min] that a flow of blended gas takes from the cylinder: ``V'·(FiO2 − 0.21)/0.79``."""
    fraction = within("fio2", fio2, ROOM_AIR, 1.0)
    return within("gas_l_min", gas_l_min, 0.0, unit="L/min") * ((fraction - ROOM_AIR) / (1.0 - ROOM_AIR))


def minutes_left(content_l: Number, oxygen_l_min: Number) -> Number:
    """Minutes until a content [L] is used at a flow [L/min, above zero]: ``content/flow``."""
    return within("content_l", content_l, 0.0, unit="L") / positive("oxygen_l_min", oxygen_l_min, unit="L/min")
