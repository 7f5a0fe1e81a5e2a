"""Gas conditions: what a volume of gas becomes at another temperature, pressure and humidity."""

from __future__ import annotations

from typing import Literal

import numpy as np

from tidebench.formulas._domain import Number, known, within
from tidebench.units import factor

Conditions = Literal["BTPS", "ATPS", "ATPD", "STPD"]
"""Body temperature and pressure, saturated; ambient, saturated; ambient, dry; standard (0 °C, 760 mmHg), dry."""

ZERO_CELSIUS_K = 273.15
BODY_TEMPERATURE_C = 37.0
STANDARD_PRESSURE_MMHG = 760.0
MMHG_IN_PA = factor("mmHg", "Pa")

TEMPERATURES_C = (0.0, 60.0)
BAROMETRIC_PRESSURES_MMHG = (250.0, 850.0)

_CRITICAL_K, _CRITICAL_PA, _CRITICAL_KG_M3 = 647.096, 22.064e6, 322.0
# Wagner & Pruss 2002, eq. 2.5 and 2.7: (weight, exponent) pairs.
_PRESSURE_TERMS = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)
_DENSITY_TERMS = (
    (-2.03150240, 2 / 6),
    (-2.68302940, 4 / 6),
    (-5.38626492, 8 / 6),
    (-17.2991605, 18 / 6),
    (-44.7586581, 37 / 6),
    (-63.9201063, 71 / 6),
)


def _kelvin(temperature_c: Number) -> Number:
    return within("temperature_c", temperature_c, *TEMPERATURES_C, unit="°C") + ZERO_CELSIUS_K


def water_vapour_pressure_mmhg(temperature_c: Number) -> Number:
    """Pressure of water vapour over liquid water, saturated.

    Parameters
    ----------
    temperature_c : float or ndarray
        [°C], 0 to 60.

    Returns
    -------
    float or ndarray
        [mmHg]; 47.12 at 37 °C.

    Notes
    -----
    ``ln(p/pc) = (Tc/T) Σ a_i v^n_i`` with ``v = 1 - T/Tc``: Wagner & Pruss, J Phys Chem Ref Data 2002;31:387, eq. 2.5
    (coefficients from memory; the tests hold them against an independent implementation of IAPWS-95 within 0.01 mmHg).
    That the vapour shares the space with air raises it by less than 0.5 %, which is left out, as the trade does.
    """
    temperature = _kelvin(temperature_c)
    distance = 1.0 - temperature / _CRITICAL_K
    total = sum(weight * distance**exponent for weight, exponent in _PRESSURE_TERMS)
    pressure: Number = _CRITICAL_PA / MMHG_IN_PA * np.exp(_CRITICAL_K / temperature * total)
    return pressure


def absolute_humidity_mg_l(temperature_c: Number, relative_humidity: Number) -> Number:
    """Mass of water vapour per volume of gas.

    Parameters
    ----------
    temperature_c : float or ndarray
        [°C], 0 to 60.
    relative_humidity : float or ndarray
        Fraction, 0 to 1.

    Returns
    -------
    float or ndarray
        [mg/L]; 44.0 at 37 °C saturated.

    Notes
    -----
    Relative humidity times the density of saturated vapour, ``ln(ρ/ρc) = Σ c_i v^n_i``: Wagner & Pruss, J Phys Chem
    Ref Data 2002;31:387, eq. 2.7 (coefficients from memory, held against an independent implementation).
    """
    humidity = within("relative_humidity", relative_humidity, 0.0, 1.0)
    distance = 1.0 - _kelvin(temperature_c) / _CRITICAL_K
    total = sum(weight * distance**exponent for weight, exponent in _DENSITY_TERMS)
    density: Number = humidity * _CRITICAL_KG_M3 * np.exp(total) * 1000.0
    return density


def btps_factor(
    conditions: str, temperature_c: float = 22.0, barometric_pressure_mmhg: float = STANDARD_PRESSURE_MMHG
) -> float:
    """Factor that turns a volume or flow under the given conditions into BTPS.

    Parameters
    ----------
    conditions : {"BTPS", "ATPS", "ATPD", "STPD"}
        Conditions under which the volume stands.
    temperature_c : float
        Temperature of the gas where it was measured [°C], 0 to 60. Only ATPS and ATPD depend on it.
    barometric_pressure_mmhg : float
        [mmHg], 250 (the highest summits) to 850. A pressure in kPa or hPa is so refused.

    Returns
    -------
    float
        1 for BTPS; 1.091 for ATPS and 1.120 for ATPD at 22 °C and 760 mmHg.

    Raises
    ------
    OptionError
        An unknown word, or a value outside its range. NaN is passed on.

    Notes
    -----
    ``(310.15/T)·(P - p_T)/(PB - p_37)``, p the water vapour in the gas, P its pressure: the gas laws, as every
    lung-function standard tabulates them to three digits (for example 1.091 for ATPS at 22 °C).
    """
    known("conditions", conditions, ("BTPS", "ATPS", "ATPD", "STPD"))
    barometric = within("barometric_pressure_mmhg", barometric_pressure_mmhg, *BAROMETRIC_PRESSURES_MMHG, unit="mmHg")
    ambient = _kelvin(temperature_c)
    body = BODY_TEMPERATURE_C + ZERO_CELSIUS_K
    at_body = barometric - water_vapour_pressure_mmhg(BODY_TEMPERATURE_C)
    if conditions == "ATPS":
        return body / ambient * (barometric - water_vapour_pressure_mmhg(temperature_c)) / at_body
    if conditions == "ATPD":
        return body / ambient * barometric / at_body
    if conditions == "STPD":
        return body / ZERO_CELSIUS_K * STANDARD_PRESSURE_MMHG / at_body
    return 1.0


def conversion_factor(
    have: str,
    want: str,
    temperature_c: float = 22.0,
    barometric_pressure_mmhg: float = STANDARD_PRESSURE_MMHG,
) -> float:
    """Factor that turns a volume under the conditions ``have`` into one under ``want``.

    Both are measured at the same place: one ambient temperature and barometric pressure. Parameters, domain, errors and
    source as :func:`btps_factor`. BTPS to STPD is 0.826 at 760 mmHg.
    """
    return btps_factor(have, temperature_c, barometric_pressure_mmhg) / btps_factor(
        want, temperature_c, barometric_pressure_mmhg
    )
