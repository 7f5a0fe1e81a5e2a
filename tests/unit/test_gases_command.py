"""``tidebench gases``: what it prints, and one clear message for what can't be."""

from __future__ import annotations

import json
import shlex
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from tidebench.care.gases import Typed, read_gases
from tidebench.case import case_from
from tidebench.cli import main
from tidebench.errors import CaseError

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
                  "ARDS, Berlin 2012: moderate", "still needed: imaging", "A rehearsal needs a recording",
                  "FiO2 0.60 → 0.50", "ventilation times 1.16"):  # fmt: skip
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
        (["--target-paco2", "500"], "--target-paco2: 500 mmHg can't be used. Expected: 15 to 150 mmHg."),
        (["--gas", "3"], "--gas: there is no gas 3. Expected: 1 to 2"),
        (["--barometric", "600", "--altitude", "2000"], "both are given. Expected: one of them."),
        (["--said", "luck"], "'luck' is nothing that a definition asks for. Expected: imaging, timing"),
        (["--mixed-venous", "70"], "--mixed-venous: 70 can't be used. Expected: 0.05 to 0.99"),
        (["--altitude", "20000"], "--altitude: 20000 can't be used."),
        (["--altitude", "nan"], "--altitude: nan can't be used. Expected: -500 to 8000 m."),
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


# --- limits, a house's policy, and a recording with carbon dioxide ---

POLICY = """
title = "Gases, an invented house"

[[limit]]
quantity = "paco2_mmhg"
group = "adult"
high = 55

[[limit]]
quantity = "ph"
group = "adult"
low = 7.25
high = 7.45
condition = "ARDS"
"""


