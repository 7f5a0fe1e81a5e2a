"""``tidebench log``: what it prints and puts into a folder, and one clear message for what can't be."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from pypdf import PdfReader

from tidebench.case import load_case
from tidebench.cli import main
from tidebench.logbook import settings_toml
from tidebench.store import read_result

SCENARIO = """
title = "A narrowing"
who = "adult-healthy"
duration_s = 420
seed = 3

[[settings]]
mode = "A/C-VC"
peep_cmh2o = 6
fio2 = 0.4
rate_per_min = 15
tidal_volume_ml = 450
inspiratory_flow_l_min = 50

[[settings]]
at_s = 300
peep_cmh2o = 8

[[manoeuvres]]
at_s = 60
kind = "inspiratory hold"

[[manoeuvres]]
at_s = 360
kind = "inspiratory hold"

[[events]]
at_s = 150
kind = "bronchospasm"
size = 4

[[events]]
at_s = 210
kind = "relief"
"""
LOG = """Time;Kind;Alarm;Priority;State;Value
04.05.2031 20:05:00;Setting changed;PEEP;;;8
04.05.2031 20:02:33;Alarm;High pressure;high;on;47
04.05.2031 20:03:28;Alarm;High pressure;high;off;
04.05.2031 20:02:40;Alarm;Low minute volume;medium;on;3,1
04.05.2031 20:03:35;Alarm;Low minute volume;medium;off;
04.05.2031 20:01:43;Hold;Hold;;;
04.05.2031 20:06:43;Hold;Hold;;;
04.05.2031 18:00:00;Calibration;Flow sensor;;;
04.05.2031 20:20:00;Message;Nebuliser;;;
"""
Run = Callable[..., str]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated case with its review, and the log of that evening."""
    folder = tmp_path_factory.mktemp("evening")
    (folder / "scenario.toml").write_text(SCENARIO, encoding="utf-8")
    main(["simulate", str(folder / "scenario.toml"), "--out", str(folder / "case")])
    case = folder / "case" / "case.toml"
    text = case.read_text(encoding="utf-8").replace("[recording]\n", '[recording]\nstart = "2031-05-04T20:00:00"\n')
    case.write_text(text, encoding="utf-8")
    main(["review", str(folder / "case"), "--out", str(folder / "review"), "--no-report"])
    (folder / "log.csv").write_text(LOG, encoding="utf-8")
    return folder


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the command in a terminal of 80 columns; gives what it printed."""
    monkeypatch.setenv("COLUMNS", "80")
    capsys.readouterr()

    def command(*words: object) -> str:
        main(["log", *map(str, words)])
        return capsys.readouterr().out

    return command


def test_a_log_alone_is_read_at_80_columns(place: Path, run: Run) -> None:
    said = run(place / "log.csv")
    assert max(map(len, said.splitlines())) <= 80
    words = " ".join(said.split())
    for part in (
        "From 2031-05-04 18:00:00 to 2031-05-04 20:20:00: 2 h 20 min covered", "of what came before, nothing is known",
        "time from 'Time', kind from", "all by name alone",
        "process industry", "High pressure high 1 50 %", "PEEP 8.0 cmH2O", "Not a medical device",
    ):  # fmt: skip
        assert part in words, part
    assert said.index("What the log covers") < said.index("How often")


def test_log_case_and_review_together(place: Path, run: Run) -> None:
    said = run(place / "log.csv", "--case", place / "case", "--review", place / "review",
               "--now", "peak_pressure_cmh2o.high=25", "--then", "peak_pressure_cmh2o.high=35@10")  # fmt: skip
    assert max(map(len, said.splitlines())) <= 80
    words = " ".join(said.split())
    for part in (
        "0 s of the case is 2031-05-04 20:00:00: the start of the recording.", "2 alarms within the recording",
        "obstruction", "None of them is a reason to silence an alarm", "too short a record",
        "One limit against another",
        "2 holds of the recording and of the log would fall together with --offset -",
    ):  # fmt: skip
        assert part in words, part
    assert words.count("Not a medical device") == 1


def test_json_is_the_page_for_machines(place: Path, run: Run) -> None:
    told = json.loads(run(place / "log.csv", "--case", place / "case", "--review", place / "review", "--json"))
    assert told["burden"]["whole"]["rate"]["count"] == 2
    assert told["burden"]["whole"]["rate"]["per_bed_day"] is None
    assert "less than a day" in told["burden"]["whole"]["rate"]["reason"]
    assert told["coverage"]["hours"] == pytest.approx(7 / 3, rel=1e-5)
    assert told["proposed"] == ["time", "kind", "name", "priority", "state", "value"]
    holds = json.loads((place / "review" / "summary.json").read_text(encoding="utf-8"))["holds"]
    assert told["offset_by_holds_s"] == pytest.approx(holds[0]["at_s"] - 103, abs=1.5)
    alarms = {(one["quantity"], one["side"]): one for one in told["limits_replayed"]}
    alarm = alarms["peak_pressure_cmh2o", "high"]
    assert alarm["events"] >= 1
    assert alarm["offers"] == []
    assert "less than an hour" in alarm["reason"]
    assert told["together"] is None
    assert "silences nothing" in told["weighed"]
    assert told["caution"]


def test_a_result_holds_tables_figures_page_and_originals(place: Path, run: Run, tmp_path: Path) -> None:
    out, picture = tmp_path / "incident", tmp_path / "screen.jpg"
    picture.write_bytes(b"\xff\xd8 a picture")
    limits = ("--now", "peak_pressure_cmh2o.high=25", "--then", "peak_pressure_cmh2o.high=90")
    run(place / "log.csv", "--case", place / "case", "--review", place / "review", *limits,
        "--picture", f"{picture}=160", "--out", out, "--incident")  # fmt: skip
    result = read_result(out)
    assert set(result.files) >= {
        "log.json", "log.pdf", "alarms.parquet", "timeline.parquet", "replay.parquet", "gone.parquet", "settings.toml",
        "course.svg", "tradeoff.svg", "originals/log.csv", "originals/case.toml", "originals/screen.jpg",
        "originals/signals.csv",
    }  # fmt: skip
    assert result.altered() == ()
    digest = hashlib.sha256((place / "log.csv").read_bytes()).hexdigest()
    assert result.files["originals/log.csv"] == digest
    assert (out / "originals" / "log.csv").read_bytes() == (place / "log.csv").read_bytes()
    told = json.loads((out / "log.json").read_text(encoding="utf-8"))
    assert {one["name"]: one["sha256"] for one in told["originals"]}["log.csv"] == digest
    timeline = pl.read_parquet(out / "timeline.parquet")
    assert timeline["at_s"].is_sorted()
    assert set(timeline["source"]) == {"log", "case", "review", "picture"}
    assert timeline.filter(pl.col("source") == "picture")["at_s"].to_list() == [160.0]
    alarms = pl.read_parquet(out / "alarms.parquet")
    assert alarms["at_s"].to_list() == [153.0, 160.0]
    assert alarms["breath"].null_count() == 0
    assert pl.read_parquet_metadata(out / "alarms.parquet")["case_hash"] == load_case(place / "case").case_hash
    gone = pl.read_parquet(out / "gone.parquet")
    assert gone["event"].any()
    replayed = pl.read_parquet(out / "replay.parquet")
    assert {"quantity", "side", "limit", "delay_s", "alarms_per_hour", "minutes_per_hour", "missed", "events"} <= set(
        replayed.columns
    )
    page = " ".join(part.extract_text() for part in PdfReader(out / "log.pdf").pages)
    for words in ("What the log covers", "Caution.", "Limits replayed", "Originals", digest[:20], "Timeline"):
        assert words in page, words


def test_settings_are_written_to_look_at_and_the_case_is_left_alone(place: Path, run: Run, tmp_path: Path) -> None:
    before = (place / "case" / "case.toml").read_bytes()
    run(place / "log.csv", "--case", place / "case", "--out", tmp_path / "out")
    made = load_case(tmp_path / "out" / "settings.toml")
    assert [(row.at_s, row.peep_cmh2o, row.fio2) for row in made.settings] == [(300.0, 8.0, 0.4)]
    text = (tmp_path / "out" / "settings.toml").read_text(encoding="utf-8")
    assert text.startswith("# Rebuilt from an event log, to look at.")
    assert "SHA-256" in text
    assert (place / "case" / "case.toml").read_bytes() == before
    assert settings_toml.__doc__
    assert not (tmp_path / "out" / "originals").exists()


def test_the_same_log_gives_the_same_bytes(place: Path, run: Run, tmp_path: Path) -> None:
    for name in ("one", "two"):
        run(place / "log.csv", "--out", tmp_path / name)
    one, two = (read_result(tmp_path / name).files for name in ("one", "two"))
    assert one == two


def test_limits_are_replayed_without_a_log(place: Path, run: Run) -> None:
    said = run("--case", place / "case", "--review", place / "review")
    assert "Limits replayed" in said
    assert "What the log covers" not in said
    unknown = run("--review", place / "review")
    assert "is not known for a patient of unknown age, so none is offered" in " ".join(unknown.split())


def test_columns_offset_and_bed_come_from_the_command_line(tmp_path: Path, run: Run) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Moment,Where,Was\n2031-05-04T13:20:00,A,Apnoea alarm\n2031-05-04T13:20:05,B,Apnoea alarm\n", encoding="utf-8"
    )
    columns = ("--column", "Moment=time", "--column", "Where=bed", "--column", "Was=name")
    told = json.loads(run(path, *columns, "--offset", "3600", "--json"))
    assert (told["start"], told["coverage"]["beds"]) == ("2031-05-04T14:20:00", 2)
    assert json.loads(run(path, *columns, "--bed", "B", "--json"))["coverage"]["beds"] == 1


def test_a_log_without_alarms_says_so(tmp_path: Path, run: Run) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time [s],kind\n1,Message\n2,Message\n", encoding="utf-8")
    assert "No row of the log is an alarm." in run(path, "--out", tmp_path / "out")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "there is neither a log nor a review"),
        (("nowhere.csv",), "nowhere.csv: there is no such file"),
        (("LOG", "--column", "Time"), "--column: 'Time' says no role"),
        (("LOG", "--column", "Time=moment"), "'moment' is no role of a column"),
        (("LOG", "--column", "Tims=time"), "Nearest: 'Time'"),
        (("LOG", "--words", "nowhere.toml"), "nowhere.toml: there is no such file"),
        (("LOG", "--incident"), "--incident: originals are kept in a result. Expected: --out FOLDER too."),
        (("LOG", "--now", "vte_ml.low=200"), "--now and --then"),
        (("LOG", "--now", "vte_ml.low=200", "--then", "vte_ml.low=100"), "limits are replayed over a review"),
        (("LOG", "--must", "vte_ml.low=200"), "limits are replayed over a review"),
        (("LOG", "--now", "vte_ml.low"), "'vte_ml.low' is no limit"),
        (("LOG", "--review", "REVIEW"), "Expected: --case CASE too."),
        (("LOG", "--picture", "none.jpg=5"), "names no picture with its moment"),
        (("LOG", "--picture", "LOG=soon"), "'soon' is no moment"),
        (("LOG", "--offset", "nan"), "an offset of nan s"),
        (("LOG", "--zero", "yesterday"), "zero"),
        (("LOG", "--case", "nowhere"), "nowhere"),
        (("LOG", "--case", "CASE", "--review", "CASE"), "this result holds no breaths"),
        (("LOG", "--out", "REVIEW"), "the folder holds the result of another command"),
    ],
)
def test_bad_options_have_one_message(
    place: Path, words: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    names = {"LOG": str(place / "log.csv"), "REVIEW": str(place / "review"), "CASE": str(place / "case")}
    given = [names.get(word, word.replace("LOG=", f"{names['LOG']}=")) for word in words]
    with pytest.raises(SystemExit) as ended:
        main(["log", *given])
    said = capsys.readouterr()
    assert ended.value.code == 2
    assert message in said.err
    assert said.err.count("tidebench:") == 1
    assert said.out == ""


def test_a_review_of_another_case_is_refused(place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = tmp_path / "case"
    case.mkdir()
    for name in ("case.toml", "signals.csv"):
        (case / name).write_bytes((place / "case" / name).read_bytes())
    with (case / "case.toml").open("a", encoding="utf-8") as file:
        file.write("\n[[events]]\nat_s = 3\nkind = 'changed'\n")
    with pytest.raises(SystemExit):
        main(["log", str(place / "log.csv"), "--case", str(case), "--review", str(place / "review")])
    assert "this is a review of another case" in capsys.readouterr().err


def test_an_incident_keeps_the_policy_that_bound_what_was_offered(place: Path, run: Run, tmp_path: Path) -> None:
    """Originals are all that the result was told from (docs/how-to/read-an-alarm-log.md)."""
    house, out = tmp_path / "policy.toml", tmp_path / "kept"
    house.write_text('title = "H5"\n[[limit]]\nquantity = "peak_pressure_cmh2o"\ngroup = "adult"\nhigh = 33\n', "utf-8")
    run(place / "log.csv", "--case", place / "case", "--review", place / "review", "--policy", house,
        "--out", out, "--incident")  # fmt: skip
    assert (out / "originals" / "policy.toml").read_bytes() == house.read_bytes()
    assert read_result(out).files["originals/policy.toml"] == hashlib.sha256(house.read_bytes()).hexdigest()
