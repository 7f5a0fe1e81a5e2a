"""Settings rebuilt from a log, its place on the case clock, and the one timeline."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tidebench.care.logs import Log, Question, Rebuilt, Words, read_log, rebuilt, tell
from tidebench.care.logs.case_clock import case_clock, offset_by_holds, recording_start
from tidebench.case import Case, case_from
from tidebench.errors import LogError, OptionError

Make = Callable[..., Log]


@pytest.fixture
def log(tmp_path: Path) -> Make:
    """Makes a log of lines."""

    def make(*lines: str, words: dict[str, Any] | None = None, head: str = "time [s],kind,name,value") -> Log:
        path = tmp_path / "log.csv"
        path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
        return read_log(path, Words.model_validate(words or {}))

    return make


def made(log: Log, words: dict[str, Any] | None = None, case: Case | None = None) -> Rebuilt:
    """Settings of a log."""
    return rebuilt(log.events, Words.model_validate(words or {}), case)


def test_changes_become_settings_in_case_keys(log: Make) -> None:
    told = made(
        log("0,Setting,Mode,A/C-VC", "0,Setting,PEEP,8", "0,Setting,Tidal volume,420 mL", "600,Setting,FiO2,60")
    )
    assert [dict(table) for table in told.tables] == [
        {"at_s": 0.0, "mode": "A/C-VC", "peep_cmh2o": 8.0, "tidal_volume_ml": 420.0},
        {"at_s": 600.0, "mode": "A/C-VC", "peep_cmh2o": 8.0, "tidal_volume_ml": 420.0, "fio2": 0.6},
    ]
    assert any("taken for per cent" in note for note in told.notes)
    assert case_from({"settings": [dict(table) for table in told.tables]}).settings[1].fio2 == 0.6


def test_units_are_those_that_stand_with_the_value_or_in_the_words(log: Make) -> None:
    words = {"settings": {"Vt": "tidal_volume_ml [L]", "Druck": "inspiratory_pressure_cmh2o [mbar]", "O2": "fio2 [%]"}}
    told = made(
        log("0,Setting,Vt,0.42", "0,Setting,Druck,20", "0,Setting,O2,21", "0,Setting,Inspiratory time,900 ms"), words
    )
    (table,) = told.tables
    assert table["tidal_volume_ml"] == pytest.approx(420.0)
    assert table["inspiratory_pressure_cmh2o"] == pytest.approx(20 / 0.980665)
    assert (table["fio2"], table["inspiratory_time_s"]) == (pytest.approx(0.21), pytest.approx(0.9))


def test_a_change_of_mode_keeps_only_what_holds_in_any(log: Make) -> None:
    lines = ("0,Setting,Mode,A/C-VC", "0,Setting,PEEP,8", "0,Setting,Tidal volume,420", "60,Setting,Mode,CSV-PS",
             "70,Setting,Pressure support,12")  # fmt: skip
    told = made(log(*lines))
    assert dict(told.tables[1]) == {"at_s": 60.0, "mode": "CSV-PS", "peep_cmh2o": 8.0}
    assert told.tables[2]["pressure_support_cmh2o"] == 12.0


def test_a_phrase_is_read_by_the_house_s_expression(log: Make) -> None:
    words = {"settings_text": r"^(?P<name>.+?): (?P<before>\S+) -> (?P<value>\S+)"}
    told = made(log("5,Setting,PEEP: 5 -> 8", head="time [s],kind,text"), words)
    (change,) = told.changes
    assert (change.key, change.value, change.before) == ("peep_cmh2o", 8.0, "5")


def test_what_cannot_be_read_or_set_is_told_and_left_out(log: Make) -> None:
    lines = ("0,Setting,PEEP,eight", "1,Setting,PEEP,800", "2,Setting,Volume guarantee,7", "3,Setting,Mode,Mode 7",
             "4,Setting,Inspiratory time,2 cmH2O", "5,Setting,Rate,20")  # fmt: skip
    told = made(log(*lines))
    text = " ".join(told.notes)
    assert "'eight' is no number" in text
    assert "3 values could not be read" in text
    assert "is 800. Expected: 0 to 60 cmH2O" in text
    assert "No setting is known for 'Volume guarantee' (1)" in text
    assert [dict(table) for table in told.tables] == [{"at_s": 5.0, "rate_per_min": 20.0}]


def test_an_unknown_key_is_refused(log: Make) -> None:
    with pytest.raises(OptionError, match=r"'pepe' of 'PEEP' is no setting"):
        made(log("0,Setting,PEEP,8"), {"settings": {"PEEP": "pepe"}})


def test_the_case_fills_what_the_log_does_not_tell_and_is_contradicted_where_it_differs(log: Make) -> None:
    first = {"mode": "A/C-VC", "peep_cmh2o": 5, "rate_per_min": 18}
    case = case_from({"settings": [first, {**first, "at_s": 900, "peep_cmh2o": 12}]})
    told = made(log("-50,Setting,PEEP,8", "600,Setting,PEEP,10"), case=case)
    assert dict(told.tables[0]) == {"at_s": 0.0, "mode": "A/C-VC", "peep_cmh2o": 8.0, "rate_per_min": 18.0}
    assert told.tables[1]["rate_per_min"] == 18.0
    assert told.differ == (
        "At 0 s the case says set PEEP 5.0 cmH2O, the log 8.0 cmH2O.",
        "At 900 s the case says set PEEP 12.0 cmH2O, the log 10.0 cmH2O.",
    )  # fmt: skip


# --- on the case clock ------------------------------------------------------------------------------------------------


def case_at(start: str | None) -> Case:
    """A case whose recording began at a time."""
    return case_from({"recording": {"file": "signals.csv", **({"start": start} if start else {})}})


@pytest.mark.parametrize(
    ("stamp", "start", "doubt"),
    [
        ("2031-05-04T13:20:30", "2031-05-04T13:20:00", False),
        ("2031-05-04T13:20:30+02:00", "2031-05-04T11:20:00Z", False),
        ("2031-05-04T13:20:30", "2031-05-04T13:20:00+02:00", True),
        ("2031-05-04T13:20:30+02:00", "2031-05-04T13:20:00", True),
    ],
)
def test_the_log_stands_on_the_clock_of_the_case(log: Make, stamp: str, start: str, doubt: bool) -> None:
    one = log(f"{stamp},Apnoea", head="time,alarm")
    found = case_clock(one, case_at(start))
    assert found.shift_s == 30.0
    assert ("only one of the two clocks has a zone" in found.known_by) == doubt
    told = tell(one, case_at(start), None)
    assert told.alarms is not None
    assert told.alarms["at_s"].to_list() == [30.0]


def test_a_clock_that_nothing_tells_is_refused(log: Make) -> None:
    one = log("2031-05-04T13:20:30,Apnoea", head="time,alarm")
    with pytest.raises(LogError, match="nothing says when the recording began"):
        case_clock(one, case_at(None))
    assert case_clock(one, case_at(None), datetime(2031, 5, 4, 13, 20)).shift_s == 30.0
    counted = log("30,Apnoea", head="time [s],alarm")
    assert case_clock(counted, case_at(None)).shift_s == 0.0
    with pytest.raises(LogError, match="the log counts seconds"):
        case_clock(counted, case_at(None), datetime(2031, 5, 4))


def test_the_start_of_a_recording_is_its_first_stamp_where_the_case_is_silent(tmp_path: Path) -> None:
    (tmp_path / "signals.csv").write_text(
        "time,Paw [cmH2O],Flow [L/min]\n2031-05-04T13:20:00.5,5,0\n2031-05-04T13:20:00.51,5,0\n", encoding="utf-8"
    )
    case = case_from({"recording": {"file": "signals.csv"}}, folder=tmp_path)
    assert recording_start(case) == datetime(2031, 5, 4, 13, 20, 0, 500000)
    (tmp_path / "signals.csv").write_text("time [s],Paw [cmH2O],Flow [L/min]\n0,5,0\n", encoding="utf-8")
    assert recording_start(case) is None


@pytest.mark.parametrize(
    ("logged", "measured", "told"),
    [
        ([100.0, 400.0, 900.0], [175.0, 475.0, 975.0], (75.0, 3)),
        ([100.0, 400.0, 900.0], [101.0, 402.0, 903.0], None),  # they agree as they are
        ([100.0], [175.0], None),
        ([100.0, 400.0], [175.0, 900.0], None),  # one pair alone agrees
        ([100.0, 400.0, 5000.0], [25.0, 325.0], (-75.0, 2)),
        ([100.0, 400.0], [97.0, 403.0, 1100.0, 1400.0], None),  # as many agree as they are
    ],
)
def test_holds_tell_how_far_a_clock_is_off(
    logged: list[float], measured: list[float], told: tuple[float, int] | None
) -> None:
    found = offset_by_holds(logged, measured)
    assert found == (told if told is None else pytest.approx(told))


def test_one_timeline_of_log_case_and_pictures(log: Make) -> None:
    case = case_from({
        "recording": {"file": "signals.csv", "start": "2031-05-04T13:20:00"},
        "settings": [{"peep_cmh2o": 8}],
        "blood_gases": [{"time": "2031-05-04T13:25:00", "site": "arterial", "ph": 7.3}, {"at_s": 600, "ph": 7.35}],
        "observed": [{"at_s": 120, "spo2": 0.93}],
        "events": [{"at_s": 60, "kind": "suction", "text": "much"}],
    })  # fmt: skip
    one = log("2031-05-04T13:21:30,Alarm,Apnoea,20", head="time,kind,name,value")
    pictures: list[tuple[str, float | datetime]] = [("screen.jpg", 95.0), ("later.jpg", datetime(2031, 5, 4, 13, 26))]
    table = tell(one, case, None, Question(pictures=pictures)).timeline
    assert table["at_s"].to_list() == [0.0, 60.0, 90.0, 95.0, 120.0, 300.0, 360.0, 600.0]
    assert table["source"].to_list() == ["case", "case", "log", "picture", "case", "case", "picture", "case"]
    assert table["what"].to_list() == [
        "PEEP set 8.0 cmH2O", "much", "Apnoea 20", "screen.jpg", "SpO2 93 %", "arterial, pH 7.30", "later.jpg",
        "site not stated, pH 7.35",
    ]  # fmt: skip
    assert table["time"][2] == datetime(2031, 5, 4, 13, 21, 30)


def test_a_case_belongs_to_one_bed(log: Make) -> None:
    one = log("1,A,Apnoea", "2,B,Apnoea", head="time [s],bed,alarm")
    with pytest.raises(LogError, match="the log is of 2 beds"):
        tell(one, case_at(None), None)
    told = tell(one, case_at(None), None, Question(bed="B"))
    assert told.alarms is not None
    assert told.alarms["at_s"].to_list() == [2.0]
    with pytest.raises(LogError, match="there is no bed 'C'"):
        tell(one, None, None, Question(bed="C"))


def test_what_the_case_sets_later_is_not_missed(log: Make) -> None:
    """Invented: the log tells of oxygen alone, and PEEP is that of the case at each time."""
    rows = [
        {"at_s": 0, "mode": "CSV-PS", "pressure_support_cmh2o": 10, "peep_cmh2o": 5, "fio2": 0.4},
        {"at_s": 600, "mode": "CSV-PS", "pressure_support_cmh2o": 10, "peep_cmh2o": 10, "fio2": 0.4},
        {"at_s": 1800, "mode": "CSV-PS", "pressure_support_cmh2o": 8, "peep_cmh2o": 10, "fio2": 0.5},
    ]
    told = made(log("1200,Setting,FiO2,60"), case=case_from({"settings": rows}))
    seen = [(one["at_s"], one["peep_cmh2o"], one["fio2"], one["pressure_support_cmh2o"]) for one in told.tables]
    assert seen[-2:] == [(1200, 10, 0.6, 10), (1800, 10, 0.6, 8)]
    assert told.differ == ("At 1800 s the case says set oxygen fraction 0.50, the log 0.60.",)
