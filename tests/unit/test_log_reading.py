"""Event logs as text: columns, clocks, words and what is refused with one clear message."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tidebench.care.logs import Log, Words, alarms_of, coverage, load_words, read_log
from tidebench.care.logs import reading as reading_module
from tidebench.care.logs.case_clock import case_clock
from tidebench.care.logs.coverage import exposure_by_hour
from tidebench.care.logs.meaning import meaning_of
from tidebench.case import case_from
from tidebench.errors import LogError, OptionError

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Writes a file of lines."""

    def file(*lines: str, name: str = "log.csv", encoding: str = "utf-8", end: str = "\n") -> Path:
        path = tmp_path / name
        path.write_bytes((end.join(lines) + end).encode(encoding))
        return path

    return file


def names(log: Log) -> list[str]:
    """Names of the events in order."""
    return [str(name) for name in log.events["name"]]


def kinds(log: Log) -> list[str]:
    """Kinds of the events in order."""
    return [str(kind) for kind in log.events["kind"]]


# --- clocks -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "stamps", "start"),
    [
        ("time", ("2031-05-04T13:20:00", "2031-05-04T13:20:30"), datetime(2031, 5, 4, 13, 20)),
        ("Date/Time", ("2031-05-04 13:20:00.5", "2031-05-04 13:20:30.5"), datetime(2031, 5, 4, 13, 20, 0, 500000)),
        ("When", ("04.05.2031 13:20:00", "04.05.2031 13:20:30"), datetime(2031, 5, 4, 13, 20)),
        ("when", ("25/05/2031 13:20:00", "25/05/2031 13:20:30"), datetime(2031, 5, 25, 13, 20)),
        ("when", ("05/25/2031 01:20:00 PM", "05/25/2031 01:20:30 PM"), datetime(2031, 5, 25, 13, 20)),
        ("when", ("4 May 2031 13:20:00", "4 May 2031 13:20:30"), datetime(2031, 5, 4, 13, 20)),
        ("when", ("04.05.31 13:20:00", "04.05.31 13:20:30"), datetime(2031, 5, 4, 13, 20)),
        ("timestamp [s]", ("1935840000", "1935840030"), datetime(2031, 5, 6, 13, 20)),
        ("timestamp [ms]", ("1935840000000", "1935840030000"), datetime(2031, 5, 6, 13, 20)),
    ],
)
def test_clocks_in_many_forms(write: Write, head: str, stamps: tuple[str, str], start: datetime) -> None:
    log = read_log(write(f"{head},alarm,priority", *(f"{stamp},Apnoea,high" for stamp in stamps)))
    assert log.start == start
    assert log.events["at_s"].to_list() == [0.0, 30.0]
    assert log.events["hour"].to_list() == [13, 13]


def test_seconds_without_a_date_keep_their_zero(write: Write) -> None:
    log = read_log(write("time [min];alarm;priority", "1,5;Apnoea;high", "2,0;Leak;low"))
    assert log.start is None
    assert log.events["at_s"].to_list() == [90.0, 120.0]
    assert log.events["hour"].to_list() == [None, None]


def test_date_and_time_in_two_columns(write: Write) -> None:
    log = read_log(write("date;time;alarm", "04.05.2031;13:20:00;Apnoea", "05.05.2031;00:00:10;Leak"))
    assert log.events["at_s"].to_list() == [0.0, 38410.0]


def test_zones_give_true_durations_and_the_hours_that_were_shown(write: Write) -> None:
    """The clocks go back in the night: 02:50 summer time is 20 min before 02:10 winter time."""
    log = read_log(write("time,alarm", "2031-10-26T02:50:00+02:00,Apnoea", "2031-10-26T02:10:00+01:00,Leak"))
    assert log.events["at_s"].to_list() == [0.0, 1200.0]
    assert log.events["hour"].to_list() == [2, 2]
    assert log.zone == "mixed"
    assert any("several zones" in note for note in coverage(log).notes)


