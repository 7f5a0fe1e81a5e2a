"""A scenario that can't be is refused with one message: where, what, what is allowed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tidebench.errors import CaseError, OptionError
from tidebench.simulation import load_scenario, scenario_from, simulate, simulate_case

VOLUME = {"mode": "A/C-VC", "peep_cmh2o": 5, "rate_per_min": 15, "tidal_volume_ml": 450, "inspiratory_flow_l_min": 40}
PART = {"compliance_ml_cmh2o": 50, "resistance_cmh2o_s_l": 8}
STEPS = {"kind": "peep steps", "levels_cmh2o": [5, 10]}


def lung(**changed: Any) -> dict[str, Any]:
    """A lung of one compartment."""
    return {"lung": {"compartments": [{**PART, **changed}]}}


def settings(*rows: dict[str, Any]) -> dict[str, Any]:
    """Settings, the first on the usual ones."""
    return {"settings": [{**VOLUME, **rows[0]}, *rows[1:]]}


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ({"durations_s": 3}, "durations_s: there is no such key. Nearest: duration_s."),
        ({"seed": -1}, "seed: is -1. Expected: a whole number, 0 or more."),
        ({"seed": "four"}, "seed: is 'four'. Expected: a whole number."),
        ({"seed": 0.5}, "seed: is 0.5. Expected: a whole number."),
        (lung(compliance_ml_cmh2o=-5), "no. 1, compliance_ml_cmh2o: is -5. Expected: 0.05 to 300 mL/cmH2O."),
        (lung(compliance_ml=5), "no. 1, compliance_ml: there is no such key. Nearest: compliance_ml_cmh2o."),
        (lung(sigmoid={"span_ml": 500}), "sigmoid, middle_cmh2o: is missing."),
        (
            {"lung": {"compartments": []}},
            "[lung]: has 0 compartments. Expected: 1 to 8. One is [[lung.compartments]] with compliance_ml_cmh2o = 50",
        ),
        (
            lung(recruitment={"share": 0.5, "opening_cmh2o": 3, "closing_cmh2o": 5}),
            "recruitment: opens at or below the pressure at which it closes. "
            "Expected: opening_cmh2o above closing_cmh2o, such as 20 and 5.",
        ),
        (settings({"rate_per_min": 0}), "rate_per_min 0 in A/C-VC, where mandatory breaths need a clock."),
        (
            {"settings": [{"mode": "CSV-PS", "pressure_support_cmh2o": 8}]},
            "no effort and no back-up: nobody would breathe.",
        ),
        (
            settings({"inspiratory_flow_l_min": 5}),
            "[[settings]] no. 1: an inflation of 5.4 s does not fit into a breath of 4 s. Expected: less than 4 s",
        ),
        (settings({"pause_s": 3.5}), "an inflation of 4.17 s does not fit into a breath of 4 s."),
        (settings({"moode": 5}), "[[settings]] no. 1, moode: there is no such key. Nearest: mode."),
        (settings({}, {"at_s": 20, "fio2": 40}), "[[settings]] no. 2, fio2: is 40. Expected: 0.21 to 1 as a fraction."),
        (settings({}, {"at_s": "late"}), "[[settings]] no. 2, at_s: is 'late'. Expected: a number, without quotes."),
        (settings({}, {"at_s": 0}), "don't follow each other. Expected: each at_s above the one before."),
        (settings({"at_s": 9}), "says nothing of the start. Expected: a first [[settings]] with a mode, at_s = 0."),
        (settings({}, {"at_s": 200, "fio2": 0.4}), "before [[settings]] at 200 s. Expected: at_s below 120."),
        ({"settings": [{"mode": "A/C-VC", "rate_per_min": 15}]}, "tidal_volume_ml is missing."),
        ({"settings": [{"mode": "A/C-VC", "tidal_volume_ml": 400}]}, "rate_per_min is missing."),
        ({"settings": [{"peep_cmh2o": 5}]}, "no mode is set. Expected: mode, such as A/C-VC."),
        (
            {"exchange": {"co2_production_ml_min": 200, "o2_uptake_ml_min": 100}},
            "[exchange]: has a respiratory quotient of 2 (co2_production_ml_min over o2_uptake_ml_min). "
            "Expected: 0.6 to 1.3.",
        ),
        (
            {"effort": {"rate_per_min": 30, "neural_time_s": 1.9}},
            "[effort]: has efforts of 2.04 s, relaxation included, 30 per minute. "
            "Expected: neural_time_s and relaxing_time_s that fit into 2 s.",
        ),
        (
            {"manoeuvres": [{"at_s": 30, "kind": "expiratory hold"}, {"at_s": 28, "kind": "inspiratory hold"}]},
            "has expiratory hold at 30 s, before the inspiratory hold from 28 s has ended. Expected: at_s from 31 on",
        ),
        (
            {"duration_s": 1e6, "sampling_hz": 200, "capnogram": True},
            "would give 6.4 GB of signals (1e+06 s at 200 per second). Expected: at most 4 GB.",
        ),
        ({"settings": []}, "says nothing of the start."),
        ({"settings": 3}, "settings: is 3. Expected: a list of tables."),
        ({"events": [{"at_s": 5, "kind": "bronchospams"}]}, "Nearest: 'bronchospasm'."),
        ({"manoeuvres": [{"at_s": 5, "kind": "suction", "duration_s": 90}]}, "duration_s: is 90. Expected: 0.1 to 60"),
        ({"manoeuvres": [{"at_s": 5, "kind": "cough", "duration_s": 1}]}, "has duration_s, which a cough has no"),
        ({"procedures": [{"at_s": 5, "kind": "recruitment"}]}, "has no levels. Expected: levels_cmh2o,"),
        (
            {"procedures": [{"at_s": 5, **STEPS}], **settings({}, {"at_s": 20, "peep_cmh2o": 7})},
            "changes settings within the peep steps from 5 to 125 s.",
        ),
        ({"procedures": [{"at_s": 5, **STEPS}, {"at_s": 30, **STEPS}]}, "changes settings within the peep steps"),
        (
            {
                "procedures": [{"at_s": 5, **STEPS}],
                **settings({"pressure_high_cmh2o": 20, "time_high_s": 2, "time_low_s": 1}),
            },
            "has a peep steps on two pressure levels.",
        ),
        ({"who": "healthy adult"}, "scenario: who: the library has no patient 'healthy adult'."),
        (settings({"pressure_low_cmh2o": 5, "time_low_s": 3}), "pressure_low_cmh2o is set, and two pressure l"),
        ({"ventilator": {"pressure_limit_cmh2o": 5}}, "peep_cmh2o 5 is not below pressure_limit_cmh2o 5. Expected: "),
        (
            {
                "ventilator": {"pressure_limit_cmh2o": 20},
                **settings({"pressure_high_cmh2o": 20, "time_high_s": 2, "time_low_s": 1}),
            },
            "pressure_high_cmh2o 20 is not below pressure_limit_cmh2o 20. Expected: ",
        ),
        (
            {"ventilator": {"pressure_limit_cmh2o": 10}, "procedures": [{"at_s": 5, **STEPS}]},
            "has a peep steps to 10 cmH2O, and pressure_limit_cmh2o is 10. Expected: levels below 10 cmH2O",
        ),
        (
            {
                "ventilator": {"backup_rate_per_min": 60}, "effort": {"rate_per_min": 12},
                "settings": [{"mode": "CPAP", "peep_cmh2o": 5, "inspiratory_time_s": 2}],
            },
            "an inflation of 2 s does not fit into a breath of 1 s. Expected: less than 1 s at backup_rate_per_min 60.",
        ),
        ({"who": 3}, "scenario: who: is 3. Expected: a name of `tidebench patients` in quotes."),
        ({"leak": {"at": "nose"}}, "[leak], at: is 'nose'. Expected: 'mask' or 'cuff'."),
        ({"effort": {"rate": 20}}, "[effort], rate: there is no such key. Nearest: rate_per_min,"),
        ({"exchange": {"shunt": 0.9}}, "[exchange], shunt: is 0.9. Expected: 0 to 0.8 as a fraction."),
        ({"oesophageal": "yes"}, "oesophageal: is 'yes'. Expected: true or false."),
        ({"seed": True}, "seed: is True. Expected: a whole number."),
        ({"sensors": {"seed": True}}, "[sensors], seed: is True. Expected: a whole number."),
        ({"effort": {"entrained_every": True}}, "[effort], entrained_every: is True. Expected: a whole number."),
        ({"title": "a\x00b"}, "title: has the character U+0000, which is not to be seen. Expected: one line of plain"),
        ({"title": "a\x1b[31mb"}, "title: has the character U+001B, which is not to be seen."),
        ({"title": "a\n[patient]"}, "title: has the character U+000A, which is not to be seen."),
        ({"title": "\u202eb"}, "title: has the character U+202E, which is not to be seen."),
        ({"title": "\ud800"}, "title: has the character U+D800, which is not to be seen."),
        (
            {"procedures": [{"at_s": 5, "kind": "peep steps", "levels_cmh2o": "8"}]},
            "[[procedures]] no. 1, levels_cmh2o: is '8'. Expected: a list, in brackets.",
        ),
        (settings({"pause_s": 0.9, "inspiratory_time_s": 0.9}), "is over before its pause of 0.9 s."),
        ({"events": [{"at_s": 5, "kind": "relief", "size": 3}]}, "has size, which relief has no use for."),
        (
            {
                "manoeuvres": [{"at_s": 5, "kind": "inspiratory hold"}],
                **settings({"pressure_high_cmh2o": 20, "time_high_s": 2, "time_low_s": 1}),
            },
            "has an inspiratory hold at 5 s in A/C-VC, where no inflation can be held.",
        ),
        ({"who": "COPD"}, "Nearest: copd, child."),
        (
            {"procedures": [{"at_s": 5, "kind": "slow inflation", "levels_cmh2o": [8]}]},
            "has levels_cmh2o, which a slow inflation has no use for. Expected: volume_ml, flow_l_min.",
        ),
        ({"sensors": {"flow_gain": 3}}, "[sensors], flow_gain: is 3. Expected: 0.5 to 1.5."),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused(said: dict[str, Any], message: str) -> None:
    with pytest.raises(CaseError) as refused:
        scenario_from({**lung(), **settings({}), **said})
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


def test_empty_scenario_is_told_where_to_begin() -> None:
    with pytest.raises(
        CaseError, match=r"doesn't say who is ventilated. Expected: who = a name of `tidebench patients`"
    ):
        scenario_from({})
    with pytest.raises(CaseError, match=r"doesn't say how. Expected: \[\[settings\]\] with a mode"):
        scenario_from(lung())


def test_settings_that_amend_the_library_are_refused_by_table_and_key() -> None:
    with pytest.raises(CaseError, match=r"\[\[settings\]\] no. 1, peep_cmh2o: is 500. Expected: 0 to 60 cmH2O."):
        scenario_from({"who": "copd", "settings": [{"peep_cmh2o": 500}]})
    with pytest.raises(CaseError, match=r"\[\[settings\]\] no. 1, peeep_cmh2o: there is no such key."):
        scenario_from({"who": "copd", "settings": [{"peeep_cmh2o": 5}]})


def test_a_channel_that_there_is_not_is_refused() -> None:
    with pytest.raises(OptionError, match=r"'nope' is no channel. Expected: airway_pressure, flow,"):
        simulate(scenario_from({"who": "copd", "duration_s": 5}), ["nope"])


@pytest.mark.parametrize("given", [None, 3, b"x", [1]])
def test_what_is_no_scenario_at_all_is_refused_by_every_way_in(given: Any, tmp_path: Path) -> None:
    for way in (scenario_from, load_scenario, simulate, lambda one: simulate_case(one, tmp_path / "case")):
        with pytest.raises(OptionError, match=r"^scenario: \w+ is no scenario. Expected: a Scenario, its tables"):
            way(given)
    assert list(tmp_path.iterdir()) == []


def test_title_may_be_in_any_writing() -> None:
    for title in ("<b>\"'\\", "ü漢字 العربية नमस्ते می‌خواهم", ""):
        assert scenario_from({"who": "copd", "title": title}).title == title


def test_later_settings_keep_what_is_not_set_anew() -> None:
    rows = ({"trigger_flow_l_min": 2}, {"at_s": 30, "peep_cmh2o": 8}, {"at_s": 60, "trigger_pressure_cmh2o": 1})
    _, second, third = scenario_from({**lung(), **settings(*rows)}).settings
    assert (second.mode, second.tidal_volume_ml, second.peep_cmh2o) == ("A/C-VC", 450, 8)
    assert (third.trigger_flow_l_min, third.trigger_pressure_cmh2o, third.peep_cmh2o) == (None, 1, 8)


def test_another_mode_leaves_two_levels_behind() -> None:
    levels = {"pressure_high_cmh2o": 20, "pressure_low_cmh2o": 5, "time_high_s": 3, "time_low_s": 1}
    rows = ({"mode": "IMV-PC", **levels}, {"at_s": 30, "mode": "A/C-VC"})
    first, second = scenario_from({**lung(), **settings(*rows)}).settings
    assert first.bi_level
    assert not second.bi_level


def test_sedation_that_wears_off_is_somebody_who_breathes() -> None:
    said = {**lung(), "settings": [{"mode": "CSV-PS", "pressure_support_cmh2o": 8}]}
    assert scenario_from({**said, "events": [{"at_s": 5, "kind": "sedation wearing off"}]})


@pytest.mark.parametrize(
    ("content", "message"),
    [(b"a = ", "this is not TOML"), (b"\xff", "this is not TOML"), (b"#" * (1 << 20) + b"#", "larger than 1 MiB")],
)
def test_file_that_is_no_scenario(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "a.toml").write_bytes(content)
    with pytest.raises(CaseError, match=message):
        load_scenario(tmp_path / "a.toml")


def test_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CaseError, match="can't be read"):
        load_scenario(tmp_path / "none.toml")


def test_a_cough_may_fall_into_a_hold_and_a_hold_may_follow_another() -> None:
    kinds = [(30, "inspiratory hold"), (31, "cough"), (33, "expiratory hold")]
    rows = [{"at_s": at, "kind": kind} for at, kind in kinds]
    assert len(scenario_from({"who": "copd", "manoeuvres": rows}).manoeuvres) == 3


def test_settings_without_a_mode_amend_those_of_the_library() -> None:
    (own,) = scenario_from({"who": "copd"}).settings
    for rows in ([{"peep_cmh2o": 9}], {"peep_cmh2o": 9}):
        (amended,) = scenario_from({"who": "copd", "settings": rows}).settings
        assert amended == own.model_copy(update={"peep_cmh2o": 9.0})
    first, later = scenario_from({"who": "copd", "settings": [{"at_s": 30, "peep_cmh2o": 9}]}).settings
    assert first == own
    assert later == own.model_copy(update={"at_s": 30.0, "peep_cmh2o": 9.0})


def test_settings_with_a_mode_stand_alone() -> None:
    (alone,) = scenario_from({"who": "copd", "settings": [VOLUME]}).settings
    assert alone.rate_per_min == VOLUME["rate_per_min"]
    assert alone.fio2 is None