def test_published_limits_hold_where_their_condition_is_said(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """ARDS Network, N Engl J Med 2000;342:1301: pH 7.30 to 7.45, PaO2 55 to 80, SpO2 88 to 95 %."""
    main(["gases", str(case), "--json"])
    assert json.loads(capsys.readouterr().out)["gases"][0]["held"] == []
    main(["gases", str(case), "--condition", "ARDS", "--json"])
    first, second = json.loads(capsys.readouterr().out)["gases"]
    assert {one["key"]: one["standing"] for one in first["held"]} == {
        "ph": "below",
        "pao2_mmhg": "within",
        "spo2": "within",
    }
    assert {one["key"]: one["standing"] for one in second["held"]} == {"ph": "within", "pao2_mmhg": "above"}
    assert {one["kind"] for one in first["held"]} == {"trial target"}


def test_a_policy_of_the_house_is_used_and_said(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (case / "policy.toml").write_text(POLICY, encoding="utf-8")
    main(["gases", str(case), "--condition", "ARDS", "--target-paco2", "58"])
    said = " ".join(capsys.readouterr().out.split())
    assert "Limits of this house were used: Gases, an invented house." in said
    assert "pH 7.27 is within: 7.25 to 7.45 (this house's policy; Gases, an invented house)" in said
    assert "PaCO2 60 mmHg is above: at most 55 mmHg" in said
    assert "then PaCO2 58 mmHg is above: at most 55 mmHg" in said
    main(["gases", str(case), "--json"])
    assert "at most 55 mmHg, nothing published is listed" in json.loads(capsys.readouterr().out)["policy"]


def test_an_unknown_condition_and_a_bad_policy_have_one_message(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for options, message in (
        (["--condition", "luck"], "'luck' is no condition that a limit knows"),
        (["--policy", str(case / "none.toml")], "there is no such file"),
    ):
        with pytest.raises(SystemExit) as ended:
            main(["gases", str(case), *options])
        said = capsys.readouterr()
        assert ended.value.code == 2
        assert message in said.err
        assert said.out == ""


SCENARIO = """
title = "Capnogram, invented"
capnogram = true
duration_s = 400

[patient]
sex = "male"
age_years = 50
height_cm = 175

[airway]
interface = "endotracheal tube"

[[lung.compartments]]
compliance_ml_cmh2o = 50
resistance_cmh2o_s_l = 8

[exchange]
airway_dead_space_ml = 130
alveolar_dead_space = 0.2

[[settings]]
mode = "A/C-VC"
peep_cmh2o = 8
fio2 = 0.5
rate_per_min = 18
tidal_volume_ml = 450
inspiratory_time_s = 1.0
trigger_flow_l_min = 2
"""
GAS = """
[[blood_gases]]
at_s = 300
site = "arterial"
ph = 7.33
paco2_mmhg = 46
pao2_mmhg = 82
"""


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated patient with a capnogram, and a gas typed into the case."""
    folder = tmp_path_factory.mktemp("recorded")
    (folder / "scenario.toml").write_text(SCENARIO, encoding="utf-8")
    main(["simulate", str(folder / "scenario.toml"), "--out", str(folder / "case")])
    with (folder / "case" / "case.toml").open("a", encoding="utf-8") as file:
        file.write(GAS)
    return folder / "case"


def test_a_capnogram_gives_both_dead_spaces(recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """True airway dead space 130 of 450 mL; the same through a result of a review."""
    main(["gases", str(recorded), "--json"])
    direct = json.loads(capsys.readouterr().out)
    values = {one["key"]: one["value"] for one in direct["gases"][0]["indices"]}
    assert values["airway_dead_space_ml"] == pytest.approx(130, rel=0.02)
    assert values["bohr_dead_space_fraction"] == pytest.approx(130 / 450, abs=0.015)
    expired = (1 - values["dead_space_fraction"]) * 46
    assert values["bohr_dead_space_fraction"] == pytest.approx(1 - expired / values["alveolar_pco2_mmhg"], abs=1e-3)
    assert values["dead_space_fraction"] > values["bohr_dead_space_fraction"]
    assert values["co2_elimination_ml_min"] == pytest.approx(8.1 * expired / 0.863, rel=0.02)
    assert values["arterial_end_tidal_difference_mmhg"] > 0
    main(["review", str(recorded), "--out", str(tmp_path / "result"), "--no-report"])
    capsys.readouterr()
    main(["gases", str(recorded), "--review", str(tmp_path / "result"), "--json"])
    assert json.loads(capsys.readouterr().out) == direct
    table = pl.read_parquet(tmp_path / "result" / "capnograms.parquet")
    assert table.height == pl.read_parquet(tmp_path / "result" / "breaths.parquet").height
    assert "recording_id" in table.columns


def test_the_printed_rehearsal_is_a_command_that_works(
    recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    main(["gases", str(recorded), "--target-paco2", "40"])
    command = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("tidebench whatif"))
    program, *words = shlex.split(command)
    assert program == "tidebench"
    main(words)
    said = capsys.readouterr().out
    assert "To bring " in said
    assert (tmp_path / "rehearsal" / "whatif.json").is_file()


def test_a_slip_of_unit_is_told_in_the_unit_that_was_typed(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, told in (
        (["--unit", "kPa", "--target-paco2", "45"], "Expected: 2 to 20 kPa. In mmHg it could be: then write 6 kPa."),
        (["--albumin", "25"], "Expected: 0.5 to 7 g/dL. Was that in g/L? Then write 2.5."),
    ):
        with pytest.raises(SystemExit):
            main(["gases", str(case), *words])
        assert told in " ".join(capsys.readouterr().err.split())


def test_a_case_may_have_its_tensions_in_kilopascals() -> None:
    """1 kPa is 7.50062 mmHg (exact conversions)."""
    gas = case_from({"blood_gases": [{"site": "arterial", "paco2_kpa": 5.3, "pao2_kpa": 10}]}).blood_gases[0]
    assert gas.paco2_mmhg == pytest.approx(5.3 * 7.50062, abs=1e-3)
    assert gas.pao2_mmhg == pytest.approx(75.006, abs=1e-3)
    for wrong, words in (
        ({"paco2_kpa": 5.3, "paco2_mmhg": 40}, "has both"),
        ({"paco2_kpa": 45}, "Is that in mmHg"),
        ({"paco2_kpa": "5"}, "a number, without quotes"),
    ):
        with pytest.raises(CaseError, match=words):
            case_from({"blood_gases": [wrong]})


@pytest.mark.parametrize(("interface", "doubted"), [("mask", True), ("endotracheal tube", False)])
def test_a_ventilatory_ratio_without_a_tube_is_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], interface: str, doubted: bool
) -> None:
    """Sinha, Br J Anaesth 2009;102:692 (from memory): patients with a tube. A leak leaves minute volume in doubt."""
    (tmp_path / "case.toml").write_text(
        f'[patient]\nsex = "male"\nage_years = 60\nheight_cm = 170\n[airway]\ninterface = "{interface}"\n'
        "[[observed]]\nat_s = 5\nminute_volume_l_min = 9\n"
        '[[blood_gases]]\nsite = "arterial"\nat_s = 10\nph = 7.36\npaco2_mmhg = 45\n',
        encoding="utf-8",
    )
    main(["gases", str(tmp_path)])
    printed = " ".join(capsys.readouterr().out.split())
    assert "ventilatory ratio (VR)" in printed
    assert ("was found in patients with a tube" in printed) is doubted
