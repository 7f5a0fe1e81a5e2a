"""Gases that can't be right: units, dissociation curve, Henderson and Hasselbalch, values beyond any patient."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tidebench.care.gases import GasesPage, GasReading, Typed, read_gases
from tidebench.care.weaning import wean
from tidebench.case import case_from
from tidebench.contradictions import contradictions
from tidebench.errors import CaseError, OptionError
from tidebench.fitting.exchange import drawn_near
from tidebench.formulas import acid_base
from tidebench.gas_contradictions import settled
from tidebench.views.beside import beside
from tidebench.views.gases import gases_view

KPA = 7.50062
"""mmHg of 1 kPa, by definition of both."""
ADULT = {"sex": "male", "age_years": 50, "height_cm": 175}
VOLUME = {"mode": "A/C-VC", "peep_cmh2o": 8, "fio2": 0.6, "rate_per_min": 20, "tidal_volume_ml": 450}
SEVEN = {"site": "arterial", "at_s": 0.0, "ph": 7.35, "paco2_mmhg": 45.0}


def page(gas: dict[str, Any], noted: dict[str, Any] | None = None, **further: Any) -> GasesPage:
    """One gas of a tube and volume control, with what was noted beside it."""
    keywords = {key: further.pop(key) for key in ("typed", "target_paco2_mmhg", "conditions") if key in further}
    said: dict[str, Any] = {
        "patient": ADULT,
        "airway": {"interface": "endotracheal tube"},
        "settings": [VOLUME],
        "observed": [noted] if noted else [],
        "blood_gases": [{**SEVEN, **gas}],
        **further,
    }
    return read_gases(case_from(said), **keywords)


def first(told: GasesPage) -> GasReading:
    """Its only gas."""
    return told.gases[0]


def reason(told: GasesPage, key: str) -> str:
    """Why an index is missing."""
    return next(one.reason for one in first(told).indices if one.key == key)


# --- oxygen -----------------------------------------------------------------------------------------------------------


def test_eleven_kilopascals_under_a_key_in_mmhg_make_no_index() -> None:
    """11 kPa is 82.5 mmHg, about 96 % (Severinghaus, his table: 80 mmHg 95.7 %, 90 mmHg 96.9 %); 10 mmHg is 9.7 %."""
    told = page({"pao2_mmhg": 11.0}, {"spo2": 0.95, "mean_pressure_cmh2o": 17})
    assert first(told).value("oxygenation_index") is None
    assert first(told).value("pao2_mmhg") is None
    assert first(told).grades[0].severity is None
    assert "SpO2 95 %" in reason(told, "oxygenation_index")
    assert any(f"typed in kPa it would be {11 * KPA:.3g} mmHg, which fits" in doubt for doubt in told.doubts)
    right = page({"pao2_kpa": 11.0}, {"spo2": 0.95, "mean_pressure_cmh2o": 17})
    assert first(right).value("oxygenation_index") == pytest.approx(17 * 60 / (11 * KPA), rel=1e-3)
    assert right.doubts == ()


@pytest.mark.parametrize("po2", [10.0, 11.0, 13.0])
def test_a_lone_tension_of_normal_size_in_kilopascals_is_asked_about(po2: float) -> None:
    """10 to 13 kPa are 75 to 98 mmHg, a usual PaO2; climbers near 8400 m had 19.1 mmHg at the least (Grocott 2009)."""
    told = page({"pao2_mmhg": po2})
    assert first(told).value("pf_ratio_mmhg") is None
    assert any("is it right in mmHg?" in doubt for doubt in told.doubts)


def test_a_saturation_that_goes_with_a_low_tension_settles_it() -> None:
    """Severinghaus at 20 mmHg: 32 % (table of his paper)."""
    assert first(page({"pao2_mmhg": 20.0, "sao2": 0.32, "ph": 7.40, "paco2_mmhg": 40})).value("pf_ratio_mmhg") == (
        pytest.approx(20 / 0.6, rel=1e-3)
    )
    cord = page({"pao2_mmhg": 18.0}, patient={"age_days": 0, "weight_kg": 3.2})
    assert first(cord).value("pf_ratio_mmhg") is not None
    assert first(page({"pao2_mmhg": 24.6, "fio2": 0.21})).value("pao2_mmhg") == 24.6


def test_mmhg_under_a_key_in_kilopascals_is_asked_about() -> None:
    """40 mmHg is 75 % (Severinghaus); 40 kPa would be 300 mmHg, 99.9 %."""
    told = page({"pao2_kpa": 40.0, "fio2": 1.0}, {"spo2": 0.75})
    assert first(told).value("pf_ratio_mmhg") is None
    assert any("typed in mmHg it would be 40 mmHg, which fits" in doubt for doubt in told.doubts)


@pytest.mark.parametrize(("po2", "pulse"), [(55, 0.90), (60, 0.95), (40, 0.80), (300, 1.0), (90, 0.85), (80, 0.92)])
def test_usual_pairs_of_tension_and_pulse_oximetry_are_not_asked_about(po2: float, pulse: float) -> None:
    """Teaching's points (60 mmHg and 90 %, 40 and 75 %) with the oximeter's few per cent; a low one has many causes."""
    assert page({"pao2_mmhg": po2}, {"spo2": pulse}).doubts == ()


def test_no_unit_is_proposed_that_inspired_gas_can_not_give() -> None:
    """38 kPa are 285 mmHg; at FiO2 0.3 inspired gas has 0.3·713 = 214 mmHg."""
    asked = {fio2: page({"pao2_mmhg": 38.0, "fio2": fio2}, {"spo2": 0.96}).doubts[0] for fio2 in (0.3, 0.5)}
    assert "285 mmHg" in asked[0.5]
    assert "kPa" not in asked[0.3]


def test_a_gas_that_something_contradicts_is_used_in_no_other_room() -> None:
    """10.5 mmHg at pH 7.19 and 30 mmol/L is 10.5 kPa (78.8 mmHg), 11 mmHg at SpO2 95 % is 11 kPa: no P/F, no fit."""
    gas = {"fio2": 0.4, "pao2_mmhg": 11.0, "ph": 7.19, "paco2_mmhg": 10.5, "hco3_mmol_l": 30.0}
    case = case_from({"observed": {"spo2": 0.95}, "blood_gases": [{**SEVEN, **gas}]})
    assert "pf_ratio_mmhg" not in {one.key for one in beside(case).columns}
    assert drawn_near(case, 60.0)[0] is None
    kept = settled(case, case.blood_gases[0])
    assert (kept.pao2_mmhg, kept.paco2_mmhg, kept.ph, kept.hco3_mmol_l) == (None, None, 7.19, 30.0)
    right = case_from({"observed": {"spo2": 0.95}, "blood_gases": [{**SEVEN, "fio2": 0.4, "pao2_kpa": 11.0}]})
    assert "pf_ratio_mmhg" in {one.key for one in beside(right).columns}
    assert settled(right, right.blood_gases[0]) is right.blood_gases[0]


def test_a_gas_that_something_contradicts_is_no_criterion_of_weaning() -> None:
    """11 mmHg on FiO2 0.4 would be a P/F of 28 mmHg; beside an SpO2 of 95 % it is 11 kPa, 206 mmHg."""
    said = {"patient": ADULT, "settings": [{"mode": "CSV-PS", "pressure_support_cmh2o": 12, "peep_cmh2o": 6}],
            "observed": {"at_s": 0, "spo2": 0.95}}  # fmt: skip
    for gas, shown in (({"pao2_mmhg": 11.0}, False), ({"pao2_kpa": 11.0}, True)):
        ready = wean(case_from({**said, "blood_gases": [{**SEVEN, "fio2": 0.4, **gas}]})).readiness
        (oxygenation,) = [one for one in ready if one.name == "oxygenation"]
        assert ("P/F" in str(oxygenation.value)) == shown


# --- carbon dioxide ---------------------------------------------------------------------------------------------------


def test_paco2_that_ph_and_bicarbonate_contradict_is_used_for_nothing() -> None:
    """10.5 kPa is 78.8 mmHg: with 30 mmol/L pH 7.19 (6.1 + log10(30/(0.0307·78.8))); 10.5 mmHg would give 8.07."""
    assert 6.1 + math.log10(30 / (0.0307 * 78.757)) == pytest.approx(7.194, abs=0.001)
    told = page({"ph": 7.19, "paco2_mmhg": 10.5, "hco3_mmol_l": 30.0, "pao2_mmhg": 80}, {"minute_volume_l_min": 9})
    for key in ("ventilatory_ratio", "alveolar_po2_mmhg", "aa_difference_mmhg"):
        assert first(told).value(key) is None
    assert first(told).acid_base.primary is None
    assert any("PaCO2 would be 78.8 mmHg, which fits" in doubt for doubt in told.doubts)
    assert first(told).value("ph") == 7.19, "what the other unit explains leaves pH alone"


def test_a_very_low_paco2_without_bicarbonate_is_asked_about() -> None:
    """10.5 kPa at pH 7.20 is bicarbonate 30.4; 10.5 mmHg would be 4.1: both exist, and bicarbonate tells them apart."""
    assert first(page({"ph": 7.20, "paco2_mmhg": 10.5})).value("paco2_mmhg") is None
    assert first(page({"ph": 7.20, "paco2_mmhg": 10.5, "hco3_mmol_l": 4.1})).value("paco2_mmhg") == 10.5


def test_mmhg_under_a_carbon_dioxide_key_in_kilopascals_is_refused_with_its_key() -> None:
    """A usual PaCO2 is 35 to 45 mmHg, 4.7 to 6.0 kPa."""
    for value in (35, 40, 45):
        with pytest.raises(CaseError, match=rf"paco2_kpa {value}.*1.34 to 20 kPa.*paco2_mmhg = {value}"):
            case_from({"blood_gases": [{"site": "arterial", "paco2_kpa": value}]})
    with pytest.raises(CaseError, match="pao2_kpa 80"):
        case_from({"blood_gases": [{"site": "arterial", "pao2_kpa": 80}]})
    with pytest.raises(CaseError, match="10 to 300 mmHg"):
        case_from({"blood_gases": [{"site": "arterial", "paco2_mmhg": 420}]})


def test_values_beyond_any_patient_are_null_with_a_reason() -> None:
    """pH 7.40 at 300 mmHg: bicarbonate 0.0307·300·10^1.3 = 183.8 mmol/L; alveoli 0.21·713 − 300·1.1975 = −209 mmHg."""
    told = page({"ph": 7.40, "paco2_mmhg": 300.0, "fio2": 0.21})
    assert "183.8" in reason(told, "base_excess_mmol_l").replace("184", "183.8")
    assert "check" in reason(told, "alveolar_po2_mmhg")
    assert first(told).value("hco3_mmol_l") is None
    assert first(told).acid_base.primary is None
    assert "bicarbonate" in first(told).acid_base.reason


def test_end_tidal_carbon_dioxide_in_kilopascals_is_asked_about() -> None:
    """5 kPa is 37.5 mmHg, beside a PaCO2 of 40: 2 to 5 mmHg less is usual (teaching)."""
    told = page({"paco2_mmhg": 40.0, "ph": 7.40}, {"etco2_mmhg": 5.0})
    assert first(told).value("arterial_end_tidal_difference_mmhg") is None
    assert any("37.5 mmHg" in doubt for doubt in told.doubts)
    arrest = page({"paco2_mmhg": 80.0, "ph": 7.0}, {"etco2_mmhg": 5.0})
    assert first(arrest).value("arterial_end_tidal_difference_mmhg") == pytest.approx(75)


def test_expired_carbon_dioxide_is_never_above_arterial_nor_in_the_other_unit() -> None:
    """Enghoff: VD/VT is (PaCO2 − PECO2)/PaCO2, 0.3 for 40 and 28; more expired than arterial is no gas of a patient."""
    noted = {"minute_volume_l_min": 9.0}
    normal = {"ph": 7.40, "paco2_mmhg": 40.0}
    right = first(page(normal, noted, typed=Typed(mixed_expired_pco2_mmhg=28.0)))
    assert right.value("dead_space_fraction") == pytest.approx(0.3)
    assert right.value("co2_elimination_ml_min") == pytest.approx(9 * 28 / 0.863, rel=1e-3)
    for expired, words in ((60.0, "above PaCO2"), (3.5, "--unit kPa")):
        told = page(normal, noted, typed=Typed(mixed_expired_pco2_mmhg=expired))
        for key in ("dead_space_fraction", "co2_elimination_ml_min", "alveolar_ventilation_l_min"):
            assert first(told).value(key) is None
            assert words in reason(told, key)


def test_more_carbon_dioxide_than_anyone_at_rest_makes_is_said() -> None:
    """200 mL/min in an adult, up to 300 to 400 in critical illness (reference values); 13·60/0.863 is 904."""
    high = first(page({"paco2_mmhg": 90.0, "ph": 7.20}, {"minute_volume_l_min": 13.0},
                      typed=Typed(mixed_expired_pco2_mmhg=60.0)))  # fmt: skip
    assert high.value("co2_elimination_ml_min") == pytest.approx(903.8, abs=0.1)
    assert any("more than an adult at rest makes" in note for note in high.notes)
    usual = first(page({}, {"minute_volume_l_min": 9.0}, typed=Typed(mixed_expired_pco2_mmhg=28.0)))
    assert not any("at rest makes" in note for note in usual.notes)


# --- minute volume ----------------------------------------------------------------------------------------------------


def test_a_minute_volume_ten_times_what_is_set_makes_no_ratio() -> None:
    """450 mL at 20/min are 9.0 L/min; Sinha's ratio of 9.0, 45 mmHg and 70.6 kg is 9000·45/(70.6·3750) = 1.53."""
    wrong = page({}, {"minute_volume_l_min": 90})
    assert first(wrong).value("ventilatory_ratio") is None
    assert any("is 9 meant?" in doubt for doubt in wrong.doubts)
    assert first(page({}, {"minute_volume_l_min": 9.0})).value("ventilatory_ratio") == pytest.approx(1.53, abs=0.01)
    for possible in (7.0, 14.0, 25.0):
        assert page({}, {"minute_volume_l_min": possible}).doubts == ()