def test_an_offset_moves_the_wall_clock_and_nothing_else(write: Write) -> None:
    path = write("time,alarm", "2031-05-04T13:59:30,Apnoea", "2031-05-04T14:10:00,Leak")
    plain, moved = read_log(path), read_log(path, Words.model_validate({"clock": {"offset_s": 75}}))
    assert moved.start == datetime(2031, 5, 4, 14, 0, 45)
    assert moved.events["at_s"].to_list() == plain.events["at_s"].to_list()
    assert moved.events["hour"].to_list() == [14, 14]
    counted = write("time [s],alarm", "10,Apnoea", name="b.csv")
    assert read_log(counted, Words.model_validate({"clock": {"offset_s": 75}})).events["at_s"].to_list() == [85.0]


def test_rows_whose_time_cannot_be_read_are_counted(write: Write) -> None:
    log = read_log(
        write("time,alarm", "2031-05-04T13:20:00,Apnoea", "later,Leak", ",Apnoea", "2031-05-04T13:21:00,Leak")
    )
    assert (log.events.height, log.unread) == (2, 2)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (("time,alarm", "13:20:05,Apnoea"), "the times have no date, such as '13:20:05'"),
        (("time,alarm", "17,Apnoea"), "numbers without a unit, such as '17'. Expected: s, ms, min or h"),
        (("time,alarm", "04/05/2031 13:20:00,Apnoea"), "may have its day first or its month"),
        (("time,alarm", "yesterday,Apnoea"), "'yesterday' is no date and time in a form that is known"),
        (("time,alarm", "2031-05-04T13:20:00,A b", "x,A b", "y,A b"), "1 of 3 times can be read"),
        (("time [cmH2O],alarm", "1,Apnoea"), "cmH2O is no unit of time"),
        (("time [fortnight],alarm", "1,Apnoea"), "the unit 'fortnight' is not known"),
        (("who,what now", "1,2"), "no column holds the time"),
        (("time [s],who", "1,2"), "no column holds what happened. Expected: columns of time"),
        (("time [s],alarm,duration", "1,Apnoea,5"), "the durations have no unit"),
        (("time [s]", "1"), "no separator is found between columns"),
        (("time [s],alarm", "1,Apnoea,too,many"), "line 2: the line has 4 cells and the header 2 names"),
        (("time [s],alarm", '1,"Apnoea', "2,Leak"), "a quote is opened and not closed"),
        (("1,2", "3,4"), "the first line holds numbers, not names"),
        (("time,alarm",), "the file has a header and no rows"),
    ],
)
def test_a_log_that_cannot_be_read_has_one_message(write: Write, lines: tuple[str, ...], message: str) -> None:
    with pytest.raises(LogError) as caught:
        read_log(write(*lines))
    assert message in str(caught.value)
    assert "log.csv" in str(caught.value)


