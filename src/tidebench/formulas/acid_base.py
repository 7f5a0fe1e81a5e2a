"""Acid and base of arterial blood: do the numbers fit each other, what compensation is expected, base excess, gap.

Tensions in mmHg, bicarbonate in mmol/L, pH at 37 °C. Rules of compensation are linear fits to patients with one
disturbance; a :class:`Span` is what they allow.
"""

from __future__ import annotations

from typing import NamedTuple

from tidebench.formulas._domain import Number, positive, within
from tidebench.formulas.gas_exchange import blood_ph

NORMAL_PACO2, NORMAL_HCO3 = 40.0, 24.0
ACUTE_ACIDOSIS = (0.1, 0.1)
CHRONIC_ACIDOSIS = (0.35, 0.4)
ACUTE_ALKALOSIS = (0.2, 0.2)
CHRONIC_ALKALOSIS = (0.4, 0.5)
"""Change of bicarbonate [mmol/L] per mmHg of PaCO2, least and most (from memory)."""
HCO3_ROOM = 2.0
"""What a rule for bicarbonate leaves on either side, mmol/L (common practice, no source)."""
WINTER_ROOM, ALKALOSIS_ROOM = 2.0, 5.0
NORMAL_ALBUMIN_G_DL = 4.0
NORMAL_GAP_MMOL_L = 12.0


class Span(NamedTuple):
    """What a rule allows, from the lowest to the highest."""

    low: float
    high: float

    def holds(self, value: float) -> bool:
        """True where a value lies inside; the ends do."""
        return self.low - 1e-9 <= value <= self.high + 1e-9


def ph_disagreement(ph: float, paco2_mmhg: float, hco3_mmol_l: float) -> float:
    """Stated pH less the one that PaCO2 and bicarbonate give (:func:`tidebench.formulas.gas_exchange.blood_ph`).

    Within 0.01 it may come from the solubility alone (0.0307, or 0.03 in teaching). ``ph`` from 6.5 to 8.
    """
    return within("ph", ph, 6.5, 8.0) - float(blood_ph(paco2_mmhg, hco3_mmol_l))


def base_excess_mmol_l(ph: Number, hco3_mmol_l: Number) -> Number:
    """Standard base excess: ``0.9287·(HCO3 − 24.4 + 14.83·(pH − 7.4))``.

    Of extracellular fluid, the laboratory standard's form (from memory). ``ph`` from 6.5 to 8, bicarbonate above zero.
    """
    bicarbonate = positive("hco3_mmol_l", hco3_mmol_l, unit="mmol/L")
    return 0.9287 * (bicarbonate - 24.4 + 14.83 * (within("ph", ph, 6.5, 8.0) - 7.4))


def winter_paco2_mmhg(hco3_mmol_l: float) -> Span:
    """PaCO2 expected in metabolic acidosis: ``1.5·HCO3 + 8 ± 2``. Albert, Ann Intern Med 1967;66:312 (from memory)."""
    middle = 1.5 * positive("hco3_mmol_l", hco3_mmol_l, NORMAL_HCO3, unit="mmol/L") + 8.0
    return Span(middle - WINTER_ROOM, middle + WINTER_ROOM)


def alkalosis_paco2_mmhg(hco3_mmol_l: float) -> Span:
    """PaCO2 expected in metabolic alkalosis: ``40 + 0.7·(HCO3 − 24) ± 5``; a teaching rule, from memory."""
    middle = NORMAL_PACO2 + 0.7 * (within("hco3_mmol_l", hco3_mmol_l, NORMAL_HCO3, unit="mmol/L") - NORMAL_HCO3)
    return Span(middle - ALKALOSIS_ROOM, middle + ALKALOSIS_ROOM)


def acute_hco3_mmol_l(paco2_mmhg: float) -> Span:
    """Bicarbonate expected within hours of a change of PaCO2, ± 2.

    1 up for 10 mmHg above 40 (Brackett, N Engl J Med 1965;272:6), 2 down for 10 below (Arbus, N Engl J Med
    1969;280:117); both from memory.
    """
    return _expected(paco2_mmhg, ACUTE_ACIDOSIS, ACUTE_ALKALOSIS)


def chronic_hco3_mmol_l(paco2_mmhg: float) -> Span:
    """Bicarbonate expected after days of a changed PaCO2, ± 2.

    3.5 to 4 up for 10 mmHg above 40, 4 to 5 down for 10 below (from memory; authors differ within that).
    """
    return _expected(paco2_mmhg, CHRONIC_ACIDOSIS, CHRONIC_ALKALOSIS)


def _expected(paco2_mmhg: float, above: tuple[float, float], below: tuple[float, float]) -> Span:
    change = positive("paco2_mmhg", paco2_mmhg, unit="mmHg") - NORMAL_PACO2
    ends = [NORMAL_HCO3 + slope * change for slope in (above if change >= 0 else below)]
    return Span(min(ends) - HCO3_ROOM, max(ends) + HCO3_ROOM)


def anion_gap_mmol_l(sodium_mmol_l: Number, chloride_mmol_l: Number, hco3_mmol_l: Number) -> Number:
    """``Na − Cl − HCO3`` [mmol/L], potassium left out. Sodium from 90 to 200, chloride from 50 to 160."""
    sodium = within("sodium_mmol_l", sodium_mmol_l, 90.0, 200.0, unit="mmol/L")
    chloride = within("chloride_mmol_l", chloride_mmol_l, 50.0, 160.0, unit="mmol/L")
    return sodium - chloride - positive("hco3_mmol_l", hco3_mmol_l, unit="mmol/L")


def albumin_corrected_gap_mmol_l(anion_gap_mmol_l: Number, albumin_g_dl: Number) -> Number:
    """``gap + 2.5·(4 − albumin)`` [mmol/L], albumin 0.5 to 7 g/dL. Figge, Crit Care Med 1998;26:1807 (from memory)."""
    return anion_gap_mmol_l + 2.5 * (NORMAL_ALBUMIN_G_DL - within("albumin_g_dl", albumin_g_dl, 0.5, 7.0, unit="g/dL"))


def delta_gap_mmol_l(anion_gap_mmol_l: Number, hco3_mmol_l: Number) -> Number:
    """How much more the gap rose than bicarbonate fell: ``(gap − 12) − (24 − HCO3)`` [mmol/L].

    Wrenn, Ann Emerg Med 1990;19:1310 (from memory): above 6 a metabolic alkalosis, below −6 an acidosis with a normal
    gap stands beside the one that raised it.
    """
    fallen = NORMAL_HCO3 - positive("hco3_mmol_l", hco3_mmol_l, unit="mmol/L")
    return anion_gap_mmol_l - NORMAL_GAP_MMOL_L - fallen
