"""Records of practice: where ventilation starts and where alarms are set."""

from __future__ import annotations

import math
from collections.abc import Iterable

from tidebench.case import Lungs
from tidebench.limits.practice import Practice, chosen
from tidebench.limits.published import KESZLER, SMALL_KG
from tidebench.limits.record import NEWBORN_UNTIL_DAYS, Group, Kind
from tidebench.quantities import COMMON_PRACTICE

_ARDS_NETWORK = "ARDS Network, N Engl J Med 2000;342:1301"
_PALICC_2 = "PALICC-2, Pediatr Crit Care Med 2023;24:143 (from memory)"
_PAEDIATRIC = "European paediatric consensus, Kneyber, Intensive Care Med 2017;43:1764 (from memory)"
_KLINGENBERG = "Klingenberg, J Perinatol 2011;31:575"
_RDS = "European consensus on respiratory distress syndrome 2022 (from memory)"
_BRAIN = "Robba, Intensive Care Med 2020;46:2397, consensus (from memory)"
_MASK = "BTS/ICS guideline, Thorax 2016;71:ii1 (from memory)"
_OXYGEN = "BTS guideline on oxygen, Thorax 2017;72:ii1 (from memory)"
_RESUSCITATION = "ERC guideline on the newborn, Resuscitation 2021;161:291 (from memory)"
_TYPICAL = "Teaching range (from memory)"
_TOCHEN = "Tochen, J Pediatr 1979;95:1050"
_PROGRAMME = "newborn resuscitation programme (edition from memory)"
FOUR_WEEKS = (NEWBORN_UNTIL_DAYS + 1.0) / 365.25
"""Years up to which an infant is a newborn by age alone."""
_MAY_RISE = (
    "CO2 may rise here, and EtCO2 lies further below PaCO2 than in healthy lungs: set again around the first gas. A "
    "zero is the tube, until the opposite is shown."
)
_BRAIN_OXYGEN = "Low oxygen harms the injured brain."
_SMALL = "By actual weight. Below 0.7 kg the flow sensor's dead space counts."
_UNSURE = "Teaching range (from memory, unsure)"
_COHORTS = "Teaching range, beside 799 patients with COVID-19: 36 (29 to 45) mL/cmH2O"


_STOMACH = "By mask, gas goes into the stomach from about 20 to 25."


def _usual(
    item: str,
    group: Group,
    low: float,
    high: float,
    text: str = "",
    lungs: Lungs | None = None,
    below_years: float = 150.0,
    kind: Kind = "common practice",
    source: str = COMMON_PRACTICE,
    below_kg: float = math.inf,
) -> Practice:
    return Practice(item, group, low, high, kind, source, text, lungs, below_years, below_kg)