def test_files_that_are_none(write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for path, message in (
        (tmp_path / "none.csv", "there is no such file"),
        (tmp_path, "this is not an ordinary file"),
        (write("", name="empty.csv"), "the file is empty"),
        (write("a,b", "1,2", name="wide.csv", encoding="utf-16"), "text in UTF-16"),
    ):
        with pytest.raises(LogError, match=message):
            read_log(path)
    with pytest.raises(LogError, match="0 files are given"):
        read_log([])
    path = write("time [s],alarm", "1,Apnoea", "2,Leak")
    monkeypatch.setattr(reading_module, "MOST_ROWS", 1)
    with pytest.raises(LogError, match="the file has 2 rows"):
        read_log(path)
    monkeypatch.setattr(reading_module, "MOST_BYTES", 10)
    with pytest.raises(LogError, match="at most 1 GiB"):
        read_log(path)


def test_clocks_that_cannot_be_compared(write: Write) -> None:
    stamped = write("time,alarm", "2031-05-04T13:20:00,Apnoea", name="a.csv")
    counted = write("time [s],alarm", "1,Apnoea", name="b.csv")
    zoned = write("time,alarm", "2031-05-04T13:20:00Z,Apnoea", name="c.csv")
    for other in (counted, zoned):
        with pytest.raises(LogError, match="some files tell"):
            read_log([stamped, other])


# --- columns and words ------------------------------------------------------------------------------------------------


def test_plain_headers_are_proposed_and_others_told(write: Write) -> None:
    path = write(
        "Moment;Was;Prio;Von", "2031-05-04T13:20:00;Druck hoch;!!!;on", "2031-05-04T13:20:09;Druck hoch;!!!;off"
    )
    said = {
        "columns": {"moment": "time", "Was": "name", "Prio": "priority", "Von": "state"},
        "priorities": {"!!!": "high"},
    }
    log = read_log(path, Words.model_validate(said))
    (alarm,) = alarms_of(log).iter_rows(named=True)
    assert (alarm["name"], alarm["priority"], alarm["duration_s"]) == ("Druck hoch", "high", 9.0)
    assert log.proposed == ()
    plain = read_log(write("time,kind,alarm,priority,state", "2031-05-04T13:20:00,Alarm,Apnoea,high,on", name="b.csv"))
    assert set(plain.proposed) == {"time", "kind", "name", "priority", "state"}
    assert plain.columns["name"] == "alarm"


def test_columns_that_nobody_reads_are_named(write: Write) -> None:
    log = read_log(write("time [s],alarm,serial", "1,Apnoea,77"))
    assert any("Columns not read: 'serial'" in note for note in log.notes)
    ignored = read_log(log_path := write("time [s],alarm,value", "1,Apnoea,5", name="b.csv"),
                       Words.model_validate({"columns": {"value": "ignore"}}))  # fmt: skip
    assert ignored.events["value"].to_list() == [None]
    assert log_path.exists()


def test_a_column_that_is_told_and_not_there(write: Write) -> None:
    with pytest.raises(LogError, match=r"the words name a column 'Momet'.*Nearest: 'Moment'"):
        read_log(write("Moment,alarm", "1,2"), Words.model_validate({"columns": {"Momet": "time"}}))
    with pytest.raises(LogError, match="both 'a' and 'b' are to be time"):
        read_log(write("a,b,alarm", "1,2,3"), Words.model_validate({"columns": {"a": "time [s]", "b": "time [s]"}}))


@pytest.mark.parametrize(
    ("kind", "name", "text", "meant"),
    [
        ("Alarm", "", "High airway pressure", ("alarm", None, "High airway pressure")),
        ("Alarm on", "", "Apnoea", ("alarm", "on", "Apnoea")),
        ("Alarm cleared", "", "Apnoea", ("alarm", "off", "Apnoea")),
        ("", "", "Apnoea alarm ended", ("alarm", "off", "Apnoea alarm")),
        ("Standby", "", "", ("standby", None, "Standby")),
        ("Stand-by on", "", "", ("standby", "on", "Stand-by")),
        ("Setting changed", "PEEP", "", ("setting", None, "PEEP")),
        ("Alarm setting changed", "", "Pressure limit", ("setting", None, "Pressure limit")),
        ("Inspiratory hold", "", "", ("hold", None, "Inspiratory hold")),
        ("Calibration", "", "Flow sensor", ("calibration", None, "Flow sensor")),
        ("Message", "", "Nebuliser started", ("message", "on", "Nebuliser")),
        ("", "", "No trigger", (None, None, "No trigger")),
        ("Quux", "", "", (None, None, "Quux")),
    ],
)
def test_trade_words_are_known(kind: str, name: str, text: str, meant: tuple[str | None, str | None, str]) -> None:
    told = meaning_of(kind, name, text, Words())
    assert (told.kind, told.state, told.name) == meant


def test_a_house_says_what_its_words_mean(write: Write) -> None:
    said = {
        "kinds": {"ALM+": "alarm on", "ALM-": "alarm off", "PRM": "setting"},
        "names": {"Paw hi": "high pressure"},
        "states": {"kommt": "on"},
    }
    lines = ("time [s],kind,name", "1,ALM+,Paw hi", "4,ALM-,PAW HI", "5,PRM,PEEP", "6,ALM+,Paw  hi")
    log = read_log(write(*lines), Words.model_validate(said))
    assert kinds(log) == ["alarm", "alarm", "setting", "alarm"]
    assert names(log) == ["high pressure", "high pressure", "PEEP", "high pressure"]
    assert alarms_of(log)["duration_s"].to_list() == [3.0, None]


def test_words_that_nobody_knows_are_listed(write: Write) -> None:
    log = read_log(write("time [s],kind,priority,state", "1,Quux,urgent,maybe", "2,Quux,,"))
    text = " ".join(log.notes)
    assert kinds(log) == ["other", "other"]
    assert "No priority is known for 'urgent'" in text
    assert "No on or off is known for 'maybe'" in text
    assert "No kind of event is known for 'Quux'" in text


def test_numbers_in_a_text_do_not_make_new_names(write: Write) -> None:
    log = read_log(
        write("time [s],kind,text", "1,Alarm,Pressure 41 above 40 cmH2O", "2,Alarm,Pressure 43.5 above 40 cmH2O")
    )
    assert names(log) == ["Pressure … above … cmH2O"] * 2
    assert log.events["text"].to_list() == ["Pressure 41 above 40 cmH2O", "Pressure 43.5 above 40 cmH2O"]


def test_a_name_longer_than_a_name_is_cut(write: Write) -> None:
    (name,) = names(read_log(write("time [s],alarm", f"1,{'x' * 20_000}")))
    assert name == "x" * 80 + "…"


def test_texts_that_never_repeat_leave_the_kind(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tidebench.care.logs.meaning.MOST_PHRASES", 2)
    log = read_log(write("time [s],kind,text", "1,Apnoea alarm,see a", "2,Apnoea alarm,see b", "3,Apnoea alarm,see c"))
    assert names(log) == ["Apnoea alarm"] * 3
    assert any("named without it" in note for note in log.notes)
    with pytest.raises(LogError, match="have no name in common"):
        read_log(write("time [s],name", "1,a", "2,b", "3,c", name="b.csv"))


def test_separators_encodings_quotes_and_blanks(write: Write) -> None:
    tab = write("time [s]\talarm\tpriority", "1\tDébit élevé\thigh", name="t.txt", encoding="cp1252")
    log = read_log(tab)
    assert names(log) == ["Débit élevé"]
    assert any("Windows-1252" in note for note in log.notes)
    quoted = write(
        "# exported", "time [s], alarm ,priority", '1 ,"Low volume, expired" , High ', end="\r\n", name="q.csv"
    )
    log = read_log(quoted)
    assert names(log) == ["Low volume, expired"]
    assert alarms_of(log)["priority"].to_list() == ["high"]
    marked = write("\ufefftime [s];alarm;value", "1;Ünïcode ✓;3,5", name="b.csv")
    log = read_log(marked)
    assert (names(log), log.events["value"].to_list()) == (["Ünïcode ✓"], [3.5])


def test_a_path_with_brackets_and_a_star_is_read_as_it_stands(tmp_path: Path) -> None:
    folder = tmp_path / "bed [3] *"
    folder.mkdir()
    path = folder / "log[1].csv"
    path.write_text("time [s],alarm\n1,Apnoea\n", encoding="utf-8")
    assert names(read_log(path)) == ["Apnoea"]


def test_ends_in_a_column_of_their_own(write: Write) -> None:
    ends = read_log(
        write("start,end,alarm", "2031-05-04T13:20:00,2031-05-04T13:20:30,Apnoea", "2031-05-04T13:30:00,,Leak")
    )
    assert alarms_of(ends)["duration_s"].to_list() == [30.0, None]
    lasts = read_log(write("time [s],duration [min],alarm", "10,0.5,Apnoea", "50,-1,Leak", name="b.csv"))
    assert alarms_of(lasts)["until_s"].to_list() == [40.0, None]


def test_two_of_one_instant_are_taken_in_the_order_that_makes_sense(write: Write) -> None:
    head = "time [s],alarm,state"
    at_once = read_log(write(head, "5,Apnoea,on", "5,Apnoea,off", "60,Apnoea,on", "70,Apnoea,off"))
    assert alarms_of(at_once)["duration_s"].to_list() == [0.0, 10.0]
    again = read_log(write(head, "1,Apnoea,on", "5,Apnoea,on", "5,Apnoea,off", "9,Apnoea,off", name="b.csv"))
    assert alarms_of(again)["duration_s"].to_list() == [4.0, 4.0]
    rows = ("1,Apnoea,active", "5,Apnoea,active", "5,Apnoea,inactive", "9,Apnoea,inactive")  # on sorts before off here
    assert alarms_of(read_log(write(head, *rows, name="c.csv")))["duration_s"].to_list() == [4.0, 4.0]


def test_an_alarm_that_comes_again_without_an_end_counts_and_has_no_duration(write: Write) -> None:
    log = read_log(
        write("time [s],alarm,state", "1,Apnoea,on", "5,Apnoea,acknowledged", "9,Apnoea,on", "12,Apnoea,off")
    )
    told = alarms_of(log)
    assert told["at_s"].to_list() == [1.0, 9.0]
    assert told["duration_s"].to_list() == [None, 3.0]
    assert told["ends"].to_list() == ["comes again", "logged"]


def test_an_end_without_a_start_tells_that_the_log_begins_late(write: Write) -> None:
    log = read_log(write("time [s],alarm,state", "1,Apnoea,off", "9,Apnoea,on", "12,Apnoea,off"))
    assert any("One alarm ends without a start" in note for note in coverage(log).notes)
    assert alarms_of(log).height == 1


def test_several_exports_are_joined_and_what_lies_between_is_not_covered(write: Write) -> None:
    head = "time [s],alarm,state"
    first = write(head, "0,Apnoea,on", "10,Apnoea,off", "3600,Leak,on", name="a.csv")
    second = write(head, "3600,Leak,on", "7200,Leak,off", name="b.csv")
    third = write(head, "20000,Apnoea,on", "20010,Apnoea,off", name="c.csv")
    log = read_log([third, first, second])
    covered = coverage(log)
    assert log.repeated == 1
    assert covered.hours == pytest.approx((7200 + 10) / 3600)
    assert any("Exports don't join up: 1 stretch" in note for note in covered.notes)
    assert read_log([second, third, first]).log_id == log.log_id


def test_standby_and_silence(write: Write) -> None:
    lines = (
        "time [s],kind,state",
        "0,Alarm,on",
        "3600,Standby,on",
        "7200,Standby,off",
        "90000,Alarm,on",
        "93600,Message,",
    )
    covered = coverage(read_log(write(*lines)))
    assert covered.hours == pytest.approx(25.0)
    assert covered.standby_hours == pytest.approx(1.0)
    assert covered.silences == ((7200.0, 90000.0),)
    vague = coverage(read_log(write("time [s],kind", "0,Alarm", "5,Standby", "9,Alarm", name="b.csv")))
    assert any("without its begin and end" in note for note in vague.notes)
    ended = coverage(
        read_log(write("time [s],kind,state", "0,Alarm,on", "50,Standby,on", "150,Message,", name="c.csv"))
    )
    assert ended.standby_hours == pytest.approx(100 / 3600)


def test_a_full_log_of_known_length(write: Write) -> None:
    path = write("time [s],alarm", *(f"{k},Apnoea" for k in range(7)))
    assert any("it is full" in n for n in coverage(read_log(path, Words(capacity_rows=7))).notes)
    assert not coverage(read_log(path, Words(capacity_rows=8))).notes


# --- files of words ---------------------------------------------------------------------------------------------------


def test_words_are_read_from_a_file(write: Write) -> None:
    path = write(
        "capacity_rows = 4000", "[columns]", '"When" = "time [ms]"', "[clock]", 'format = "%d.%m"', "offset_s = -3",
        "[kinds]", '"x" = "alarm off"', "[settings]", '"O2" = "fio2 [%]"', name="words.toml",
    )  # fmt: skip
    words = load_words(path)
    assert words.columns == {"When": "time [ms]"}
    assert (words.clock.offset_s, words.capacity_rows) == (-3.0, 4000)


def test_the_file_of_words_on_the_page_is_one(write: Write) -> None:
    page = (Path(__file__).parents[2] / "docs" / "how-to" / "read-an-alarm-log.md").read_text(encoding="utf-8")
    block = re.search(r"^```toml words\n(.*?)^```", page, flags=re.MULTILINE | re.DOTALL)
    assert block
    words = load_words(write(block[1], name="words.toml"))
    assert words.capacity_rows == 4000
    assert words.kind_of("PAW over, gone") == "alarm off"
    assert set(words.settings) == {"O2", "Insp. pressure"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[columns]\n"a" = "when"', "says 'when' of 'a'. Expected: one of time, date"),
        ('[kinds]\n"a" = "alarm maybe"', "says 'alarm maybe' of 'a'"),
        ('[kinds]\n"a" = "noise"', "says 'noise' of 'a'"),
        ('[priorities]\n"a" = "urgent"', "is 'urgent'"),
        ("capacity_rows = 0", "a whole number, 1 or more"),
        ("capacity_rows = 1.5", "a whole number"),
        ("[clock]\noffset_s = inf", "is inf"),
        ("nonsense = 1", "there is no such key"),
        ("settings_text = '(?P<name>.+)'", "without the groups name and value"),
        ("settings_text = '(((('", "is no regular expression"),
        ("[columns", "not TOML"),
    ],
)
def test_a_file_of_words_that_cannot_be_used(write: Write, text: str, message: str) -> None:
    with pytest.raises(OptionError) as caught:
        load_words(write(text, name="words.toml"))
    assert message in str(caught.value)
    assert "words.toml" in str(caught.value)


def test_a_file_of_words_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="there is no such file"):
        load_words(tmp_path / "words.toml")
    (tmp_path / "big.toml").write_bytes(b"#" * (1 << 21))
    with pytest.raises(OptionError, match="larger than 1 MiB"):
        load_words(tmp_path / "big.toml")


