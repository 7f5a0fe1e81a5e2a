"""What reading does with signals as they come: clocks, repeats, signs, units, several files; and what it refuses."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from tidebench.case import load_case
from tidebench.cli import main
from tidebench.errors import CaseError, SignalError
from tidebench.readers import open_recording, read_recording
from tidebench.readers.squeeze import squeeze
from tidebench.recording import Recording

TIME = np.arange(0, 30, 0.01)
PHASE = TIME % 3
FLOW = np.where(PHASE < 1, 30.0, -67.5 * np.exp(-(PHASE - 1) / 0.4))
PRESSURE = np.where(PHASE < 1, 12 + 10 * PHASE, 5.0)
VOLUME = np.where(PHASE < 1, 500 * PHASE, 500 * np.exp(-(PHASE - 1) / 0.4))
HEADER = "time [s],Paw [cmH2O],Flow [L/min]"

Read = Callable[..., Recording]


def lines(*columns: npt.ArrayLike, header: str = HEADER) -> list[str]:
    """Header and rows."""
    stacked = np.column_stack(columns or (TIME, PRESSURE, FLOW))
    return [header, *(",".join(f"{cell:.9g}" for cell in row) for row in stacked)]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Reads a text through a case folder; further lines go to ``case.toml``."""

    def reader(text: str | bytes | list[str], said: str = "", **files: list[str]) -> Recording:
        if isinstance(text, list):
            text = "\n".join(text) + "\n"
        (tmp_path / "signals.csv").write_bytes(text.encode() if isinstance(text, str) else text)
        for name, rows in files.items():
            (tmp_path / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        said = said or '[recording]\nfile = "signals.csv"\n'
        (tmp_path / "case.toml").write_text(said, encoding="utf-8")
        return open_recording(load_case(tmp_path))

    return reader


# --- clocks ---


def test_rows_recorded_twice_are_left_out_once_and_said(read: Read) -> None:
    plain, whole = read(lines()), lines()
    recording = read(whole[:1000] + whole[990:])
    assert recording.recording_id == plain.recording_id
    assert recording.warnings == ("rows recorded twice, at row 1000, left out once: 10",)


def test_repeated_time_is_left_out_and_said(read: Read) -> None:
    whole = lines()
    recording = read([*whole[:1000], whole[999], *whole[1000:]])
    assert len(recording) == len(TIME)
    assert recording.warnings == ("rows that repeat the time of the row before, left out: 1",)


def test_swapped_rows_are_sorted_and_said(read: Read) -> None:
    plain, whole = read(lines()), lines()
    recording = read([*whole[:100], whole[101], whole[100], *whole[102:]])
    assert recording.recording_id == plain.recording_id
    assert recording.warnings == ("rows out of order, sorted by their time: 1",)


def test_clock_set_back_leaves_a_gap_of_unknown_length(read: Read) -> None:
    time = np.where(TIME < 15, TIME, TIME - 10)
    recording = read(lines(time, PRESSURE, FLOW))
    (gap,) = recording.gaps
    assert (gap.start_s, gap.end_s) == pytest.approx((15.0, 15.99))
    assert "jumps back by 9.99 s at row 1501" in recording.warnings[0]


@pytest.mark.parametrize("stray", ["1200000.0", "0.0", "1e300", "", "nan"])
def test_single_row_out_of_time_costs_that_row_alone(read: Read, stray: str) -> None:
    whole = lines()
    whole[1000] = f"{stray},5,-3"
    recording = read(whole)
    assert len(recording) == len(TIME)
    assert recording.gaps == ()
    assert len(recording.warnings) == 1
    assert recording.warnings[0].endswith("left out: 1")


def test_jump_forward_is_a_gap(read: Read) -> None:
    recording = read(lines(np.where(TIME < 15, TIME, TIME + 600), PRESSURE, FLOW))
    (gap,) = recording.gaps
    assert (gap.start_s, gap.end_s) == pytest.approx((15.0, 615.0))


@pytest.mark.parametrize(("unit", "times"), [("ms", 1000), ("min", 1 / 60), ("s", 1)])
def test_clock_that_counts_from_far_is_set_to_zero_and_said(read: Read, unit: str, times: float) -> None:
    rows = [f"{(TIME[i] + 86400) * times:.12g},{PRESSURE[i]:g},{FLOW[i]:g}" for i in range(len(TIME))]
    recording = read([f"time [{unit}],Paw [cmH2O],Flow [L/min]", *rows])
    assert recording.rate_hz == pytest.approx(100)
    assert "clock re-zeroed: 0 s is 86400 s of the time column" in recording.steps


def test_stamps_over_midnight(read: Read) -> None:
    seconds = np.datetime64("2031-05-04T23:59:45.000") + np.round(TIME * 1000).astype("timedelta64[ms]")
    rows = [f"{stamp},{p:g},{f:g}" for stamp, p, f in zip(seconds, PRESSURE, FLOW, strict=True)]
    recording = read(["Timestamp,Paw [cmH2O],Flow [L/min]", *rows])
    assert recording.start == datetime(2031, 5, 4, 23, 59, 45)
    assert (recording.rate_hz, len(recording), recording.gaps) == (100, len(TIME), ())


# --- cells and lines ---


def test_last_line_that_breaks_off_is_left_out_and_said(read: Read) -> None:
    text = "\n".join(lines())
    recording = read(text[: text.rindex(",") + 3])
    assert len(recording) == len(TIME) - 1
    assert recording.warnings == ("the last line breaks off and was left out",)


@pytest.mark.parametrize("word", ["", "NA", "NaN", "nan", "--", "null", "inf", "-inf", "1e308"])
def test_cell_without_a_measurement_is_missing(read: Read, word: str) -> None:
    whole = lines()
    whole[1000:1020] = [f"{TIME[i]:.9g},{PRESSURE[i]:g},{word}" for i in range(999, 1019)]
    (gap,) = read(whole).gaps
    assert (gap.start_s, gap.end_s) == pytest.approx((9.99, 10.19))


@pytest.mark.parametrize("end", ["\n\n", "\r\n\r\n", "\n  \n"])
def test_blank_lines_do_not_matter(read: Read, end: str) -> None:
    plain = read(lines())
    assert read(end.join(lines()) + end).recording_id == plain.recording_id


def test_comment_among_the_rows_does_not_matter(read: Read) -> None:
    plain, whole = read(lines()), lines()
    assert read([*whole[:100], "# suction", *whole[100:]]).recording_id == plain.recording_id


def test_quotes_do_not_matter(read: Read) -> None:
    plain = read(lines())
    quoted = ['"' + row.replace(",", '","') + '"' for row in lines()]
    assert read(quoted).recording_id == plain.recording_id


def test_separator_at_the_end_of_every_line_is_no_column(read: Read) -> None:
    recording = read([f"{row}," for row in lines()])
    assert (recording.warnings, set(recording.channels)) == ((), {"airway_pressure", "flow"})


@pytest.mark.parametrize("separator", [" ", ",", ";"])
def test_squeezing_is_what_replacing_does(separator: str) -> None:
    text = f"  a {separator}\tb  c {separator} d\r\n\n \n1{separator}   2{separator}{separator}3  \n"
    wanted = []
    for line in text.replace("\t", " ").replace("\r", "").split("\n"):
        cells = line.split() if separator == " " else [" ".join(cell.split()) for cell in line.split(separator)]
        wanted += [separator.join(cells)] if any(cells) else []
    if separator == " ":
        wanted = [line for line in wanted if line]
    done = squeeze(np.frombuffer(text.encode(), np.uint8), ord(separator)).tobytes().decode()
    assert done == "\n".join(wanted) + "\n"


# --- what the numbers mean ---


def test_opposite_sign_is_detected_and_said(read: Read) -> None:
    plain = read(lines())
    recording = read(lines(TIME, PRESSURE, -FLOW))
    np.testing.assert_array_equal(recording["flow"], plain["flow"])
    assert "expiration positive" in recording.warnings[0]
    assert "flow: sign turned, inspiration is positive" in recording.steps


def test_volume_of_the_other_sign_follows_flow(read: Read) -> None:
    recording = read(lines(TIME, PRESSURE, FLOW, -VOLUME, header=f"{HEADER},Vol [mL]"))
    assert recording["volume"].max() == pytest.approx(0.5, rel=0.02)
    assert "volume: sign turned, inspiration is positive" in recording.steps


def test_volume_that_flow_contradicts_is_mentioned(read: Read) -> None:
    recording = read(lines(TIME, PRESSURE, FLOW, VOLUME * 10, header=f"{HEADER},Vol [mL]"))
    assert "one of the two units may be wrong" in recording.warnings[-1]


def test_every_channel_is_read_in_its_unit(read: Read) -> None:
    names = "CO2 [%],Pes (mbar),Pga [kPa],EAdi [uV],Ptrach_hPa"
    more = [np.full(len(TIME), value) for value in (5.0, -4.903325, 0.980665, 8.0, 9.80665)]
    recording = read(lines(TIME, PRESSURE, FLOW, *more, header=f"{HEADER},{names}"))
    told = {key: float(recording[key][0]) for key in recording.channels}
    assert told["co2"] == pytest.approx(0.05 * (760 - 47), rel=1e-3)
    assert told["oesophageal_pressure"] == pytest.approx(-5)
    assert told["gastric_pressure"] == pytest.approx(10)
    assert told["tracheal_pressure"] == pytest.approx(10)
    assert told["diaphragm_activity"] == pytest.approx(8)


def test_flow_at_room_conditions_becomes_btps_and_is_said(read: Read) -> None:
    plain = read(lines())
    recording = read(lines(), '[recording]\nfile = "signals.csv"\nflow_conditions = "ATPD"\n')
    factor = (760 / (760 - 47.0)) * (310.15 / 295.15)
    np.testing.assert_allclose(recording["flow"], plain["flow"] * factor, rtol=2e-3)
    assert "ATPD to BTPS" in recording.steps[-1]


def test_heliox_is_left_as_recorded_and_said(read: Read) -> None:
    said = '[recording]\nfile = "signals.csv"\nflow_conditions = "ATPD"\ngas = "heliox"\n'
    recording = read(lines(), said)
    assert recording["flow"].max() == pytest.approx(0.5)
    assert "heliox" in recording.warnings[-1]


# --- several recordings of one stay ---

STAY = """
[[recording]]
file = "signals.csv"
start = 2031-01-01T00:01:00
[[recording]]
file = "later.csv"
start = {}
"""


def test_recordings_of_a_stay_lie_on_one_clock_with_the_gap_between(read: Read) -> None:
    recording = read(lines(), STAY.format("2031-01-01T00:00:00"), later=lines(TIME * 2, PRESSURE, FLOW))
    assert recording.start == datetime(2031, 1, 1)
    assert len(recording) == 9000
    recording = read(lines(), STAY.format("2031-01-01T00:02:00"), later=lines())
    (gap,) = recording.gaps
    assert (gap.start_s, gap.end_s) == pytest.approx((30.0, 60.0))
    np.testing.assert_array_equal(recording["flow"][:3000], recording["flow"][6000:])


@pytest.mark.parametrize(
    ("start", "says"),
    [("2031-01-01T00:01:10", "begins 20 s before"), ("2041-01-01T00:00:00", "at most 400 million samples")],
)
def test_starts_that_cannot_be_are_refused(read: Read, start: str, says: str) -> None:
    with pytest.raises(CaseError, match=says):
        read(lines(), STAY.format(start), later=lines())


def test_stay_without_starts_is_refused(read: Read) -> None:
    said = '[[recording]]\nfile = "signals.csv"\n[[recording]]\nfile = "later.csv"\n'
    with pytest.raises(CaseError, match=r"signals.csv has no start.*start = "):
        read(lines(), said, later=lines())


# --- refusals: one message with the place, exit 2, nothing left behind ---


def changed(row: int, text: str) -> str:
    """The signals with one line replaced; lines count from 1."""
    whole = lines()
    whole[row - 1] = text
    return "\n".join(whole) + "\n"


PLAIN = "\n".join(lines()) + "\n"
BAD: dict[str, tuple[str | bytes, str]] = {
    "empty": ("", "signals.csv: the file is empty."),
    "blank": ("\n \n\n", "the file is empty"),
    "comments": ("# a\n# b\n", "no header and no rows"),
    "header only": (HEADER + "\n", "a header and no rows"),
    "no header": (PLAIN.partition("\n")[2], "line 1: the first line holds numbers, not names"),
    "text": (changed(1001, "9.99,high,3"), "line 1001, column 'Paw [cmH2O]': 'high' is not a number"),
    "word as time": (changed(1001, "now,5,3"), "line 1001, column 'time [s]': 'now' is not a number"),
    "thousands": (changed(1001, "9.99,1 000,3"), "line 1001, column 'Paw [cmH2O]': '1 000' is not a number"),
    "too many cells": (changed(1001, "9.99,1,2,3"), "line 1001: the line has 4 cells and the header 3 names"),
    "decimal comma": (PLAIN.replace(".", ","), "A decimal comma needs another separator than the comma."),
    "open quote": (changed(101, '"0.99,5,30'), "line 101"),
    "no unit": (PLAIN.replace("Flow [L/min]", "Flow"), '"Flow" = "flow [L/min]"'),
    "unknown unit": (PLAIN.replace("L/min", "L/week"), "the unit 'L/week' is not known"),
    "other dimension": (PLAIN.replace("L/min", "mmHg"), "yet mmHg is a unit of pressure"),
    "no flow": (PLAIN.replace("Flow", "Wurst"), "no column holds flow"),
    "no pressure": (PLAIN.replace("Paw", "Wurst"), "no column holds airway_pressure"),
    "no time": (PLAIN.replace("time", "Wurst"), "no column holds time"),
    "twice": (PLAIN.replace("Paw [cmH2O]", "flow [L/s]"), "claim to be flow"),
    "time without unit": (PLAIN.replace("time [s]", "time"), "the time column has no unit"),
    "still": ("\n".join(lines(TIME * 0, PRESSURE, FLOW)), "the clock stands still"),
    "stands a while": ("\n".join(lines(np.minimum(TIME, 20), PRESSURE, FLOW)), "stands still at 20 s for 1000 rows"),
    "coarse": ("\n".join(lines(np.round(TIME, 1), PRESSURE, FLOW)), "export them with more decimals"),
    "to and fro": ("\n".join(lines(TIME[np.arange(3000) * 1009 % 3000], PRESSURE, FLOW)), "runs backwards"),
    "slow": ("\n".join(lines(TIME * 10, PRESSURE, FLOW)), "10 samples per second. Expected: 20 to 1000."),
    "fast": ("\n".join(lines(TIME / 100, PRESSURE, FLOW)), "1e+04 samples per second. Expected: 20 to 1000."),
    "long": ("\n".join(lines(np.where(TIME < 9, TIME, TIME + 4.5e6), PRESSURE, FLOW)), "at most 400 million samples"),
    "one row": (HEADER + "\n0,5,0\n", "fewer than two rows"),
    "half a second": ("\n".join(lines()[:50]), "one breath at the least"),
    "no number": ("\n".join(lines(TIME, PRESSURE, FLOW * np.nan)), "flow holds no number"),
    "mL/s": ("\n".join(lines(TIME, PRESSURE, FLOW * 1000 / 60)), "Looks like mL/s read as L/min"),
    "L/min": (PLAIN.replace("L/min", "L/s"), "Looks like L/min read as L/s"),
    "Pa": ("\n".join(lines(TIME, PRESSURE * 98, FLOW)), "Looks like Pa read as cmH2O"),
    "binary": (bytes(range(256)) * 99, "this is not text"),
    "zero byte": (PLAIN[:500] + "\0" + PLAIN[500:], "this is not text: byte 0x00 in line"),
    "UTF-16": (PLAIN.encode("utf-16"), "text in UTF-16. Expected: signals as text. Save it as UTF-8."),
    "spreadsheet": (b"PK\x03\x04" + b"0" * 999, "a spreadsheet or an archive"),
    "compressed": (b"\x1f\x8b" + b"0" * 999, "Unpack it first"),
    "long line": (HEADER + "\n" + "1" * 100_000, "a line is longer than 64 KiB"),
    "CR alone": (PLAIN.replace("\n", "\r"), "save with LF or CRLF"),
}


@pytest.mark.parametrize(("data", "says"), BAD.values(), ids=BAD.keys())
def test_bad_signals_exit_2_with_one_message_and_leave_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], data: str | bytes, says: str
) -> None:
    (tmp_path / "signals.csv").write_bytes(data.encode() if isinstance(data, str) else data)
    (tmp_path / "case.toml").write_text('[recording]\nfile = "signals.csv"\n', encoding="utf-8")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(SystemExit) as stop:
        main(["review", str(tmp_path), "--out", str(tmp_path / "result"), "--no-report"])
    out, err = capsys.readouterr()
    assert (stop.value.code, out) == (2, "")
    assert err.startswith("tidebench: signals.csv")
    assert err.count("\n") == 1
    assert says in err
    assert sorted(tmp_path.rglob("*")) == before


