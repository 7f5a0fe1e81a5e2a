"""Indices that a review of recorded breaths shows: breathing pattern, and blood gases beside pressures."""

from __future__ import annotations

from tidebench.formulas._domain import Number, known, positive, refuse, within

SITES = ("arterial", "capillary", "venous")
HIGHEST_SPO2 = 0.97
LOWEST_SPO2 = 0.80
IDEAL_VENTILATION_ML_MIN_KG = 100.0
IDEAL_PACO2_MMHG = 37.5


def rapid_shallow_index(rate_per_min: Number, volume_l: Number) -> Number:
    """``f/VT`` [/min/L]: rate [/min] at least zero, tidal volume [L] above zero.

    Yang & Tobin, N Engl J Med 1991;324:1445: for adults on a T-piece. On support the same patient's index is lower
    (El-Khatib, Intensive Care Med 2008;34:505), so the published cut does not apply there.
    """
    return within("rate_per_min", rate_per_min, 0.0, unit="/min") / positive("volume_l", volume_l, unit="L")


def pf_ratio_mmhg(pao2_mmhg: Number, fio2: Number, site: str) -> Number:
    """``PaO2/FiO2`` [mmHg], from an arterial sample only.

    Parameters
    ----------
    pao2_mmhg
        [mmHg], above zero.
    fio2
        Fraction, 0.21 to 1, at the moment of the sample.
    site : {"arterial", "capillary", "venous"}
        Anything but arterial is refused, also for arrays.

    Notes
    -----
    ARDS Definition, JAMA 2012;307:2526.
    """
    return _arterial(pao2_mmhg, site) / _oxygen(fio2)


def oxygenation_index(mean_pressure_cmh2o: Number, fio2: Number, pao2_mmhg: Number, site: str) -> Number:
    """``100·Pmean·FiO2/PaO2``, without unit by custom; arterial samples only.

    Mean airway pressure [cmH2O] at least zero; the rest as in :func:`pf_ratio_mmhg`. PALICC, Pediatr Crit Care Med
    2015;16:428.
    """
    pressure = within("mean_pressure_cmh2o", mean_pressure_cmh2o, 0.0, unit="cmH2O")
    return 100.0 * pressure * _oxygen(fio2) / _arterial(pao2_mmhg, site)


def oxygen_saturation_index(mean_pressure_cmh2o: Number, fio2: Number, spo2: Number) -> Number:
    """``100·Pmean·FiO2/SpO2`` with SpO2 in per cent, without unit by custom.

    ``spo2`` is a fraction, 0.80 to 0.97: above, saturation no longer follows oxygen pressure. PALICC-2, Pediatr Crit
    Care Med 2023;24:143 (97 %; the lower end from memory).
    """
    pressure = within("mean_pressure_cmh2o", mean_pressure_cmh2o, 0.0, unit="cmH2O")
    saturation = within("spo2", spo2, LOWEST_SPO2, HIGHEST_SPO2)
    return pressure * _oxygen(fio2) / saturation


def ventilatory_ratio(
    minute_volume_l_min: Number, paco2_mmhg: Number, predicted_body_weight_kg: Number, site: str = "arterial"
) -> Number:
    """Ventilation times PaCO2 over what a healthy person of that size would need, without unit; about 1 is normal.

    ``V'E[mL/min]·PaCO2/(PBW·100·37.5)``, minute volume [L/min], PaCO2 [mmHg] and predicted weight [kg] above zero;
    arterial samples only. Adults. Sinha, Br J Anaesth 2009;102:692 (page from memory) with 5 kPa; Sinha, Am J Respir
    Crit Care Med 2019;199:333 (page from memory) with 37.5 mmHg, the same number.
    """
    ventilation = 1000.0 * positive("minute_volume_l_min", minute_volume_l_min, unit="L/min")
    weight = positive("predicted_body_weight_kg", predicted_body_weight_kg, unit="kg")
    needed = weight * IDEAL_VENTILATION_ML_MIN_KG * IDEAL_PACO2_MMHG
    return ventilation * _arterial(paco2_mmhg, site, "paco2_mmhg") / needed


def rate_for_paco2_per_min(rate_per_min: Number, paco2_mmhg: Number, wanted_paco2_mmhg: Number) -> Number:
    """Rate [/min] that would bring one PaCO2 to another: ``f·PaCO2/PaCO2 wanted``.

    All above zero. It takes volume, dead space fraction and CO2 production to stay as they are, and no gas to be
    trapped. From the alveolar ventilation equation.
    """
    rate = positive("rate_per_min", rate_per_min, unit="/min")
    now = positive("paco2_mmhg", paco2_mmhg, unit="mmHg")
    return rate * now / positive("wanted_paco2_mmhg", wanted_paco2_mmhg, unit="mmHg")


def _oxygen(fio2: Number) -> Number:
    return within("fio2", fio2, 0.21, 1.0)


def _arterial(tension_mmhg: Number, site: str, parameter: str = "pao2_mmhg") -> Number:
    if known("site", site, SITES) != "arterial":
        refuse("site", repr(site), "'arterial': other sites have another tension")
    return positive(parameter, tension_mmhg, unit="mmHg")