def test_the_house_names_its_form_of_stamps(write: Write) -> None:
    path = write("time,alarm", "04/05/2031 13:20:00,Apnoea")
    log = read_log(path, Words.model_validate({"clock": {"format": "%m/%d/%Y %H:%M:%S"}}))
    assert log.start == datetime(2031, 4, 5, 13, 20)


# --- a clock that was set back ----------------------------------------------------------------------------------------


def night(first: str, hours: float, back: str | None = "2031-10-26T03:00:00", every_min: int = 10) -> list[str]:
    """Rows of a night, by a clock that shows an hour less from a moment on."""
    begun, rows = datetime.fromisoformat(first), list[str]()
    for k in range(int(hours * 60 / every_min) + 1):
        true = begun + timedelta(minutes=k * every_min)
        shown = true - timedelta(hours=1) if back and true >= datetime.fromisoformat(back) else true
        rows.append(f"{shown.isoformat()},{'Apnoea' if k % 2 else 'Leak'},medium")
    return rows


@pytest.mark.parametrize("newest_first", [False, True])
def test_an_unstamped_autumn_change_folds_nothing(write: Write, newest_first: bool) -> None:
    """On the last Sunday of October 2031 clocks in the European Union go from 03:00 to 02:00 (Directive 2000/84/EC)."""
    rows = night("2031-10-25T20:00:00", 18)
    log = read_log(write("time,alarm,priority", *(reversed(rows) if newest_first else rows)))
    assert coverage(log).hours == pytest.approx(18.0)
    assert (log.repeated, log.events.height) == (0, 109)
    assert log.events["at_s"].diff().drop_nulls().unique().to_list() == [600.0]
    assert any("set back by an hour" in note for note in log.notes)
    assert (log.events["hour"] == 2).sum() == 12, "the hour that was shown twice"
    covered = coverage(log)
    hours = exposure_by_hour([covered.exposure("")], 20 * 3600.0, covered.set_back) / 3600
    assert hours[2] == pytest.approx(2.0, abs=0.2), "rows every 10 min: the last before the change is at 02:50"
    assert (hours.sum(), hours[13], hours[14]) == (pytest.approx(18.0), 0.0, 0.0)


