"""A blood gas against itself and what was noted beside it: dissociation curve, Henderson and Hasselbalch, units.

A number that is only possible in the other unit of pressure is the slip looked for: kPa where mmHg is meant, or the
other way round. What is contradicted is used for nothing until a person has settled it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from tidebench.case import MMHG_PER_KPA, BloodGas, Case, Observed
from tidebench.formulas.acid_base import ph_disagreement
from tidebench.formulas.gas_exchange import WATER_MMHG, bicarbonate_mmol_l, oxygen_saturation

P50_MMHG = 26.6
P50_SPAN_MMHG = (18.0, 36.0)
"""From fetal haemoglobin to fever and acidosis (from memory); the curve is tried over all of it."""
FETAL_P50_SPAN_MMHG = (16.0, 36.0)
"""Of young infants: fetal blood's is about 19 (Delivoria-Papadopoulos, Pediatr Res 1971;5:235, from memory), and 3 less
for the scatter between infants and of their oximeters (this house's choice).
"""
FETAL_UNTIL_DAYS = 90.0
"""After term, until when fetal haemoglobin may move the curve (from memory)."""
TERM_WEEKS = 40.0
SATURATION_SLACK, PULSE_SLACK = 0.02, 0.04
"""What a co-oximeter and a pulse oximeter may be off beside it (from memory)."""
PH_SLACK = 0.05
"""Of pH against PaCO2 and bicarbonate, from where on none of them is used (common practice, no source)."""
LOW_PO2_MMHG = 30.0
"""Climbers just below the highest summit had 19.1 to 29.5 (Grocott, N Engl J Med 2009;360:140); newborns have less."""
LOW_PCO2_MMHG = 15.0
"""About where breathing against a metabolic acidosis ends (common practice, no source)."""
HCO3_SPAN_MMOL_L = (2.0, 60.0)
"""What bicarbonate can be beside a pH and a PaCO2 that are both right (common practice, no source)."""
NOTED_NEAR_S = 1800.0
"""A number noted within half an hour belongs to a gas, unless settings changed between (common practice, no source)."""
YOUNG_DAYS = 28.0
CURVE = "by the dissociation curve (asked about)"


class Against(NamedTuple):
    """What stands against numbers of a gas: their keys, a question, and the same in few words."""

    keys: frozenset[str]
    question: str
    short: str


Found = Iterator[Against]


def noted_near(case: Case, gas: BloodGas) -> list[Observed]:
    """Rows noted near a gas, nearest first. A gas without a time goes with what was noted at a single time."""
    rows, at_s = list(case.observed), case.drawn_at_s(gas)
    if at_s is None:
        alone = gas.time is None and len(case.blood_gases) == 1
        return rows if alone and len({row.at_s for row in rows}) == 1 else []
    setting = case.setting_at(at_s)
    near = [row for row in rows if abs(row.at_s - at_s) <= NOTED_NEAR_S and case.setting_at(row.at_s) is setting]
    return sorted(near, key=lambda row: abs(row.at_s - at_s))


def of_gas(case: Case, gas: BloodGas, at_s: float | None = None) -> str | None:
    """What stands against the oxygen tension of a gas by its own saturation; None where nothing does."""
    if gas.pao2_mmhg is None or gas.sao2 is None:
        return None
    beside = f"a saturation of {100 * gas.sao2:.0f} %"
    return _by_curve(gas, gas.pao2_mmhg, gas.sao2, SATURATION_SLACK, beside, at_s, p50_span_mmhg(case))


def settled(case: Case, gas: BloodGas) -> BloodGas:
    """A gas without the numbers that something stands against."""
    keys = {key for one in of_gas_beside(case, gas) for key in one.keys}
    return gas.model_copy(update=dict.fromkeys(keys)) if keys else gas


def of_gas_beside(case: Case, gas: BloodGas) -> Found:
    """Everything that stands against a gas."""
    at_s = case.drawn_at_s(gas)
    yield from _oxygen(case, gas, at_s)
    yield from _carbon_dioxide(gas, at_s)


def _oxygen(case: Case, gas: BloodGas, at_s: float | None) -> Found:
    po2 = gas.pao2_mmhg
    if po2 is None:
        return
    if (text := of_gas(case, gas, at_s)) is not None:
        short = f"PaO2 {po2:.3g} mmHg and SaO2 {100 * (gas.sao2 or 0.0):.0f} % don't go together {CURVE}"
        yield Against(frozenset({"pao2_mmhg", "sao2"}), text, short)
    if gas.sao2 is not None or gas.site != "arterial":
        return
    pulse = next((row.spo2 for row in noted_near(case, gas) if row.spo2 is not None), None)
    if pulse is None:
        if po2 < LOW_PO2_MMHG and not _newborn(case) and _could_be_kpa(gas, po2):
            short = f"PaO2 {po2:.3g} mmHg, with no saturation beside it, may be in kPa (asked about)"
            yield Against(frozenset({"pao2_mmhg"}), _alone(po2, at_s), short)
        return
    beside = f"an SpO2 of {100 * pulse:.0f} % noted with it"
    if text := _by_curve(gas, po2, pulse, PULSE_SLACK, beside, at_s, p50_span_mmhg(case)):
        short = f"PaO2 {po2:.3g} mmHg and SpO2 {100 * pulse:.0f} % don't go together {CURVE}"
        yield Against(frozenset({"pao2_mmhg"}), text, short)


def _by_curve(
    gas: BloodGas,
    po2: float,
    saturation: float,
    slack: float,
    beside: str,
    at_s: float | None,
    p50: tuple[float, float],
) -> str | None:
    """A tension and a saturation that the curve doesn't join, as a question; None where it does.

    Severinghaus's curve (J Appl Physiol 1979;46:599) at the pH of the gas, moved over a span of P50. A
    saturation too low for its tension is asked about only where the tension fits in the other unit: carbon monoxide and
    methaemoglobin make one too low.
    """
    low, high = saturations(po2, gas.ph, p50)
    too_high, too_low = saturation > high + slack, saturation < low - slack
    other = po2 * MMHG_PER_KPA if too_high else po2 / MMHG_PER_KPA
    least, most = saturations(other, gas.ph, p50)
    slip = least - slack <= saturation <= most + slack and (too_low or _could_be_kpa(gas, po2))
    if not too_high and not (too_low and slip):
        return None
    stated, meant = ("mmHg", "kPa") if too_high else ("kPa", "mmHg")
    unit = f"; typed in {meant} it would be {other:.3g} mmHg, which fits" if slip else ""
    size = f"{po2:.3g} mmHg" if stated == "mmHg" else f"{po2:.3g} mmHg ({po2 / MMHG_PER_KPA:.3g} kPa)"
    return (
        f"The case says an oxygen tension of {size} and {beside} in a gas{_when(at_s)}, and by the dissociation curve "
        f"that tension goes with {100 * low:.0f} to {100 * high:.0f} %{unit}: are both right, and is the sample what "
        "it is said to be?"
    )


def _alone(po2: float, at_s: float | None) -> str:
    return (
        f"The case says an arterial oxygen tension of {po2:.3g} mmHg{_when(at_s)}, and no saturation beside it that "
        f"would settle it; typed in kPa it would be {po2 * MMHG_PER_KPA:.3g} mmHg: is it right in mmHg?"
    )


def _could_be_kpa(gas: BloodGas, po2: float) -> bool:
    """True where the number, taken in kPa, is no more than inspired gas can give."""
    return po2 * MMHG_PER_KPA <= (1.0 if gas.fio2 is None else gas.fio2) * (760.0 - WATER_MMHG)


def _newborn(case: Case) -> bool:
    """True at and soon after birth, where blood of the cord has so little oxygen."""
    patient = case.patient
    days = patient.age_days if patient.age_years is None else patient.age_years * 365.25
    return days <= YOUNG_DAYS if days is not None else patient.gestational_age_weeks is not None


def _carbon_dioxide(gas: BloodGas, at_s: float | None) -> Found:
    """PaCO2 against pH and bicarbonate; without bicarbonate, a very low one that may be in kPa."""
    ph, pco2, base = gas.ph, gas.paco2_mmhg, gas.hco3_mmol_l
    if ph is None or pco2 is None:
        return
    other = pco2 * MMHG_PER_KPA
    if base is None:
        low, high = HCO3_SPAN_MMOL_L
        if pco2 < LOW_PCO2_MMHG and low <= bicarbonate_mmol_l(other, ph) <= high:
            yield Against(
                frozenset({"paco2_mmhg"}),
                f"The case says a PaCO2 of {pco2:.3g} mmHg{_when(at_s)}, and no bicarbonate beside it that would "
                f"settle it; typed in kPa it would be {other:.3g} mmHg: is it right in mmHg?",
                f"PaCO2 {pco2:.3g} mmHg, with no bicarbonate beside it, may be in kPa (asked about)",
            )
        return
    apart = ph_disagreement(ph, pco2, base)
    if abs(apart) <= PH_SLACK:
        return
    other = other if apart < 0 else pco2 / MMHG_PER_KPA
    slip = abs(ph_disagreement(ph, other, base)) <= PH_SLACK
    meant = "kPa" if apart < 0 else "mmHg"
    unit = f"; typed in {meant}, PaCO2 would be {other:.3g} mmHg, which fits" if slip else ""
    yield Against(
        frozenset({"paco2_mmhg"} if slip else {"ph", "paco2_mmhg", "hco3_mmol_l"}),
        f"The case says numbers that contradict each other in a gas{_when(at_s)}: pH {ph:.2f} is stated, and PaCO2 "
        f"{pco2:.3g} mmHg with bicarbonate {base:g} mmol/L gives {ph - apart:.2f}{unit}: are all right?",
        f"pH {ph:.2f}, PaCO2 {pco2:.3g} mmHg and bicarbonate {base:g} mmol/L contradict each other (asked about)",
    )


def _when(at_s: float | None) -> str:
    return "" if at_s is None else f" at {at_s:g} s"


def p50_span_mmhg(case: Case) -> tuple[float, float]:
    """The span of P50 of a patient: of young infants with fetal haemoglobin, else of all others."""
    patient = case.patient
    days = patient.age_days if patient.age_years is None else patient.age_years * 365.25
    weeks = patient.gestational_age_weeks
    if days is None:
        return P50_SPAN_MMHG if weeks is None else FETAL_P50_SPAN_MMHG
    after_term = days if weeks is None else days - 7.0 * (TERM_WEEKS - weeks)
    return FETAL_P50_SPAN_MMHG if after_term < FETAL_UNTIL_DAYS else P50_SPAN_MMHG


def saturations(po2_mmhg: float, ph: float | None, span: tuple[float, float] = P50_SPAN_MMHG) -> tuple[float, float]:
    """The lowest and highest saturation that a tension goes with, over a span of P50."""
    at = 7.4 if ph is None else ph
    steepest, flattest = (float(oxygen_saturation(po2_mmhg * P50_MMHG / p50, at)) for p50 in span)
    return flattest, steepest