def test_column_map_of_no_column_names_the_nearest(tmp_path: Path) -> None:
    path = tmp_path / "signals.csv"
    path.write_text(PLAIN, encoding="utf-8")
    with pytest.raises(SignalError, match=r"names 'Fluw \[L/min\]'.*Nearest: 'Flow \[L/min\]'"):
        read_recording(path, columns={"Fluw [L/min]": "flow [L/min]"})
    with pytest.raises(SignalError, match=r"says 'wurst' of 'Paw \[cmH2O\]'.*\"quantity \[unit\]\" or \"ignore\""):
        read_recording(path, columns={"Paw [cmH2O]": "wurst"})


def test_file_beyond_8_gib_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "signals.csv"
    with path.open("wb") as file:
        file.truncate((8 << 30) + 1)
    with pytest.raises(SignalError, match=r"the file has 8.0 GiB. Expected: at most 8 GiB. Cut it into parts."):
        read_recording(path)


def test_text_under_the_name_of_parquet_and_the_other_way_round(tmp_path: Path) -> None:
    text, table = tmp_path / "a.parquet", tmp_path / "b.csv"
    text.write_text(PLAIN, encoding="utf-8")
    pl.DataFrame({"time [s]": TIME}).write_parquet(table)
    with pytest.raises(SignalError, match="can't be read as Parquet"):
        read_recording(text)
    with pytest.raises(SignalError, match=r"this is a Parquet file.*Give it the ending \.parquet"):
        read_recording(table)