def test_rows_of_the_hour_that_came_twice_are_no_repeats(write: Write) -> None:
    rows = [f"2031-10-25T2{hour}:00:00,Leak,low" for hour in range(4)]
    rows += ["2031-10-26T00:30:00,Leak,low", "2031-10-26T02:15:00,Leak,low", "2031-10-26T02:45:00,Leak,low"]
    rows += ["2031-10-26T02:15:00,Leak,low", "2031-10-26T02:50:00,Leak,low", "2031-10-26T03:15:00,Leak,low"]
    log = read_log(write("time,alarm,priority", *rows))
    assert (log.repeated, log.events.height) == (0, 10)


def test_a_clock_set_right_by_hand_is_said(write: Write) -> None:
    """25 min of a day in May: later rows stand behind, and by how much at least is told."""
    rows = night("2031-05-07T08:00:00", 4, None)
    late = night("2031-05-07T11:35:00", 4, None)
    log = read_log(write("time,alarm,priority", *rows, *late))
    assert any("set back by 25 min at least" in note for note in log.notes)
    assert coverage(log).hours == pytest.approx(8.0, abs=0.001)
    assert log.repeated == 0


def test_no_clock_was_set_back_where_a_file_is_in_another_order(write: Write) -> None:
    """Two exports one behind the other, a ring that begins in its middle, rows in no order, one row written late."""
    rows = night("2031-05-07T08:00:00", 6, None)
    whole = read_log(write("time,alarm,priority", *rows)).events
    late = [*rows[:20], rows[10].replace("Leak", "Apnoea"), *rows[20:]]
    for lines in ([*rows[:25], *rows[12:]], [*rows[20:], *rows[:20]], [*rows[::3], *rows[1::3], *rows[2::3]], late):
        log = read_log(write("time,alarm,priority", *lines))
        assert log.set_back == ()
        assert log.events["at_s"].max() == whole["at_s"].max()


