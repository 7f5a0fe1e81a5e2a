"""A transport plan: oxygen, battery and altitude against the way, and what is taken along."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tidebench.care.preparation.request import Oxygen, Request, Transport
from tidebench.care.preparation.sheet import Line, Section, Subject, Verdict, number, span, told, untold
from tidebench.care.preparation.supply import (
    SEA_LEVEL_MMHG,
    WATER_MMHG,
    Supply,
    air_mmhg,
    cylinders_needed,
    fio2_under,
)
from tidebench.care.preparation.ventilation import Chooser
from tidebench.quantities import COMMON_PRACTICE

ALOFT = "In sea-level litres, for the FiO2 needed in the cabin."
BEYOND = "No oxygen brings the same oxygen pressure there: FiO2 1 is counted, and whether that is enough is for people."
TAKE = (
    "Self-inflating bag with mask and reservoir, on the bed and not in a case.",
    "Suction with power of its own; catheters; a spare tube and what is needed to place it.",
    "Drugs drawn up and pumps with charged batteries; access that can be reached.",
    "Monitor with capnography, alarms audible on the way; the transport ventilator's alarms set for this patient.",
)
BEFORE = (
    "Ten minutes on the transport ventilator at the bed, settings as they were; then gas or saturation and EtCO2 "
    "looked at before leaving.",
    "Tube fixed, depth noted, cuff measured; lines and drains secured, stomach emptied.",
    "The place that receives knows, and has settings, oxygen and power ready.",
)
UNDERWAY = (
    "Who watches the patient does nothing else. At each transfer: chest, EtCO2, saturation, tube depth, "
    "cylinder gauge.",
    "If in doubt, off the ventilator and by hand.",
)


def journey_section(request: Request, subject: Subject, supply: Supply) -> Section | None:
    """The plan, where a journey is stated."""
    plan = request.transport
    if plan is None:
        return None
    lines = [told("journey_min", "the way", plan.minutes, plan.minutes, "min", "As stated.", decimals=0),
             *_oxygen(plan, request.oxygen or Oxygen(), subject, supply, request.lungs.fio2), _battery(plan, subject),
             *_altitude(plan, supply.fio2)]  # fmt: skip
    return Section("journey", "Transport plan", tuple(lines), (*BEFORE, *TAKE, *UNDERWAY))


def _oxygen(plan: Transport, asked: Oxygen, subject: Subject, supply: Supply, needed: float | None) -> Iterator[Line]:
    look = Chooser(subject)
    factor = look.need("journey_factor")
    if supply.draw is None:
        yield untold("journey_oxygen_l", "oxygen to take", "What is drawn is not known.")
        return
    air = air_mmhg(plan)
    low, high = (drawn * plan.minutes * factor.high for drawn in supply.draw.under(air))
    beyond = fio2_under(supply.fio2, air)[1] > 1.0
    count = cylinders_needed(high, asked, look.need("cylinder_reserve_bar").high)
    why = f"{number(factor.high)} times what the way takes. {factor.text}"
    why += f" At most: {count}." if count else ""
    why += "" if plan.cabin_altitude_m is None else f" {BEYOND if beyond else ALOFT}"
    litres = f"{span(math.ceil(low), math.ceil(high), 0)} L"
    yield Line("journey_oxygen_l", "oxygen to take", litres, low, high, "L", why, factor.kind, factor.source)
    if supply.usable_l is None:
        yield untold("journey_oxygen_enough", "oxygen at hand is enough", "No cylinder is stated.")
        return
    verdict: Verdict = "pass" if supply.usable_l >= high else "fail" if supply.usable_l < low else "not judged"
    verdict = "not judged" if verdict == "pass" and beyond else verdict
    words = {"pass": "yes", "fail": "no", "not judged": "can't be told"}[verdict]
    missing = max(0.0, high - supply.usable_l)
    why = "Even at the most that may be drawn."
    if verdict != "pass":
        why = f"Short by {math.ceil(missing)} L at the most drawn."
    if verdict == "not judged" and beyond and not missing:
        why = f"As far as litres go, yes. {BEYOND}"
    elif verdict == "not judged":
        unsaid = [
            words
            for words, value in (
                ("base flow", asked.base_flow_l_min), ("leak", asked.leak_l_min), ("drive gas", asked.drive_gas_l_min),
                ("minute volume", asked.minute_volume_l_min), ("FiO2", asked.fio2 or needed),
            )
            if value is None
        ]  # fmt: skip
        why += f" State {', '.join(unsaid)} under [oxygen], or take more." if unsaid else " Take more."
    yield Line("journey_oxygen_enough", "oxygen at hand is enough", words, why=why, kind=factor.kind,
               source=factor.source, verdict=verdict)  # fmt: skip


def _battery(plan: Transport, subject: Subject) -> Line:
    factor = Chooser(subject).need("journey_factor")
    needed = factor.high * plan.minutes
    if plan.battery_minutes is None:
        return untold("journey_battery", "battery", f"Not stated; {needed:.0f} min are wanted, and a second one.")
    verdict: Verdict = "pass" if plan.battery_minutes >= needed else "fail"
    return Line("journey_battery", "battery", f"{math.floor(plan.battery_minutes)} min", plan.battery_minutes,
                plan.battery_minutes, "min",
                f"{needed:.0f} min are wanted, {number(factor.high)} times the way; an old battery gives less than it "
                "shows.", factor.kind, factor.source, verdict)  # fmt: skip


def _altitude(plan: Transport, fio2: tuple[float, float]) -> Iterator[Line]:
    if plan.cabin_altitude_m is None:
        return
    air = air_mmhg(plan)
    yield told("cabin_pressure_mmhg", "air pressure in the cabin", air, air, "mmHg",
               f"Standard atmosphere at {plan.cabin_altitude_m:g} m.", decimals=0)  # fmt: skip
    yield _cabin_fio2(fio2, air)
    growth = 100.0 * ((SEA_LEVEL_MMHG - WATER_MMHG) / (air - WATER_MMHG) - 1.0)
    yield told("gas_expansion_percent", "trapped gas grows by", growth, growth, "%",
               "Moist, as in the body: (760 − 47)/(PB − 47). A cuff, a pneumothorax, a stomach: cuff pressure is "
               "measured on the way up and down.", decimals=0, kind="common practice",
               source=COMMON_PRACTICE)  # fmt: skip


def _cabin_fio2(fio2: tuple[float, float], air_mmhg: float) -> Line:
    """The FiO2 needed in the cabin; failed where even pure oxygen doesn't do."""
    key, label = "cabin_fio2", "FiO2 needed there"
    low, high = fio2_under(fio2, air_mmhg)
    why = f"The same oxygen pressure as FiO2 {span(*fio2, 2)} at sea level: FiO2·(760 − 47)/(PB − 47)."
    if high <= 1.0:
        return told(key, label, low, high, "", why, decimals=2)
    why += " A lower cabin altitude or more PEEP is for people to decide."
    words = "more than 1" if low > 1.0 else f"{number(low, 2)} to more than 1"
    return Line(key, label, words, low, high, "", why, verdict="fail" if low > 1.0 else "not judged")