def test_a_ratio_that_nobody_has_is_null_in_pressure_control_too() -> None:
    wrong = page({}, {"minute_volume_l_min": 90}, settings=[{"mode": "A/C-PC", "peep_cmh2o": 8, "fio2": 0.6}])
    assert first(wrong).value("ventilatory_ratio") is None
    assert "beyond 0.1 to 10" in reason(wrong, "ventilatory_ratio")


# --- a target ---------------------------------------------------------------------------------------------------------

NINETY = {"ph": 7.20, "paco2_mmhg": 90.0}
THIRTY = {"vte_ml": 450.0, "rate_per_min": 30.0}
SET_30 = [{**VOLUME, "rate_per_min": 30}]


@pytest.mark.parametrize("conditions", [(), ("ARDS",)])
def test_a_rate_that_nobody_would_set_is_not_offered(conditions: tuple[Any, ...]) -> None:
    """From 90 to 40 mmHg at 30/min takes 67.5/min; the ARDS Network's highest was 35, so 90·30/35 = 77 mmHg."""
    told = page(NINETY, THIRTY, target_paco2_mmhg=40.0, conditions=conditions, settings=SET_30).ventilation
    assert told is not None
    then = {value.key: value for value in told.then}
    assert then["rate_per_min"].value is None
    assert "68 /min, above 35" in then["rate_per_min"].reason
    assert any("about 77 mmHg" in words for words in told.obstacles)
    # 30.4 L/min at 35/min are 868 mL, 12.3 mL/kg of 70.6 kg; the trial allowed 4 to 8
    assert any("12.3 mL/kg" in words for words in told.obstacles)


