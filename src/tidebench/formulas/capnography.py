"""Carbon dioxide over expired volume: what the airways hold, what the alveoli hold, what is breathed out.

::

    PCO2 |                      ______----  a + b·V, the line through the alveolar part
         |            __-------
         |          /|
         |         / |        the upright stands where the two areas between curve, line and upright are equal
         |________/  |
         +-----------+-------------------- expired volume
                    VD

Tensions in mmHg, volumes in L (BTPS), areas under the curve in mmHg·L, carbon dioxide in mL (STPD).
"""

from __future__ import annotations

import numpy as np

from tidebench.formulas._domain import Number, only_where, positive, within
from tidebench.formulas.gas_exchange import CO2_CONSTANT


def fowler_dead_space_l(area_mmhg_l: Number, volume_l: Number, at_zero_mmhg: Number, slope_mmhg_l: Number) -> Number:
    """Airway dead space [L] by equal areas: the root of ``area = ∫(a + b·V)dV`` from it to ``volume``.

    Fowler, Am J Physiol 1948;154:405 (page from memory), as Tang, Br J Anaesth 2007;98:828 compares it with others: it
    is nearly without bias where the alveolar part slopes, and the most sensitive to noise, so read it over many
    breaths.

    Parameters
    ----------
    area_mmhg_l
        Under the curve from the start of expiration to ``volume``, at least zero.
    volume_l
        Where the curve has joined the line, above zero.
    at_zero_mmhg, slope_mmhg_l
        The line through the alveolar part, ``a + b·V``; above zero at ``volume``.

    Returns
    -------
    float or ndarray
        From 0 to ``volume``; refused (NaN in arrays) where no upright gives equal areas.
    """
    area = within("area_mmhg_l", area_mmhg_l, 0.0, unit="mmHg·L")
    volume = positive("volume_l", volume_l, unit="L")
    height = positive("at_zero_mmhg + slope_mmhg_l·volume_l", at_zero_mmhg + slope_mmhg_l * volume, unit="mmHg")
    with np.errstate(invalid="ignore", divide="ignore"):
        bend = 2.0 * slope_mmhg_l * area / height**2
        share = 2.0 / (1.0 + np.sqrt(1.0 - bend))  # of area over height; 1 for a level line
        dead: Number = volume - share * area / height
        impossible = np.asarray(bend > 1.0) | np.asarray(dead < 0.0)
    return only_where(np.logical_not(impossible), dead, "dead space", "an upright between 0 and the volume")


def mean_alveolar_pco2_mmhg(
    dead_space_l: Number, volume_l: Number, at_zero_mmhg: Number, slope_mmhg_l: Number
) -> Number:
    """PCO2 half-way along the alveolar part: ``a + b·(VD + VT)/2``, as Bohr's equation needs it.

    Tusman, Intensive Care Med 2011;37:870 (from memory).
    """
    dead = within("dead_space_l", dead_space_l, 0.0, unit="L")
    middle = 0.5 * (dead + positive("volume_l", volume_l, unit="L"))
    return positive("alveolar PCO2", at_zero_mmhg + slope_mmhg_l * middle, unit="mmHg")


def bohr_dead_space_fraction(alveolar_pco2_mmhg: Number, mixed_expired_pco2_mmhg: Number) -> Number:
    """Bohr's dead space over tidal volume: ``(PACO2 − PECO2)/PACO2``; mixed expired PCO2 from 0 to the alveolar one.

    Bohr 1891 (from memory). With PaCO2 in place of the alveolar one it is Enghoff's
    (:func:`tidebench.formulas.gas_exchange.dead_space_fraction`), which holds shunt and uneven ventilation too.
    """
    alveolar = positive("alveolar_pco2_mmhg", alveolar_pco2_mmhg, unit="mmHg")
    fraction: Number = (
        alveolar - within("mixed_expired_pco2_mmhg", mixed_expired_pco2_mmhg, 0.0, unit="mmHg")
    ) / alveolar
    return only_where(np.logical_not(np.asarray(fraction) < 0.0), fraction, "dead space fraction", "PECO2 up to PACO2")


def co2_volume_ml(area_mmhg_l: Number) -> Number:
    """Carbon dioxide [mL STPD] under a curve of PCO2 over volume [mmHg·L BTPS]: ``area/0.863``."""
    return within("area_mmhg_l", area_mmhg_l, unit="mmHg·L") / CO2_CONSTANT


def expected_dead_space_ml(height_cm: Number) -> Number:
    """Anatomical dead space of the healthy by height [mL]: ``7.585e-4·h^2.363``, 100 to 200 cm.

    Hart, J Appl Physiol 1963;18:519 (secondary source; 73 persons, r 0.92). Mouth and throat are in it, about 70 mL of
    an adult's, which a tube leaves out; weight hardly predicts what is measured at the bed.
    """
    dead: Number = 7.585e-4 * within("height_cm", height_cm, 100.0, 200.0, unit="cm") ** 2.363
    return dead
