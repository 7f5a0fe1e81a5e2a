"""Event logs beside published numbers, the standard's words, the process industry's rules, examples worked by hand."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from tests.reference.plain_alarm import floods, union_s
from tidebench.care.logs import Coverage, Log, alarms_of, burden, coverage, crowding, read_log
from tidebench.care.logs.alarms import GRADES, active_s
from tidebench.care.logs.crowding import floods_of
from tidebench.care.logs.words import PRIORITIES

Row = tuple[float, str, str, str]
"""Seconds, name, priority, on or off."""


def log_of(folder: Path, rows: Sequence[Row], name: str = "log.csv") -> Log:
    """A log of rows in seconds."""
    path = folder / name
    lines = [f"{at},{called},{priority},{state}" for at, called, priority, state in rows]
    path.write_text("\n".join(["time [s],alarm,priority,state", *lines]) + "\n", encoding="utf-8")
    return read_log(path)


def onsets(times: Sequence[float], name: str = "High pressure") -> list[Row]:
    """Alarms of a second each."""
    return [row for at in times for row in ((at, name, "high", "on"), (at + 0.5, name, "high", "off"))]


def test_priorities_are_those_of_the_standard() -> None:
    """IEC 60601-1-8 (from memory): conditions are of high, medium or low priority; an information signal is none."""
    assert GRADES == ("high", "medium", "low")
    assert set(PRIORITIES) == {*GRADES, "information"}


def test_information_signals_are_no_alarms(tmp_path: Path) -> None:
    log = log_of(tmp_path, [(0, "Apnoea", "high", "on"), (5, "Filter due", "information", "on")])
    assert alarms_of(log)["name"].to_list() == ["Apnoea"]


def test_rate_and_active_time_of_a_published_observation(tmp_path: Path) -> None:
    """Görges, Anesth Analg 2009;108:1546 (abstract): 1214 alarms in 200 h, 6.07 an hour, active 3.28 min of each."""
    hours, count, minutes = 200.0, 1214, 3.28
    apart, lasts = hours * 3600 / count, 60 * minutes * hours / count
    begins = [k * apart for k in range(count)]
    rows: list[Row] = [(0.0, "begin", "information", "on"), (hours * 3600, "end", "information", "on")]
    rows += [
        row for at in begins for row in ((at, "Alarm a", "medium", "on"), (at + lasts, "Alarm a", "medium", "off"))
    ]
    log = log_of(tmp_path, rows)
    told = burden(alarms_of(log), coverage(log), None)
    assert told.whole.rate.per_hour == pytest.approx(6.07, abs=0.005)
    assert told.whole.rate.per_bed_day == pytest.approx(24 * 6.07, abs=0.1)
    assert told.whole.minutes_per_hour == pytest.approx(3.28, abs=0.005)
    assert told.whole.duration_s is not None
    assert told.whole.duration_s.median == pytest.approx(lasts)


@pytest.mark.parametrize(
    ("times", "found"),
    [
        (np.arange(10) * 66.0, 1),  # ten within 594 s
        (np.arange(10) * 67.0, 0),  # ten in 603 s
        (np.arange(9) * 60.0, 0),
        (np.concatenate([np.arange(10) * 30.0, 3000 + np.arange(10) * 30.0]), 2),
        (np.arange(40) * 120.0, 0),  # five in any ten minutes
        (np.concatenate([np.arange(10) * 30.0, 300 + np.arange(20) * 110.0]), 1),  # goes on while five are left
    ],
)
def test_floods_by_the_rule_of_the_process_industry(tmp_path: Path, times: npt.NDArray[np.float64], found: int) -> None:
    """ANSI/ISA-18.2: ten or more in ten minutes, until fewer than five.

    Secondary sources: Beebe, Ferrer & Logerot, Alarm floods and plant incidents, 2012 ("10 or more annunciated alarms
    in any 10-minute period"); a summary of the standard elsewhere ("more than 10", and it ends at "less than 5").
    """
    told = floods_of(alarms_of(log_of(tmp_path, onsets(times.tolist()))))
    assert len(told) == found
    assert [(one.start_s, one.end_s) for one in told] == floods(times.tolist())


def test_a_flood_ends_when_the_fifth_last_is_ten_minutes_old(tmp_path: Path) -> None:
    """By hand: at 0, 30, ... 270 s; from 0 until 150 + 600 = 750 s six come off and four are left."""
    (flood,) = floods_of(alarms_of(log_of(tmp_path, onsets([30.0 * k for k in range(10)]))))
    assert (flood.start_s, flood.end_s, flood.count, flood.most) == (0.0, 750.0, 10, 10)


def test_chatter_and_its_index(tmp_path: Path) -> None:
    """Three in a minute chatter (ANSI/ISA-18.2, secondary). Index after Kondaveeti 2013 (from memory), by hand.

    Every 20 s: each run is 20 s, so the index is 1/20 = 0.05 /s, its published cut. At 0, 10, 40, 1040 s: the mean of
    1/10, 1/30 and 1/1000.
    """
    regular = crowding(*_both(log_of(tmp_path, onsets([20.0 * k for k in range(10)])))).chatter[0]
    assert regular.index_per_s == pytest.approx(0.05)
    assert (regular.count, regular.chattering, regular.bouts) == (10, 10, 1)
    once = crowding(*_both(log_of(tmp_path, onsets([0.0, 10.0, 40.0, 1040.0])))).chatter[0]
    assert once.index_per_s == pytest.approx((1 / 10 + 1 / 30 + 1 / 1000) / 3)
    assert (once.count, once.chattering, once.bouts) == (4, 3, 1)
    assert not crowding(*_both(log_of(tmp_path, onsets([0.0, 31.0, 62.0])))).chatter


def _both(log: Log) -> tuple[pl.DataFrame, Coverage]:
    return alarms_of(log), coverage(log)


def test_alarms_that_overlap_count_their_time_once(tmp_path: Path) -> None:
    """By hand: 0 to 100 s, 50 to 150 s, 300 to 310 s: 160 s."""
    spans = [(0.0, 100.0), (50.0, 150.0), (300.0, 310.0)]
    rows = [
        row
        for k, (a, b) in enumerate(spans)
        for row in ((a, f"Alarm {k}x", "low", "on"), (b, f"Alarm {k}x", "low", "off"))
    ]
    assert active_s(alarms_of(log_of(tmp_path, rows))) == union_s(spans) == 160.0


def test_the_ten_that_matter_by_hand(tmp_path: Path) -> None:
    """Twelve frequent names and seven rare ones of high priority: five places go to those, the most frequent first."""
    rows: list[Row] = []
    for k in range(12):
        rows += [(1000.0 * k + 10 * n, f"Frequent {'abcdefghijkl'[k]}", "low", "on") for n in range(30 - k)]
    for k in range(7):
        rows += [(50_000.0 + 100 * k + n, f"Grave {'abcdefg'[k]}", "high", "on") for n in range(7 - k)]
    told = burden(*_both(log_of(tmp_path, rows)), None)
    names = [one.name for one in told.ten]
    assert names == [*(f"Frequent {x}" for x in "abcde"), *(f"Grave {x}" for x in "abcde")]
    assert told.names == 19
    assert told.ten[0].share == pytest.approx(30 / sum([*range(19, 31), *range(1, 8)]))


def test_a_log_of_fixed_length_is_told_before_any_rate(tmp_path: Path) -> None:
    log = log_of(tmp_path, [(float(k), "Apnoea", "high", "on") for k in range(1000)])
    covered = coverage(log)
    assert any("fixed length" in note for note in covered.notes)
    assert covered.hours == pytest.approx(999 / 3600)
    told = burden(alarms_of(log), covered, None)
    assert told.whole.rate.per_hour is None
    assert "less than an hour" in told.whole.rate.reason


def test_hours_of_the_day_are_weighed_by_what_is_covered(tmp_path: Path) -> None:
    """By hand: from 22:30 to 01:30 there are half an hour of 22 h and of 1 h, a whole one of 23 h and of 0 h."""
    path = tmp_path / "log.csv"
    stamps = ["2031-05-04T22:30:00", "2031-05-04T23:10:00", "2031-05-04T23:20:00", "2031-05-05T01:30:00"]
    path.write_text("time,alarm,priority\n" + "".join(f"{stamp},Apnoea,high\n" for stamp in stamps), encoding="utf-8")
    log = read_log(path)
    told = burden(alarms_of(log), coverage(log), 22.5 * 3600)
    hours = {one.hour: one for one in told.by_hour if one.hours}
    assert {hour: one.hours for hour, one in hours.items()} == {22: 0.5, 23: 1.0, 0: 1.0, 1: 0.5}
    assert (hours[23].per_hour, hours[0].per_hour, hours[22].per_hour) == (2.0, 0.0, None)


def test_standby_is_taken_off_every_hour(tmp_path: Path) -> None:
    """By hand: from 0 to 4 h with standby from 1:30 to 2:30 h; three hours covered, half of the second and third."""
    path = tmp_path / "log.csv"
    rows = ("0,Alarm,on", "5400,Standby,on", "9000,Standby,off", "9060,Alarm,on", "14400,Message,")
    path.write_text("\n".join(["time [s],kind,state", *rows]) + "\n", encoding="utf-8")
    log = read_log(path)
    covered = coverage(log)
    told = burden(alarms_of(log), covered, 0.0)
    assert covered.hours == 3.0
    assert [one.hours for one in told.by_hour][:4] == [1.0, 0.5, 0.5, 1.0]
    assert told.whole.rate.per_hour == pytest.approx(2 / 3)
    assert (told.busiest.n if told.busiest else 0) == 2  # whole hours: 0 to 1, and 2:30 to 3:30


def test_alarms_are_told_apart_by_bed(tmp_path: Path) -> None:
    """Two beds with nine alarms each in ten minutes: no flood at either, 18 in all."""
    path = tmp_path / "log.csv"
    rows = [f"{30 * k},{bed},Apnoea,high" for bed in "AB" for k in range(9)]
    path.write_text("\n".join(["time [s],bed,alarm,priority", *rows]) + "\n", encoding="utf-8")
    log = read_log(path)
    covered = coverage(log)
    assert covered.beds == 2
    assert covered.hours == pytest.approx(2 * 240 / 3600)
    assert not crowding(alarms_of(log), covered).floods


def test_alarm_time_is_that_of_the_covered_time(tmp_path: Path) -> None:
    """By hand: on from 0 to 5.5 h, standby from 0.5 to 4.5 h: 1.5 h are covered, all with an alarm."""
    path = tmp_path / "log.csv"
    rows = ["time [h],kind,name,priority,state", "0,alarm,X,high,on", "0.5,standby,,,on", "2,alarm,Y,low,on"]
    rows += ["3,alarm,Y,low,off", "4.5,standby,,,off", "5.5,alarm,X,high,off"]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    log = read_log(path)
    told = burden(alarms_of(log), coverage(log), None)
    assert told.whole.minutes_per_hour == pytest.approx(60.0)
    assert told.whole.rate.count == 1
    assert told.in_standby == 1
    assert coverage(log).hours == pytest.approx(1.5)


def test_no_hour_has_more_than_sixty_minutes_of_alarm(tmp_path: Path) -> None:
    """Whatever overlaps standby: minutes of alarm per covered hour stay at or below 60."""
    rng = np.random.default_rng(3)
    edges = np.sort(rng.uniform(0, 100, 60))
    lines = ["time [h],kind,name,priority,state"]
    lines += [f"{at:.4f},alarm,A{k % 3},high,{'on' if k % 2 == 0 else 'off'}" for k, at in enumerate(edges)]
    for begin in (5, 30, 70):
        lines += [f"{begin},standby,,,on", f"{begin + 9},standby,,,off"]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    log = read_log(path)
    alarms, covered = alarms_of(log), coverage(log)
    exposed = {bed: covered.exposure(bed) for bed in covered.spans}
    known = alarms.drop_nulls("until_s")
    grid = np.arange(0, 100 * 3600, 2.0)
    on = np.zeros(len(grid), bool)
    for begin, end in known.select("at_s", "until_s").iter_rows():
        on |= (grid >= begin) & (grid < end)
    inside = np.zeros(len(grid), bool)
    for begin, end in exposed[""]:
        inside |= (grid >= begin) & (grid < end)
    assert active_s(alarms, exposed) == pytest.approx(2.0 * (on & inside).sum(), rel=2e-3)
    minutes = burden(alarms, covered, None).whole.minutes_per_hour
    assert minutes is not None
    assert minutes <= 60.0


def test_a_stamp_of_a_clock_that_was_reset_stretches_no_rate(tmp_path: Path) -> None:
    """By hand: one row of 1970 beside 1.5 h of 2031; two alarms in 1.5 h are 1.33 an hour, not 0.00."""
    path = tmp_path / "log.csv"
    rows = ["time;name;priority;state", "1970-01-01T00:00:00;X;high;on", "2031-05-01T10:00:00;X;high;on"]
    rows += ["2031-05-01T11:00:00;X;high;off", "2031-05-01T11:15:00;Y;low;on", "2031-05-01T11:30:00;Y;low;off"]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    log = read_log(path)
    covered = coverage(log)
    assert covered.hours == pytest.approx(1.5)
    assert covered.rows == 5
    told = burden(alarms_of(log), covered, None)
    assert told.whole.rate.per_hour == pytest.approx(2 / 1.5)
    assert any("1970-01-01 00:00:00" in note and "clock that was reset" in note for note in log.notes)


@pytest.mark.parametrize("unit", ["s", "h"])
def test_a_clock_of_seconds_may_jump_too(tmp_path: Path, unit: str) -> None:
    size = 1.0 if unit == "s" else 3600.0
    path = tmp_path / "log.csv"
    times = [5e8, 5e8 + 7200, 12.0, 5e8 + 3600]
    lines = [f"{at / size:.6f},X,high,on" for at in times]
    path.write_text("\n".join([f"time [{unit}],alarm,priority,state", *lines]) + "\n", encoding="utf-8")
    assert coverage(read_log(path)).hours == pytest.approx(2.0)


def test_long_stretches_either_side_of_a_jump_both_count_and_what_lies_between_does_not(tmp_path: Path) -> None:
    """Two days of rows, a year of none, two days of rows: four days are covered."""
    path = tmp_path / "log.csv"
    hours = [*range(49), *(365 * 24 + hour for hour in range(49))]
    lines = [f"{hour},X,high,on" for hour in hours]
    path.write_text("\n".join(["time [h],alarm,priority,state", *lines]) + "\n", encoding="utf-8")
    covered = coverage(read_log(path))
    assert covered.hours == pytest.approx(96.0)
    assert covered.silences == ()


def test_burden_of_a_second_published_observation(tmp_path: Path) -> None:
    """Graham and Cvach, Am J Crit Care 2010;19:28 (from memory): a unit of 15 beds, 18 days, 16 953 alarms.

    The paper makes of them 942 alarms a day, one every 92 s.
    """
    beds, days, count = 15, 18, 16953
    lines = ["time [s],bed,alarm,priority,state"]
    lines += [f"{at},{bed},edge,information,on" for bed in range(beds) for at in (0, days * 86400)]
    lines += [f"{(k + 0.5) * days * 86400 / count:.3f},{k % beds},A,medium,on" for k in range(count)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    log = read_log(path)
    told = burden(alarms_of(log), coverage(log), None).whole.rate
    assert told.count == count
    assert told.per_bed_day is not None
    assert told.per_hour is not None
    assert beds * told.per_bed_day == pytest.approx(942, abs=0.5)
    assert 3600 / (beds * told.per_hour) == pytest.approx(92, abs=0.5)