@pytest.mark.parametrize("kind", [pl.String, pl.Boolean, pl.Date])
def test_parquet_column_without_numbers_is_refused(tmp_path: Path, kind: type[pl.DataType]) -> None:
    path = tmp_path / "signals.parquet"
    frame = pl.DataFrame({"time [s]": TIME, "Paw [cmH2O]": PRESSURE})
    frame.with_columns(pl.lit(None).cast(kind).alias("Flow [L/min]")).write_parquet(path)
    with pytest.raises(SignalError, match=r"column 'Flow \[L/min\]': the column holds \w+. Expected: numbers"):
        read_recording(path)


def test_parquet_takes_dates_durations_and_whole_numbers(tmp_path: Path) -> None:
    path = tmp_path / "signals.parquet"
    told = {"Paw [kPa]": PRESSURE * 0.0980665, "Flow [L/min]": np.round(FLOW).astype(np.int16)}
    for clock in (pl.duration(microseconds=pl.col("us")), pl.datetime(2031, 5, 4) + pl.duration(microseconds="us")):
        frame = pl.DataFrame({"us": np.round(TIME * 1e6).astype(np.int64), **told})
        frame.with_columns(clock.alias("time")).drop("us").write_parquet(path)
        recording = read_recording(path)
        assert recording.rate_hz == 100
        np.testing.assert_allclose(recording["airway_pressure"], PRESSURE, rtol=1e-9)
