"""Gas tensions in kPa: 1 kPa is 7.50062 mmHg (exact conversions); blood pressure stays in mmHg."""

from __future__ import annotations

from pathlib import Path

import pytest

from tidebench.care.gases import read_gases
from tidebench.care.preparation import prepare, request_from
from tidebench.care.weaning import page_text, wean
from tidebench.case import case_from
from tidebench.cli import main
from tidebench.limits import load_policy
from tidebench.report.handover import handover_text
from tidebench.tensions import all_in, in_unit
from tidebench.views.gases import gases_view
from tidebench.views.handover import Proposal, handover_page

ADULT = {"sex": "male", "age_years": 60, "height_cm": 170}
OBSERVED = [
    {"at_s": 100, "spo2": 0.8, "systolic_mmhg": 70, "heart_rate_per_min": 160, "etco2_mmhg": 30},
    {"at_s": 1200, "systolic_mmhg": 168, "heart_rate_per_min": 100},
]
SETTINGS = [{"mode": "CSV-PS", "pressure_support_cmh2o": 12, "peep_cmh2o": 6, "fio2": 0.5},
            {"at_s": 600, "mode": "CPAP", "peep_cmh2o": 0}]  # fmt: skip
GASES = [{"at_s": 900, "site": "arterial", "ph": 7.36, "paco2_mmhg": 60, "pao2_mmhg": 45}]
CASE = {"patient": ADULT, "settings": SETTINGS, "observed": OBSERVED, "blood_gases": GASES}


@pytest.mark.parametrize(
    ("mmhg", "kpa"),
    [
        ("PaCO2 60 mmHg", "PaCO2 8.0 kPa"), ("35 to 45 mmHg", "4.7 to 6.0 kPa"),
        ("at least 100 mmHg", "at least 13.3 kPa"),
        ("systolic pressure (70 mmHg), PaO2 (60 mmHg)", "systolic pressure (70 mmHg), PaO2 (8.0 kPa)"),
        ("Systolic pressure below 90 mmHg", "Systolic pressure below 90 mmHg"), ("2 mmHg/min", "2 mmHg/min"),
        ("BP 90/60 mmHg", "BP 90/60 mmHg"), ("120/80 mmHg", "120/80 mmHg"), ("ICP 22 mmHg", "ICP 22 mmHg"),
        ("MAP above 65 mmHg, PaO2 60 mmHg", "MAP above 65 mmHg, PaO2 8.0 kPa"),
    ],
)  # fmt: skip
def test_sentences(mmhg: str, kpa: str) -> None:
    assert in_unit(mmhg, "kPa") == kpa
    assert in_unit(mmhg, "mmHg") == mmhg


def test_every_mmhg_of_a_page_is_said_in_kpa_but_that_of_blood_pressure() -> None:
    case = case_from(CASE)
    sheet = all_in(prepare(request_from({"patient": ADULT, "condition": "ARDS"})), "kPa")
    etco2 = sheet.section("alarms").line("etco2_mmhg")
    assert etco2.value == "3.3 to 8.0 kPa"  # 25 to 60 mmHg
    handed = handover_text(all_in(handover_page(case), "kPa"))
    assert "PaCO2 8.0 kPa" in handed
    assert "4.0 kPa" in handed  # EtCO2 of 30 mmHg
    weaned = page_text(all_in(wean(case), "kPa"))
    assert "PaCO2: 8.0 kPa" in weaned
    for page in (handed, weaned):
        flat = " ".join(page.split())
        assert "168 mmHg" in flat or "70 mmHg" in flat
        for sentence in flat.split(" mmHg")[:-1]:
            assert "systolic pressure" in sentence[-60:].lower() or "asked:" in sentence[-40:], sentence[-80:]


def test_peoples_own_words_and_other_pressures_stay_as_they_were_written() -> None:
    notes = "ICP 22 mmHg at noon, BP 90/60 mmHg. PaCO2 aim 35 mmHg."
    event = {"at_s": 50, "kind": "note", "text": "perfusion pressure 60 mmHg, PaCO2 40 mmHg"}
    case = case_from({**CASE, "title": "MAP 65 mmHg", "notes": notes, "events": [event]})
    page = handover_page(
        case, proposals=[Proposal("keep PaCO2 at 35 mmHg", "the intensivist")], questions=["Is 20 mmHg of ICP the aim?"]
    )
    told = " ".join(handover_text(all_in(page, "kPa")).split())
    for words in (
        "MAP 65 mmHg", notes, "perfusion pressure 60 mmHg, PaCO2 40 mmHg", "keep PaCO2 at 35 mmHg", "Is 20 mmHg of ICP",
    ):  # fmt: skip
        assert words in told, words
    assert "PaCO2 8.0 kPa" in told


