"""``tidebench lesson``: listed, checked, taken from answers on standard input, taken up again, printed, forgotten."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest

from tidebench.cli import main
from tidebench.lessons.record import Record
from tidebench.lessons.shelf import lesson_names


def typed(monkeypatch: pytest.MonkeyPatch, *answers: str) -> None:
    """Answers on standard input, one a line."""
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(answers) + "\n"))


def test_list_names_every_lesson(capsys: pytest.CaptureFixture[str]) -> None:
    main(["lesson", "list"])
    out = capsys.readouterr().out
    assert all(name[:12] in out for name in lesson_names())


def test_check_says_that_a_lesson_can_be_taught(capsys: pytest.CaptureFixture[str]) -> None:
    main(["lesson", "check", "reverse-triggers", "--seeds", "2"])
    out = capsys.readouterr().out
    assert re.search(r"perfect +passed 100 %, marks 100 %", out)
    assert "This lesson can be taught." in out


def test_check_ends_with_1_where_a_lesson_cannot_be_taught(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.resources import files

    text = (files("tidebench.lessons") / "library" / "reverse-triggers" / "lesson.toml").read_text(encoding="utf-8")
    (tmp_path / "lesson.toml").write_text(text.replace("minutes = 9\n", "minutes = 60\n"), encoding="utf-8")
    with pytest.raises(SystemExit, match="1"):
        main(["lesson", "check", str(tmp_path), "--seeds", "1"])
    assert "its steps take 8 min, and it says 60" in capsys.readouterr().out


def test_a_lesson_is_taken_left_taken_up_printed_and_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    typed(monkeypatch, "2 4 6", "q")
    main(["lesson", "run", "reverse-triggers", "--seed", "3", "--learner", "A. Invented"])
    out = capsys.readouterr().out
    assert "of 7 breaths found" in out
    assert "truth 2, 4, 6, 8, 10, 12, 14" in " ".join(out.split())
    assert "--resume 1" in out
    assert (tmp_path / "lesson-figures" / "2-called-proof.svg").read_text(encoding="utf-8").startswith("<?xml")

    typed(monkeypatch, "7", "word", "1", "1")
    main(["lesson", "run", "reverse-triggers", "--resume", "1"])
    out = capsys.readouterr().out
    assert "there is no answer 7" in out
    assert "That can't be" in out
    assert "What it came to" in out
    (row,) = Record(tmp_path / "lessons.sqlite").attempts()
    assert row.points is not None
    assert row.of == 3

    main(["lesson", "record", "observe", "reverse-triggers", "--skill", "1", "--learner", "A. Invented",
          "--assessor", "B. Invented"])  # fmt: skip
    main(["lesson", "record", "show"])
    out = capsys.readouterr().out
    assert "reverse-triggers, A. Invented" in out
    assert "able (B. Invented" in " ".join(out.split())
    main(["lesson", "record", "export", "out.csv"])
    assert (tmp_path / "out.csv").read_text(encoding="utf-8").count("A. Invented") == 2  # one row per objective
    with pytest.raises(SystemExit):
        main(["lesson", "record", "export", "out.csv"])
    assert "exists already" in capsys.readouterr().err
    main(["lesson", "record", "print", "A. Invented", "--out", "printed"])
    assert (tmp_path / "printed" / "record.pdf").read_bytes().startswith(b"%PDF")
    main(["lesson", "record", "forget", "A. Invented"])
    main(["lesson", "record", "retain", "0"])
    assert "2 rows deleted" in capsys.readouterr().out
    assert Record(tmp_path / "lessons.sqlite").attempts() == []


def test_a_patient_is_treated_at_the_terminal_and_debriefed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    answers = ["1", "50", "9", "f", "f", "f", "r", "s", "1", "rate_per_min", "10", "2", "60", "3", "4"]
    typed(monkeypatch, *answers)
    main(["lesson", "run", "trapped-gas", "--seed", "2", "--learner", "C"])
    out = " ".join(capsys.readouterr().out.split())
    assert "Pressure after the expiratory hold was asked for" in out
    assert "Over the last 20 s: peak pressure" in out
    assert "All limits were kept at the end." in out
    main(["lesson", "debrief", "1"])
    assert "learner: set rate 10 /min" in capsys.readouterr().out


def test_a_slip_of_the_keyboard_costs_no_answer_and_no_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    before = ["1", "x", "50", "nine", "9,4", "f", "f", "f", "r", "s"]
    acted = ["1", "rate_per_min", "10", "2", "-5", "60", "what", "1", "mood", "3", "1", "rate_per_min", "900", "4"]
    typed(monkeypatch, *before, *acted)
    main(["lesson", "run", "trapped-gas", "--seed", "2"])
    out = " ".join(capsys.readouterr().out.split())
    assert "could not convert" not in out
    assert "'nine' is not a number" in out
    assert "9.4 cmH2O" in out
    assert "'-5' is not a number of 0 or more" in out
    assert "mood may not be changed here" in out
    assert out.count("0 of 240 s. What do you do?") == 1  # the clock never went back
    assert "All limits were kept at the end." in out
    assert "airway pressure [cmH2O]" in out


def test_nobody_signs_for_themselves_and_a_name_that_is_not_there_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = ["--record", str(tmp_path / "r.sqlite")]
    watched = ["lesson", "record", "observe", "trapped-gas", "--skill", "1", "--learner", "A. Invented"]
    with pytest.raises(SystemExit, match="2"):
        main([*watched, "--assessor", "a. invented ", *kept])
    assert "nobody signs for a skill of their own" in capsys.readouterr().err
    main([*watched, "--assessor", "B", *kept])
    for name, words in (("a. invented", "Written otherwise: A. Invented"), ("C", "nothing was deleted")):
        with pytest.raises(SystemExit, match="2"):
            main(["lesson", "record", "forget", name, *kept])
        assert words in " ".join(capsys.readouterr().err.split())
    main(["lesson", "record", "forget", "A. Invented", *kept])
    assert "1 rows deleted" in capsys.readouterr().out


def test_debrief_of_an_attempt(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import numpy as np

    from tidebench.lessons import Session, open_lesson
    from tidebench.lessons.learners import LEARNERS, play

    lesson, folder = open_lesson("trapped-gas")
    record = Record(tmp_path / "r.sqlite")
    number = record.begin("trapped-gas", lesson, 2)
    session = play(Session(lesson, 2, folder), LEARNERS["perfect"], np.random.default_rng(0))
    for key, answer in session.answers.items():
        record.keep(number, answer, session.marks[key])
    record.end(number, session)
    drawn = tmp_path / "drawn"
    main(["lesson", "debrief", "1", "--record", str(tmp_path / "r.sqlite"), "--figures", str(drawn)])
    out = capsys.readouterr().out
    assert "<title>Inside all limits" in (drawn / "1-let-it-out-debrief.svg").read_text(encoding="utf-8")
    assert "learner: set rate 10 /min" in out
    assert "now inside" in out


def test_kit_and_new_say_where_things_are(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["lesson", "kit", "reverse-triggers", "--out", str(tmp_path / "kit"), "--sites", "Ward A"])
    out = capsys.readouterr().out
    assert out.count("Page: ") == 7
    with pytest.raises(SystemExit, match="2"):
        main(["lesson", "new", str(tmp_path / "lesson"), "--from", str(tmp_path / "nothing")])
    assert "can't be read" in capsys.readouterr().err or not (tmp_path / "lesson").exists()


def test_a_record_that_is_not_there_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["lesson", "record", "show", "--record", str(tmp_path / "none.sqlite")])
    assert "there is no record" in capsys.readouterr().err