def test_a_case_after_the_change_is_laid_on_the_right_hour(write: Write) -> None:
    """The recording begins at 05:00 by the clock that was set back: 10 h after 20:00, not 9."""
    log = read_log(write("time,alarm,priority", *night("2031-10-25T20:00:00", 18)))
    for stamp, hours in (("2031-10-26T05:00:00", 10.0), ("2031-10-25T22:00:00", 2.0)):
        case = case_from({"recording": {"file": "signals.csv", "start": stamp}})
        assert case_clock(log, case).shift_s == pytest.approx(-hours * 3600)


def test_an_export_from_after_the_change_is_moved_on_with_the_rest(write: Write) -> None:
    rows = night("2031-10-25T20:00:00", 18)
    whole = read_log(write("time,alarm,priority", *rows))
    parts = [write("time,alarm,priority", *part, name=f"{k}.csv") for k, part in enumerate((rows[:80], rows[70:]))]
    log = read_log(parts)
    assert log.repeated == 10
    assert log.events["at_s"].to_list() == whole.events["at_s"].to_list()


def test_a_log_that_ends_in_the_hour_that_came_twice_keeps_its_rows(write: Write) -> None:
    """Directive 2000/84/EC as above; every row of the second hour says what one of the first says."""
    rows = [row.replace("Apnoea", "Leak") for row in night("2031-10-25T20:00:00", 7.5)]
    log = read_log(write("time,alarm,priority", *rows))
    assert (log.repeated, log.events.height) == (0, len(rows))
    assert coverage(log).hours == pytest.approx(7.5)


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("goes_past", [False, True])
def test_a_step_back_by_days_is_never_folded_in_silence(write: Write, newest_first: bool, goes_past: bool) -> None:
    """Invented: a clock set back by three days of four; the hours of both stretches overlap."""
    rows = [
        *night("2031-05-01T08:00:00", 96, None, 60),
        *night("2031-05-02T08:30:00", 120 if goes_past else 24, None, 60),
    ]
    log = read_log(write("time,alarm,priority", *(reversed(rows) if newest_first else rows)))
    assert any("step back once, from 2031-05-05 08:00:00 to 2031-05-02 08:30:00" in note for note in log.notes)
    assert any(f"and {72 if goes_past else 25} rows lie in hours" in note for note in log.notes)
    twice = read_log(write("time,alarm,priority", *rows[:97], *rows[20:97], name="twice.csv"))
    assert not any("step back" in note for note in twice.notes), "the same rows once more are an export, not a clock"