_ADULT = (
    _usual("tidal_volume_ml_kg", "adult", 6, 8, "By predicted weight: lungs grow with height, not with weight."),
    _usual(
        "tidal_volume_ml_kg",
        "adult",
        4,
        8,
        "The trial began at 8 mL/kg, went down by 1 at most every two hours to 6, "
        "and allowed 4 to 8 while the plateau stayed within 30 cmH2O.",
        "ARDS",
        kind="trial target",
        source=_ARDS_NETWORK,
    ),
    _usual("minute_volume_ml_kg_min", "adult", 100, 100, "It makes the ventilatory ratio 1 in healthy lungs."),
    _usual("rate_per_min", "adult", 12, 18, "Then by PaCO2 and pH."),
    _usual(
        "rate_per_min",
        "adult",
        20,
        35,
        "Small volumes need a higher rate for the same PaCO2. 35 was the trial's "
        "highest; 20 as a start is common practice.",
        "ARDS",
        kind="trial target",
        source=_ARDS_NETWORK,
    ),
    _usual("rate_per_min", "adult", 8, 12, "Time to breathe out comes first; PaCO2 may rise.", "obstructive"),
    _usual("inspiratory_time_s", "adult", 0.8, 1.2),
    _usual("expiratory_parts", "adult", 2, 2),
    _usual(
        "expiratory_parts",
        "adult",
        1,
        1.3,
        "The trial's I:E of 1:1 to 1:1.3: inspiration not longer than expiration.",
        "ARDS",
        kind="trial target",
        source=_ARDS_NETWORK,
    ),
    _usual("expiratory_parts", "adult", 3, 5, "Long expiration, so that less gas is trapped.", "obstructive"),
    _usual("peep_cmh2o", "adult", 5, 5),
    _usual(
        "peep_cmh2o",
        "adult",
        0,
        5,
        "A passive patient with trapped gas gains nothing from more; where the patient "
        "triggers, PEEP below intrinsic PEEP eases it.",
        "obstructive",
    ),
    _usual(
        "peep_cmh2o",
        "adult",
        5,
        8,
        "Watch blood pressure and intracranial pressure when PEEP is changed; the head raised and in line.",
        "raised intracranial pressure",
    ),
    _usual(
        "fio2",
        "adult",
        1.0,
        1.0,
        "For the moment of intubation and connecting, then down to the saturation aimed at within minutes.",
    ),
    _usual(
        "trigger_flow_l_min", "adult", 1, 3, "As sensitive as it can be without triggering by leak, water or heartbeat."
    ),
    _usual("trigger_pressure_cmh2o", "adult", 0.5, 2),
    _usual("rise_s", "adult", 0.05, 0.2, "Shorter for a patient who pulls hard, longer where pressure overshoots."),
    _usual("cycling_percent", "adult", 25, 30),
    _usual("cycling_percent", "adult", 40, 50, "Flow falls slowly, so a low cut ends inspiration late.", "obstructive"),
    _usual("spo2", "adult", 0.92, 0.96),
    _usual(
        "spo2",
        "adult",
        0.88,
        0.95,
        "The trial's goal, or PaO2 55 to 80 mmHg.",
        "ARDS",
        kind="trial target",
        source=_ARDS_NETWORK,
    ),
    _usual(
        "spo2",
        "adult",
        0.88,
        0.92,
        "Where CO2 is retained; 0.94 to 0.98 in asthma without retention.",
        "obstructive",
        kind="consensus",
        source=_OXYGEN,
    ),
    _usual(
        "spo2",
        "adult",
        0.94,
        0.98,
        "Low oxygen harms the injured brain; much oxygen helps it no further.",
        "raised intracranial pressure",
    ),
    _usual("pao2_mmhg", "adult", 80, 120, "", "raised intracranial pressure", kind="consensus", source=_BRAIN),
    _usual("paco2_mmhg", "adult", 35, 45),
    _usual(
        "paco2_mmhg",
        "adult",
        35,
        45,
        "CO2 widens the brain's vessels, low CO2 starves it: checked by a gas and watched by EtCO2.",
        "raised intracranial pressure",
        kind="consensus",
        source=_BRAIN,
    ),
    _usual(
        "ph",
        "adult",
        7.30,
        7.45,
        "From 7.15 the trial raised the rate first, to 35.",
        "ARDS",
        kind="trial target",
        source=_ARDS_NETWORK,
    ),
    _usual(
        "ph",
        "adult",
        7.20,
        7.45,
        "PaCO2 above the usual is accepted, unless intracranial pressure is raised or the heart fails.",
        "obstructive",
    ),
    _usual("time_constant_s", "adult", 0.5, 0.7, "Tube included.", kind="common practice", source=_TYPICAL),
    _usual("time_constant_s", "adult", 0.3, 0.6, "Stiff lungs empty fast.", "ARDS", source=_TYPICAL),
    _usual("time_constant_s", "adult", 1.0, 2.0, "Narrow airways empty slowly.", "obstructive", source=_TYPICAL),
    _usual("time_constant_s", "adult", 0.4, 0.4, "", "neuromuscular", source=_TYPICAL),
    _usual("compliance_ml_cmh2o", "adult", 50, 80, "", source=_TYPICAL),
    _usual("compliance_ml_cmh2o", "adult", 25, 45, "", "ARDS", source=_COHORTS),
    _usual(
        "compliance_ml_cmh2o",
        "adult",
        40,
        70,
        "Severe asthma 40 to 70, chronic disease 50 to 70.",
        "obstructive",
        source=_TYPICAL,
    ),
    _usual("compliance_ml_cmh2o", "adult", 30, 50, "Later low.", "neuromuscular", source=_TYPICAL),
    _usual(
        "adult_tube_mm",
        "adult",
        7.0,
        8.0,
        "Women 7.0 to 7.5, men 7.5 to 8.0; wide enough for a bronchoscope where one is expected.",
    ),
    _usual(
        "adult_tube_depth_cm",
        "adult",
        21,
        23,
        "21 for women, 23 for men.",
        source="Owen & Cheney 1987 (from memory)",
    ),
    _usual("mask_support_cmh2o", "adult", 5, 10, "Raised to the volume and comfort aimed at."),
    _usual(
        "mask_support_cmh2o",
        "adult",
        12,
        17,
        "15 absolute over 3 at the start, up to 20 to 30 absolute within 10 to 30 minutes where acidosis needs it.",
        "obstructive",
        kind="consensus",
        source=_MASK,
    ),
    _usual(
        "mask_support_cmh2o",
        "adult",
        5,
        7,
        "10 absolute, or 5 above: weak muscles, not stiff lungs, are helped.",
        "neuromuscular",
        kind="consensus",
        source=_MASK,
    ),
    _usual("mask_peep_cmh2o", "adult", 4, 5),
    _usual("mask_peep_cmh2o", "adult", 3, 5, "", "obstructive", kind="consensus", source=_MASK),
    _usual("mask_peep_cmh2o", "adult", 3, 4, "", "neuromuscular", kind="consensus", source=_MASK),
    _usual(
        "mask_rate_per_min", "adult", 16, 20, "A backup, under the patient's own rate.", kind="consensus", source=_MASK
    ),
    _usual(
        "mask_cycling_percent", "adult", 30, 50, "A leak keeps flow up: a low cut would end inspiration late, or never."
    ),
    _usual("mask_fio2", "adult", 0.4, 1.0, "Then down to the saturation aimed at within minutes."),
    _usual(
        "mask_fio2",
        "adult",
        0.24,
        0.35,
        "Controlled: only as much as the saturation aimed at takes.",
        "obstructive",
        kind="consensus",
        source=_OXYGEN,
    ),
    _usual(
        "mask_fio2",
        "adult",
        0.21,
        0.35,
        "Only as much as the saturation aimed at takes, 0.88 to 0.92 where CO2 is retained: more hides that it rises.",
        "neuromuscular",
        kind="consensus",
        source=_MASK,
    ),
    _usual("mask_longest_inspiration_s", "adult", 1.0, 1.5, "Ends inspiration where a leak hides the fall of flow."),
    _usual("alarm_rate_high_per_min", "adult", 30, 35),
    _usual(
        "alarm_etco2_mmhg",
        "adult",
        30,
        43,
        "PaCO2 of 35 to 45 mmHg is aimed at; in healthy lungs EtCO2 is 2 to 5 mmHg lower: a gas tells by how much.",
        "raised intracranial pressure",
    ),
    _usual("alarm_etco2_mmhg", "adult", 25, 60, _MAY_RISE, "ARDS"),
    _usual("alarm_etco2_mmhg", "adult", 25, 60, _MAY_RISE, "obstructive"),
    _usual("alarm_apnoea_s", "adult", 20, 20),
    _usual("alarm_minute_volume_below_percent", "adult", 25, 50),
    _usual("alarm_minute_volume_above_percent", "adult", 25, 50),
    _usual("alarm_pressure_cap_cmh2o", "adult", 40, 50),
    _usual("mask_alarm_pressure_cap_cmh2o", "adult", 25, 35, _STOMACH),
    _usual("mask_alarm_pressure_cap_cmh2o", "adult", 20, 25, _STOMACH, "neuromuscular"),
    _usual("alarm_spo2_under", "adult", 0.02, 0.04),
    _usual("alarm_spo2_under", "adult", 0.01, 0.02, _BRAIN_OXYGEN, "raised intracranial pressure"),
    _usual("circuit_compliance_ml_cmh2o", "adult", 1.5, 3, "Heated tubing."),
    _usual("unstated_base_flow_l_min", "adult", 0, 10),
)

