"""``tidebench prepare`` and ``tidebench card``: what they print and write, and one message for what can't be."""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader

from tidebench.care.cards import PRE_USE, SIGNS, card, pre_use
from tidebench.care.preparation import prepare, request_from
from tidebench.caution import CAUTION
from tidebench.cli import main
from tidebench.errors import OptionError
from tidebench.limits import load_policy
from tidebench.report.handouts import BRIEF, card_pdf, pre_use_pdf, sheet_pdf
from tidebench.report.typesetting import typeset

PATIENT = """
title = "An invented adult"
condition = "ARDS"
[patient]
sex = "female"
age_years = 63
height_cm = 168
[airway]
interface = "endotracheal tube"
[lungs]
fio2 = 0.6
[oxygen]
[[oxygen.cylinders]]
water_capacity_l = 5
pressure_bar = 150
[transport]
minutes = 40
"""


@pytest.fixture
def patient(tmp_path: Path) -> Path:
    path = tmp_path / "patient.toml"
    path.write_text(PATIENT, encoding="utf-8")
    return path


def flat(text: str) -> str:
    return " ".join(text.replace("\xa0", " ").split())


@pytest.mark.parametrize("columns", ["80", "120"])
def test_sheet_in_the_terminal(
    patient: Path, columns: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    main(["prepare", str(patient)])
    said = capsys.readouterr().out
    assert max(len(line) for line in said.splitlines()) <= int(columns)
    for words in ("predicted weight", "59.7 kg", "10 cmH2O", "Lower PEEP table", "Alarm limits", "Transport plan",
                  "[ ] The ventilator's own check passed", "Not a medical device"):  # fmt: skip
        assert words in flat(said)
    assert flat(said).count(flat(CAUTION)) == 1


def test_sheet_in_a_folder(patient: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    for _ in range(2):
        main(["prepare", str(patient), "--out", str(out)])
    assert str(out / "sheet.pdf") in capsys.readouterr().out
    assert sorted(path.name for path in out.iterdir()) == ["manifest.json", "sheet.json", "sheet.pdf"]
    told = json.loads((out / "sheet.json").read_text(encoding="utf-8"))
    main(["prepare", str(patient), "--json"])
    assert told == json.loads(capsys.readouterr().out)
    start = next(section for section in told["sections"] if section["key"] == "start")
    peep = next(line for line in start["lines"] if line["key"] == "peep_cmh2o")
    assert (peep["low"], peep["high"], peep["kind"]) == (10, 10, "trial target")
    assert told["caution"] == CAUTION
    assert told["policy_identity"] is None


def test_pages_of_the_sheet(patient: Path) -> None:
    from tidebench.care.preparation import load_request

    made = sheet_pdf(prepare(load_request(patient)))
    assert made == sheet_pdf(prepare(load_request(patient)))
    pages = [flat(page.extract_text()) for page in PdfReader(BytesIO(made)).pages]
    assert "59.7 kg" in pages[0]
    assert "Not a medical device" in pages[0]
    assert "to tick and sign" in pages[-1]
    assert "Not a medical device" in pages[-1]
    assert "ARDS Network, N Engl J Med 2000;342:1301" in " ".join(pages)


@pytest.mark.parametrize("condition", ["healthy lungs", "ARDS", "obstructive", "raised intracranial pressure"])
def test_no_page_begins_with_the_last_lines_of_a_short_section(condition: str) -> None:
    """Typesetting's rule: nothing of a paragraph stands alone on the next page (common practice, no source)."""
    adult = {"sex": "male", "age_years": 60, "height_cm": 178}
    told = prepare(request_from({"patient": adult, "condition": condition}))
    pages = [flat(page.extract_text()) for page in PdfReader(BytesIO(sheet_pdf(told))).pages][1:-1]
    for section in told.sections:
        if len(section.lines) <= 10:
            whole = [page for page in pages if flat(typeset(section.title)) in page]
            assert any(flat(typeset(section.lines[-1].label)) in page for page in whole), section.title


def test_every_line_of_the_first_page_is_a_line_of_some_sheet() -> None:
    adult = {"sex": "male", "age_years": 60, "height_cm": 170}
    young = {"sex": "male", "age_days": 1, "weight_kg": 3, "gestational_age_weeks": 40}
    full = {
        "dead_space": {"heat_and_moisture_exchanger_ml": 40},
        "circuit_check": {"volume_ml": 100, "pressure_cmh2o": 50, "leak_ml_min": 20},
        "flow_sensor": {"syringe_ml": 500, "strokes_ml": [500]},
        "pressure_sensor": {"reference_cmh2o": [0, 30], "shown_cmh2o": [0, 30]},
        "oxygen": {"fio2": 0.5, "cylinders": {"water_capacity_l": 5, "pressure_bar": 150}},
        "transport": {"minutes": 20, "battery_minutes": 90, "cabin_altitude_m": 1500},
    }
    sheets = [
        prepare(request_from({"patient": adult, "condition": "ARDS", **full})),
        prepare(request_from({"patient": adult, "condition": "raised intracranial pressure"})),
        prepare(request_from({"patient": adult, "condition": "obstructive", "airway": {"interface": "mask"}})),
        prepare(request_from({"patient": {"age_years": 4, "sex": "male"}})),
        prepare(request_from({"patient": young, "tube": {"nasal_tragus_cm": 6}})),
    ]
    told = {line.key for sheet in sheets for section in sheet.sections for line in section.lines}
    assert {key for keys in BRIEF.values() for key in keys} <= told


def test_a_policy_beside_the_patient_is_used_and_printed(patient: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = '[[practice]]\nitem = "alarm_apnoea_s"\ngroup = "adult"\nlow = 15\nhigh = 15\n'
    (patient.parent / "policy.toml").write_text('title = "Ward policy"\n' + house, encoding="utf-8")
    main(["prepare", str(patient)])
    assert "apnoea 15 s instead of 20 s" in flat(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (PATIENT.replace("168", "1.68"), "[patient], height_cm: is 1.68. Expected: 20 to 250 cm. Is that in metres?"),
        (PATIENT.replace("fio2 = 0.6", "fio2 = 60"), "[lungs], fio2: is 60"),
        (PATIENT.replace("age_years", "age"), "[patient], age: there is no such key. Known: sex, age_years"),
        (PATIENT.replace('condition = "ARDS"', 'condition = "ards"'), "condition: is 'ards'"),
        (PATIENT.replace("[lungs]", "[lung]"), "[lung]: there is no such key. Nearest: lungs"),
        (PATIENT.replace("minutes = 40", "minutes = -1"), "[transport], minutes: is -1"),
        (PATIENT.replace("minutes = 40", "minutes = nan"), "[transport], minutes: is nan"),
        (PATIENT.replace("minutes = 40", 'minutes = "ä"'), "a number, without quotes"),
        (PATIENT.replace("[transport]\nminutes = 40", "[transport]"), "is missing"),
        ("title = 3", "title: is 3"),
        ("", "no age is given"),
        ("x = [", "this is not TOML"),
        ("#" * (1 << 20) + "\n", "larger than 1 MiB"),
    ],
)
def test_one_clear_message(patient: Path, text: str, message: str, capsys: pytest.CaptureFixture[str]) -> None:
    patient.write_text(text, encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["prepare", str(patient), "--out", str(patient.parent / "out")])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1
    assert not (patient.parent / "out").exists()


def test_what_is_no_patient_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "latin.toml").write_bytes(b'title = "\xe4"')
    for place, message in ((tmp_path / "none.toml", "there is no such file"), (tmp_path, "there is no such file"),
                           (tmp_path / "latin.toml", "this is not TOML")):  # fmt: skip
        with pytest.raises(SystemExit):
            main(["prepare", str(place)])
        assert message in capsys.readouterr().err


# --- cards ---


@pytest.mark.parametrize("sign", SIGNS)
def test_every_card_is_one_page_with_the_patient_first(sign: str) -> None:
    pages = PdfReader(BytesIO(card_pdf(card(sign)))).pages
    assert len(pages) == 1
    text = flat(pages[0].extract_text())
    patient, doubt, curves = (text.index(words) for words in (
        "The patient first", "off the ventilator, and ventilate by hand", "what holds and curves tell"
    ))  # fmt: skip
    assert patient < doubt < curves
    assert "Not a medical device" in text
    assert "common practice, no source" in text


def test_the_record_before_use_is_one_page_and_asks_for_everything() -> None:
    pages = PdfReader(BytesIO(pre_use_pdf(pre_use()))).pages
    assert len(pages) == 1
    text = flat(pages[0].extract_text())
    for words in ("Oxygen sensor", "Alarms", "Battery", "Supply failure", "Filter", "Self-inflating bag", "Humidifier",
                  "Date and time", "Signature", "The ventilator's own check decides"):  # fmt: skip
        assert words in text


@pytest.mark.parametrize("sign", [*SIGNS, PRE_USE, "all"])
def test_cards_in_the_terminal(sign: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    main(["card", sign])
    said = capsys.readouterr().out
    assert max(len(line) for line in said.splitlines()) <= 80
    assert flat(said).count(flat(CAUTION)) == 1


def test_cards_in_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["card", "all", "--out", str(tmp_path / "cards")])
    names = sorted(path.name for path in (tmp_path / "cards").glob("*.pdf"))
    assert names == sorted(f"{sign}.pdf" for sign in (*SIGNS, PRE_USE))
    assert str(tmp_path / "cards" / "leak.pdf") in capsys.readouterr().out


def test_a_card_that_does_not_exist(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["card", "leek"])
    assert left.value.code == 2
    assert "there is no card 'leek'. Expected: high-pressure" in capsys.readouterr().err
    with pytest.raises(OptionError, match="Nearest: stacking"):
        card("stackin")


def test_a_sheet_does_not_replace_cards(patient: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = patient.parent / "cards"
    main(["card", "leak", "--out", str(out)])
    with pytest.raises(SystemExit) as left:
        main(["prepare", str(patient), "--out", str(out)])
    assert left.value.code == 2
    assert "the result of another command" in capsys.readouterr().err
    assert (out / "leak.pdf").exists()


@pytest.mark.parametrize("sign", SIGNS)
def test_by_hand_comes_first_on_every_card_and_a_tracheostomy_is_thought_of(sign: str) -> None:
    """Practice: off the machine and ventilated by hand comes first on every card (common practice, no source)."""
    told = card(sign)
    assert "off the ventilator, and ventilate by hand" in told.first[0]
    assert any("tracheostomy" in line for line in told.first)


def test_a_house_adds_its_line_to_a_card(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "policy.toml"
    line = "Needle and drain: in the red box by the door, and who holds the key is written on the board beside it."
    told = "\n".join(f'[[card]]\nsign = "{sign}"\ntext = "{line}"\n' for sign in (*SIGNS, *SIGNS))
    file.write_text(f'title = "Ward"\n{told}', encoding="utf-8")
    house = load_policy(file)
    for sign in SIGNS:
        pages = PdfReader(BytesIO(card_pdf(card(sign, house)))).pages
        assert len(pages) == 1
        assert "Needle and drain" in flat(pages[0].extract_text())
    assert card("leak").house == ()
    main(["card", "leak", "--policy", str(file), "--out", str(tmp_path / "cards")])
    assert "This house: Needle and drain" in flat(capsys.readouterr().out)
    file.write_text(f'title = "Ward"\n{told}[[card]]\nsign = "leak"\ntext = "x"\n', encoding="utf-8")
    with pytest.raises(OptionError, match="gets 3 lines"):
        load_policy(file)


@pytest.mark.parametrize(("encoding", "look"), [("utf-16", "UTF-16"), ("cp1252", "Windows-1252 (line 1)")])
def test_a_patient_file_in_another_encoding_has_one_clear_message(
    tmp_path: Path, encoding: str, look: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "patient.toml"
    file.write_bytes('title = "Müller-like lung, invented"\n'.encode(encoding))
    with pytest.raises(SystemExit):
        main(["prepare", str(file)])
    told = flat(capsys.readouterr().err)
    assert f"by its look {look}: save the file as UTF-8" in told
    assert "codec" not in told