def test_a_ph_that_the_trial_did_not_accept_is_said() -> None:
    """Target 140 from pH 7.20 at 90: bicarbonate stays 34.8, pH 6.1 + log10(34.8/(0.0307·140)) = 7.01, below 7.15."""
    told = page(NINETY, THIRTY, target_paco2_mmhg=140.0, settings=SET_30).ventilation
    assert told is not None
    assert any(words.startswith("pH: 7.01 is below 7.15") for words in told.obstacles)
    near = page({"ph": 7.30, "paco2_mmhg": 50.0}, {**THIRTY, "vte_ml": 420.0}, target_paco2_mmhg=45.0, settings=SET_30)
    assert near.ventilation is not None
    assert near.ventilation.obstacles == ()


def test_the_condition_of_the_case_chooses_limits() -> None:
    """ARDS Network: pH 7.30 to 7.45."""
    assert {one.key for one in first(page(NINETY, condition="ARDS")).held} == {"ph"}
    assert first(page(NINETY)).held == ()


# --- fetal haemoglobin ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("patient", "asked"), [({"gestational_age_weeks": 25, "age_days": 3}, 0), ({"age_years": 5}, 1)]
)
def test_blood_of_young_infants_holds_more_oxygen_at_a_tension(patient: dict[str, Any], asked: int) -> None:
    """P50 of preterm infants about 18 mmHg (Delivoria-Papadopoulos, Pediatr Res 1971;5:235, from memory); adults 26.6.

    In preterm infants SpO2 of 85 to 93 % went with PaO2 of 40 mmHg and less in a part (Castillo, 2008, from memory).
    """
    gas = {"site": "arterial", "at_s": 100, "ph": 7.28, "paco2_mmhg": 50, "pao2_mmhg": 40}
    case = case_from({"patient": patient, "observed": {"at_s": 90, "spo2": 0.92}, "blood_gases": [gas]})
    found = [one for one in contradictions(case) if "pao2_mmhg" in one.keys]
    assert len(found) == asked
    wrong = case_from(
        {"patient": patient, "observed": {"at_s": 90, "spo2": 0.92}, "blood_gases": [gas | {"pao2_mmhg": 12}]}
    )
    assert [one for one in contradictions(wrong) if "pao2_mmhg" in one.keys]