_CHILD = (
    _usual("tidal_volume_ml_kg", "child", 6, 8, "By the lower of actual and reference weight.", kind="common practice"),
    _usual(
        "tidal_volume_ml_kg",
        "child",
        6,
        8,
        "Less, even below 6, where pressures would be too high; not above 8.",
        "ARDS",
        kind="consensus",
        source=_PALICC_2,
    ),
    _usual("rate_per_min", "child", 25, 40, "", below_years=1),
    _usual("rate_per_min", "child", 20, 30, "", below_years=6),
    _usual("rate_per_min", "child", 16, 24, "", below_years=12),
    _usual("rate_per_min", "child", 12, 20, ""),
    _usual("rate_per_min", "child", 15, 25, "Time to breathe out comes first.", "obstructive", 1),
    _usual("rate_per_min", "child", 10, 18, "Time to breathe out comes first.", "obstructive"),
    _usual("inspiratory_time_s", "child", 0.4, 0.6, "", below_years=1),
    _usual("inspiratory_time_s", "child", 0.6, 0.8, "", below_years=6),
    _usual("inspiratory_time_s", "child", 0.7, 1.0, ""),
    _usual("expiratory_parts", "child", 2, 2),
    _usual("expiratory_parts", "child", 3, 5, "Long expiration, so that less gas is trapped.", "obstructive"),
    _usual("peep_cmh2o", "child", 5, 8, "", kind="consensus", source=_PAEDIATRIC),
    _usual("peep_cmh2o", "child", 3, 5, "Below intrinsic PEEP where the child triggers.", "obstructive"),
    _usual(
        "fio2",
        "child",
        0.4,
        1.0,
        "What was breathed before and more for connecting, then down to the saturation aimed at.",
    ),
    _usual(
        "trigger_flow_l_min",
        "child",
        0.2,
        0.5,
        "As sensitive as it can be without triggering by leak or water.",
        below_years=1,
    ),
    _usual("trigger_flow_l_min", "child", 0.5, 2, "As sensitive as it can be without triggering by leak or water."),
    _usual("rise_s", "child", 0.05, 0.2),
    _usual("cycling_percent", "child", 25, 30),
    _usual("cycling_percent", "child", 40, 50, "Flow falls slowly, so a low cut ends inspiration late.", "obstructive"),
    _usual("spo2", "child", 0.92, 0.97),
    _usual(
        "spo2",
        "child",
        0.92,
        0.97,
        "Mild and moderate; 0.88 to 0.92 in severe disease once PEEP is optimised.",
        "ARDS",
        kind="consensus",
        source=_PALICC_2,
    ),
    _usual("spo2", "child", 0.94, 0.98, "Low oxygen harms the injured brain.", "raised intracranial pressure"),
    _usual("paco2_mmhg", "child", 35, 45),
    _usual(
        "paco2_mmhg",
        "child",
        40,
        60,
        "It may rise: forcing it down traps gas. Higher still where pH stays above about 7.2.",
        "obstructive",
    ),
    _usual(
        "paco2_mmhg",
        "child",
        35,
        40,
        "CO2 widens the brain's vessels, low CO2 starves it.",
        "raised intracranial pressure",
    ),
    _usual(
        "ph", "child", 7.20, 7.45, "Hypercapnia is permitted down to there.", "ARDS", kind="consensus", source=_PALICC_2
    ),
    _usual("time_constant_s", "child", 0.15, 0.3, "", below_years=1, source=_TYPICAL),
    _usual("time_constant_s", "child", 0.2, 0.35, "", below_years=12, source=_TYPICAL),
    _usual("time_constant_s", "child", 0.3, 0.6, "", source=_TYPICAL),
    _usual("time_constant_s", "child", 0.3, 0.6, "", "obstructive", 1, source=_UNSURE),
    _usual("time_constant_s", "child", 0.4, 1.0, "", "obstructive", source=_UNSURE),
    _usual("compliance_ml_cmh2o_kg", "child", 1.0, 1.5, "", below_years=1, source=_TYPICAL),
    _usual("compliance_ml_cmh2o_kg", "child", 1.0, 1.0, "", source=_TYPICAL),
    _usual("compliance_ml_cmh2o_kg", "child", 0.3, 0.7, "Stiff lungs.", "ARDS", source=_UNSURE),
    _usual("time_constant_s", "child", 0.1, 0.3, "Stiff lungs empty fast.", "ARDS", source=_UNSURE),
    _usual(
        "cuffed_tube_over_age_mm",
        "child",
        3.5,
        3.5,
        "From 2 years on.",
        source="Motoyama 1990; Duracher, Paediatr Anaesth 2008;18:113",
    ),
    _usual("uncuffed_tube_over_age_mm", "child", 4, 4, "From 1 year on.", source="Cole 1957"),
    _usual("tube_depth_over_age_cm", "child", 12, 12, "From 2 years on.", source="as taught; tested in 300 children"),
    _usual("tube_depth_over_weight_cm", "child", 6, 6, "Up to 5 kg.", source=_TOCHEN),
    _usual("mask_support_cmh2o", "child", 5, 10, "Raised to the volume and comfort aimed at."),
    _usual("mask_peep_cmh2o", "child", 4, 6),
    _usual("mask_rate_per_min", "child", 20, 30, "A backup, under the child's own rate.", below_years=6),
    _usual("mask_rate_per_min", "child", 14, 20, "A backup, under the child's own rate."),
    _usual("mask_cycling_percent", "child", 30, 50, "A leak keeps flow up: a low cut would end inspiration late."),
    _usual("mask_fio2", "child", 0.3, 0.6, "Then by the saturation aimed at."),
    _usual("mask_longest_inspiration_s", "child", 0.6, 1.0, "Ends inspiration where a leak hides the fall of flow."),
    _usual(
        "alarm_etco2_mmhg",
        "child",
        30,
        38,
        "PaCO2 of 35 to 40 mmHg is aimed at; in healthy lungs EtCO2 is 2 to 5 mmHg lower: a gas tells by how much.",
        "raised intracranial pressure",
    ),
    _usual("alarm_rate_high_per_min", "child", 50, 50, "", below_years=1),
    _usual("alarm_rate_high_per_min", "child", 40, 45, "", below_years=6),
    _usual("alarm_rate_high_per_min", "child", 30, 40, ""),
    _usual("alarm_apnoea_s", "child", 10, 15, "", below_years=1),
    _usual("alarm_apnoea_s", "child", 15, 20, ""),
    _usual("alarm_minute_volume_below_percent", "child", 25, 50),
    _usual("alarm_minute_volume_above_percent", "child", 25, 50),
    _usual("alarm_pressure_cap_cmh2o", "child", 35, 40),
    _usual("mask_alarm_pressure_cap_cmh2o", "child", 20, 30, _STOMACH),
    _usual("mask_alarm_pressure_cap_cmh2o", "child", 20, 25, _STOMACH, "neuromuscular"),
    _usual("alarm_spo2_under", "child", 0.02, 0.04),
    _usual("alarm_spo2_under", "child", 0.01, 0.02, _BRAIN_OXYGEN, "raised intracranial pressure"),
    _usual("alarm_etco2_mmhg", "child", 25, 60, _MAY_RISE, "ARDS"),
    _usual("alarm_etco2_mmhg", "child", 25, 60, _MAY_RISE, "obstructive"),
    _usual("circuit_compliance_ml_cmh2o", "child", 0.5, 1.5, "", below_years=1),
    _usual("circuit_compliance_ml_cmh2o", "child", 0.5, 3, ""),
    _usual("unstated_base_flow_l_min", "child", 0, 10),
)

