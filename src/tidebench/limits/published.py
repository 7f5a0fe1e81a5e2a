"""The published limits, one record each."""

from __future__ import annotations

from tidebench.limits.record import NEWBORN_UNTIL_DAYS, Condition, Group, Limit
from tidebench.quantities import COMMON_PRACTICE

ARDS_NETWORK = "ARDS Network, N Engl J Med 2000;342:1301"
_AMATO = "Amato, N Engl J Med 2015;372:747 (from memory)"
_SERPA_NETO = "Serpa Neto, Intensive Care Med 2018;44:1914"
_GRASSO = "Grasso, Crit Care Med 2004;32:1018 (from memory)"
_TELIAS = "Telias, Am J Respir Crit Care Med 2020;201:1086 (secondary source)"
_BERTONI = "Bertoni, Crit Care 2019;23:346 (from memory)"
_PALICC_2 = "PALICC-2, Pediatr Crit Care Med 2023;24:143 (from memory)"
_KLINGENBERG = "Klingenberg, J Perinatol 2011;31:575"
BERLIN = "Berlin definition, JAMA 2012;307:2526"
KESZLER = "Keszler 2019 (from memory)"
SMALL_KG = 0.7
"""Newborns below it are given more per kg, since what the sensor adds is rebreathed."""
EUROPEAN_RDS = "European consensus on respiratory distress syndrome 2022 (from memory)"


def _cuff(group: Group) -> Limit:
    return Limit(
        "cuff_pressure_cmh2o",
        group,
        20,
        30,
        "common practice",
        COMMON_PRACTICE,
        "Below, secretions pass; above, the trachea suffers.",
    )


ADULT = (
    Limit(
        "vt_per_pbw_ml_kg",
        "adult",
        4,
        8,
        "trial target",
        ARDS_NETWORK,
        "The trial began at 8, went down to 6 and allowed 4 to 8 mL/kg of predicted weight; it was made for ARDS.",
        target=6,
    ),
    Limit(
        "plateau_pressure_cmh2o",
        "adult",
        None,
        30,
        "trial target",
        ARDS_NETWORK,
        "The trial went down with the volume above 30 cmH2O; it was made for ARDS.",
    ),
    Limit(
        "driving_pressure_cmh2o",
        "adult",
        None,
        15,
        "association",
        _AMATO,
        "Mortality rose above about 15 cmH2O in patients of several trials; no trial has aimed there. The trials "
        "mostly took set PEEP.",
    ),
    Limit(
        "mechanical_power_j_min",
        "adult",
        None,
        17,
        "association",
        _SERPA_NETO,
        "Mortality rose above 17 J/min in two cohorts; no trial has aimed there. Volume and rate are in it.",
    ),
    Limit(
        "stress_index",
        "adult",
        0.9,
        1.1,
        "association",
        _GRASSO,
        "Below, lung opens during the breath; above, it is overstretched. Passive, under constant flow, adults.",
    ),
    Limit(
        "p01_cmh2o",
        "adult",
        1.0,
        4.0,
        "association",
        _TELIAS,
        "At or below 1.0 effort is low, above 3.5 to 4.0 drive is high; authors differ in the upper bound.",
    ),
    Limit(
        "pressure_time_product_cmh2o_s_min",
        "adult",
        50,
        200,
        "association",
        _TELIAS,
        "At or below 50 effort is low, from 200 on high.",
    ),
    Limit("effort_cmh2o", "adult", None, 15, "association", _BERTONI, "Above 13 to 15 cmH2O the effort is high."),
    Limit(
        "dynamic_transpulmonary_pressure_cmh2o",
        "adult",
        None,
        17,
        "association",
        _BERTONI,
        "Above 16 to 17 cmH2O the lung's swing is high.",
    ),
    Limit(
        "intrinsic_peep_cmh2o",
        "adult",
        None,
        5,
        "common practice",
        COMMON_PRACTICE,
        "More is trapped gas that people look into.",
    ),
    _cuff("adult"),
    Limit(
        "rate_per_min", "adult", None, 35, "trial target", ARDS_NETWORK, "The trial's highest rate.", condition="ARDS"
    ),
    Limit(
        "spo2",
        "adult",
        0.88,
        0.95,
        "trial target",
        ARDS_NETWORK,
        "The trial's oxygen goal, by saturation or by oxygen pressure.",
        condition="ARDS",
    ),
    Limit(
        "pao2_mmhg",
        "adult",
        55,
        80,
        "trial target",
        ARDS_NETWORK,
        "The trial's oxygen goal, by saturation or by oxygen pressure.",
        condition="ARDS",
    ),
    Limit(
        "ph",
        "adult",
        7.30,
        7.45,
        "trial target",
        ARDS_NETWORK,
        "The trial's goal; from 7.15 it raised the rate first.",
        condition="ARDS",
    ),
)