# --- a T-piece --------------------------------------------------------------------------------------------------------


def test_a_gas_on_a_t_piece_was_not_taken_under_what_is_set() -> None:
    """Berlin asks for PEEP or CPAP of at least 5 cmH2O (JAMA 2012;307:2526); on a T-piece there is none."""
    support = {"mode": "CSV-PS", "pressure_support_cmh2o": 12, "peep_cmh2o": 8, "fio2": 0.4}
    gas = {"at_s": 5400.0, "pao2_mmhg": 70.0, "fio2": 0.4}
    piece = {"events": [{"at_s": 3600, "kind": "message", "text": "T-piece"}], "settings": [support]}
    told = page(gas, {"at_s": 1000, "spo2": 0.97}, target_paco2_mmhg=40.0, **piece)
    under = first(told).conditions
    assert (under.off_ventilator, under.peep_cmh2o, under.mode) == (True, 0.0, None)
    assert "30 min into a breathing trial (T-piece" in under.trial
    assert first(told).grades[0].severity is None
    assert "T-piece" in first(told).grades[0].reason
    assert told.ventilation is not None
    assert "T-piece" in told.ventilation.reason
    shown = gases_view(told).gases[0].conditions
    assert "T-piece" in shown
    assert "PEEP 8" not in shown
    back = page(gas, settings=[support, {**support, "at_s": 5000}], events=piece["events"])
    assert first(back).conditions.peep_cmh2o == 8.0
    assert first(back).grades[0].severity == "moderate"


