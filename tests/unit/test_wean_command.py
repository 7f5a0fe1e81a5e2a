"""``tidebench wean``: the page, its JSON, its file, and one clear message for what can't be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tidebench.cli import main

CASE = """
title = "An invented adult"
[patient]
sex = "female"
age_years = 63
height_cm = 164
[[settings]]
mode = "CSV-PS"
pressure_support_cmh2o = 12
peep_cmh2o = 6
fio2 = 0.35
[[settings]]
at_s = 600
mode = "CSV-PS"
pressure_support_cmh2o = 5
peep_cmh2o = 5
[[observed]]
at_s = 540
rate_per_min = 22
heart_rate_per_min = 90
sedation = "calm"
[[observed]]
at_s = 2400
rate_per_min = 36
p01_cmh2o = -4.5
failed_breathing_trials = 3
"""


@pytest.fixture
def case(tmp_path: Path) -> Path:
    """A case of typed numbers alone."""
    (tmp_path / "case.toml").write_text(CASE, encoding="utf-8")
    return tmp_path


def test_page_from_typed_numbers(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--said", "cough=yes", "--said", "cough_peak_flow_l_min=55", "--leak-inspired", "450"]
    main(["wean", str(case), *options, "--leak-expired", "300", "--leak-expired", "310"])
    said = capsys.readouterr().out
    assert max(len(line) for line in said.splitlines()) <= 80
    flat = " ".join(said.split())
    assert "From 600 to 2400 s, 30.0 min, by settings; pressure support 5 cmH2O, PEEP 5 cmH2O." in flat
    assert "[met] rate: 22 /min asked: at most 35 /min noted at 540 s, 60 s before" in flat.replace("1 min", "60 s")
    assert "[met] rise of rate: 22 to 36 /min" in flat
    assert "[met] cough is adequate: yes" in flat
    assert "below 60 L/min" in flat
    assert "[not judged] awake and calm enough, without sedation or stable on it: sedation calm" in flat
    assert "occlusion pressure at 0.1 s: 4.5 cmH2O" in flat
    assert "above: 1 to 4 cmH2O" in flat
    assert "145 mL, not below 110 mL; 32 % of the inspired volume" in flat
    assert "prolonged: At least three breathing trials failed." in flat
    assert "people decide" in flat
    assert "Not a medical device" in flat


def test_json_is_the_page(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["wean", str(case / "case.toml"), "--from", "700", "--to", "1900", "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told["trial"]["found_by"] == "options"
    assert told["trial"]["support"] == {"kind": "pressure support", "support_cmh2o": 5.0, "peep_cmh2o": 5.0}
    assert told["moment_s"] == 700
    rate = next(item for item in told["readiness"] if item["name"] == "rate")
    assert rate["age_s"] == 160
    assert told["cuff"] is None
    assert told["caution"].startswith("For education")
    assert {item["state"] for item in told["failure"]} == {"not known"}


def test_page_is_put_whole_and_replaces_only_a_page(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = case / "page.txt"
    main(["wean", str(case), "--out", str(out)])
    main(["wean", str(case), "--out", str(out), "--trials", "4"])
    printed = capsys.readouterr().out
    assert out.read_text(encoding="utf-8") in printed
    assert str(out) in printed
    assert sorted(path.name for path in case.iterdir()) == ["case.toml", "page.txt"]
    mine = case / "mine.txt"
    mine.write_text("a note of somebody's", encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["wean", str(case), "--out", str(mine)])
    assert left.value.code == 2
    assert "holds something else" in capsys.readouterr().err
    assert mine.read_text(encoding="utf-8") == "a note of somebody's"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--from", "900", "--to", "300"], "from 900 to 300 s is no stretch of the case."),
        (["--from", "nan"], "is no stretch of the case."),
        (["--from", "-5"], "is no stretch of the case."),
        (["--to", "9000"], "the case ends at 2400 s. Expected: at most 2400."),
        (["--said", "cough"], "'' is neither yes nor no. Expected: yes or no."),
        (["--said", "courage=yes"], "there is no 'courage'. Expected: cause_improving, cough"),
        (["--said", "cough=yes", "--said", "cough=no"], "cough is given twice."),
        (["--said", "vital_capacity_ml=1.2"], "vital_capacity_ml is 1.2. Expected: 50 to 8000 mL."),
        (["--said", "vital_capacity_ml=nan"], "vital_capacity_ml is nan."),
        (["--trials", "-1"], "-1 breathing trials. Expected: 0 to 200."),
        (["--trials", "1", "--failed", "2"], "2 failed breathing trials. Expected: at most the trials in all."),
        (["--trials", "1", "--failed", "1", "--ended", "yes"], "every trial failed, and weaning has ended."),
        (["--days", "-2"], "-2 days."),
        (["--ended", "perhaps"], "'perhaps' is neither yes nor no."),
        (["--leak-expired", "300"], "the inspired volume is missing."),
        (["--leak-inspired", "300"], "no expired volume is given."),
        (["--leak-inspired", "300", "--leak-expired", "400"], "more is expired than inspired."),
        (["--out", "page.pdf"], "this is no name for a page. Expected: a file that ends in .txt."),
        (["--out", "nowhere/page.txt"], "this can't be written"),
        (["--policy", "none.toml"], "none.toml"),
    ],
)
def test_one_clear_message(
    case: Path, options: list[str], message: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(case)
    with pytest.raises(SystemExit) as left:
        main(["wean", str(case), *options])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1


def test_a_house_is_named_where_its_limits_were_used(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = '[[limit]]\nquantity = "p01_cmh2o"\ngroup = "adult"\nhigh = 5.0\ntext = "Ours."\n'
    (case / "policy.toml").write_text('title = "Ward policy"\n' + house, encoding="utf-8")
    main(["wean", str(case)])
    assert "Limits of this house were used: Ward policy" in " ".join(capsys.readouterr().out.split())


def test_a_child_gets_no_adult_criteria(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (case / "case.toml").write_text(CASE.replace("age_years = 63", "age_years = 7"), encoding="utf-8")
    main(["wean", str(case)])
    said = " ".join(capsys.readouterr().out.split())
    assert "Adult weaning criteria are not applied to a child" in said
    assert "Ready for a breathing trial?" not in said
    assert "The paediatric guideline's steps" in said
    assert "From 600 to 2400 s" in said


def test_litres_are_no_millilitres(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["wean", str(case), "--leak-inspired", "0.48", "--leak-expired", "0.35"])
    told = " ".join(capsys.readouterr().err.split())
    assert "In litres it would be 480 mL" in told
