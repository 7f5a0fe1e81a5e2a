"""A house's practice: what it replaces, what it can't, and that it is printed with the result."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tidebench.care.preparation import prepare, request_from
from tidebench.errors import OptionError
from tidebench.limits import Policy, load_policy, practice
from tidebench.limits.practice import Practice

ADULT = {"patient": {"sex": "male", "age_years": 50, "height_cm": 180}, "airway": {"interface": "endotracheal tube"}}


def policy(folder: Path, text: str) -> Policy:
    (folder / "policy.toml").write_text(f'title = "Ward policy"\n{text}', encoding="utf-8")
    return load_policy(folder / "policy.toml")


def entry(item: str, low: float, high: float, group: str = "adult", more: str = "") -> str:
    return f'[[practice]]\nitem = "{item}"\ngroup = "{group}"\nlow = {low}\nhigh = {high}\n{more}\n'


def test_a_house_stands_instead_and_is_printed(tmp_path: Path) -> None:
    house = policy(tmp_path, entry("rate_per_min", 14, 20) + entry("alarm_apnoea_s", 15, 15))
    told = prepare(request_from({**ADULT, "condition": "healthy lungs"}), house)
    rate = told.section("start").line("rate_per_min")
    assert (rate.low, rate.high, rate.kind, rate.source) == (14, 20, "house policy", "Ward policy")
    assert told.section("alarms").line("apnoea_s").low == 15
    words = " ".join(told.policy)
    assert "Limits of this house were used: Ward policy" in words
    assert "rate 14 to 20 /min instead of 12 to 18 /min (common practice)" in words
    assert "apnoea 15 s instead of 20 s (common practice)" in words
    assert told.policy_identity == house.identity
    assert prepare(request_from(ADULT)).policy == ()


def test_a_general_word_of_the_house_leaves_a_condition_alone(tmp_path: Path) -> None:
    own = policy(tmp_path, entry("rate_per_min", 14, 20)).practice
    obstructed = practice("rate_per_min", "adult", 50, "obstructive", own)
    assert obstructed is not None
    assert (obstructed.low, obstructed.high) == (8, 12)
    own = policy(tmp_path, entry("rate_per_min", 8, 10, more='lungs = "obstructive"')).practice
    obstructed = practice("rate_per_min", "adult", 50, "obstructive", own)
    assert obstructed is not None
    assert obstructed.kind == "house policy"
    healthy = practice("rate_per_min", "adult", 50, "healthy lungs", own)
    assert healthy is not None
    assert healthy.kind == "common practice"


def test_the_youngest_age_that_fits_is_taken() -> None:
    found = [practice("rate_per_min", "child", age) for age in (0.5, 1.0, 6.0, 12.0)]
    assert [record.low for record in found if record] == [25, 20, 16, 12]
    assert practice("paco2_mmhg", "newborn", 0.0, "preterm RDS") is not None
    assert practice("expiratory_parts", "newborn", 0.0) is None
    own = (Practice("expiratory_parts", "newborn", 1, 2, "house policy", "ours"),)
    assert practice("expiratory_parts", "newborn", 0.0, None, own) == own[0]


def test_a_table_of_the_house_stands_alone(tmp_path: Path) -> None:
    house = policy(tmp_path, '[[peep_table]]\ngroup = "adult"\nrows = [[0.3, 6], [0.5, 9], [1.0, 16]]\n')
    told = prepare(request_from({**ADULT, "condition": "ARDS", "lungs": {"fio2": 0.4}}), house)
    assert told.section("start").line("peep_cmh2o").low == 9
    assert [table.title for table in told.section("start").tables] == ["House's PEEP table"]
    assert "FiO2 and PEEP by the house's table" in " ".join(told.policy)


def test_a_volume_beyond_the_limit_is_asked_about(tmp_path: Path) -> None:
    house = policy(tmp_path, entry("tidal_volume_ml_kg", 7, 9))
    told = prepare(request_from({**ADULT, "condition": "healthy lungs"}), house)
    assert any("goes up to 9 mL/kg, and the limit is 4 to 8 mL/kg" in question for question in told.questions)


def test_what_a_policy_says_is_part_of_its_identity(tmp_path: Path) -> None:
    bare = policy(tmp_path, "")
    one, other = (policy(tmp_path, entry("rate_per_min", 14, high)) for high in (18, 20))
    assert len({bare.policy_hash, one.policy_hash, other.policy_hash}) == 3


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (entry("rate", 14, 20), "has no item 'rate'"),
        (entry("rate_per_min", 20, 14), "has low 20 above high 14"),
        (entry("rate_per_min", 14, 2000), "has 2000 for rate_per_min"),
        (entry("rate_per_min", 14, 20) * 2, "rate_per_min, adult, all lungs is given twice"),
        (entry("fio2", 0.3, 1.0, "newborn"), "has pure oxygen for newborns"),
        (entry("rate_per_min", 14, 20, more='lungs = "weak"'), "is 'weak'"),
        ('[[practice]]\nitem = "rate_per_min"\ngroup = "adult"\n', "is missing"),
        (entry("rate_per_min", 14, 20).replace("14", '"14"'), "a number, without quotes"),
        (entry("rate_per_min", 14, 20).replace("14", "nan"), "policy.toml"),
        ('[[peep_table]]\ngroup = "adult"\nrows = [[0.5, 9], [0.3, 6]]\n', "rows that don't rise"),
        ('[[peep_table]]\ngroup = "adult"\nrows = [[0.5, 90], [0.6, 6]]\n', "has the row [0.5, 90]"),
        ('[[peep_table]]\ngroup = "newborn"\nrows = [[0.5, 9], [0.6, 10]]\n', "is 'newborn'"),
        ('[[peep_table]]\ngroup = "adult"\nrows = [[0.5, 9]]\n', "rows"),
        ('[[peep_table]]\ngroup = "adult"\nrows = [[0.5, 9], [0.6, 10]]\n' * 2, "peep_table, adult is given twice"),
    ],
)
def test_a_policy_that_can_not_be_used_is_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(OptionError) as refused:
        policy(tmp_path, text)
    assert message in str(refused.value)


def test_the_cuff_pressure_of_the_house_is_the_one_that_is_printed(tmp_path: Path) -> None:
    own = '[[limit]]\nquantity = "cuff_pressure_cmh2o"\ngroup = "adult"\nlow = 22\nhigh = 28\n'
    told = prepare(request_from({**ADULT, "condition": "healthy lungs"}), policy(tmp_path, own))
    line = told.section("airway").line("cuff_pressure_cmh2o")
    assert (line.low, line.high, line.kind, line.source) == (22, 28, "house policy", "Ward policy")
    assert "cuff pressure: 22 to 28 cmH2O instead of 20 to 30 cmH2O" in " ".join(told.policy)
    by_mask = {**ADULT, "condition": "healthy lungs", "airway": {"interface": "mask"}}
    assert "cuff" not in " ".join(prepare(request_from(by_mask), policy(tmp_path, own)).policy)


def test_a_house_s_pressure_cap_is_the_house_s(tmp_path: Path) -> None:
    own = policy(tmp_path, entry("alarm_pressure_cap_cmh2o", 35, 38))
    line = (
        prepare(request_from({**ADULT, "condition": "healthy lungs"}), own)
        .section("alarms")
        .line("high_pressure_cmh2o")
    )
    assert (line.low, line.high, line.kind, line.source) == (35, 38, "house policy", "Ward policy")


@pytest.mark.parametrize(
    ("patient", "item", "low", "high", "group", "key", "value"),
    [
        ({"sex": "male", "age_years": 50}, "adult_tube_depth_cm", 20, 22, "adult", "tube_depth_cm", 22),
        ({"sex": "female", "age_years": 6}, "cuffed_tube_over_age_mm", 3, 3, "child", "tube_mm", 4.5),
        ({"sex": "female", "age_years": 6}, "uncuffed_tube_over_age_mm", 4.5, 4.5, "child", "uncuffed_tube_mm", 6),
        ({"sex": "female", "age_years": 6}, "tube_depth_over_age_cm", 11, 11, "child", "tube_depth_cm", 14),
        ({"sex": "male", "age_days": 2, "weight_kg": 3}, "tube_depth_over_weight_cm", 5.5, 5.5, "newborn",
         "tube_depth_cm", 8.5),
    ],
)  # fmt: skip
def test_tube_and_depth_can_be_the_house_s(
    tmp_path: Path, patient: dict[str, Any], item: str, low: float, high: float, group: str, key: str, value: float
) -> None:
    said = {"patient": patient, "condition": "healthy lungs", "airway": {"interface": "endotracheal tube"}}
    line = prepare(request_from(said), policy(tmp_path, entry(item, low, high, group))).section("airway").line(key)
    assert (line.low, line.kind, line.source) == (value, "house policy", "Ward policy")


def test_the_house_s_tube_for_a_condition_is_taken(tmp_path: Path) -> None:
    own = policy(tmp_path, entry("adult_tube_mm", 8, 9, more='lungs = "obstructive"'))
    line = prepare(request_from({**ADULT, "condition": "obstructive"}), own).section("airway").line("tube_mm")
    assert (line.low, line.high, line.kind) == (8.5, 9, "house policy")


def test_a_table_of_one_row_is_refused_in_plain_words(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match=r"rows: has 1 entry\. Expected: at least 2"):
        policy(tmp_path, '[[peep_table]]\ngroup = "adult"\nrows = [[60, 5]]\n')
