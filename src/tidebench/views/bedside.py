"""What can't wait, of the newest numbers at the bed: oxygen, circulation, pH. They come before what the lungs say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.care.gases.moment import in_order
from tidebench.care.weaning.found import Found, inspired, last, noted, oxygen_at
from tidebench.contradictions import against
from tidebench.formulas.indices import pf_ratio_mmhg
from tidebench.gas_contradictions import settled
from tidebench.limits import population
from tidebench.limits.published import ARDS_NETWORK, BERLIN, EUROPEAN_RDS
from tidebench.quantities import quantity
from tidebench.tensions import size
from tidebench.views.wording import listed, sentence

if TYPE_CHECKING:
    from tidebench.case import BloodGas, Case
    from tidebench.limits import Group
    from tidebench.views.handed_over import Moment

LEAST_SPO2, LEAST_PAO2_MMHG = 0.88, 55.0
TRIAL = f"{{}}: the least that the trial of ARDS accepted ({ARDS_NETWORK})"
LEAST_SPO2_NEWBORN = 0.90
NEWBORN = f"{{}}: the lowest aimed at in preterm infants on oxygen ({EUROPEAN_RDS})"
SEVERE_PF_MMHG = 100.0
SEVERE = f"P/F of at most 100 mmHg counts as severe ({BERLIN})"
LEAST_PH = 7.15
ACID = f"below 7.15 the trial of ARDS let volumes rise beyond its limit ({ARDS_NETWORK})"
LEAST_SYSTOLIC_MMHG, MOST_HEART_RATE = 90.0, 140.0
ADULT_CIRCULATION = "bounds of a breathing trial (Boles, Eur Respir J 2007;29:1033); none of treatment is held here"
CHILD_CIRCULATION = "the 5th centile of age as resuscitation courses teach it (from memory)"
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Bedside:
    """The newest numbers of a case up to a moment; what contradicts another number is left out."""

    case: Case
    until_s: float
    moment: Moment

    def newest(self, key: str) -> Found | None:
        """The newest noted number."""
        seen = last(noted(self.case, key, float("-inf"), self.until_s))
        return None if seen is None or against(self.case, key, seen.at_s) else seen

    @property
    def gas(self) -> BloodGas | None:
        """The newest arterial gas, without the numbers that something stands against."""
        arterial = [gas for gas in in_order(self.case) if gas.site == "arterial"]
        return settled(self.case, arterial[-1]) if arterial else None

    def size(self, key: str, value: float) -> str:
        """A number with its unit, a gas tension in that of the page."""
        return size(key, value, self.moment.unit)

    @property
    def group(self) -> Group | None:
        """Whose bounds hold."""
        return population(self.case.patient).group


def cannot_wait(case: Case, moment: Moment) -> Iterator[tuple[str, str]]:
    """Headline and detail of oxygen, of circulation and of pH, where one of them is beyond what people leave."""
    bed = Bedside(case, moment.until_s, moment)
    for told in (_oxygen(bed), _circulation(bed), _acid(bed)):
        if told is not None:
            yield told


def _oxygen(bed: Bedside) -> tuple[str, str] | None:
    newborn = bed.group == "newborn"
    least = LEAST_SPO2_NEWBORN if newborn else LEAST_SPO2
    shown, below, further, when = [], [], [], []
    spo2, gas = bed.newest("spo2"), bed.gas
    if spo2 is not None and spo2.value < least:
        oxygen = None if spo2.at_s is None else oxygen_at(bed.case, spo2.at_s)
        shown.append(f"SpO2 {quantity('spo2').text(spo2.value)}{'' if oxygen is None else f' on FiO2 {oxygen:.2f}'}")
        below.append(quantity("spo2").text(least))
        when.append(f"SpO2 {bed.moment.taken(spo2.at_s)}")
    if gas is not None and gas.pao2_mmhg is not None and not newborn:
        fio2 = inspired(bed.case, gas, bed.case.drawn_at_s(gas))
        ratio = None if fio2 is None else float(pf_ratio_mmhg(gas.pao2_mmhg, fio2, "arterial"))
        low, severe = gas.pao2_mmhg < LEAST_PAO2_MMHG, ratio is not None and ratio <= SEVERE_PF_MMHG
        if low or severe:
            of_ratio = "" if ratio is None else f" (P/F {bed.size('pf_ratio_mmhg', ratio)})"
            shown.append(f"PaO2 {bed.size('pao2_mmhg', gas.pao2_mmhg)}{of_ratio}")
            below += [f"PaO2 {bed.size('pao2_mmhg', LEAST_PAO2_MMHG)}"] if low else []
            further += [SEVERE] if severe and bed.group != "child" else []
            when.append(f"gas {bed.moment.taken(bed.case.drawn_at_s(gas))}")
    if not shown:
        return None
    if below:
        further.insert(0, (NEWBORN if newborn else TRIAL).format(f"Below {listed(below)}"))
    return sentence(f"little oxygen: {listed(shown)}"), _sentences("; ".join(when), *further)


def _circulation(bed: Bedside) -> tuple[str, str] | None:
    pressure, rate = bed.newest("systolic_mmhg"), bed.newest("heart_rate_per_min")
    least = _least_systolic(bed)
    fast = bed.group == "adult" and rate is not None and rate.value > MOST_HEART_RATE
    low = least is not None and pressure is not None and pressure.value < least
    shown, bounds, when = [], [], []
    if low and pressure is not None:
        shown.append(f"systolic pressure {quantity('systolic_mmhg').text(pressure.value)}")
        bounds.append(f"systolic pressure below {quantity('systolic_mmhg').text(least)}")
        when.append(f"pressure {bed.moment.taken(pressure.at_s)}")
    if fast and rate is not None:
        shown.append(f"heart rate {quantity('heart_rate_per_min').text(rate.value)}")
        bounds.append(f"heart rate above {quantity('heart_rate_per_min').text(MOST_HEART_RATE)}")
        when.append(f"heart rate {bed.moment.taken(rate.at_s)}")
    if not shown:
        return None
    source = ADULT_CIRCULATION if bed.group == "adult" else CHILD_CIRCULATION
    return sentence(f"circulation: {listed(shown)}"), _sentences("; ".join(when), f"{listed(bounds)}: {source}")


def _least_systolic(bed: Bedside) -> float | None:
    """Of adults the bound of a breathing trial; of the young 60, 70 and 70 + 2·age mmHg; preterm infants have none."""
    patient = bed.case.patient
    if bed.group == "adult":
        return LEAST_SYSTOLIC_MMHG
    years = patient.age_days / DAYS_PER_YEAR if patient.age_days is not None else patient.age_years
    if years is None or bed.group is None or (bed.group == "newborn" and (patient.gestational_age_weeks or 40) < 37):
        return None
    if bed.group == "newborn":
        return 60.0
    return 70.0 if years < 1 else min(70.0 + 2.0 * years, LEAST_SYSTOLIC_MMHG)


def _acid(bed: Bedside) -> tuple[str, str] | None:
    gas = bed.gas
    if gas is None or gas.ph is None or gas.ph >= LEAST_PH:
        return None
    carbon = "" if gas.paco2_mmhg is None else f", PaCO2 {bed.size('paco2_mmhg', gas.paco2_mmhg)}"
    when = bed.moment.taken(bed.case.drawn_at_s(gas))
    return f"Acid blood: pH {quantity('ph').text(gas.ph)}{carbon}.", _sentences(f"gas {when}", ACID)


def _sentences(*parts: str) -> str:
    return " ".join(sentence(words) for words in parts)