def test_what_was_noted_before_the_t_piece_is_not_of_it() -> None:
    gas = {"at_s": 3900.0, "pao2_mmhg": 70.0}
    events = [{"at_s": 3600, "kind": "message", "text": "T-piece"}]
    noted = {"at_s": 3500.0, "spo2": 0.93, "mean_pressure_cmh2o": 12}
    assert first(page(gas, noted)).value("oxygenation_index") is not None
    assert first(page(gas, noted, events=events)).value("oxygenation_index") is None


def test_a_gas_in_a_trial_by_settings_says_so() -> None:
    """Trials had pressure support of 5 to 8 cmH2O (ACCP/ATS 2017, from memory)."""
    rows = [VOLUME, {"at_s": 3600, "mode": "CSV-PS", "pressure_support_cmh2o": 7, "peep_cmh2o": 5, "fio2": 0.4}]
    under = first(page({"at_s": 5400.0}, settings=rows)).conditions
    assert under.trial.startswith("30 min into a breathing trial (pressure support 7")
    assert not under.off_ventilator


# --- trend ------------------------------------------------------------------------------------------------------------


def test_a_trend_names_every_setting_that_moves_carbon_dioxide() -> None:
    """PaCO2 goes with one over ventilation: rate and volume move it."""
    rows = [VOLUME, {**VOLUME, "at_s": 3600, "rate_per_min": 26, "tidal_volume_ml": 400}]
    gases = [{**SEVEN, "pao2_mmhg": 80}, {**SEVEN, "at_s": 5400.0, "pao2_mmhg": 80}]
    told = page({}, settings=rows, blood_gases=gases)
    (changed,) = told.changed
    assert "set rate 20 /min → 26 /min" in changed
    assert "set tidal volume 450 mL → 400 mL" in changed


