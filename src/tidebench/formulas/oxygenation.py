"""How well blood takes up oxygen: by saturation, against the alveoli, and what blood carries to the tissues.

Tensions in mmHg, fractions as such, contents in mL of gas (STPD) per dL of blood.
"""

from __future__ import annotations

import numpy as np

from tidebench.formulas._domain import Number, only_where, positive, within
from tidebench.formulas.gas_exchange import CUBIC, HUEFNER, LINEAR, QUOTIENT, SOLUBLE_O2, WATER_MMHG
from tidebench.formulas.indices import HIGHEST_SPO2

SEA_LEVEL_MMHG = 760.0
CORRECTED_ABOVE_M = 1000.0
"""Altitude from where the Berlin definition corrects P/F."""


def barometric_pressure_mmhg(altitude_m: Number) -> Number:
    """Pressure of the standard atmosphere: ``760·(1 − 2.25577e-5·h)^5.25588``, −500 to 9000 m (ICAO, from memory)."""
    height = within("altitude_m", altitude_m, -500.0, 9000.0, unit="m")
    pressure: Number = SEA_LEVEL_MMHG * (1.0 - 2.25577e-5 * height) ** 5.25588
    return pressure


def sf_ratio(spo2: Number, fio2: Number) -> Number:
    """``SpO2 %/FiO2``; ``spo2`` a fraction, up to 0.97: above, saturation no longer follows oxygen pressure.

    Global definition of ARDS, Am J Respir Crit Care Med 2024;209:37 (secondary).
    """
    return 100.0 * positive("spo2", spo2, HIGHEST_SPO2) / within("fio2", fio2, 0.21, 1.0)


def rox_index(spo2: Number, fio2: Number, rate_per_min: Number) -> Number:
    """``(SpO2 %/FiO2)/rate``, for patients under high-flow oxygen. Roca, Am J Respir Crit Care Med 2019;199:1368."""
    saturation = 100.0 * positive("spo2", spo2, 1.0)
    return saturation / within("fio2", fio2, 0.21, 1.0) / positive("rate_per_min", rate_per_min, unit="/min")


def pf_at_sea_level_mmhg(pf_ratio_mmhg: Number, barometric_pressure_mmhg: Number) -> Number:
    """``P/F·PB/760``: the Berlin definition's correction above 1000 m. ARDS Definition, JAMA 2012;307:2526."""
    ratio = positive("pf_ratio_mmhg", pf_ratio_mmhg, unit="mmHg")
    return ratio * within("barometric_pressure_mmhg", barometric_pressure_mmhg, 200.0, 850.0, unit="mmHg") / 760.0


def simplified_alveolar_po2_mmhg(fio2: Number, paco2_mmhg: Number, barometric_pressure_mmhg: float = 760.0) -> Number:
    """Alveolar PO2 without the small term: ``FiO2·(PB − 47) − PaCO2/0.8``.

    Below the full form (:func:`tidebench.formulas.gas_exchange.alveolar_po2_mmhg`) by ``FiO2·PaCO2/4``.
    """
    inspired = within("fio2", fio2, 0.0, 1.0) * (barometric_pressure_mmhg - WATER_MMHG)
    return inspired - positive("paco2_mmhg", paco2_mmhg, unit="mmHg") / QUOTIENT


def arterial_alveolar_ratio(pao2_mmhg: Number, alveolar_po2_mmhg: Number) -> Number:
    """``PaO2/PAO2``, at most 1. Gilbert, Crit Care Med 1979;7:30 (from memory)."""
    alveolar = positive("alveolar_po2_mmhg", alveolar_po2_mmhg, unit="mmHg")
    ratio = positive("pao2_mmhg", pao2_mmhg, unit="mmHg") / alveolar
    return only_where(np.logical_not(np.asarray(ratio) > 1.0), ratio, "pao2_mmhg over alveolar", "at most 1")


def expected_difference_mmhg(age_years: Number) -> Number:
    """A-a difference of a healthy person on room air: ``2.5 + 0.21·age``, adults.

    Mellemgaard, Acta Physiol Scand 1966;67:10 (from memory). Teaching has ``age/4 + 4``.
    """
    return 2.5 + 0.21 * within("age_years", age_years, 15.0, 110.0, unit="years")


def oxygen_tension_mmhg(saturation: Number) -> Number:
    """PO2 at which haemoglobin has a saturation at pH 7.4: Severinghaus's cubic, solved.

    Between 0 and 1, both left out. Ellis, J Appl Physiol 1989;67:902 (from memory).
    """
    below_one = np.logical_not(np.asarray(saturation) >= 1.0)
    part = only_where(below_one, positive("saturation", saturation), "saturation", "below 1")
    half = 0.5 * CUBIC / (1.0 / part - 1.0)
    root = np.sqrt(half**2 + (LINEAR / 3.0) ** 3)
    tension: Number = np.cbrt(half + root) + np.cbrt(half - root)
    return tension


def measured_content_ml_dl(saturation: Number, po2_mmhg: Number, haemoglobin_g_dl: Number) -> Number:
    """Oxygen in blood of a measured saturation: ``1.34·Hb·S + 0.003·PO2``."""
    haemoglobin = within("haemoglobin_g_dl", haemoglobin_g_dl, 0.0, 30.0, unit="g/dL")
    bound = HUEFNER * haemoglobin * within("saturation", saturation, 0.0, 1.0)
    return bound + SOLUBLE_O2 * positive("po2_mmhg", po2_mmhg, unit="mmHg")


def oxygen_delivery_ml_min(cardiac_output_l_min: Number, content_ml_dl: Number) -> Number:
    """``10·CO·CaO2`` [mL/min]; cardiac output [L/min] and content [mL/dL] above zero."""
    output = positive("cardiac_output_l_min", cardiac_output_l_min, unit="L/min")
    return 10.0 * output * positive("content_ml_dl", content_ml_dl, unit="mL/dL")


def venous_admixture(capillary_ml_dl: float, arterial_ml_dl: float, venous_ml_dl: float) -> float:
    """Shunt by contents: ``(Cc − Ca)/(Cc − Cv)`` (Berggren 1942), with ``Cv < Ca ≤ Cc``. On FiO2 below 1 it holds
    low ventilation too."""
    arterial = within("arterial_ml_dl", arterial_ml_dl, 0.0, capillary_ml_dl, unit="mL/dL")
    venous = only_where(venous_ml_dl < arterial, venous_ml_dl, "venous_ml_dl", "below the arterial content")
    return (capillary_ml_dl - arterial) / (capillary_ml_dl - venous)