_NEWBORN = (
    _usual(
        "tidal_volume_ml_kg",
        "newborn",
        6,
        8,
        "By actual weight. After four weeks, and in chronic lung disease of prematurity, dead space has grown.",
        source=KESZLER,
    ),
    _usual("tidal_volume_ml_kg", "newborn", 4, 6, "By actual weight.", below_years=FOUR_WEEKS),
    _usual("tidal_volume_ml_kg", "newborn", 5, 6, _SMALL, source=KESZLER, below_years=FOUR_WEEKS, below_kg=SMALL_KG),
    _usual(
        "tidal_volume_ml_kg",
        "newborn",
        5,
        6,
        f"{_SMALL} At other weights 4 to 5 ({_KLINGENBERG}).",
        "preterm RDS",
        source=KESZLER,
        below_kg=SMALL_KG,
    ),
    _usual(
        "tidal_volume_ml_kg",
        "newborn",
        4,
        5,
        "By actual weight, volume-targeted from the start.",
        "preterm RDS",
        kind="consensus",
        source=_KLINGENBERG,
    ),
    _usual("minute_volume_ml_kg_min", "newborn", 200, 300),
    _usual("rate_per_min", "newborn", 20, 40, "Larger breaths, and airways that empty slowly.", source=_UNSURE),
    _usual("rate_per_min", "newborn", 30, 60, below_years=FOUR_WEEKS),
    _usual("rate_per_min", "newborn", 30, 60, "", "preterm RDS"),
    _usual("inspiratory_time_s", "newborn", 0.4, 0.6, "Airways that fill slowly.", source=_UNSURE),
    _usual("inspiratory_time_s", "newborn", 0.3, 0.4, below_years=FOUR_WEEKS),
    _usual("inspiratory_time_s", "newborn", 0.3, 0.4, "", "preterm RDS"),
    _usual("peep_cmh2o", "newborn", 5, 6),
    _usual(
        "peep_cmh2o",
        "newborn",
        5,
        8,
        "Stiff lungs without surfactant collapse in each expiration.",
        "preterm RDS",
        kind="consensus",
        source=_RDS,
    ),
    _usual(
        "fio2",
        "newborn",
        0.21,
        0.30,
        "What the infant breathes to be in the range aimed at, never from pure "
        "oxygen: its excess harms eyes, lungs and brain. At birth air from 32 weeks on, 0.21 to 0.30 at 28 to 31 "
        "weeks, 0.30 below.",
        kind="consensus",
        source=_RESUSCITATION,
    ),
    _usual(
        "trigger_flow_l_min",
        "newborn",
        0.2,
        0.5,
        "A leak at an uncuffed tube triggers by itself: seen as a rate that the infant doesn't have.",
    ),
    _usual("rise_s", "newborn", 0.05, 0.2),
    _usual(
        "cycling_percent", "newborn", 10, 10, "Without a leak; with one it is set higher, or time ends inspiration."
    ),
    _usual("spo2", "newborn", 0.90, 0.94, "Of preterm infants on oxygen.", kind="consensus", source=_RDS),
    _usual("spo2_at_term", "newborn", 0.92, 0.97, "On oxygen, measured at the right hand."),
    _usual("newborn_tube_mm", "newborn", 3.5, 3.5, "", kind="consensus", source=_PROGRAMME),
    _usual("newborn_tube_mm", "newborn", 3, 3, "", kind="consensus", source=_PROGRAMME, below_kg=2),
    _usual("newborn_tube_mm", "newborn", 2.5, 2.5, "", kind="consensus", source=_PROGRAMME, below_kg=1),
    _usual("tube_depth_over_weight_cm", "newborn", 6, 6, "", source=_TOCHEN),
    _usual("paco2_mmhg", "newborn", 40, 55, "Falls of PaCO2 below 35 mmHg are avoided: they go with brain injury."),
    _usual(
        "time_constant_s",
        "newborn",
        0.12,
        0.4,
        "Long after a preterm birth lungs differ widely, and airways may be narrow: expiratory flow tells.",
        source=_UNSURE,
    ),
    _usual("time_constant_s", "newborn", 0.12, 0.2, "Of infants at term.", source=_TYPICAL, below_years=FOUR_WEEKS),
    _usual("time_constant_s", "newborn", 0.03, 0.15, "", "preterm RDS", source=_TYPICAL),
    _usual(
        "compliance_ml_cmh2o_kg",
        "newborn",
        0.9,
        1.1,
        "3.2 (0.7) mL/cmH2O in healthy infants at term.",
        kind="association",
        source="Healthy newborns, n = 20 (abstract)",
        below_years=FOUR_WEEKS,
    ),
    _usual(
        "compliance_ml_cmh2o_kg",
        "newborn",
        0.4,
        1.1,
        "From stiff after a preterm birth to that of healthy infants at term.",
        source=_UNSURE,
    ),
    _usual(
        "compliance_ml_cmh2o_kg",
        "newborn",
        0.4,
        1.7,
        "0.7 in the middle.",
        "preterm RDS",
        kind="association",
        source="Ventilated newborns, Pediatr Res 1996 (abstract)",
    ),
    _usual(
        "mask_peep_cmh2o",
        "newborn",
        6,
        8,
        "Continuous pressure by prongs or nasal mask from birth.",
        kind="consensus",
        source=_RDS,
    ),
    _usual("alarm_rate_high_per_min", "newborn", 70, 70),
    _usual("alarm_apnoea_s", "newborn", 10, 15),
    _usual("alarm_minute_volume_below_percent", "newborn", 20, 30),
    _usual("alarm_minute_volume_above_percent", "newborn", 20, 30),
    _usual("alarm_pressure_cap_cmh2o", "newborn", 30, 35),
    _usual("mask_alarm_pressure_cap_cmh2o", "newborn", 15, 20, "CPAP needs no more; more fills stomach and pleura."),
    _usual("alarm_spo2_under", "newborn", 0.01, 0.02, "And a high alarm just above the range while oxygen is given."),
    _usual("circuit_compliance_ml_cmh2o", "newborn", 0.5, 1.5),
    _usual("unstated_base_flow_l_min", "newborn", 4, 10, "Continuous flow through the circuit is usual."),
)


