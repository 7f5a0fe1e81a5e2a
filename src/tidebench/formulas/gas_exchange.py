"""Gas exchange at rest: what blood carries, what alveoli hold, and what another ventilation would do.

Tensions in mmHg, contents in mL of gas (STPD) per dL of blood, ventilation in L/min (BTPS), gas in mL/min (STPD).
"""

from __future__ import annotations

import numpy as np

from tidebench.formulas._domain import Number, only_where, positive, within

WATER_MMHG = 47.0
CO2_CONSTANT = 0.863
"""PaCO2 [mmHg] of 1 mL/min (STPD) over 1 L/min (BTPS)."""
QUOTIENT = 0.8
PK, SOLUBLE_CO2 = 6.1, 0.0307
HUEFNER, SOLUBLE_O2 = 1.34, 0.003
CUBIC, LINEAR = 23400.0, 150.0
"""Severinghaus's two numbers, mmHg³ and mmHg²."""
BOHR, USUAL_PH = 0.48, 7.4
HIGHEST_PO2_MMHG = 800.0


def oxygen_saturation(po2_mmhg: Number, ph: float = USUAL_PH) -> Number:
    """Saturation of haemoglobin: ``1/(23400/(p³ + 150·p) + 1)``, ``log10 p = log10 PO2 + 0.48·(pH − 7.4)``.

    A fraction. Severinghaus, J Appl Physiol 1979;46:599. ``po2_mmhg`` above zero.
    """
    p = positive("po2_mmhg", po2_mmhg, unit="mmHg") * 10.0 ** (BOHR * (ph - USUAL_PH))
    saturation: Number = 1.0 / (CUBIC / (p**3 + LINEAR * p) + 1.0)
    return saturation


def curve_ph(po2_mmhg: float, saturation: float) -> float:
    """The pH at which :func:`oxygen_saturation` has a measured saturation at a measured tension: whatever shifts the
    curve (temperature, other haemoglobin), told as a pH. Its inverse by Cardano's formula.

    ``saturation`` above 0 and below 1; near 1 the curve is flat, and the answer means little.
    """
    share = within("saturation", saturation, 1e-6, 1.0 - 1e-6)
    half, third = CUBIC * share / (1.0 - share) / 2.0, LINEAR / 3.0
    root = np.sqrt(half**2 + third**3)
    usual = np.cbrt(half + root) + np.cbrt(half - root)
    return float(USUAL_PH + np.log10(usual / positive("po2_mmhg", po2_mmhg, unit="mmHg")) / BOHR)


def oxygen_content_ml_dl(po2_mmhg: Number, haemoglobin_g_dl: float, ph: float = USUAL_PH) -> Number:
    """Oxygen in blood: ``1.34·Hb·S + 0.003·PO2`` (Hüfner's 1.34; authors have 1.31 to 1.39)."""
    haemoglobin = within("haemoglobin_g_dl", haemoglobin_g_dl, 0.0, 30.0, unit="g/dL")
    return HUEFNER * haemoglobin * oxygen_saturation(po2_mmhg, ph) + SOLUBLE_O2 * po2_mmhg


def alveolar_po2_mmhg(fio2: Number, paco2_mmhg: Number, barometric_pressure_mmhg: float = 760.0) -> Number:
    """Ideal alveolar PO2: ``FiO2·(PB − 47) − PaCO2·(FiO2 + (1 − FiO2)/0.8)`` (alveolar gas equation, Fenn 1946)."""
    inspired = within("fio2", fio2, 0.0, 1.0) * (barometric_pressure_mmhg - WATER_MMHG)
    return inspired - positive("paco2_mmhg", paco2_mmhg, unit="mmHg") * (fio2 + (1.0 - fio2) / QUOTIENT)


def blood_ph(paco2_mmhg: Number, bicarbonate_mmol_l: Number) -> Number:
    """pH by Henderson and Hasselbalch: ``6.1 + log10(HCO3⁻/(0.0307·PaCO2))``."""
    bicarbonate = positive("bicarbonate_mmol_l", bicarbonate_mmol_l, unit="mmol/L")
    return PK + np.log10(bicarbonate / (SOLUBLE_CO2 * positive("paco2_mmhg", paco2_mmhg, unit="mmHg")))  # type: ignore[no-any-return]


def bicarbonate_mmol_l(paco2_mmhg: float, ph: float) -> float:
    """Bicarbonate by Henderson and Hasselbalch."""
    return float(SOLUBLE_CO2 * positive("paco2_mmhg", paco2_mmhg, unit="mmHg") * 10.0 ** (ph - PK))


def shunt_fraction(
    pao2_mmhg: float, end_capillary_po2_mmhg: float, haemoglobin_g_dl: float, difference: float, ph: float = USUAL_PH
) -> float:
    """Share of blood that meets no gas: ``(Cc − Ca)/(Cc − Cv)`` with ``Cv = Ca − difference`` (Berggren 1942).

    ``difference`` is the oxygen that tissues take from blood, mL/dL, above zero. At least 0.
    """
    taken = positive("difference", difference, unit="mL/dL")
    capillary = oxygen_content_ml_dl(end_capillary_po2_mmhg, haemoglobin_g_dl, ph)
    lacking = max(0.0, float(capillary - oxygen_content_ml_dl(pao2_mmhg, haemoglobin_g_dl, ph)))
    return lacking / (lacking + taken)


