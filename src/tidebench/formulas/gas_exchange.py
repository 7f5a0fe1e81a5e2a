"""Gas exchange at rest: what blood carries, what alveoli hold, and what another ventilation would do.

Tensions in mmHg, contents in mL of gas (STPD) per dL of blood, ventilation in L/min (BTPS), gas in mL/min (STPD).
"""

from __future__ import annotations

import numpy as np

from tidebench.formulas._domain import Number, positive, within

WATER_MMHG = 47.0
CO2_CONSTANT = 0.863
"""PaCO2 [mmHg] of 1 mL/min (STPD) over 1 L/min (BTPS)."""
QUOTIENT = 0.8
PK, SOLUBLE_CO2 = 6.1, 0.0307
HUEFNER, SOLUBLE_O2 = 1.34, 0.003
BOHR = 0.48
HIGHEST_PO2_MMHG = 800.0


def oxygen_saturation(po2_mmhg: Number, ph: float = 7.4) -> Number:
    """Saturation of haemoglobin: ``1/(23400/(p³ + 150·p) + 1)``, ``log10 p = log10 PO2 + 0.48·(pH − 7.4)``.

    A fraction. Severinghaus, J Appl Physiol 1979;46:599. ``po2_mmhg`` above zero.
    """
    p = positive("po2_mmhg", po2_mmhg, unit="mmHg") * 10.0 ** (BOHR * (ph - 7.4))
    saturation: Number = 1.0 / (23400.0 / (p**3 + 150.0 * p) + 1.0)
    return saturation


def oxygen_content_ml_dl(po2_mmhg: Number, haemoglobin_g_dl: float, ph: float = 7.4) -> Number:
    """Oxygen in blood: ``1.34·Hb·S + 0.003·PO2`` (Hüfner's 1.34; authors have 1.31 to 1.39)."""
    haemoglobin = within("haemoglobin_g_dl", haemoglobin_g_dl, 0.0, 30.0, unit="g/dL")
    return HUEFNER * haemoglobin * oxygen_saturation(po2_mmhg, ph) + SOLUBLE_O2 * po2_mmhg


def alveolar_po2_mmhg(fio2: Number, paco2_mmhg: Number, barometric_pressure_mmhg: float = 760.0) -> Number:
    """Ideal alveolar PO2: ``FiO2·(PB − 47) − PaCO2·(FiO2 + (1 − FiO2)/0.8)`` (alveolar gas equation, Fenn 1946)."""
    inspired = within("fio2", fio2, 0.0, 1.0) * (barometric_pressure_mmhg - WATER_MMHG)
    return inspired - positive("paco2_mmhg", paco2_mmhg, unit="mmHg") * (fio2 + (1.0 - fio2) / QUOTIENT)


def blood_ph(paco2_mmhg: Number, bicarbonate_mmol_l: float) -> Number:
    """pH by Henderson and Hasselbalch: ``6.1 + log10(HCO3⁻/(0.0307·PaCO2))``."""
    bicarbonate = positive("bicarbonate_mmol_l", bicarbonate_mmol_l, unit="mmol/L")
    return PK + np.log10(bicarbonate / (SOLUBLE_CO2 * positive("paco2_mmhg", paco2_mmhg, unit="mmHg")))  # type: ignore[no-any-return]


def bicarbonate_mmol_l(paco2_mmhg: float, ph: float) -> float:
    """Bicarbonate by Henderson and Hasselbalch."""
    return float(SOLUBLE_CO2 * positive("paco2_mmhg", paco2_mmhg, unit="mmHg") * 10.0 ** (ph - PK))


def shunt_fraction(
    pao2_mmhg: float, end_capillary_po2_mmhg: float, haemoglobin_g_dl: float, difference: float
) -> float:
    """Share of blood that meets no gas: ``(Cc − Ca)/(Cc − Cv)`` with ``Cv = Ca − difference`` (Berggren 1942).

    ``difference`` is the oxygen that tissues take from blood, mL/dL, above zero. At least 0.
    """
    taken = positive("difference", difference, unit="mL/dL")
    capillary = oxygen_content_ml_dl(end_capillary_po2_mmhg, haemoglobin_g_dl)
    lacking = max(0.0, float(capillary - oxygen_content_ml_dl(pao2_mmhg, haemoglobin_g_dl)))
    return lacking / (lacking + taken)


def arterial_po2_mmhg(end_capillary_po2_mmhg: float, shunt: float, haemoglobin_g_dl: float, difference: float) -> float:
    """PaO2 behind a shunt: the tension at which blood holds ``Cc − s/(1 − s)·difference``; at most 800.

    The content's inverse by root finding (:func:`scipy.optimize.brentq`).
    """
    from scipy.optimize import brentq

    share = within("shunt", shunt, 0.0, 0.95)
    content = oxygen_content_ml_dl(end_capillary_po2_mmhg, haemoglobin_g_dl) - share / (1.0 - share) * difference

    def above(po2: float) -> float:
        return float(oxygen_content_ml_dl(po2, haemoglobin_g_dl) - content)

    if above(1.0) > 0:
        return 1.0
    return HIGHEST_PO2_MMHG if above(HIGHEST_PO2_MMHG) < 0 else float(brentq(above, 1.0, HIGHEST_PO2_MMHG))
