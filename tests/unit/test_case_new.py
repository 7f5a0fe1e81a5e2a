"""``tidebench case new``: a case by answers, slips asked about, and nothing left behind where they end."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from tidebench.case import Case, Observed, case_from, load_case
from tidebench.case_interview import MODES, Interview, bounds_of
from tidebench.cli import main
from tidebench.doubts import doubts
from tidebench.errors import CaseError
from tidebench.mode import parse_mode

ADULT = [
    "Stiff lungs, invented", "f", "63", "1.68", "y", "measured", "82 kg", "ards", "endotracheal", "7,5", "inflated",
    "heated", "40", "volume control, and", "8", "40", "", "24", "0.41 L", "50", "", "", "y", "arterial", "40 %", "7.31",
    "6.2 kPa", "", "", "9.8", "93", "y", "", "", "", "", "17", "", "", "102", "", "",
]  # fmt: skip


def answered(answers: list[str]) -> tuple[Case, list[str]]:
    """The case of these answers, and what was said."""
    waiting, said = iter(answers), list[str]()

    def ask(question: str) -> str:
        said.append(question)
        try:
            return next(waiting)
        except StopIteration:
            raise EOFError from None

    case = Interview(ask, said.append).run()
    assert list(waiting) == []
    return case, said


def test_a_case_without_toml_or_codes() -> None:
    case, said = answered(ADULT)
    setting, gas = case.settings[0], case.blood_gases[0]
    assert (case.patient.sex, case.patient.height_cm, case.patient.weight_kg) == ("female", 168.0, 82.0)
    assert (setting.mode, setting.fio2, setting.tidal_volume_ml) == ("A/C-VC", 0.4, 410.0)
    assert (gas.site, gas.fio2, gas.ph) == ("arterial", 0.4, 7.31)
    assert gas.paco2_mmhg == pytest.approx(6.2 * 7.50062, abs=1e-3)
    assert case.airway.tube_inner_diameter_mm == 7.5
    assert (case.condition, gas.haemoglobin_g_dl) == ("ARDS", 9.8)
    noted = case.observed[0]
    assert noted.numbers == {"spo2": 0.93, "mean_pressure_cmh2o": 17.0, "heart_rate_per_min": 102.0}
    assert any("1.68 can't be (20 to 250 cm). Was that in metres, so 168?" in line for line in said)
    assert any("40 can't be (0.21 to 1 as a fraction). Was that in per cent, so 0.4?" in line for line in said)


def test_grams_are_asked_about() -> None:
    case, said = answered(filling(["", "male", "2 days", "27", "35", "", "850"]))
    assert case.patient.weight_kg == 0.85
    assert case.patient.age_days == 2.0
    assert any("Was that in grams, so 0.85?" in line for line in said)


def test_a_slip_that_is_none_is_asked_again() -> None:
    case, _ = answered(filling(["", "male", "40", "180", "", "850", "n", "85"]))
    assert case.patient.weight_kg == 85.0


@pytest.mark.parametrize(
    ("answer", "key", "value"),
    [("63", "age_years", 63.0), ("2.5 y", "age_years", 2.5), ("5 months", "age_days", 152.19),
     ("3 weeks", "age_days", 21.0), ("12d", "age_days", 12.0)],
)  # fmt: skip
def test_ages(answer: str, key: str, value: float) -> None:
    case, _ = answered(filling(["", "", answer]))
    assert getattr(case.patient, key) == value


@pytest.mark.parametrize("place", range(1, len(MODES) + 1))
def test_every_mode_in_words_is_a_mode(place: int) -> None:
    words, code = list(MODES.items())[place - 1]
    assert parse_mode(code).code == code
    case, _ = answered(filling([""] * 9 + [str(place)]))
    assert case.settings[0].mode == code
    case, _ = answered(filling([""] * 9 + [words]))
    assert case.settings[0].mode == code


def filling(answers: list[str]) -> list[str]:
    """Answers, then Enter until nothing more is asked."""
    for blanks in range(40):
        try:
            answered(answers + [""] * blanks)
        except CaseError:
            continue
        return answers + [""] * blanks
    raise AssertionError("the questions don't end")


def test_what_is_contradictory_or_doubtful_is_asked_once_more() -> None:
    light = ["", "male", "40", "180", "", "3", "", "n"]
    case, said = answered(filling([*light, "male", "40", "180", "", "83"]))
    assert case.patient.weight_kg == 83.0
    assert any("You say 3 kg at 40 years: are both right?" in line for line in said)
    levels = [""] * 9 + ["6", "10", "15", "", "", ""]
    case, said = answered(filling([*levels, "", "6", "20", "5", "", "", ""]))
    assert case.settings[0].pressure_high_cmh2o == 20.0
    assert any("not above pressure_low_cmh2o" in line for line in said)


@pytest.mark.parametrize(
    "answers", [["", "x"] * 9, ["", "", "never"] * 5, ["", "", "", "tall"] * 6, ["", "", "400"] * 5, []]
)
def test_answers_that_can_not_be_used_end_it(answers: list[str]) -> None:
    with pytest.raises(CaseError, match="Nothing was written"):
        answered(answers)


def test_characters_that_can_not_be_printed_are_dropped_and_length_is_bounded() -> None:
    case, _ = answered(filling(["ä\x1b[31m\x00" + "x" * 5000, "male"]))
    assert case.title.startswith("ä[31mxxx")
    assert len(case.title) == 400


def typed(monkeypatch: pytest.MonkeyPatch, answers: list[str]) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join([*answers, ""])))


def test_the_command_writes_a_case(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    signals = tmp_path / "recorded.csv"
    signals.write_text("time [s],airway_pressure [cmH2O],flow [L/min]\n0,5,0\n", encoding="utf-8")
    typed(monkeypatch, [*ADULT[:-1], str(signals)])
    out = tmp_path / "case"
    main(["case", "new", str(out)])
    case = load_case(out)
    assert case.title == "Stiff lungs, invented"
    assert case.recording.file == "recorded.csv"
    assert sorted(path.name for path in out.iterdir()) == ["case.toml", "recorded.csv"]
    assert "Next: tidebench review" in capsys.readouterr().out
    main(["prepare", str(out)])
    assert "59.7 kg" in capsys.readouterr().out


def test_nothing_is_left_where_the_answers_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, ADULT[:6])
    with pytest.raises(SystemExit) as left:
        main(["case", "new", str(tmp_path / "case")])
    assert left.value.code == 2
    assert "the answers ended" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "case.toml").write_text("title = 'mine'", encoding="utf-8")
    typed(monkeypatch, ADULT)
    with pytest.raises(SystemExit):
        main(["case", "new", str(tmp_path / "case")])
    assert "there is something there already" in capsys.readouterr().err
    assert (tmp_path / "case" / "case.toml").read_text(encoding="utf-8") == "title = 'mine'"


def test_nothing_answered_is_no_case(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, [""] * 40)
    with pytest.raises(SystemExit) as left:
        main(["case", "new", str(tmp_path / "case")])
    assert left.value.code == 2
    assert "nothing was answered" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_what_comes_next_is_what_the_answers_are_enough_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = filling(["", "male", "40", "180"])
    typed(monkeypatch, answers)
    main(["case", "new", str(tmp_path / "a")])
    assert "Next: tidebench prepare" in capsys.readouterr().out
    typed(monkeypatch, filling([*[""] * 9, "pressure support alone", "8"]))
    main(["case", "new", str(tmp_path / "b")])
    assert "Next: tidebench handover" in capsys.readouterr().out


def test_a_second_setting_and_what_is_noted_under_it() -> None:
    since = ["y", "90 min", "pressure support alone", "5"]
    case, _ = answered(filling([*[""] * 9, "1", "10", *[""] * 5, *since]))
    assert [row.at_s for row in case.settings] == [0.0, 5400.0]
    assert (case.settings[0].peep_cmh2o, case.settings[1].peep_cmh2o) == (10.0, 5.0)
    assert case.settings[1].mode == "CSV-PS"


def test_contradictory_answers_are_asked_about() -> None:
    head, said = answered(
        filling([*[""] * 9, "1", "10", *[""] * 7, "", "20", "200", "30", "45", "", "20", "", "", "", "y", "y"])
    )
    assert any("a plateau of 45 above a peak pressure of 30" in line for line in said)
    assert head.observed


GAS = [*[""] * 9, *[""] * 3, "y", "arterial", "0.5", "7.31"]


def test_a_second_tension_is_asked_about_where_the_first_was_in_kilopascals() -> None:
    """A usual PaO2 of 11 kPa is 82.5 mmHg (7.50062 mmHg are 1 kPa), and 11 mmHg is possible only to a validator."""
    case, said = answered(filling([*GAS, "6.2", "y", "11", "", "", "y", "y"]))
    assert case.blood_gases[0].paco2_mmhg == pytest.approx(6.2 * 7.50062, abs=1e-3)
    assert case.blood_gases[0].pao2_mmhg == pytest.approx(11 * 7.50062, abs=1e-3)
    assert any("Was PaO2 11 in kPa too, so 82.5 mmHg?" in line for line in said)
    back, said = answered(filling([*GAS, "10.5", "9 kPa", "", "", "y"]))
    assert back.blood_gases[0].paco2_mmhg == pytest.approx(10.5 * 7.50062, abs=1e-3)
    assert any("Was PaCO2 10.5 in kPa too, so 78.8 mmHg?" in line for line in said)


def test_no_reading_is_proposed_that_would_be_refused() -> None:
    """100 inches are 254 cm; the tallest that a case may be is 250 cm."""
    adult = ["", "male", "40", "100", "measured", "", "", "y"]
    _, said = answered(filling(adult))
    assert any("an adult of 100 cm: is it right?" in line for line in said)
    assert not any("254" in line for line in said)


def test_the_last_line_is_wrapped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    typed(monkeypatch, ADULT)
    main(["case", "new", str(tmp_path / "a")])
    told = capsys.readouterr().out.partition("Next: ")[2]
    assert "Not a medical device" in " ".join(told.split())
    assert max(map(len, told.splitlines()[1:])) <= 80


def test_a_gas_that_does_not_fit_the_oximeter_is_asked_for_again() -> None:
    """Severinghaus: 38 mmHg is some 72 %; 80 mmHg, 95.7 %, goes with an SpO2 of 96 %."""
    wrong = [*GAS, "40", "38", "", "", "96 %"]
    right = ["y", "arterial", "0.5", "7.31", "40", "80", "", "", "96 %"]
    case, said = answered(filling([*wrong, *[""] * 9, "n", *right]))
    assert case.blood_gases[0].pao2_mmhg == 80.0
    assert case.observed[0].spo2 == 0.96
    assert "The gas once more, then." in said


def test_a_saturation_that_nobody_has_is_asked_about() -> None:
    """9.8 is neither a fraction nor a per cent that an oximeter tells (ISO 80601-2-61, from memory: from 70 %)."""
    bounds = bounds_of(Observed, "spo2")
    for typed, unit in ((9.8, "tens of per cent"), (98.0, "per cent")):
        slip = bounds.slip(typed)
        assert slip is not None
        assert slip[0] == unit
        assert slip[1] == pytest.approx(0.98)
    case = case_from({"patient": {"age_years": 60}, "observed": [{"spo2": 0.098}]})
    assert any("an SpO2 of 9.8 % at 0 s" in doubt and "is 98 % meant?" in doubt for doubt in doubts(case))
    low = case_from({"patient": {"age_years": 60}, "observed": [{"spo2": 0.55}]})
    assert not list(doubts(low))


def test_a_saturation_typed_in_per_cent_is_asked_about_before_it_is_kept() -> None:
    case, said = answered(filling([*ADULT[:30], "9.8 %", *[""] * 9, "n", "98 %"]))
    assert case.observed[0].spo2 == 0.98
    assert any("You say an SpO2 of 9.8 %" in line for line in said)


def test_weight_and_height_that_were_swapped_are_asked_about() -> None:
    """A body mass index of 23 by the other way round (75 kg, 180 cm); a short heavy adult is not taken for one."""
    odd = case_from({"patient": {"age_years": 40, "height_cm": 75, "weight_kg": 180}})
    assert [doubt for doubt in doubts(odd) if "swapped, 75 kg and 180 cm" in doubt]
    heavy = case_from({"patient": {"age_years": 40, "height_cm": 150, "weight_kg": 140}})
    assert not any("swapped" in doubt for doubt in doubts(heavy))


def test_a_guess_at_a_saturation_needs_a_yes() -> None:
    """An empty answer never makes 98 % of 9.8: it may have been 9.8 % of something else."""
    place = ADULT.index("93")
    case, said = answered([*ADULT[:place], "9.8", "", "93", *ADULT[place + 1 :]])
    assert case.observed[0].spo2 == 0.93
    assert any("9.8 can't be" in line and "[y/N]" in line for line in said)
    case, _ = answered([*ADULT[:place], "9.8", "y", *ADULT[place + 2 :]])
    assert case.observed[0].spo2 == pytest.approx(0.98)


def test_a_tube_that_no_adult_has_is_asked_about() -> None:
    """From 4 mm, for a narrow larynx, to 10 (common practice, no source)."""
    for size, asked in ((3.0, True), (7.5, False), (11.0, True)):
        case = case_from({"patient": {"age_years": 63}, "airway": {"tube_inner_diameter_mm": size}})
        assert any("mm in an adult" in doubt for doubt in doubts(case)) == asked
    child = case_from({"patient": {"age_years": 1}, "airway": {"tube_inner_diameter_mm": 3.5}})
    assert not any("mm in an adult" in doubt for doubt in doubts(child))