CHILD = (
    Limit(
        "vt_per_weight_ml_kg",
        "child",
        None,
        8,
        "consensus",
        _PALICC_2,
        "6 to 8 mL/kg, less where pressures are too high; by predicted weight where the actual one is above it.",
    ),
    Limit(
        "plateau_pressure_cmh2o",
        "child",
        None,
        28,
        "consensus",
        _PALICC_2,
        "Up to 32 cmH2O where the chest wall is stiff.",
    ),
    Limit(
        "plateau_pressure_cmh2o",
        "child",
        None,
        32,
        "consensus",
        _PALICC_2,
        "28 cmH2O, were the chest wall not stiff.",
        condition="stiff chest wall",
    ),
    Limit(
        "driving_pressure_cmh2o",
        "child",
        None,
        15,
        "consensus",
        _PALICC_2,
        "Made for paediatric ARDS; the evidence behind it is adults'.",
    ),
    _cuff("child"),
    Limit(
        "spo2",
        "child",
        0.92,
        0.97,
        "consensus",
        _PALICC_2,
        "Mild and moderate; 0.88 to 0.92 is allowed in severe cases once PEEP is optimised.",
        condition="paediatric ARDS",
    ),
    Limit(
        "ph",
        "child",
        7.20,
        None,
        "consensus",
        _PALICC_2,
        "Hypercapnia is permitted down to there.",
        condition="paediatric ARDS",
    ),
)

NEWBORN = (
    Limit(
        "vt_per_weight_ml_kg",
        "newborn",
        4,
        6,
        "common practice",
        f"{COMMON_PRACTICE}; compare {_KLINGENBERG}",
        "By actual weight; meconium-stained infants are given 5 to 6 mL/kg.",
    ),
    Limit(
        "vt_per_weight_ml_kg",
        "newborn",
        4,
        5,
        "consensus",
        _KLINGENBERG,
        "Where volume-targeted ventilation starts; by actual weight.",
        condition="respiratory distress syndrome",
    ),
    Limit(
        "leak_fraction", "newborn", None, 0.5, "consensus", _KLINGENBERG, "Above, an expired volume can't be relied on."
    ),
    Limit(
        "spo2",
        "newborn",
        0.90,
        0.94,
        "consensus",
        EUROPEAN_RDS,
        "Of preterm infants on oxygen.",
        condition="respiratory distress syndrome",
    ),
)

_BOLES_LIST = "Boles, Eur Respir J 2007;29:1033, list as reproduced in 2024"
_BOLES_FAILURE = "Boles, Eur Respir J 2007;29:1033, table 6"


_CHILD_TEST = "Randolph, JAMA 2002;288:2561, and Curley, JAMA 2015;313:379 (both from memory)"


def _ready(key: str, low: float | None, high: float | None, *, above: bool = False) -> Limit:
    return Limit(
        key, "adult", low, high, "consensus", _BOLES_LIST, "Ready for a breathing trial.",
        condition="readiness to wean", above=above,
    )  # fmt: skip


def _failing(key: str, low: float | None, high: float | None) -> Limit:
    return Limit(
        key, "adult", low, high, "consensus", _BOLES_FAILURE, "Beyond, the trial fails.", condition="breathing trial"
    )


WEANING = (
    _ready("peep_cmh2o", None, 8),
    _ready("rate_per_min", None, 35),
    _ready("heart_rate_per_min", None, 140),
    _ready("systolic_mmhg", 90, 160),
    _ready("rapid_shallow_index", None, 105),
    _ready("pf_ratio_mmhg", 150, None),
    _ready("spo2", 0.9, None, above=True),
    _ready("fio2", None, 0.4),
    _ready("max_inspiratory_pressure_cmh2o", None, -20),
    _ready("vt_per_pbw_ml_kg", 5, None, above=True),
    _failing("fio2", 0.5, None),
    _failing("spo2", 0.9, None),
    _failing("paco2_mmhg", None, 50),
    _failing("ph", 7.32, None),
    _failing("rapid_shallow_index", None, 105),
    _failing("rate_per_min", None, 35),
    _failing("heart_rate_per_min", None, 140),
    _failing("systolic_mmhg", 90, 180),
    Limit(
        "spo2", "child", 0.95, None, "trial target", _CHILD_TEST, "On FiO2 at most 0.5.", condition="breathing trial"
    ),
    Limit(
        "vt_per_weight_ml_kg",
        "child",
        5,
        None,
        "trial target",
        _CHILD_TEST,
        "Less was a failed trial.",
        condition="breathing trial",
    ),
)
CHILD_RATES = ((0.5, 20.0, 60.0), (2.0, 15.0, 45.0), (5.0, 15.0, 40.0), (18.0, 10.0, 35.0))
"""Up to which age in years, and the rates within which a child's breathing trial passed."""


def child_rate(age_years: float) -> Limit:
    """The rates of a child's breathing trial, by age."""
    low, high = next((low, high) for until, low, high in CHILD_RATES if age_years < until or until == 18.0)
    return Limit(
        "rate_per_min", "child", low, high, "trial target", _CHILD_TEST, "By age.", condition="breathing trial"
    )


RDS: Condition = "respiratory distress syndrome"


def newborn_volume(weight_kg: float | None, age_days: float | None) -> tuple[Limit, ...]:
    """What stands instead of a newborn's volume: of the smallest, and of those older than four weeks."""
    key = "vt_per_weight_ml_kg"
    if age_days is not None and age_days > NEWBORN_UNTIL_DAYS:
        text = "By actual weight, after four weeks and in chronic lung disease of prematurity."
        return (Limit(key, "newborn", 6, 8, "common practice", KESZLER, text),)
    if weight_kg is None or weight_kg >= SMALL_KG:
        return ()
    text = "By actual weight, below 0.7 kg, where the flow sensor's dead space counts."
    said: tuple[Condition | None, ...] = (None, RDS)
    return tuple(Limit(key, "newborn", 5, 6, "common practice", KESZLER, text, condition=one) for one in said)


PUBLISHED = (*ADULT, *CHILD, *NEWBORN, *WEANING)
"""Every published limit, by group, unconditional ones first."""
