"""What must not matter to an event log and to a replayed limit: order, cuts, units; and what must grow or fall."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from tests.reference.plain_alarm import Piece, floods, missed, soundings, union_s
from tidebench.care.logs import Log, alarms_of, burden, coverage, read_log, replay
from tidebench.care.logs.alarms import active_s
from tidebench.care.logs.crowding import floods_of
from tidebench.care.logs.replay import Series, Side

few = partial(settings, deadline=None, derandomize=True, database=None, phases=[Phase.generate])
Row = tuple[int, str, str, str]
Told = tuple[int | None, int, bool]
"""A value, how long it holds, and whether it follows the one before."""
HEAD = "time,alarm,priority,state"
START = datetime(2031, 5, 4, 13, 20)

rows = st.lists(
    st.tuples(
        st.integers(0, 7200),
        st.sampled_from(["Apnoea", "High pressure", "Low volume"]),
        st.sampled_from(["high", "medium", "low", ""]),
        st.sampled_from(["on", "off", ""]),
    ),
    min_size=2, max_size=60,
)  # fmt: skip


def read(parts: Sequence[Sequence[Row]], unit: str = "") -> Log:
    """The log that files of rows make together; stamps, or numbers in a unit."""
    size = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}.get(unit)
    with TemporaryDirectory() as folder:
        paths = []
        for k, part in enumerate(parts):
            path = Path(folder) / f"{k}.csv"
            times = [
                (START + timedelta(seconds=at)).isoformat() if size is None else repr(at / size) for at, *_ in part
            ]
            head = HEAD if size is None else HEAD.replace("time", f"time [{unit}]")
            lines = [",".join([time, *rest]) for time, (_, *rest) in zip(times, part, strict=True)]
            path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
            paths.append(path)
        return read_log(paths)


@few(max_examples=40)
@given(rows, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(told: list[Row], chance: st.DataObject) -> None:
    mixed = list(told)
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    one, other = read([told]), read([mixed])
    assert_frame_equal(one.events, other.events)
    assert_frame_equal(alarms_of(one), alarms_of(other))


@few(max_examples=40)
@given(rows, st.integers(1, 59), st.integers(0, 10))
def test_a_log_in_pieces_that_overlap_is_the_whole(told: list[Row], cut: int, overlap: int) -> None:
    cut = min(cut, len(told) - 1)
    whole, pieces = read([told]), read([told[: cut + overlap], told[cut:]])
    assert_frame_equal(whole.events, pieces.events)
    assert whole.start == pieces.start


@few(max_examples=25)
@given(rows, st.sampled_from(["s", "ms", "min", "h"]))
def test_the_unit_of_times_does_not_matter(told: list[Row], unit: str) -> None:
    stamped, counted = read([told]), read([told], unit)
    alarms, others = alarms_of(stamped), alarms_of(counted)
    assert alarms["name"].to_list() == others["name"].to_list()
    moved = others["at_s"] - (others["at_s"].min() if others.height else 0)
    assert (alarms["at_s"] - (alarms["at_s"].min() if alarms.height else 0)).to_list() == pytest.approx(
        moved.to_list(), abs=1e-5
    )
    assert active_s(alarms) == pytest.approx(active_s(others), abs=1e-4)


@few(max_examples=40)
@given(rows)
def test_alarms_end_at_or_after_they_begin_and_their_time_is_a_union(told: list[Row]) -> None:
    log = read([told])
    alarms = alarms_of(log)
    ended = alarms.drop_nulls("until_s")
    assert (ended["until_s"] >= ended["at_s"]).all()
    spans = list(ended.select("at_s", "until_s").iter_rows())
    assert active_s(alarms) == pytest.approx(union_s(spans))
    covered = coverage(log)
    if alarms.height:
        whole = burden(alarms, covered, None).whole
        assert whole.rate.count == alarms.height == sum(state != "off" for _, _, _, state in set(told))
        assert active_s(alarms) <= 3600 * covered.hours + 1e-6


@few(max_examples=40)
@given(st.lists(st.integers(0, 4000), min_size=1, max_size=70))
def test_floods_are_those_of_plain_counting(times: list[int]) -> None:
    told = read([[(at, "Apnoea", "high", "") for at in sorted(set(times))]])
    first = min(times)
    found = [(one.start_s + first, one.end_s + first) for one in floods_of(alarms_of(told))]
    assert found == floods(sorted(set(times)))


# --- limits replayed --------------------------------------------------------------------------------------------------

breaths = st.lists(
    st.tuples(st.one_of(st.none(), st.integers(10, 60)), st.integers(1, 8), st.sampled_from([True, True, True, False])),
    min_size=1, max_size=50,
)  # fmt: skip
spans = st.lists(st.tuples(st.integers(0, 200), st.integers(0, 20)), max_size=8)


def pieces_of(told: Sequence[Told]) -> list[Piece]:
    """Values that hold for whole seconds, some after a break of five."""
    found: list[Piece] = []
    now = 0.0
    for value, lasts, joined in told:
        now += 0.0 if joined else 5.0
        found.append(Piece(None if value is None else float(value), now, now + lasts, joined and bool(found)))
        now += lasts
    return found


def series_of(pieces: Sequence[Piece], size: float = 1.0) -> Series:
    """The same for the replay; values in another unit."""
    value = np.array([np.nan if one.value is None else one.value * size for one in pieces])
    known, until = (np.array([getattr(one, key) for one in pieces]) for key in ("from_s", "until_s"))
    return Series("peak_pressure_cmh2o", value, known, until, np.array([one.joined for one in pieces]))


@few(max_examples=150)
@given(breaths, spans, st.sampled_from(["high", "low"]), st.integers(10, 60), st.integers(0, 20), st.integers(0, 10))
def test_replay_is_that_of_a_plain_loop(
    told: list[Told],
    events: list[tuple[int, int]],
    side: str,
    limit: int,
    delay: int,
    grace: int,
) -> None:
    pieces = pieces_of(told)
    true = sorted((float(begin), float(begin + lasts)) for begin, lasts in events)
    sounds = soundings(pieces, limit, side, delay)
    played = replay(
        series_of(pieces),
        "high" if side == "high" else "low",
        [limit],
        [float(delay)],
        np.array(true).reshape(-1, 2),
        grace,
    )
    assert played.alarms[0, 0] == len(sounds)
    assert played.sounding_s[0, 0] == pytest.approx(sum(b - a for a, b in sounds))
    assert played.missed[0, 0] == missed(sounds, true, grace)


@few(max_examples=60)
@given(breaths, spans, st.sampled_from(["high", "low"]))
def test_a_wider_limit_or_a_longer_delay_never_sounds_longer_nor_misses_less(
    told: list[Told], events: list[tuple[int, int]], side: Side
) -> None:
    limits, delays = list(range(10, 61, 5)), [0.0, 1.0, 2.0, 5.0, 10.0]
    true = np.array(sorted((float(a), float(a + b)) for a, b in events)).reshape(-1, 2)
    played = replay(series_of(pieces_of(told)), side, limits, delays, true, 5.0)
    wider = 1 if side == "high" else -1
    assert (np.diff(played.sounding_s, axis=0)[::1] * wider <= 1e-9).all()
    assert (np.diff(played.missed, axis=0) * wider >= 0).all()
    assert (np.diff(played.sounding_s, axis=1) <= 1e-9).all()
    assert (np.diff(played.alarms, axis=1) <= 0).all()
    assert (np.diff(played.missed, axis=1) >= 0).all()


@few(max_examples=40)
@given(breaths, st.sampled_from([10.1972, 0.0980665, 1000.0]))
def test_the_unit_of_a_quantity_does_not_matter_to_its_replay(told: list[Told], size: float) -> None:
    pieces, limits, none = pieces_of(told), [20.5, 30.5, 40.5], np.empty((0, 2))
    one = replay(series_of(pieces), "high", limits, [0.0, 3.0], none, 0.0)
    other = replay(series_of(pieces, size), "high", [limit * size for limit in limits], [0.0, 3.0], none, 0.0)
    assert (one.alarms == other.alarms).all()
    assert one.sounding_s == pytest.approx(other.sounding_s)


@few(max_examples=40)
@given(breaths, st.integers(1, 49))
def test_a_record_cut_where_it_pauses_is_replayed_in_pieces(told: list[Told], cut: int) -> None:
    cut = min(cut, len(told) - 1)
    told[cut] = (told[cut][0], told[cut][1], False)
    pieces, none = pieces_of(told), np.empty((0, 2))
    parts = [pieces[:cut], pieces[cut:]] if cut else [pieces]
    whole = replay(series_of(pieces), "low", [30.5], [0.0, 4.0], none, 0.0)
    each = [replay(series_of(part), "low", [30.5], [0.0, 4.0], none, 0.0) for part in parts]
    assert np.sum([one.alarms for one in each], axis=0) == pytest.approx(whole.alarms)
    assert np.sum([one.sounding_s for one in each], axis=0) == pytest.approx(whole.sounding_s)


def test_nothing_is_replayed_of_no_breaths() -> None:
    empty = Series("vte_ml", np.empty(0), np.empty(0), np.empty(0), np.empty(0, bool))
    played = replay(empty, "low", [300.0], [0.0], np.array([[1.0, 2.0]]), 5.0)
    assert (played.alarms[0, 0], played.sounding_s[0, 0], played.missed[0, 0]) == (0, 0.0, 1)