def test_a_trend_names_how_the_patient_breathed() -> None:
    """PaCO2 goes with one over ventilation, whoever sets the rate."""
    noted = [{"at_s": 0, "rate_per_min": 20, "minute_volume_l_min": 9}, {"at_s": 5400, "rate_per_min": 26,
             "minute_volume_l_min": 9.3}]  # fmt: skip
    gases = [SEVEN, {**SEVEN, "at_s": 5400.0}]
    (changed,) = page({}, settings=[{"mode": "CSV-PS"}], observed=noted, blood_gases=gases).changed
    assert "rate 20 /min → 26 /min" in changed
    assert "minute volume" not in changed, "a thirtieth is not worth telling"


# --- kPa --------------------------------------------------------------------------------------------------------------


def test_a_ratio_is_the_same_in_the_list_and_in_the_class() -> None:
    """P/F 80.4/0.5 = 160.8 mmHg is 21.4 kPa; of the rounded 161 it would be 21.5."""
    told = gases_view(page({"pao2_mmhg": 80.4, "fio2": 0.5}), "kPa").gases[0]
    (listed,) = [one.text for one in told.numbers if one.key == "pf_ratio_mmhg"]
    assert listed == "21.4 kPa"
    assert any("Berlin" in line and "P/F 21.4 kPa" in line for line in told.grades)


# --- newborns ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("patient", [{"age_days": 5, "weight_kg": 3.3}, {"age_days": 20, "gestational_age_weeks": 24}])
def test_a_newborn_has_no_class_of_a_definition_that_excludes_lung_disease_of_birth(patient: dict[str, Any]) -> None:
    """PALICC 2015 excludes perinatal lung disease (Pediatr Crit Care Med 2015;16:428, table of the definition)."""
    gas = {"pao2_mmhg": 50.0, "fio2": 0.6}
    noted = {"mean_pressure_cmh2o": 14.0}
    told = first(page(gas, noted, patient=patient))
    assert [one.severity for one in told.grades] == [None] * 3
    assert any("Montreux" in one.definition and "not applied" in one.reason for one in told.grades)
    said = first(page(gas, noted, patient=patient, typed=Typed(said=frozenset({"not-perinatal"}))))
    assert said.grades[0].severity == "severe"  # OI 14·60/50 = 16.8, from 16 on severe


def test_a_child_born_early_is_asked_about_lung_disease_of_birth() -> None:
    infant = {"age_days": 150, "gestational_age_weeks": 24, "weight_kg": 5}
    needed = first(page({"pao2_mmhg": 50.0}, {"mean_pressure_cmh2o": 14.0}, patient=infant)).grades[0].needed
    assert any("lung disease of birth" in words for words in needed)


# --- the anion gap ----------------------------------------------------------------------------------------------------

BALANCED = {"ph": 7.40, "paco2_mmhg": 40.0, "hco3_mmol_l": 24.0}