def test_a_clock_set_back_by_days_is_moved_on_and_told_in_days(write: Write) -> None:
    """By hand: from 11 May 08:00 to 8 May 08:30 are 2 days 23 h 30 min, told to the hour; rows every hour."""
    rows = [*night("2031-05-01T08:00:00", 240, None, 60), *night("2031-05-08T08:30:00", 120, None, 60)]
    log = read_log(write("time,alarm,priority", *rows))
    assert any("set back by 3 days 0 h at least" in note for note in log.notes)
    assert coverage(log).hours == pytest.approx(360.0, abs=0.01)


@pytest.mark.parametrize("newest_first", [False, True])
def test_a_step_to_before_the_first_row_is_said(write: Write, newest_first: bool) -> None:
    """Invented: a clock that is set back by three days in the middle of a file; a ring would look the same."""
    rows = [*night("2031-05-07T08:00:00", 6, None), *night("2031-05-04T14:00:00", 6, None)]
    log = read_log(write("time,alarm,priority", *(reversed(rows) if newest_first else rows)))
    assert any("step back once, from 2031-05-07 14:00:00 to 2031-05-04 14:00:00" in note for note in log.notes)
    assert log.set_back == ()
    in_order = read_log(write("time,alarm,priority", *night("2031-05-07T08:00:00", 6, None), name="other.csv"))
    assert not any("step back" in note for note in in_order.notes)