def _for_all(group: Group) -> tuple[Practice, ...]:
    return (
        _usual("alarm_pressure_above_peak_cmh2o", group, 10, 15, "Obstruction, cough or a kink raise the peak first."),
        _usual("alarm_pressure_below_peak_cmh2o", group, 5, 10, "A leak or a loose connection."),
        _usual("alarm_volume_low_percent", group, 70, 70, "A leak, or lungs that take less at the same pressure."),
        _usual("alarm_volume_high_percent", group, 130, 150, "Lungs that take more, strong efforts, stacked breaths."),
        _usual("alarm_rate_under_set_per_min", group, 2, 5, "Missed triggers, or a circuit that is open."),
        _usual("alarm_fio2_around", group, 0.05, 0.05, "Supply, blender or sensor."),
        _usual("alarm_spo2_floor", group, 0.88, 0.90),
        _usual("alarm_peep_under_cmh2o", group, 2, 3, "A leak, suction, a valve that doesn't close."),
        _usual("alarm_peep_over_cmh2o", group, 3, 5, "Trapped gas, a wet filter, a valve that doesn't open."),
        _usual("alarm_etco2_mmhg", group, 30, 50, "A zero is the tube, until the opposite is shown."),
        _usual("alarm_disconnection_s", group, 10, 15, "The longest delay; shorter the less oxygen is in store."),
        _usual("cylinder_reserve_bar", group, 13.8, 34.5, "200 to 500 psi; the greater one is taken."),
        _usual("journey_factor", group, 2, 2, "Lifts, doors and waiting."),
        _usual("unstated_leak_l_min", group, 0, 5),
        _usual("unstated_drive_gas_l_min", group, 0, 5, "Some transport ventilators are driven by oxygen."),
        _usual(
            "instrumental_dead_space_percent",
            group,
            20,
            20,
            "Of the smallest tidal volume: beyond, another part is chosen.",
        ),
    )


