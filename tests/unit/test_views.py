"""Views: what a page says of a review whose numbers are known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.unit.made_review import PATIENT, Inflation, Lung, MadeReview, made_review
from tidebench.case import case_from
from tidebench.caution import CAUTION
from tidebench.interaction import OUTCOMES
from tidebench.quantities import quantity
from tidebench.records import EFFORT_COLUMNS, NOT_MEASURED, Hold, Spread
from tidebench.views import beside, breath_page, effort_counts, holds_page, overview_page, steps_page, trend_page
from tidebench.views.airways import narrow_airways
from tidebench.views.answers import LUNGS, SAFE, STEP
from tidebench.views.efforts import efforts_found
from tidebench.views.holds import hold_number
from tidebench.views.mechanics import description, terms, total_peep_origin
from tidebench.views.numbers import Number, held_number, spread_of, summary_number
from tidebench.views.passivity import passivity
from tidebench.views.verdicts import verdicts
from tidebench.views.wording import (
    change_words,
    clock,
    count,
    duration,
    listed,
    mode_words,
    sentence,
    setting_words,
    settings_words,
    share,
)


def values(review: MadeReview, question: str) -> dict[str, str]:
    """Numbers of one answer, by key."""
    answer = next(a for a in overview_page(review).answers if a.question == question)
    return {n.quantity.key: n.value for _, group in answer.groups for n in group}


def states(review: MadeReview) -> dict[str, str]:
    """Verdicts by key."""
    return {verdict.limit.key: verdict.state for verdict in verdicts(review)}


# --- words ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "words"), [(0, "0:00"), (65.9, "1:05"), (3600, "1:00:00"), (93845, "26:04:05"), (-61, "−1:01")]
)
def test_clock(seconds: float, words: str) -> None:
    assert clock(seconds) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(4, "4.00 s"), (59.4, "59 s"), (60, "1 min"), (245, "4 min 5 s"), (86400, "24 h"), (87000, "24 h 10 min")],
)
def test_duration(seconds: float, words: str) -> None:
    assert duration(seconds) == words


@pytest.mark.parametrize(
    ("part", "whole", "words"),
    [
        (0, 5, "none of 5"),
        (5, 5, "all 5"),
        (2, 5, "2 of 5"),
        (12, 130, "12 of 130 (9 %)"),
        (1, 900, "1 of 900 (under 1 %)"),
        (1, 1, "1 of 1"),
        (0, 1, "0 of 1"),
        (899, 900, "899 of 900 (over 99 %)"),
    ],
)
def test_share(part: int, whole: int, words: str) -> None:
    assert share(part, whole) == words


def test_small_words() -> None:
    assert [count(n, "breath") for n in (0, 1, 2)] == ["no breaths", "1 breath", "2 breaths"]
    assert [listed("abc"[:n]) for n in range(4)] == ["", "a", "a and b", "a, b and c"]
    assert sentence("flow drifts") == "Flow drifts."
    assert sentence("Is it?") == "Is it?"
    assert sentence("  ") == ""


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("A/C-VC", "assist/control, volume control (A/C-VC)"),
        (
            "SIMV-VC\\PS",
            "synchronized intermittent mandatory, volume control with pressure support (SIMV-VC\\PS)",
        ),
        ("CSV-PS", "continuous spontaneous, pressure support (CSV-PS)"),
        ("CPAP", "continuous positive airway pressure (CPAP)"),
        (None, "mode not stated"),
    ],
)
def test_modes_in_words(code: str | None, words: str) -> None:
    assert mode_words(code) == words


def test_settings_are_said_to_be_set() -> None:
    assert setting_words("peep_cmh2o", 8) == "set PEEP 8.0 cmH2O"
    assert setting_words("flow_pattern", "constant") == "set flow pattern constant"
    assert setting_words("peep_cmh2o", None) == "set PEEP not stated"
    said = settings_words({"at_s": 3.0, "mode": "A/C-VC", "peep_cmh2o": 8, "rate_per_min": 20})
    assert said == "Assist/control, volume control (A/C-VC): set rate 20 /min, set PEEP 8.0 cmH2O."
    assert settings_words({}) == "Mode not stated: nothing more stated."


def test_changes_of_settings_in_words() -> None:
    assert change_words({"peep_cmh2o": (5.0, 8.0)}) == "set PEEP 5.0 → 8.0 cmH2O"
    assert change_words({"mode": ("CSV-PS", "A/C-VC")}) == "mode CSV-PS → A/C-VC"
    assert change_words({"peep_cmh2o": (None, 8.0)}) == "set PEEP – → 8.0 cmH2O"
    assert change_words({}) == "seen in the signals, not recorded"


# --- numbers ----------------------------------------------------------------------------------------------------------


def test_a_number_tells_its_spread_and_count() -> None:
    entry = {"median": 8.04, "p05": 7.5, "p95": 8.6, "n": 31, "unit": "cmH2O"}
    shown = Number(quantity("peep_cmh2o"), spread_of(entry))
    assert (shown.label, shown.value, shown.range, shown.n) == ("measured PEEP", "8.0 cmH2O", "7.5 to 8.6", 31)


def test_a_missing_number_is_a_dash() -> None:
    shown = Number(quantity("peep_cmh2o"), spread_of({"median": None}))
    assert (shown.value, shown.range, shown.n) == ("–", "", 0)


def test_a_single_value_has_no_range() -> None:
    record = quantity("peak_pressure_cmh2o")
    assert Number(record, Spread(30, 30, 30, 1)).range == ""
    assert Number(record, Spread(30, 30, 30, 9)).range == "30.0"


def test_effort_is_told_over_breaths_that_show_one() -> None:
    review = made_review(efforts_from=30)
    zeros = pl.when(pl.col("passive")).then(0.0).otherwise(pl.col("effort_cmh2o"))
    shown = summary_number(replace(review, breaths=review.breaths.with_columns(effort_cmh2o=zeros)), "effort_cmh2o")
    assert (shown.value, shown.n) == ("7.0 cmH2O", 10)


def test_what_follows_from_columns_is_computed_where_the_summary_is_silent() -> None:
    review = made_review()
    assert summary_number(review, "minute_volume_l_min").value == "10.5 L/min"
    assert summary_number(review, "vt_per_weight_ml_kg").spread is None
    child = made_review(patient={"age_years": 9, "weight_kg": 28})
    assert summary_number(child, "vt_per_weight_ml_kg").value == "15.0 mL/kg"


def test_a_summary_without_percentiles_is_a_spread_of_one_value() -> None:
    assert spread_of({"median": 3.0, "p05": None, "n": 1}) == Spread(3.0, 3.0, 3.0, 1)


# --- the first page ---------------------------------------------------------------------------------------------------


def test_overview_says_who_and_what() -> None:
    page = overview_page(made_review())
    assert page.patient == (
        "Man of 58 years, 175 cm (measured), actual weight 78.0 kg, predicted body weight 70.6 kg; "
        "endotracheal tube, 8.0 mm."
    )
    assert "40 breaths, 2 holds, no changes of settings." in page.recording
    assert page.caution == CAUTION
    assert page.settings[0][1].startswith("Assist/control, volume control (A/C-VC): set tidal volume 420 mL")


@pytest.mark.parametrize(
    ("patient", "start"),
    [
        ({}, "Patient not described"),
        ({"age_years": 9}, "Patient of 9.0 years"),
        ({"sex": "female", "age_years": 9}, "Girl of 9.0 years"),
        ({"sex": "female", "age_years": 61}, "Woman of 61 years"),
        (
            {"sex": "male", "age_days": 9, "gestational_age_weeks": 27, "weight_kg": 0.91},
            "Boy of 9 days and 27.0 weeks of gestation at birth, actual weight 0.910 kg",
        ),
    ],
)
def test_patients_in_words(patient: dict[str, Any], start: str) -> None:
    assert overview_page(made_review(patient=patient)).patient.startswith(start)


def test_answers_hold_the_numbers_of_the_lung() -> None:
    review = made_review(lung=Lung(0.030, 13.0))
    assert values(review, LUNGS)["compliance_ml_cmh2o"] == "30 mL/cmH2O"
    assert values(review, LUNGS)["resistance_cmh2o_s_l"] == "13 cmH2O·s/L"
    assert values(review, SAFE)["driving_pressure_cmh2o"] == "14.0 cmH2O"
    assert values(review, STEP)["rate_per_min"] == "25 /min"


def test_answers_say_what_they_stand_on() -> None:
    leads = {a.question: a.lead for a in overview_page(made_review(efforts_from=30)).answers}
    assert leads[SAFE] == "Limits: adult by age."
    assert leads[LUNGS] == (
        "Measured on 30 of 40 (75 %) breaths, passive ones, and 2 holds. Total PEEP is measured in expiratory holds "
        "and estimated elsewhere."
    )
    assert leads[STEP].startswith(
        "Trigger's criterion met in 10 of 40 (25 %) breaths; effort seen in 10 of 40 (25 %) breaths, with the "
        "trigger's criterion met in all 10 of these."
    )


def test_how_the_lungs_were_described_is_said() -> None:
    review = made_review()
    assert terms(review) == description(review) == ""
    known = {"terms": ["volume", "flow", "heartbeat"], "heart_rate_per_min": 106.4, "one_compartment": False}
    told = replace(review, summary={**review.summary, "mechanics": known})
    assert terms(told) == "Here evidence asked for the heartbeat."
    assert description(told) == "One compartment does not describe them; a heartbeat of 106 /min was seen."
    plain = replace(review, summary={**review.summary, "mechanics": {**known, "terms": [], "heart_rate_per_min": None}})
    assert terms(plain) == "Here volume and flow alone were enough."
    active = made_review(efforts_from=0, holds=False)
    assert description(replace(active, summary={**active.summary, "mechanics": known})) == ""


def test_passivity_that_cannot_be_told_is_said() -> None:
    review = made_review()
    unsure = review.breaths.with_columns(passive=pl.lit(None, dtype=pl.Boolean))
    page = overview_page(replace(review, breaths=unsure))
    assert "of 40 it can't be told" in page.answers[2].lead
    assert "None of 40 breaths passive, of 40 it can't be told." in page.quality
    assert "Every breath shows effort" not in " ".join(matter.detail for matter in page.matters)
    assert any("Of no breath can it be told" in matter.detail for matter in page.matters)


@pytest.mark.parametrize(
    ("kinds", "text", "why"),
    [
        ((30, 10, 0), "30 of 40 (75 %) breaths passive, 10 with effort", ""),
        ((0, 40, 0), "none of 40 breaths passive, 40 with effort", "Every breath shows effort"),
        ((0, 0, 40), "none of 40 breaths passive, of 40 it can't be told", "Of no breath can it be told"),
        ((0, 0, 1), "0 of 1 breath passive, of 1 it can't be told", "There is only 1 breath to go by"),
        ((0, 1, 3), "none of 4 breaths passive, 1 with effort, of 3 it can't be told", "only 4 breaths to go by"),
    ],
)
def test_three_kinds_of_breaths_are_three(kinds: tuple[int, int, int], text: str, why: str) -> None:
    values = [True] * kinds[0] + [False] * kinds[1] + [None] * kinds[2]
    found = passivity(pl.DataFrame({"passive": pl.Series(values, dtype=pl.Boolean)}))
    assert (found.passive, found.effort, found.undecided) == kinds
    assert found.text == text
    assert why in found.without_passive


def with_efforts(source: str, outcomes: dict[str, int]) -> MadeReview:
    """A made review with efforts of these outcomes."""
    review = made_review(efforts_from=10, patient=None)
    words = [word for word, times in outcomes.items() for _ in range(times)]
    n = len(words)
    rows = {
        "effort": range(n),
        "start_s": [float(i) for i in range(n)],
        "end_s": [i + 0.5 for i in range(n)],
        "peak_cmh2o": [5.0] * n,
        "source": [source] * n,
        "breath": [0] * n,
        "outcome": words,
    }
    return replace(review, efforts=pl.DataFrame(rows, schema=EFFORT_COLUMNS))


def test_efforts_are_told_by_outcome_with_their_source() -> None:
    review = with_efforts("oesophageal", {"ineffective": 39, "triggered": 76, "effort-in-inflation": 3})
    assert efforts_found(review) == (
        "118 efforts, estimated from oesophageal pressure: 76 (64 %) triggered a breath, 3 (3 %) began within an "
        "inflation and 39 (33 %) triggered nothing (ineffective)."
    )
    assert efforts_found(review) in overview_page(review).answers[2].lead
    assert "39 of 118 (33 %) efforts triggered nothing." in headlines(review)


def test_few_ineffective_efforts_are_no_headline() -> None:
    assert not any("triggered nothing" in line for line in headlines(with_efforts("airway", {"triggered": 99})))
    review = with_efforts("airway", {"triggered": 99, "ineffective": 1})
    assert not any("triggered nothing" in line for line in headlines(review))
    assert "1 (1 %) triggered nothing" in efforts_found(review)


def test_effort_without_single_efforts_says_why() -> None:
    assert "can't be told" in efforts_found(made_review(efforts_from=0, holds=False))
    assert efforts_found(made_review()) == ""


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_every_outcome_has_words(outcome: str) -> None:
    assert effort_counts(with_efforts("airway", {outcome: 1}))[0].words


def test_estimates_are_marked_and_a_hold_is_not() -> None:
    review = made_review()
    assert summary_number(review, "total_peep_cmh2o").label == "estimated total PEEP"
    by_kind = {hold.kind: hold_number(hold, "total_peep_cmh2o").label for hold in review.holds}
    assert by_kind == {"inspiratory": "estimated total PEEP", "expiratory": "total PEEP"}
    codes = np.array([1] * 30 + [2] * 10)
    assert total_peep_origin(replace(review, mechanics={"total_peep_from": codes}, holds=())) == (
        "Total PEEP is estimated, by the fit on 30 and from the rest before on 10 breaths, and only an expiratory hold "
        "measures it."
    )


def test_a_held_total_peep_stands_beside_the_estimate() -> None:
    """A hold measures what breaths only let estimate (common practice, no source)."""
    review = made_review()
    held = tuple(replace(h, total_peep_cmh2o=11.2) if h.kind == "expiratory" else h for h in review.holds)
    review = replace(review, holds=held)
    trapped = next(a for a in overview_page(review).answers if a.question == LUNGS).groups[2][1]
    assert ("total PEEP (expiratory hold)", "11.2 cmH2O", 1) in [(n.label, n.value, n.n) for n in trapped]
    moved = tuple(replace(h, quality=("steady", "lower bound")) for h in held)
    shown = held_number(replace(review, holds=moved), "total_peep_cmh2o")
    assert shown is not None
    assert shown.label == "total PEEP (expiratory hold, lower bound)"
    without = overview_page(replace(review, holds=())).answers[1].groups[2][1]
    assert not any("hold" in n.label for n in without)


def test_one_resistance_for_both_directions_is_not_shown_as_two() -> None:
    key = "expiratory_resistance_cmh2o_s_l"
    review = made_review()
    for fitted, label in ((["expiratory resistance"], ""), ([], " (one value fitted for both)")):
        told = replace(review, summary={**review.summary, "mechanics": {"terms": fitted, "one_compartment": True}})
        assert summary_number(told, key).label == f"expiratory resistance{label}"
        drawn = [s.quantity.key for panel in trend_page(told).panels for s in panel]
        assert (key in drawn) is (label == "")


def test_only_what_is_known_stands_on_passive_breaths() -> None:
    review = made_review(patient=None, holds=False)
    nothing = pl.lit(None, dtype=pl.Float64)
    breaths = review.breaths.with_columns(plateau_pressure_cmh2o=nothing, driving_pressure_cmh2o=nothing)
    quantities = {k: v for k, v in review.summary["quantities"].items() if "plateau" not in k and "driving" not in k}
    page = overview_page(replace(review, breaths=breaths, summary={**review.summary, "quantities": quantities}))
    told = {matter.headline: matter.detail for matter in page.matters}
    assert "Plateau and driving pressure can't be told." in told
    assert told["All 40 breaths passive."] == "Known from passive ones: compliance and inspiratory resistance."


def test_gases_and_events_stand_in_the_order_of_time_and_an_index_only_where_arterial() -> None:
    said = {
        "recording": {"file": "signals.csv", "start": "2030-01-01T12:00:00"},
        "blood_gases": [
            {"time": "2030-01-01T12:04:00", "site": "venous", "fio2": 0.5, "pao2_mmhg": 40},
            {"time": "2030-01-01T11:15:00", "site": "arterial", "fio2": 0.5, "pao2_mmhg": 80, "ph": 7.3},
        ],
        "events": [{"at_s": 90, "kind": "alarm", "priority": "high", "text": "Pressure."}],
        "observed": [{"at_s": 30, "position": "supine", "spo2": 0.93}],
    }
    page = beside(case_from(said))
    assert [q.key for q in page.columns] == ["fio2", "ph", "pao2_mmhg", "pf_ratio_mmhg"]
    assert [(row.when, row.site, row.values) for row in page.gases] == [
        ("45 min before", "arterial", (0.5, 7.3, 80, 160)),
        ("4:00", "venous", (0.5, None, 40, None)),
    ]
    assert [(row.time, row.kind, row.text) for row in page.events] == [
        ("0:30", "position", "Supine."),
        ("1:30", "alarm, high", "Pressure."),
    ]


def test_gaps_and_warnings_are_told_once() -> None:
    page = overview_page(made_review(gap=True, warnings=("flow drifts", "flow drifts")))
    assert page.quality[0] == "1 gap, 5.00 s in all; nothing is told of them."
    assert page.quality.count("Flow drifts.") == 1


# --- limits -----------------------------------------------------------------------------------------------------------


def test_a_limit_met_and_a_limit_crossed() -> None:
    found = states(made_review(lung=Lung(0.025, 13.0)))
    assert found["driving_pressure_cmh2o"] == "crossed"
    assert found["plateau_pressure_cmh2o"] == "met"


def test_a_limit_crossed_on_part_of_the_breaths() -> None:
    review = made_review(breaths=40, peeps=(8.0, 8.0, 8.0, 18.0))
    judged = {v.limit.key: v for v in verdicts(review)}["plateau_pressure_cmh2o"]
    assert (judged.state, judged.beyond, judged.of) == ("crossed at times", 10, 40)
    assert judged.text == "crossed at times, 10 of 40 breaths"
    assert judged.side == "above"
    assert judged.kind == "what a trial aimed at"


def test_volume_per_weight_is_judged_breath_by_breath() -> None:
    judged = {v.limit.key: v for v in verdicts(made_review())}["vt_per_pbw_ml_kg"]
    assert (judged.state, judged.of) == ("met", 40)


def test_a_limit_without_its_number_cannot_be_told() -> None:
    review = made_review(efforts_from=0, holds=False)
    assert states(review)["plateau_pressure_cmh2o"] == "can't be told"
    assert values(review, SAFE)["plateau_pressure_cmh2o"] == "–"


def test_a_noted_number_is_judged_where_none_was_measured() -> None:
    judged = {v.limit.key: v for v in verdicts(made_review(observed=({"at_s": 12, "cuff_pressure_cmh2o": 45},)))}
    assert judged["cuff_pressure_cmh2o"].state == "crossed"
    assert judged["cuff_pressure_cmh2o"].number.source == "noted at 0:12"


def test_no_age_no_limits() -> None:
    review = made_review(patient=None)
    assert not verdicts(review)
    assert overview_page(review).answers[0].lead == (
        "Limits: no age is given, so no limits are chosen. They need at least the age (age_years or age_days under "
        "[patient])."
    )


# --- what matters first -----------------------------------------------------------------------------------------------


def headlines(review: MadeReview) -> list[str]:
    """What matters first, in order."""
    return [matter.headline for matter in overview_page(review).matters]


def test_crossed_limits_come_before_all_else() -> None:
    first = headlines(made_review(lung=Lung(0.020, 13.0)))
    assert first[0].startswith("Driving pressure 21.0 cmH2O: above 15 cmH2O.")
    assert len(first) == 3


def test_trapped_gas_is_told() -> None:
    obstructed = made_review(lung=Lung(0.050, 25.0), inflation=Inflation(expiration_s=1.2))
    assert any(line.startswith("Gas is trapped: intrinsic PEEP (expiratory hold)") for line in headlines(obstructed))
    bound = tuple(replace(hold, quality=("steady", "lower bound")) for hold in obstructed.holds)
    unheld = replace(obstructed, holds=bound)
    assert any(line.startswith("Gas is trapped: estimated intrinsic PEEP") for line in headlines(unheld))


def test_what_keeps_the_lungs_from_being_measured_is_told() -> None:
    first = headlines(made_review(efforts_from=0, holds=False, patient=None))
    assert first[0] == "Stiffness, resistance and plateau can't be told."


def test_flow_that_has_not_stopped_is_told_where_trapped_pressure_is_unknown() -> None:
    review = made_review(efforts_from=0, holds=False, patient=None)
    quantities = {
        "end_expiratory_flow_l_min": {"median": 12.0, "n": 40},
        "peak_expiratory_flow_l_min": {"median": 24.0, "n": 40},
    }
    first = overview_page(replace(review, summary={**review.summary, "quantities": quantities})).matters[0]
    assert first.headline == "Gas is still flowing out when the next breath begins: 12.0 L/min."
    assert first.detail.startswith("50 % of peak expiratory flow")


def test_flow_left_is_told_beside_a_small_intrinsic_peep() -> None:
    review = made_review(patient=None, holds=False)
    quantities = {
        **review.summary["quantities"],
        "intrinsic_peep_cmh2o": {"median": 1.6, "n": 40},
        "end_expiratory_flow_l_min": {"median": 6.0, "n": 40},
        "peak_expiratory_flow_l_min": {"median": 24.0, "n": 40},
    }
    told = overview_page(replace(review, summary={**review.summary, "quantities": quantities})).matters
    said = next(matter for matter in told if matter.headline.startswith("Gas is still flowing out"))
    assert said.detail.startswith("25 % of peak expiratory flow")
    assert "estimated intrinsic PEEP is 1.6 cmH2O" in said.detail
    quantities["end_expiratory_flow_l_min"] = {"median": 2.0, "n": 40}
    little = replace(review, summary={**review.summary, "quantities": quantities})
    assert not any("flowing out" in line for line in headlines(little))


@pytest.mark.parametrize(
    ("lung", "head"),
    [
        (Lung(0.030, 22.0), "Narrow airways or tube: inspiratory resistance 22 cmH2O·s/L."),
        (Lung(0.080, 14.0), "The lungs empty slowly: expiratory time constant 1.12 s."),
        (Lung(0.030, 13.0), None),
    ],
)
def test_narrow_airways_are_told_beside_the_teaching_range(lung: Lung, head: str | None) -> None:
    """Adults with a tube: 10 to 16 cmH2O·s/L; 1 to 2 s in obstruction (teaching ranges, from memory)."""
    found = narrow_airways(made_review(lung=lung))
    assert (found and found[0]) == head
    assert narrow_airways(made_review(lung=lung, patient=None)) is None


def test_mechanical_power_says_how_much_of_the_peak_is_resistive() -> None:
    """Constant flow of 0.6 L/s through 13 cmH2O·s/L takes 7.8 cmH2O, at the last sample 0.2 less of recoil."""
    matters = overview_page(made_review(patient={"age_years": 58})).matters
    said = next(matter for matter in matters if matter.headline.startswith("Mechanical power"))
    assert "7.6 cmH2O (peak less plateau) is resistive" in said.detail


@pytest.mark.parametrize(("leak", "doubted"), [(0.1, False), (0.8, True)])
def test_a_volume_in_a_great_leak_is_doubted(leak: float, doubted: bool) -> None:
    review = made_review(inflation=Inflation(volume=0.75), efforts_from=0, holds=False)
    spread = {"p05": 0.0, "p95": 12.0, "n": 40}
    quantities = {"vt_per_pbw_ml_kg": {**spread, "median": 10.6}, "leak_fraction": {**spread, "median": leak}}
    leaky = replace(review, summary={**review.summary, "quantities": quantities})
    page = overview_page(leaky)
    volume = next(v for v in page.verdicts if v.limit.key == "vt_per_pbw_ml_kg")
    assert (volume.state == "can't be told") == doubted
    assert ("volume doubtful" in volume.text) == doubted
    assert ("doubtful" in volume.number.label) == doubted
    assert any(matter.headline.startswith("Tidal volume") for matter in page.matters) != doubted
    assert any("no limit of volume is judged" in matter.detail for matter in page.matters) == doubted


def test_a_leak_is_a_percentage_with_its_flow_at_the_mean_pressure() -> None:
    """0.1 L/s at 1 cmH2O by a square root gives 0.3 L/s at 9 cmH2O, 18 L/min: arithmetic."""
    review = made_review()
    quantities = {
        "leak_fraction": {"median": 0.64, "p05": -0.001, "p95": 0.7, "n": 40},
        "mean_pressure_cmh2o": {"median": 9.0, "p05": 9.0, "p95": 9.0, "n": 40},
    }
    mechanics = {"terms": [], "leak_l_s_per_cmh2o_to_exponent": 0.1, "leak_exponent": 0.5, "one_compartment": None}
    shown = summary_number(
        replace(review, summary={**review.summary, "quantities": quantities, "mechanics": mechanics}), "leak_fraction"
    )
    assert (shown.value, shown.range) == ("64 %", "0 to 70")
    assert shown.label == "leak (18.0 L/min at the mean pressure of 9.0 cmH2O)"


def test_a_hold_that_shows_another_compliance_is_told() -> None:
    review = made_review(patient=None)
    held = tuple(replace(hold, static_compliance_ml_cmh2o=42.0) for hold in review.holds)
    assert "Compliance 42 mL/cmH2O in a hold, 30 mL/cmH2O while gas moves." in headlines(replace(review, holds=held))
    assert not any("in a hold" in line for line in headlines(review))


def test_a_stress_index_of_uneven_lungs_is_doubted() -> None:
    review = made_review(patient={"age_years": 58})
    index = {"median": 0.8, "p05": 0.7, "p95": 0.9, "n": 40}
    summary = {
        **review.summary,
        "quantities": {"stress_index": index},
        "mechanics": {"terms": [], "one_compartment": False},
    }
    matter = overview_page(replace(review, summary=summary)).matters
    assert any("bend the curve" in m.detail for m in matter)


def test_a_matter_is_told_once() -> None:
    review = made_review(patient={"age_days": 9, "weight_kg": 1.0})
    leaking = {**review.summary, "quantities": {"leak_fraction": {"median": 0.7, "p05": 0.6, "p95": 0.8, "n": 40}}}
    leaks = replace(review, summary=leaking, breaths=review.breaths.with_columns(leak_fraction=pl.lit(0.7)))
    assert sum("leak" in line.lower() for line in headlines(leaks)) == 1


def test_the_stress_index_is_judged_by_the_rule_of_all_limits() -> None:
    review = made_review()
    noisy = review.breaths.with_columns(stress_index=pl.when(pl.col("breath") % 3 == 0).then(1.4).otherwise(1.0))
    summary = {**review.summary, "quantities": {"stress_index": {"median": 1.0, "p05": 1.0, "p95": 1.4, "n": 40}}}
    noted = replace(review, breaths=noisy, summary=summary)
    judged = next(v for v in verdicts(noted) if v.limit.key == "stress_index")
    assert judged.text == f"crossed at times, {judged.beyond} of {judged.of} breaths"
    assert judged.beyond > 10
    assert not any(m.about == "stress_index" for m in overview_page(noted).matters)  # single breaths are noise


def test_findings_are_told_with_their_surest_example() -> None:
    review = made_review(patient=None)
    rows = {
        "kind": ["ineffective-effort"] * 2,
        "breath": [3, 9],
        "start_s": [8.0, 62.0],
        "end_s": [9.0, 63.0],
        "confidence": [0.4, 0.9],
        "evidence": ["small dip", "an effort of 6 cmH2O in expiration triggers nothing"],
        "values": [[], []],
        "rule": ["r", "r"],
        "rule_version": [1, 1],
    }
    findings = pl.DataFrame(rows, schema=review.findings.schema)
    summary = {**review.summary, "findings": {"ineffective-effort": {"count": 20}}}
    matter = overview_page(replace(review, findings=findings, summary=summary)).matters[0]
    assert matter.headline == "Ineffective effort: 20 times in 40 breaths."
    assert matter.detail == "At 1:02: an effort of 6 cmH2O in expiration triggers nothing."


def test_lost_time_and_leak_are_told() -> None:
    review = made_review(breaths=20, gap=True, patient=None)
    summary = {**review.summary, "quantities": {"leak_fraction": {"median": 0.4, "p05": 0.3, "p95": 0.5, "n": 20}}}
    first = headlines(replace(review, summary=summary))
    assert any("% of the time was not recorded" in line for line in first)
    assert "Leak 40 % of the inspired volume." in first


def test_no_breaths_is_the_first_thing_told() -> None:
    page = overview_page(made_review(breaths=0, holds=False, patient=None, title=""))
    assert page.title == "Untitled case"
    assert page.matters[0].headline == "No breath was found."
    assert all(not answer.groups for answer in page.answers)
    assert any("no breath was found" in entry.text for entry in page.untold)


# --- what can't be told -----------------------------------------------------------------------------------------------


def test_reasons_are_counted_and_quantities_gathered_under_them() -> None:
    entry = overview_page(made_review(efforts_from=30)).untold[0]
    assert entry.text == (
        "Plateau pressure, driving pressure, compliance and inspiratory resistance: the patient was breathing during "
        "this breath, on 10 of 40 (25 %) breaths."
    )


def test_a_case_without_height_says_so() -> None:
    patient = {key: value for key, value in PATIENT.items() if not key.startswith("height")}
    told = [entry.text for entry in overview_page(made_review(patient=patient)).untold]
    assert "Tidal volume per predicted body weight: the case does not tell height." in told


def test_a_newborn_is_not_asked_for_a_predicted_weight() -> None:
    told = " ".join(entry.text for entry in overview_page(made_review(patient={"age_days": 3})).untold)
    assert "predicted" not in told
    assert "Tidal volume per weight: the case does not tell weight or height." in told


def test_every_breath_without_reasons_is_quiet() -> None:
    review = made_review()
    assert review.breaths.schema["not_measured"] == NOT_MEASURED
    assert not overview_page(review).untold


# --- noted numbers ----------------------------------------------------------------------------------------------------


def test_noted_numbers_stand_beside_measured_ones_with_reasons() -> None:
    noted = {"at_s": 40.0, "plateau_pressure_cmh2o": 28.0, "peep_cmh2o": 8.0, "spo2": 0.93}
    seen = {o.quantity.key: o for o in overview_page(made_review(observed=(noted,))).observations}
    assert seen["peep_cmh2o"].agrees
    assert not seen["plateau_pressure_cmh2o"].agrees
    assert "its own pause" in seen["plateau_pressure_cmh2o"].why[0]
    assert seen["plateau_pressure_cmh2o"].label == "plateau pressure at 0:40"
    assert seen["spo2"].measured is None


def test_gas_compressed_in_the_tubing_is_computed() -> None:
    review = made_review(observed=({"at_s": 30.0, "vti_ml": 460.0},))
    circuit = review.case.circuit.model_copy(update={"compliance_ml_cmh2o": 2.0})
    case = review.case.model_copy(update={"circuit": circuit})
    why = overview_page(replace(review, case=case)).observations[0].why[0]
    peak = float(review.breaths["peak_pressure_cmh2o"].median() or 0)  # type: ignore[arg-type]
    assert f"up to {2.0 * (peak - 8.0):.0f} mL of each breath is gas compressed in the circuit" in why


def test_noted_numbers_that_contradict_each_other_are_doubted() -> None:
    noted = {"at_s": 30.0, "vte_ml": 420.0, "rate_per_min": 25.0, "minute_volume_l_min": 7.0}
    seen = {o.quantity.key: o for o in overview_page(made_review(observed=(noted,))).observations}
    minute = seen["minute_volume_l_min"]
    assert minute.measured is not None
    assert minute.measured.median == pytest.approx(10.5, rel=0.01)
    assert "The noted volume times the noted rate is 10.5 L/min, not 7.0 L/min" in minute.why[-1]


# --- trend ------------------------------------------------------------------------------------------------------------


def test_trend_shows_every_breath_where_there_are_few() -> None:
    course = trend_page(made_review(peeps=(6.0, 9.0)))
    assert course.bin_s == 0
    keys = [series.quantity.key for panel in course.panels for series in panel]
    assert keys[:4] == ["peak_pressure_cmh2o", "plateau_pressure_cmh2o", "total_peep_cmh2o", "peep_cmh2o"]
    assert [mark.kind for mark in course.marks] == ["settings", "inspiratory hold", "expiratory hold"]
    assert course.marks[0].text == "set PEEP 6.0 → 9.0 cmH2O"


def test_trend_of_many_breaths_is_binned_and_broken_where_nothing_is_known() -> None:
    review = made_review(breaths=1500, holds=False)
    known = pl.col("start_s").is_between(1000, 2000)
    breaths = review.breaths.with_columns(compliance_ml_cmh2o=pl.when(~known).then(pl.col("compliance_ml_cmh2o")))
    course = trend_page(replace(review, breaths=breaths))
    assert course.bin_s == pytest.approx(review.recording.duration_s / 240)
    series = next(s for panel in course.panels for s in panel if s.quantity.key == "compliance_ml_cmh2o")
    assert len(series.time_s) < 260
    assert np.isnan(series.median).sum() == 1
    assert np.nanmax(series.high) <= 30.5


# --- breath, holds, steps ---------------------------------------------------------------------------------------------


def test_the_account_of_a_breath_adds_up() -> None:
    page = breath_page(made_review(efforts_from=20), 25)
    assert page is not None
    assert page.heading == "breath 25 at 1:06: volume control, triggered by the patient, with effort"
    assert page.account is not None
    assert page.account.mechanics_from == "passive breaths of this recording"
    for instant in page.instants:
        parts = instant.start + instant.elastic + instant.resistive - instant.muscle + instant.unexplained
        assert parts == pytest.approx(instant.pressure)
    assert page.unexplained_rms == pytest.approx(0.15 / 2**0.5, rel=0.1)


def test_the_typical_breath_is_shown_unless_another_is_asked_for() -> None:
    page = breath_page(made_review())
    assert page is not None
    assert page.breath == 1
    assert 0 < len(page.neighbours) <= 12
    assert breath_page(made_review(), 4711) is None
    assert breath_page(made_review(breaths=0, holds=False)) is None


def test_holds_are_shown_with_the_columns_they_fill() -> None:
    page = holds_page(made_review())
    keys = [record.key for record in page.columns]
    assert "plateau_pressure_cmh2o" in keys
    assert "intrinsic_peep_cmh2o" in keys
    first = dict(zip(keys, page.rows[0].numbers, strict=True))
    assert first["static_compliance_ml_cmh2o"].value == "30 mL/cmH2O"
    assert first["intrinsic_peep_cmh2o"].value == "–"
    assert page.rows[0].quality == "steady, total PEEP of hold 2"
    assert page.traces[0].time_s[0] < -4
    assert page.traces[0].pressure.shape == page.traces[0].time_s.shape


def test_undisturbed_holds_are_drawn_first() -> None:
    review = made_review()
    leaky = Hold("inspiratory", 4, 12.0, 2.0, plateau_pressure_cmh2o=20.0, quality=("leak",))
    page = holds_page(replace(review, holds=(*[leaky] * 6, *review.holds)))
    assert len(page.rows) == 8
    assert [trace.number for trace in page.traces][-2:] == [7, 8]
    assert len(page.traces) == 4


def test_steps_say_what_a_change_did() -> None:
    page = steps_page(made_review(peeps=(6.0, 9.0)))
    row = page.rows[0]
    effects = {e.quantity.key: e for e in row.effects}
    assert row.changed == "set PEEP 6.0 → 9.0 cmH2O"
    assert effects["plateau_pressure_cmh2o"].clear
    assert effects["plateau_pressure_cmh2o"].change == "20.4 → 23.4"
    assert not effects["vte_ml"].clear
    assert page.along_peep == ()


def test_three_levels_of_peep_make_a_series() -> None:
    page = steps_page(made_review(breaths=60, peeps=(6.0, 9.0, 12.0, 9.0)))
    assert [round(p.peep.median) for p in page.along_peep] == [6, 9, 12, 9]
    assert page.along_peep_quantities[0].key == "compliance_ml_cmh2o"
    first = page.along_peep[0].values[0]
    assert first is not None
    assert first.median == pytest.approx(30, rel=0.02)


def test_an_effect_unknown_on_one_side_is_a_dash() -> None:
    page = steps_page(made_review(breaths=40, peeps=(6.0, 9.0, 12.0), efforts_from=27))
    effects = {e.quantity.key: e for e in page.rows[1].effects}
    assert (effects["compliance_ml_cmh2o"].change, effects["compliance_ml_cmh2o"].spread) == ("–", "")
    assert not effects["compliance_ml_cmh2o"].clear