def arterial_po2_mmhg(
    end_capillary_po2_mmhg: float, shunt: float, haemoglobin_g_dl: float, difference: float, ph: float = USUAL_PH
) -> float:
    """PaO2 behind a shunt: the tension at which blood holds ``Cc − s/(1 − s)·difference``; at most 800.

    The content's inverse by root finding (:func:`scipy.optimize.brentq`).
    """
    from scipy.optimize import brentq

    share = within("shunt", shunt, 0.0, 0.95)
    content = oxygen_content_ml_dl(end_capillary_po2_mmhg, haemoglobin_g_dl, ph) - share / (1.0 - share) * difference

    def above(po2: float) -> float:
        return float(oxygen_content_ml_dl(po2, haemoglobin_g_dl, ph) - content)

    if above(1.0) > 0:
        return 1.0
    return HIGHEST_PO2_MMHG if above(HIGHEST_PO2_MMHG) < 0 else float(brentq(above, 1.0, HIGHEST_PO2_MMHG))


def dead_space_fraction(paco2_mmhg: Number, mixed_expired_pco2_mmhg: Number) -> Number:
    """Enghoff's dead space over tidal volume: ``(PaCO2 − PECO2)/PaCO2``, with shunt in it.

    Mixed expired PCO2 from 0 to PaCO2. Enghoff 1938 (from memory). Bohr's has alveolar PCO2 in place of PaCO2.
    """
    arterial = positive("paco2_mmhg", paco2_mmhg, unit="mmHg")
    expired = within("mixed_expired_pco2_mmhg", mixed_expired_pco2_mmhg, 0.0, unit="mmHg")
    fraction: Number = (arterial - expired) / arterial
    return only_where(np.logical_not(np.asarray(fraction) < 0.0), fraction, "dead space fraction", "PECO2 up to PaCO2")


def co2_elimination_ml_min(ventilation_l_min: Number, mixed_expired_pco2_mmhg: Number) -> Number:
    """CO2 in mixed expired gas [mL/min STPD]: ``V'E·PECO2/0.863``, ventilation [L/min BTPS]. Steady state."""
    ventilation = positive("ventilation_l_min", ventilation_l_min, unit="L/min")
    return ventilation * within("mixed_expired_pco2_mmhg", mixed_expired_pco2_mmhg, 0.0, unit="mmHg") / CO2_CONSTANT


def alveolar_ventilation_l_min(co2_elimination_ml_min: Number, paco2_mmhg: Number) -> Number:
    """``0.863·V'CO2/PaCO2`` [L/min BTPS], V'CO2 [mL/min STPD], PaCO2 [mmHg]; both above zero."""
    eliminated = positive("co2_elimination_ml_min", co2_elimination_ml_min, unit="mL/min")
    return CO2_CONSTANT * eliminated / positive("paco2_mmhg", paco2_mmhg, unit="mmHg")


def ventilation_for_paco2(ventilation: Number, paco2_mmhg: Number, wanted_paco2_mmhg: Number) -> Number:
    """Ventilation that would bring one PaCO2 to another: ``V·PaCO2/PaCO2 wanted``, in the unit it came in.

    True of alveolar ventilation at one CO2 production, and of minute volume where the dead space fraction stays too.
    """
    now = positive("ventilation", ventilation) * positive("paco2_mmhg", paco2_mmhg, unit="mmHg")
    return now / positive("wanted_paco2_mmhg", wanted_paco2_mmhg, unit="mmHg")


def ventilation_by_volume_l_min(
    minute_volume_l_min: Number, dead_fraction: Number, paco2_mmhg: Number, wanted_paco2_mmhg: Number
) -> Number:
    """Minute volume [L/min] for a PaCO2 by tidal volume alone: ``V'E·(d + (1 − d)·PaCO2/PaCO2 wanted)``.

    Rate and dead space in mL stay; ``d``, from 0 to 1, is the part that dead space has of the volume now.
    """
    dead = within("dead_fraction", dead_fraction, 0.0, 1.0)
    minute = positive("minute_volume_l_min", minute_volume_l_min, unit="L/min")
    return minute * (dead + (1.0 - dead) * ventilation_for_paco2(1.0 + 0.0 * minute, paco2_mmhg, wanted_paco2_mmhg))


def at_body_temperature(
    ph: float, paco2_mmhg: float, pao2_mmhg: float, temperature_c: float
) -> tuple[float, float, float]:
    """pH, PaCO2 and PaO2 of blood measured at 37 °C, at the patient's temperature, 20 to 43 °C.

    pH − 0.0147·ΔT (Rosenthal, J Biol Chem 1948;173:25), PaCO2·10^(0.019·ΔT), PaO2 by the slope that falls with
    saturation (Severinghaus, J Appl Physiol 1966;21:1108). All from memory.
    """
    warmer = within("temperature_c", temperature_c, 20.0, 43.0, unit="°C") - 37.0
    steep = positive("pao2_mmhg", pao2_mmhg, unit="mmHg") ** 3.88
    slope = (5.49e-11 * steep + 0.071) / (9.72e-9 * steep + 2.30)
    carbon = positive("paco2_mmhg", paco2_mmhg, unit="mmHg") * 10.0 ** (0.019 * warmer)
    return within("ph", ph, 6.5, 8.0) - 0.0147 * warmer, carbon, pao2_mmhg * 10.0 ** (slope * warmer)