STARTS: tuple[Practice, ...] = (
    *_ADULT,
    *_CHILD,
    *_NEWBORN,
    *_for_all("adult"),
    *_for_all("child"),
    *_for_all("newborn"),
)
"""Every record of practice."""


def practice(
    item: str,
    group: Group,
    age_years: float | None = None,
    lungs: Lungs | None = None,
    own: Iterable[Practice] = (),
    weight_kg: float | None = None,
) -> Practice | None:
    """What holds for an item, a house's own before what is listed; None where there is none.

    What a house says for all stands not in place of what is listed for a condition, or for the lightest: that differs
    for a reason. It says so for the condition and the weight, where it means it.
    """
    houses, listed = (chosen(records, item, group, age_years, lungs, weight_kg) for records in (own, STARTS))
    if houses is None or listed is None:
        return houses or listed
    of_all = houses.lungs is None and listed.lungs is not None
    of_any_weight = math.isinf(houses.below_kg) and not math.isinf(listed.below_kg)
    return listed if of_all or of_any_weight else houses


Pair = tuple[float, float]

LOWER_PEEP: tuple[Pair, ...] = (
    (0.3, 5), (0.4, 5), (0.4, 8), (0.5, 8), (0.5, 10), (0.6, 10), (0.7, 10), (0.7, 12), (0.7, 14), (0.8, 14),
    (0.9, 14), (0.9, 16), (0.9, 18), (1.0, 18), (1.0, 24),
)  # fmt: skip
"""FiO2 and PEEP [cmH2O] of the trial, lower table; 1.0 went with 18 to 24."""

HIGHER_PEEP: tuple[Pair, ...] = (
    (0.3, 5), (0.3, 8), (0.3, 10), (0.3, 12), (0.3, 14), (0.4, 14), (0.4, 16), (0.5, 16), (0.5, 18), (0.5, 20),
    (0.6, 20), (0.7, 20), (0.8, 20), (0.8, 22), (0.9, 22), (1.0, 22), (1.0, 24),
)  # fmt: skip
"""The higher table; 0.5 to 0.8 went with 20. 0.4 with 16 is from memory: a copy prints 15."""