def test_commands_print_in_kpa_and_keep_json_in_mmhg(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.toml").write_text(
        '[patient]\nsex = "male"\nage_years = 60\nheight_cm = 170\n[[settings]]\nfio2 = 0.5\npeep_cmh2o = 5\n'
        '[[blood_gases]]\nsite = "arterial"\nat_s = 10\nph = 7.36\npaco2_mmhg = 60\npao2_mmhg = 75\n',
        encoding="utf-8",
    )
    for command in ("handover", "wean", "prepare"):
        main([command, str(tmp_path), "--unit", "kPa"])
        printed = capsys.readouterr().out
        assert " kPa" in printed
        main([command, str(tmp_path), "--unit", "kPa", "--json"])
        assert " kPa" not in capsys.readouterr().out


def test_a_handover_in_kpa_says_what_was_typed_in_kpa(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not by way of a whole mmHg: 10.2 kPa is 76.5 mmHg, and 77 mmHg would be 10.3 kPa."""
    (tmp_path / "policy.toml").write_text(
        'title = "Invented house"\n[[limit]]\nquantity = "etco2_mmhg"\ngroup = "adult"\nlow = 30\nhigh = 50\n',
        encoding="utf-8",
    )
    (tmp_path / "case.toml").write_text(
        '[patient]\nsex = "male"\nage_years = 60\nheight_cm = 170\n[[settings]]\nfio2 = 0.5\npeep_cmh2o = 5\n'
        "[[observed]]\nat_s = 5\nspo2 = 0.99\netco2_mmhg = 58\n"
        '[[blood_gases]]\nsite = "arterial"\nat_s = 10\nph = 7.10\npaco2_kpa = 10.2\npao2_mmhg = 11\n',
        encoding="utf-8",
    )
    main(["handover", str(tmp_path), "--unit", "kPa", "--ask", "PaCO2 of 45 mmHg tonight?"])
    told = " ".join(capsys.readouterr().out.split())
    assert told.count("PaCO2 10.2 kPa") == 2  # what can't wait, and the gas
    assert "10.3 kPa" not in told
    assert "crossed: 4.0 to 6.7 kPa" in told  # 30 to 50 mmHg
    assert "an oxygen tension of 1.5 kPa" in told  # the program's question
    assert "PaCO2 of 45 mmHg tonight?" in told  # a person's


def test_a_breathing_trial_in_kpa_says_what_was_typed_in_kpa() -> None:
    gases = [{"at_s": at_s, "site": "arterial", "ph": 7.36, "paco2_kpa": kpa} for at_s, kpa in ((500, 5.4), (900, 6.8))]
    told = " ".join(page_text(all_in(wean(case_from({**CASE, "blood_gases": gases})), "kPa")).split())
    assert "PaCO2 5.4 kPa" in told  # 40.5 mmHg; 41 would be 5.5 kPa
    assert "rise of PaCO2: 5.4 to 6.8 kPa" in told


def test_what_a_policy_changed_is_said_in_the_unit_and_its_name_stays(tmp_path: Path) -> None:
    """By hand: 200 mmHg are 26.7 kPa, 150 are 20.0, 60 to 80 are 8.0 to 10.7, 55 are 7.3; a house's own words stay."""
    file = tmp_path / "policy.toml"
    file.write_text(
        'title = "Ward 3. PaO2 from 60 mmHg up"\n[[limit]]\nquantity = "pf_ratio_mmhg"\ngroup = "adult"\nlow = 200\n'
        'condition = "readiness to wean"\n[[limit]]\nquantity = "systolic_mmhg"\ngroup = "adult"\nlow = 100\n'
        'condition = "readiness to wean"\n[[limit]]\nquantity = "pao2_mmhg"\ngroup = "adult"\nlow = 60\nhigh = 80\n'
        'target = 75\n[[practice]]\nitem = "pao2_mmhg"\ngroup = "adult"\nlow = 60\nhigh = 80\n',
        encoding="utf-8",
    )
    house = load_policy(file)
    case = case_from({**CASE, "condition": "ARDS"})
    weaned = all_in(wean(case, policy=house), "kPa").policy
    assert "Ward 3. PaO2 from 60 mmHg up" in weaned
    assert "at least 26.7 kPa instead of at least 20.0 kPa" in weaned
    assert "at least 100 mmHg instead of 90 to 160 mmHg" in weaned
    general = case_from(CASE)
    for said in (
        all_in(handover_page(general, policy=house), "kPa").policy,
        gases_view(read_gases(general, policy=house), "kPa").policy,
    ):
        assert "8.0 to 10.7 kPa, target 10.0" in said
        assert "Ward 3. PaO2 from 60 mmHg up" in said
    sheet = all_in(prepare(request_from({"patient": ADULT}), house), "kPa")
    assert not any("mmHg" in line.replace("60 mmHg up", "") for line in sheet.policy)
