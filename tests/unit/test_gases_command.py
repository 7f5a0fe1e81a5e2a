"""``tidebench gases``: what it prints, and one clear message for what can't be."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from tidebench.care.gases import Typed, read_gases
from tidebench.case import case_from
from tidebench.cli import main

CASE = """
title = "Two gases"

[patient]
sex = "female"
age_years = 62
height_cm = 165

[airway]
interface = "endotracheal tube"

[[settings]]
mode = "A/C-VC"
peep_cmh2o = 10
fio2 = 0.6
rate_per_min = 24

[[settings]]
at_s = 3600
mode = "A/C-VC"
peep_cmh2o = 12
fio2 = 0.5
rate_per_min = 24

[[observed]]
at_s = 500
mean_pressure_cmh2o = 16
vte_ml = 360
rate_per_min = 24
spo2 = 0.92

[[blood_gases]]
at_s = 5400
site = "arterial"
ph = 7.31
paco2_mmhg = 52
pao2_mmhg = 84

[[blood_gases]]
at_s = 600
site = "arterial"
ph = 7.27
paco2_mmhg = 60
pao2_mmhg = 70
"""


@pytest.fixture
def case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A case typed by hand, without a recording; a terminal of 80 columns."""
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    return tmp_path


def test_a_case_is_read_at_80_columns(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["gases", str(case), "--target-paco2", "45"])
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= 80
    for words in ("Not a medical device", "Gas 1, arterial, at 10:00", "Acid and base: respiratory acidosis",
                  "ARDS, Berlin 2012: moderate", "still needed: imaging", "tidebench whatif", "FiO2 0.60 → 0.50",
                  "ventilation times 1.16"):  # fmt: skip
        assert words in " ".join(said.replace("\n  ", " ").split()), words


def test_json_holds_every_index_with_value_or_reason(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["gases", str(case), "--json", "--said", "imaging", "--said", "timing", "--said", "cause"])
    told = json.loads(capsys.readouterr().out)
    first, second = told["gases"]
    assert (first["at_s"], second["at_s"]) == (600.0, 5400.0)
    values = {one["key"]: one for one in first["indices"]}
    assert values["oxygenation_index"]["value"] == pytest.approx(100 * 16 * 0.6 / 70, abs=1e-3)
    assert values["ventilatory_ratio"]["value"] == pytest.approx(8640 * 60 / (56.966 * 3750), rel=1e-4)
    assert all(one["reason"] for one in first["indices"] if one["value"] is None)
    later = {one["key"]: one for one in second["indices"]}
    assert later["oxygenation_index"]["value"] is None
    assert "under the same settings" in later["oxygenation_index"]["reason"]
    assert first["conditions"]["peep_cmh2o"] == 10
    assert first["grades"][0]["needed"] == []
    assert [row["values"] for row in told["trend"] if row["key"] == "ph"] == [[7.27, 7.31]]
    assert "caution" in told


def test_kilopascals_go_in_and_come_out(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["gases", str(case), "--unit", "kPa", "--target-paco2", "6", "--expired-pco2", "3.33", "--json"])
    kpa = json.loads(capsys.readouterr().out)
    main(["gases", str(case), "--target-paco2", str(6 * 7.50062), "--expired-pco2", str(3.33 * 7.50062), "--json"])
    assert json.loads(capsys.readouterr().out) == kpa
    main(["gases", str(case), "--unit", "kPa", "--target-paco2", "6"])
    said = capsys.readouterr().out
    assert "mmHg" not in said.partition("Rehearse it")[0]
    assert "8.0 kPa" in said
    assert "P/F 15.6 kPa" in said


def test_numbers_of_one_gas_are_not_the_others(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["gases", str(case), "--gas", "1", "--sodium", "140", "--chloride", "100", "--json"])
    gaps = [one for gas in json.loads(capsys.readouterr().out)["gases"] for one in gas["indices"]
            if one["key"] == "anion_gap_mmol_l"]  # fmt: skip
    assert gaps[0]["value"] == pytest.approx(140 - 100 - 26.7, abs=1)
    assert gaps[1]["value"] is None


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--target-paco2", "500"], "--target-paco2: 500 can't be used. Expected: 15 to 150 mmHg."),
        (["--gas", "3"], "--gas: there is no gas 3. Expected: 1 to 2"),
        (["--barometric", "600", "--altitude", "2000"], "both are given. Expected: one of them."),
        (["--said", "luck"], "'luck' is nothing that a definition asks for. Expected: imaging, timing"),
        (["--mixed-venous", "70"], "--mixed-venous: 70 can't be used. Expected: 0.05 to 0.99"),
        (["--altitude", "20000"], "--altitude: 20000 can't be used."),
        (["--unit", "bar"], "bar"),
        (["--review", "nowhere"], "nowhere"),
    ],
)
def test_bad_options_have_one_message(
    case: Path, options: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["gases", str(case), *options])
    said = capsys.readouterr()
    assert ended.value.code == 2
    assert message in said.err
    assert said.err.count("tidebench:") == 1
    assert said.out == ""