def test_a_raised_gap_behind_normal_numbers_is_read() -> None:
    """140 − 80 − 24 = 36 (12 ± 4 is normal); delta gap (36 − 12) − (24 − 24) = +24, above Wrenn's 6."""
    told = first(page(BALANCED, typed=Typed(sodium_mmol_l=140.0, chloride_mmol_l=80.0))).acid_base
    assert told.primary is not None
    assert "metabolic acidosis by the anion gap" in told.primary
    assert "anion gap 36 is above 8 to 16" in told.gap[0]
    assert "delta gap +24" in told.gap[1]
    assert "metabolic alkalosis too" in told.gap[1]
    assert "--albumin" in told.gap[2]


@pytest.mark.parametrize(
    ("hco3", "chloride", "delta", "words"),
    [
        (10.0, 104.0, 0.0, "no further"),  # gap 26: up 14, bicarbonate down 14
        (10.0, 112.0, -8.0, "normal gap too"),  # gap 18: up 6, bicarbonate down 14
        (18.0, 92.0, 12.0, "metabolic alkalosis too"),  # gap 30: up 18, bicarbonate down 6
    ],
)
def test_delta_gap_by_hand(hco3: float, chloride: float, delta: float, words: str) -> None:
    """Wrenn, Ann Emerg Med 1990;19:1310 (from memory): (gap − 12) − (24 − bicarbonate), ± 6; sums by hand."""
    assert acid_base.delta_gap_mmol_l(140.0 - chloride - hco3, hco3) == pytest.approx(delta)
    paco2 = 1.5 * hco3 + 8.0
    gas = {"ph": 6.1 + math.log10(hco3 / (0.0307 * paco2)), "paco2_mmhg": paco2, "hco3_mmol_l": hco3}
    gap = first(page(gas, typed=Typed(sodium_mmol_l=140.0, chloride_mmol_l=chloride))).acid_base.gap
    assert words in gap[1]


def test_albumin_uncovers_a_gap() -> None:
    """Figge: 2.5 mmol/L for each g/dL below 4: gap 14 at 2 g/dL is 19, above 16."""
    typed = Typed(sodium_mmol_l=140.0, chloride_mmol_l=102.0, albumin_g_dl=2.0)
    gap = first(page(BALANCED, typed=typed)).acid_base.gap
    assert "corrected for albumin, 19 is above" in gap[0]
    alone = first(page(BALANCED, typed=Typed(sodium_mmol_l=140.0, chloride_mmol_l=102.0))).acid_base
    assert "14 is not above" in alone.gap[0]
    assert alone.primary is not None
    assert alone.primary.startswith("none")


def test_delta_gap_refuses_no_bicarbonate() -> None:
    with pytest.raises(OptionError):
        acid_base.delta_gap_mmol_l(20.0, 0.0)


@pytest.mark.parametrize("kpa", [55.0, 87.0])
def test_what_pure_oxygen_gives_is_taken_in_kpa(kpa: float) -> None:
    """760 − 47 − 40 mmHg are 673, 89.7 kPa: with pure oxygen 55 kPa are usual in healthy lungs."""
    gas = case_from({"blood_gases": {"fio2": 1.0, "site": "arterial", "pao2_kpa": kpa}}).blood_gases[0]
    assert gas.pao2_mmhg == pytest.approx(kpa * KPA, rel=1e-4)


def test_a_hint_proposes_both_where_both_can_be() -> None:
    """25 kPa are 188 mmHg, and children have lived through 155 to 269 (Goldstein 1990); 200 kPa no air has."""
    with pytest.raises(CaseError, match=r"paco2_mmhg = 25\. If it is in kPa, write paco2_mmhg = 187\.5"):
        case_from({"blood_gases": {"paco2_kpa": 25}})
    with pytest.raises(CaseError, match=r"pao2_mmhg = 55\. If it is in kPa, write pao2_mmhg = 412\.5"):
        case_from({"blood_gases": {"pao2_kpa": 55}})
    for gas in ({"pao2_kpa": 200}, {"pao2_kpa": 55, "fio2": 0.4}):  # 0.4·713 mmHg are 38 kPa
        with pytest.raises(CaseError, match="Then write pao2_mmhg") as refused:
            case_from({"blood_gases": gas})
        assert "If it is in kPa" not in str(refused.value)