def test_a_case_without_gases_has_one_message(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.toml").write_text('title = "None"\n', encoding="utf-8")
    with pytest.raises(SystemExit):
        main(["gases", str(tmp_path)])
    assert "this case has no blood gases" in capsys.readouterr().err


def test_breaths_of_a_review_stand_where_nothing_was_noted() -> None:
    starts = [float(5 * n) for n in range(100)]
    breaths = pl.DataFrame({
        "start_s": starts, "end_s": [start + 2.5 for start in starts], "vte_ml": [400.0] * 100,
        "mean_pressure_cmh2o": [12.0] * 100, "peep_cmh2o": [7.0] * 100,
    })  # fmt: skip
    gas = {"at_s": 250.0, "site": "arterial", "pao2_mmhg": 60, "paco2_mmhg": 40, "fio2": 0.5}
    case = case_from({"patient": {"age_years": 40, "sex": "male", "height_cm": 175}, "blood_gases": [gas]})
    read = read_gases(case, breaths=breaths).gases[0]
    assert read.value("oxygenation_index") == pytest.approx(10.0)
    assert read.conditions.peep_cmh2o == 7.0
    assert read.value("ventilatory_ratio") == pytest.approx(9600 * 40 / (70.566 * 3750), rel=1e-4)


def test_gases_by_stamps_are_put_in_order_and_without_any_time_are_not_a_trend() -> None:
    stamps = [datetime(2031, 3, 2, 8), datetime(2031, 3, 1, 8)]
    gases = [
        {"site": "arterial", "ph": ph, "paco2_mmhg": 40, "time": at} for ph, at in zip((7.4, 7.3), stamps, strict=True)
    ]
    page = read_gases(case_from({"blood_gases": gases}))
    assert [row.values for row in page.trend if row.key == "ph"] == [(7.3, 7.4)]
    untimed = [{key: value for key, value in gas.items() if key != "time"} for gas in gases]
    assert read_gases(case_from({"blood_gases": untimed})).trend == ()


def test_a_lone_gas_without_a_time_goes_with_the_only_numbers() -> None:
    said = {
        "blood_gases": [{"site": "arterial", "pao2_mmhg": 60, "paco2_mmhg": 50, "ph": 7.3}],
        "observed": [{"mean_pressure_cmh2o": 15, "rate_per_min": 30, "minute_volume_l_min": 9}],
        "settings": [{"fio2": 0.6, "mode": "A/C-VC", "rate_per_min": 16}],
    }
    page = read_gases(case_from(said), typed=Typed(), target_paco2_mmhg=40.0)
    assert page.gases[0].value("oxygenation_index") == pytest.approx(15.0)
    assert page.ventilation is not None
    then = {value.key: value for value in page.ventilation.then}
    assert then["minute_volume_l_min"].value == pytest.approx(11.25)
    assert then["rate_per_min"].value is None
    assert "the patient chooses the rate" in then["rate_per_min"].reason
    assert page.ventilation.factor == 1.25
    assert not any("By tidal volume alone" in words for words in page.ventilation.words)
    known = read_gases(case_from(said), typed=Typed(mixed_expired_pco2_mmhg=25.0), target_paco2_mmhg=40.0)
    assert known.ventilation is not None
    assert any("V′E 10.1 L/min" in words for words in known.ventilation.words)


def test_a_target_without_an_arterial_gas_is_not_told() -> None:
    page = read_gases(case_from({"blood_gases": [{"paco2_mmhg": 50}]}), target_paco2_mmhg=40.0)
    assert page.ventilation is not None
    assert page.ventilation.factor is None
    assert page.ventilation.reason


def test_a_review_stands_in_only_for_the_very_case_it_was_made_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    gas = '\n[[blood_gases]]\nat_s = 30\nsite = "arterial"\npao2_mmhg = 80\npaco2_mmhg = 40\nfio2 = 0.4\n'
    (tmp_path / "a.toml").write_text('who = "adult-healthy"\nduration_s = 60\n', encoding="utf-8")
    case, result = tmp_path / "case", tmp_path / "result"
    main(["simulate", str(tmp_path / "a.toml"), "--out", str(case)])
    with (case / "case.toml").open("a", encoding="utf-8") as file:
        file.write(gas)
    main(["review", str(case), "--out", str(result), "--no-report"])
    capsys.readouterr()
    main(["gases", str(case), "--review", str(result), "--json"])
    values = {one["key"]: one["value"] for one in json.loads(capsys.readouterr().out)["gases"][0]["indices"]}
    mean = pl.read_parquet(result / "breaths.parquet")["mean_pressure_cmh2o"].mean()
    assert values["oxygenation_index"] == pytest.approx(100 * float(str(mean)) * 0.4 / 80, rel=0.03)
    with (case / "case.toml").open("a", encoding="utf-8") as file:
        file.write(gas)
    with pytest.raises(SystemExit):
        main(["gases", str(case), "--review", str(result)])
    assert "before it was changed. Review the case again." in capsys.readouterr().err
