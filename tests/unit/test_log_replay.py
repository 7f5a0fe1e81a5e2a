"""Alarms beside breaths and findings, and limits replayed: what is told, what is refused, what is never offered."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from tidebench.apnoea import long_pauses
from tidebench.care.logs import asked_of, read_log, replay, series, tradeoffs
from tidebench.care.logs.beside import beside, meets
from tidebench.care.logs.changed import changed
from tidebench.care.logs.pauses import pauses
from tidebench.care.logs.room import Question, Reviewed, tell
from tidebench.care.logs.tradeoff import MOST_SOUNDING, front, grid, table_of, together, tradeoff
from tidebench.care.logs.watched import WATCHED, Watched, usual_limit
from tidebench.case import Case, case_from
from tidebench.errors import OptionError
from tidebench.limits import Limit, Policy, Practice
from tidebench.records import BREATH_COLUMNS, FINDING_COLUMNS, VALUES, Hold
from tidebench.views.replayed import replayed

ADULT = {"age_years": 60, "sex": "male", "height_cm": 175}
LASTS = 3.0


def breaths_of(values: dict[str, Sequence[float | None]], gap_after: int | None = None) -> pl.DataFrame:
    """Breaths of 3 s, turned after 1 s; after one of them a stretch of 60 s without any."""
    n = len(next(iter(values.values())))
    starts = np.arange(n) * LASTS + (np.arange(n) > (n if gap_after is None else gap_after)) * 60.0
    rows: dict[str, Any] = {
        "breath": np.arange(n), "start_s": starts, "expiration_s": starts + 1.0, "end_s": starts + LASTS,
        "peak_pressure_cmh2o": [20.0] * n, "vte_ml": [400.0] * n, "peep_cmh2o": [8.0] * n, "leak_fraction": [0.0] * n,
        "rate_per_min": [20.0] * n, **values,
    }  # fmt: skip
    frame = pl.DataFrame(rows)
    return frame.with_columns(pl.lit(None, kind).alias(key) for key, kind in BREATH_COLUMNS.items() if key not in rows)


def findings_of(*told: tuple[str, float, float]) -> pl.DataFrame:
    """Findings by kind, begin and end."""
    rows = [
        {"kind": kind, "breath": 0, "start_s": begin, "end_s": end, "confidence": 0.9, "evidence": "", "values": [],
         "rule": "", "rule_version": 1}
        for kind, begin, end in told
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=FINDING_COLUMNS)


def case_of(patient: dict[str, Any] | None = None) -> Case:
    """A case of a patient, with a set PEEP."""
    return case_from({"patient": ADULT if patient is None else patient, "settings": [{"peep_cmh2o": 8}]})


def watched(key: str, side: str) -> Watched:
    """One of the alarms that are replayed."""
    return next(one for one in WATCHED if (one.key, one.side) == (key, side))


# --- the model of an alarm --------------------------------------------------------------------------------------------


def test_a_value_holds_from_the_breath_that_shows_it_to_the_next() -> None:
    """By hand: breaths 2 to 4 are above 40; known at the turns, 7, 10, 13 s; the next turn is at 16 s."""
    of = series(breaths_of({"peak_pressure_cmh2o": [20, 20, 45, 45, 45, 20, 20]}), "peak_pressure_cmh2o")
    played = replay(of, "high", [40.0, 45.0, 50.0], [0.0, 5.0, 9.0], np.array([[6.0, 15.0]]), 0.0)
    assert played.alarms[0].tolist() == [1, 1, 0]
    assert played.sounding_s[0].tolist() == [9.0, 4.0, 0.0]
    assert played.missed[0].tolist() == [0, 0, 1]
    assert played.alarms[1:].sum() == 0  # a value at the limit is within it


def test_a_stretch_without_breaths_and_an_unknown_value_end_an_alarm() -> None:
    gap = series(breaths_of({"vte_ml": [100.0] * 4}, gap_after=1), "vte_ml")
    assert replay(gap, "low", [200.0], [0.0], np.empty((0, 2)), 0.0).alarms[0, 0] == 2
    lost = series(breaths_of({"vte_ml": [100.0, None, 100.0, 100.0]}), "vte_ml")
    assert replay(lost, "low", [200.0], [0.0], np.empty((0, 2)), 0.0).alarms[0, 0] == 2


def test_rate_and_minute_volume_are_those_of_the_last_minute() -> None:
    """20 breaths of 0.4 L in a minute are 8 L/min, once a minute of breaths is behind."""
    table = breaths_of({"vte_ml": [400.0] * 30})
    for key, value in (("minute_volume_l_min", 8.0), ("rate_per_min", 20.0)):
        of = series(table, key)
        assert np.isnan(of.value[:19]).all()
        assert of.value[19:] == pytest.approx(np.full(11, value))
    hole = series(breaths_of({"vte_ml": [None if k == 25 else 400.0 for k in range(60)]}), "minute_volume_l_min")
    assert np.isnan(hole.value[25:45]).all()
    assert hole.value[45:] == pytest.approx(np.full(15, 8.0))
    assert np.isnan(series(breaths_of({"vte_ml": [400.0] * 30}, gap_after=14), "rate_per_min").value).all()


def test_an_event_is_heard_by_the_longest_of_its_runs() -> None:
    """By hand: within 0 to 40 s runs of 9, 3 and 6 s; the event is missed from a delay of 9 s on."""
    peak = [20.0] * 14
    for breath in (1, 2, 3, 6, 9, 10):
        peak[breath] = 45.0
    of = series(breaths_of({"peak_pressure_cmh2o": peak}), "peak_pressure_cmh2o")
    played = replay(of, "high", [40.0], [2.0, 5.0, 8.9, 9.0], np.array([[0.0, 40.0]]), 0.0)
    assert played.alarms[0].tolist() == [3, 2, 1, 0]
    assert played.missed[0].tolist() == [0, 0, 0, 1]


def test_an_unknown_quantity_is_refused() -> None:
    with pytest.raises(OptionError, match="'stress_index' can't be replayed"):
        series(breaths_of({"vte_ml": [400.0]}), "stress_index")


# --- what is offered --------------------------------------------------------------------------------------------------


def spiked() -> tuple[pl.DataFrame, pl.DataFrame]:
    """An hour at 25 cmH2O: 30 lone breaths of 38, and five minutes above 45 that findings call obstructions."""
    peak = np.full(1200, 25.0)
    peak[5::40] = 38.0
    begins = (100, 300, 500, 700, 900)
    for begin in begins:
        peak[begin : begin + 20] = 48.0
    told = [("obstruction", LASTS * begin, LASTS * begin + 3.0) for begin in begins]
    return breaths_of({"peak_pressure_cmh2o": peak.tolist()}), findings_of(*told)


def test_a_limit_is_offered_that_misses_none_and_spares_lone_breaths() -> None:
    breaths, findings = spiked()
    one = tradeoff(watched("peak_pressure_cmh2o", "high"), breaths, findings, case_of(), None)
    assert one is not None
    assert (one.events, one.reason) == (5, "")
    best = one.offers[0]
    assert best.missed == 0
    assert best.alarms_per_hour == pytest.approx(5.0, rel=0.01)
    assert best.limit <= 40.0
    assert best.halves_per_hour == pytest.approx((6.0, 4.0), rel=0.02)
    assert one.usual is not None
    assert (one.usual.tight, one.usual.wide) == (35.0, 40.0)
    at_usual = one.played.alarms[list(one.played.limits).index(35.0), 0]
    assert at_usual == 35  # thirty lone breaths and five runs


def test_what_is_offered_stays_within_what_is_usual() -> None:
    breaths, findings = spiked()
    for one in tradeoffs(breaths, findings, case_of(), None):
        assert one.usual is not None
        wide = one.usual.wide
        for offer in one.offers:
            assert offer.delay_s <= 15.0
            assert offer.minutes_per_hour <= 60 * MOST_SOUNDING
            assert offer.limit <= wide if one.watched.side == "high" else offer.limit >= wide
        misses = [offer.missed for offer in one.offers]
        burden = [offer.alarms_per_hour for offer in one.offers]
        assert misses == sorted(misses)
        assert burden == sorted(burden, reverse=True)


def test_no_delay_above_a_quarter_of_a_minute_is_offered() -> None:
    """Breaths of 38 cmH2O come six at a time, 18 s, and tell nothing: only longer delays would spare them."""
    peak = np.full(1200, 25.0)
    for begin in range(5, 1200, 40):
        peak[begin : begin + 6] = 44.0
    peak[600:620] = 46.0
    breaths, findings = breaths_of({"peak_pressure_cmh2o": peak.tolist()}), findings_of(("obstruction", 1800.0, 1803.0))
    one = tradeoff(watched("peak_pressure_cmh2o", "high"), breaths, findings, case_of(), None)
    assert one is not None
    assert one.played.alarms[:, list(one.played.delays_s).index(20.0)].min() <= 1
    assert [offer.delay_s <= 15.0 for offer in one.offers] == [True] * len(one.offers)
    assert one.offers[0].alarms_per_hour > 20


def test_nothing_is_offered_without_an_event_or_for_whom_no_bound_is_held() -> None:
    breaths, findings = spiked()
    high = watched("peak_pressure_cmh2o", "high")
    without = tradeoff(high, breaths, findings_of(), case_of(), None)
    assert without is not None
    assert without.offers == ()
    assert "nothing that this alarm is there to tell" in without.reason
    unknown = tradeoff(high, breaths, findings, case_of({}), None)
    assert unknown is not None
    assert (unknown.usual, unknown.offers) == (None, ())
    assert "a patient of unknown age" in unknown.reason


def test_a_child_is_weighed_by_a_child_s_rules_and_the_house_s_are_not_passed() -> None:
    """By common practice a child's pressure alarm is at most 35 to 40 cmH2O, a newborn's 30 to 35.

    The higher end of a cap is for a peak that asks for it: a newborn's of 25 does, with 10 above it.
    """
    breaths, findings = spiked()
    high = watched("peak_pressure_cmh2o", "high")
    patients: list[tuple[dict[str, Any], float]] = [({"age_years": 6}, 35.0), ({"age_days": 3}, 35.0)]
    for patient, widest in patients:
        one = tradeoff(high, breaths, findings, case_of(patient), None)
        assert one is not None
        assert one.usual is not None
        assert one.usual.wide == widest
        assert all(offer.limit <= widest for offer in one.offers)
    of = series(breaths, "peak_pressure_cmh2o")
    for bound, tight, wide in ((32.0, 32.0, 32.0), (60.0, 35.0, 40.0)):
        own = Limit(high.key, "adult", None, bound, "house policy", "Ours", "")
        usual = usual_limit(high, of, case_of(), Policy("Ours", None, (own,), frozenset()))
        assert usual is not None
        assert (usual.tight, usual.wide) == (tight, wide)
    habit = Practice("alarm_pressure_above_peak_cmh2o", "adult", 5, 8, "house policy", "Ours")
    usual = usual_limit(high, of, case_of(), Policy("Ours", None, (), frozenset(), (habit,)))
    assert usual is not None
    assert (usual.tight, usual.wide, usual.own) == (30.0, 33.0, True)
    assert usual.rule == "high pressure, above peak: 5 to 8 cmH2O (Ours)"


@pytest.mark.parametrize(
    ("peak", "tight", "wide", "room"),
    [
        (20, 30, 35, True),
        (28, 38, 40, True),
        (31, 41, 41, True),
        (38, 48, 48, True),
        (45, 50, 50, True),
        (50, 50, 50, False),
        (59.9, 50, 50, False),
    ],
)
def test_the_usual_span_of_a_high_pressure_is_never_upside_down(
    peak: float, tight: float, wide: float, room: bool
) -> None:
    """Trade rules (common practice, no source): 10 to 15 above the peak, never above 40 to 50 without a reason."""
    high = watched("peak_pressure_cmh2o", "high")
    breaths = breaths_of({"peak_pressure_cmh2o": [peak] * 1300})
    usual = usual_limit(high, series(breaths, high.key), case_of(), None)
    assert usual is not None
    assert (usual.tight, usual.wide) == (tight, wide)
    assert (usual.reason == "") == room
    one = tradeoff(high, breaths, findings_of(("obstruction", 60.0, 66.0)), case_of(), None)
    assert one is not None
    assert room or (one.offers == () and "no limit within that leaves room" in one.reason)


def test_a_house_s_limit_is_for_its_own_group_and_without_a_condition() -> None:
    """A limit for children, or for a condition that nobody said, is none of an adult's; one for adults is."""
    high = watched("peak_pressure_cmh2o", "high")
    of = series(breaths_of({"peak_pressure_cmh2o": [20.0] * 60}), high.key)
    for own, ends in (
        (Limit(high.key, "child", None, 20.0, "house policy", "H5", ""), (30.0, 35.0)),
        (Limit(high.key, "adult", None, 20.0, "house policy", "H5", "", condition="ARDS"), (30.0, 35.0)),
        (Limit(high.key, "adult", None, 32.0, "house policy", "H5", ""), (30.0, 32.0)),
    ):
        usual = usual_limit(high, of, case_of(), Policy("H5", None, (own,), frozenset()))
        assert usual is not None
        assert (usual.tight, usual.wide) == ends
        assert bool(usual.house) == (ends[1] == 32.0)
    rate = watched("rate_per_min", "high")
    weaning = Limit(rate.key, "adult", None, 22.0, "house policy", "H5", "", condition="readiness to wean")
    usual = usual_limit(
        rate,
        series(breaths_of({"vte_ml": [400.0] * 60}), rate.key),
        case_of(),
        Policy("H5", None, (weaning,), frozenset()),
    )
    assert usual is not None
    assert (usual.tight, usual.wide) == (30.0, 35.0)


def test_a_record_under_an_hour_weighs_no_limit_and_gives_no_rate() -> None:
    """Rates over less than an hour are refused of a log; five minutes with one event weigh nothing."""
    peak = [25.0, 25.0, 38.0] * 37
    breaths, findings = breaths_of({"peak_pressure_cmh2o": peak}), findings_of(("obstruction", 100.0, 106.0))
    one = tradeoff(watched("peak_pressure_cmh2o", "high"), breaths, findings, case_of(), None)
    assert one is not None
    assert one.offers == ()
    assert "too short a record" in one.reason
    assert table_of([one])["alarms_per_hour"].null_count() == table_of([one]).height
    assert one.at_usual is not None
    assert one.at_usual[0] > 0
    assert together([one]) is None


def test_all_suggested_limits_come_to_a_sum() -> None:
    """By hand: what each alarm sounds per hour with its first offer, or as usual where there is none, added up."""
    breaths, findings = spiked()
    told = tradeoffs(breaths, findings, case_of(), None)
    total = together(told)
    assert total is not None
    by_hand = 0.0
    for one in told:
        assert one.at_usual is not None
        by_hand += one.offers[0].alarms_per_hour if one.offers else one.at_usual[0] / one.hours
    assert total.suggested_per_hour == pytest.approx(by_hand)
    assert total.suggested_per_hour < total.usual_per_hour
    assert total.suggested == sum(bool(one.offers) for one in told)


def test_a_house_s_cap_and_delay_are_told_with_what_they_bound() -> None:
    house = "Ours"
    own = (
        Practice("alarm_pressure_cap_cmh2o", "adult", 31, 33, "house policy", house),
        Practice("alarm_disconnection_s", "adult", 3, 5, "house policy", house),
    )
    breaths, findings = spiked()
    policy = Policy(house, None, (), frozenset(), own)
    one = tradeoff(watched("peak_pressure_cmh2o", "high"), breaths, findings, case_of(), policy)
    assert one is not None
    assert one.usual is not None
    assert (one.usual.tight, one.usual.wide) == (33.0, 33.0)
    assert one.usual.house == ("high pressure, at most: 31 to 33 cmH2O (Ours)",)
    assert one.delay is not None
    assert all(offer.delay_s <= 5.0 for offer in one.offers)
    told = tell(None, case_of(), Reviewed(breaths, findings), Question(policy=policy))
    words = " ".join(line for part in replayed(told) for line in (*part.lines, *part.after))
    assert "with a delay up to 5 s" in words
    assert "up to 15 s" not in words
    assert "SpO2 and FiO2: recordings hold no channel of them" in words
    assert "31 to 33 cmH2O (Ours); delay of the disconnection alarm: 3 to 5 s (Ours)" in words


@pytest.mark.parametrize(
    ("key", "side", "adult", "newborn"),
    [
        ("peak_pressure_cmh2o", "high", (30, 35), (30, 30)),
        ("peak_pressure_cmh2o", "low", (15, 10), (15, 10)),
        ("vte_ml", "low", (280, 280), (280, 280)),
        ("vte_ml", "high", (520, 600), (520, 600)),
        ("minute_volume_l_min", "low", (6, 4), (6.4, 5.6)),
        ("minute_volume_l_min", "high", (10, 12), (9.6, 10)),
        ("rate_per_min", "high", (30, 35), (70, 70)),
        ("peep_cmh2o", "low", (6, 5), (6, 5)),
    ],
)
def test_where_people_usually_set_alarms(
    key: str, side: str, adult: tuple[float, float], newborn: tuple[float, float]
) -> None:
    """Common practice without a source: peak 20, volume 400, minute volume 8, set PEEP 8, by hand, two figures."""
    of = series(breaths_of({"vte_ml": [400.0] * 60}), key)
    patients: list[tuple[dict[str, Any], tuple[float, float]]] = [(ADULT, adult), ({"age_days": 2}, newborn)]
    for patient, ends in patients:
        usual = usual_limit(watched(key, side), of, case_of(patient), None)
        assert usual is not None
        assert (usual.tight, usual.wide) == pytest.approx(ends)
        assert "common practice, no source" in usual.rule
    assert usual_limit(watched(key, side), of, case_of({}), None) is None


def test_quantities_that_are_not_known_are_not_replayed() -> None:
    table = breaths_of({"vte_ml": [None] * 40})
    keys = {one.watched.key for one in tradeoffs(table, findings_of(), case_of(), None)}
    assert "vte_ml" not in keys
    assert "minute_volume_l_min" not in keys
    assert "peak_pressure_cmh2o" in keys
    assert tradeoffs(table.head(0), findings_of(), case_of(), None) == ()
    assert table_of(()).height == 0


def test_limits_are_tried_on_round_numbers() -> None:
    rng = np.random.default_rng(2)
    of = series(breaths_of({"vte_ml": rng.normal(412, 60, 900).tolist()}), "vte_ml")
    for side in ("high", "low"):
        limits = grid(of, "high" if side == "high" else "low", (333.3,))
        assert len(limits) <= 20
        assert limits == tuple(sorted(limits))
        assert {round(limit % 10, 6) for limit in limits if limit != 333.3} <= {0.0, 5.0}
    assert len(grid(series(breaths_of({"vte_ml": [400.0] * 9}), "vte_ml"), "low")) >= 1


def test_the_front_is_beaten_by_no_pair() -> None:
    breaths, findings = spiked()
    one = tradeoff(watched("peak_pressure_cmh2o", "high"), breaths, findings, case_of(), None)
    assert one is not None
    best = front(one.played, one.hours)
    played = one.played
    long = played.sounding_s > MOST_SOUNDING * 3600 * one.hours
    for m, k in best:
        better = (played.alarms <= played.alarms[m, k]) & (played.missed < played.missed[m, k]) & ~long
        assert not better.any()


# --- one limit against another ----------------------------------------------------------------------------------------


def test_alarms_that_would_have_gone_are_listed_with_what_they_told() -> None:
    breaths, findings = spiked()
    now, then, wide = (asked_of(f"peak_pressure_cmh2o.high={text}", "--now") for text in ("35", "47@2", "50"))
    done = changed(now, then, breaths, findings)
    assert done.alarms[1] == 5
    assert done.missed == (0, 0)
    assert done.gone.height == done.alarms[0] - 5
    assert not done.gone["event"].any()
    assert set(done.gone["furthest"]) == {38.0}
    worse = changed(now, wide, breaths, findings)
    assert worse.missed == (0, 5)
    assert worse.gone["event"].sum() == 5
    assert worse.gone.filter(pl.col("event"))["findings"].to_list() == [["obstruction"]] * 5


def test_what_may_not_be_missed_is_an_event() -> None:
    breaths, _ = spiked()
    must = [asked_of("peak_pressure_cmh2o.high=45@30", "--must")]
    high = watched("peak_pressure_cmh2o", "high")
    one = tradeoff(high, breaths, findings_of(), case_of(), None, must)
    assert one is not None
    assert one.events == 5
    other = tradeoff(
        high, breaths, findings_of(), case_of(), None, [asked_of("peak_pressure_cmh2o.high=45@90", "--must")]
    )
    assert other is not None
    assert other.events == 0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("peak_pressure_cmh2o>40", "is no limit. Expected: peak_pressure_cmh2o.high=40@10"),
        ("peak_pressure_cmh2o.high=", "is no limit"),
        ("peak_pressure_cmh2o.high=nan", "is no limit"),
        ("peak_pressure_cmh2o.high=-400", "-400 is no limit of"),
        ("peak_pressure_cmh2o.high=40@-1", "is no limit"),
        ("peak_pressure_cmh2o.high=40@9999", "a delay of 9999 s. Expected: 0 to 3600 s"),
        ("stress_index.high=1", "'stress_index' can't be replayed"),
        ("", "is no limit"),
    ],
)
def test_a_limit_that_is_none(text: str, message: str) -> None:
    with pytest.raises(OptionError) as caught:
        asked_of(text, "--now")
    assert message in str(caught.value)


def test_two_different_alarms_are_not_compared() -> None:
    breaths, findings = spiked()
    now, then = asked_of("peak_pressure_cmh2o.high=40", "x"), asked_of("vte_ml.low=200", "x")
    with pytest.raises(OptionError, match="are two alarms"):
        changed(now, then, breaths, findings)
    with pytest.raises(OptionError, match="is not known of any breath"):
        changed(then, then, breaths_of({"vte_ml": [None] * 5}), findings)


# --- alarms beside what was found -------------------------------------------------------------------------------------


def alarms_at(*told: tuple[float, float | None, str]) -> pl.DataFrame:
    """Alarms by begin, end and name."""
    rows = [{"bed": "", "name": name, "priority": "high", "at_s": at, "until_s": end} for at, end, name in told]
    schema = {"bed": pl.String, "name": pl.String, "priority": pl.String, "at_s": pl.Float64, "until_s": pl.Float64}
    return pl.DataFrame(rows, schema=schema)


def test_each_alarm_stands_beside_its_breath_and_what_was_near() -> None:
    table = breaths_of({"peak_pressure_cmh2o": [float(k) for k in range(400)]})
    findings = findings_of(("cough", 100.0, 103.0), ("obstruction", 131.0, 160.0), ("leak", 1000.0, 1010.0))
    told = beside(
        alarms_at((125.0, 128.0, "High"), (500.0, None, "High"), (5000.0, None, "High")), table, findings, [100.0]
    )
    assert (told.within, told.outside) == (2, 1)
    first, second = told.alarms.iter_rows(named=True)
    assert (first["breath"], first["peak_pressure_cmh2o"]) == (41, 41.0)
    assert first["findings"] == ["cough", "obstruction"]  # within 30 s before and 10 s after
    assert first["set_before_s"] == 25.0
    assert (second["findings"], second["set_before_s"]) == ([], None)
    heard = {one.kind: (one.findings, one.heard) for one in told.heard}
    assert heard == {"cough": (1, 1), "obstruction": (1, 0), "leak": (1, 0)}


def test_what_is_near_is_held_against_chance() -> None:
    """A kind that fills a tenth of the record and lies near every alarm is told; one that is everywhere is not."""
    table = breaths_of({"vte_ml": [400.0] * 1200})
    rare = [("obstruction", 600.0 * k, 600.0 * k + 20.0) for k in range(6)]
    always = [("strong-effort", 40.0 * k, 40.0 * k + 2.0) for k in range(90)]
    alarms = alarms_at(*((600.0 * k + 10.0, None, "High") for k in range(6)))
    told = beside(alarms, table, findings_of(*rare, *always), [])
    (near,) = told.near
    assert (near.kind, near.near, near.alarms, near.share) == ("obstruction", 6, 6, 1.0)
    assert near.by_chance == pytest.approx(6 * 60 / 3600, abs=0.01)


def test_no_breaths_no_alarms_no_findings() -> None:
    told = beside(alarms_at(), breaths_of({"vte_ml": [400.0] * 3}), findings_of(), [])
    assert (told.within, told.outside, told.near, told.heard) == (0, 0, (), ())
    none = beside(alarms_at((1.0, None, "High")), breaths_of({"vte_ml": [400.0]}).head(0), findings_of(), [])
    assert (none.within, none.outside) == (0, 1)


def test_spans_meet_where_they_share_an_instant() -> None:
    on = np.array([[0.0, 5.0], [1.0, 2.0], [20.0, 20.0]])
    begin, end = np.array([3.0, 6.0, 20.0, 21.0]), np.array([4.0, 9.0, 30.0, 22.0])
    assert meets(on, begin, end).tolist() == [True, False, True, False]
    assert meets(np.empty((0, 2)), begin, end).tolist() == [False] * 4


# --- apnoea -----------------------------------------------------------------------------------------------------------


def paused(*lasts: float, lost_after: int | None = None) -> pl.DataFrame:
    """Breaths that last so long each; after one of them 60 s are lost."""
    n = len(lasts)
    lost = (np.arange(n) > (n if lost_after is None else lost_after)) * 60.0
    starts = np.concatenate([[0.0], np.cumsum(lasts)[:-1]]) + lost
    return breaths_of({"peak_pressure_cmh2o": [20.0] * n}).with_columns(
        start_s=pl.Series(starts), expiration_s=pl.Series(starts + 1.0), end_s=pl.Series(starts + np.array(lasts))
    )


def test_apnoea_is_counted_by_delay() -> None:
    """By hand: of 3, 12, 25 and 40 s two are longer than 20 s, by 5 and 20 s; one is longer than 30 s, by 10 s."""
    told = pauses(paused(3, 12, 3, 25, 40, 3), case_of(), None)
    assert told is not None
    by_delay = {one.delay_s: (one.alarms, one.sounding_s) for one in told.alarms}
    assert by_delay == {10: (3, 47), 15: (2, 35), 20: (2, 25), 30: (1, 10), 45: (0, 0), 60: (0, 0)}
    assert (told.longest_s, told.rated) == (40.0, False)
    assert told.usual is not None
    assert (told.usual.low, told.usual.high) == (20, 20)  # common practice, no source
    assert pauses(paused(3).clear(), case_of(), None) is None


def test_what_was_lost_is_no_pause() -> None:
    told = pauses(paused(3, 3, 3, lost_after=0), case_of(), None)
    assert told is not None
    assert told.longest_s == 3.0


def test_a_house_s_delay_of_apnoea_is_replayed_and_said() -> None:
    own = (Practice("alarm_apnoea_s", "adult", 12, 18, "house policy", "Ours"),)
    reviewed = Reviewed(paused(3, 14, 3), findings_of())
    told = tell(None, case_of(), reviewed, Question(policy=Policy("Ours", None, (), frozenset(), own)))
    page = {part.heading: part for part in replayed(told)}["Apnoea replayed"]
    assert ("12 s", "usual", "1", "–", "–") in page.rows
    assert "Usual: apnoea: 12 to 18 s (Ours)." in page.after


# --- the policy of a house --------------------------------------------------------------------------------------------


def test_a_policy_is_named_with_the_result_or_why_it_was_not_used(tmp_path: Path) -> None:
    bound = Limit("peak_pressure_cmh2o", "adult", None, 32.0, "house policy", "Ours", "")
    asked = Question(policy=Policy("Ours", None, (bound,), frozenset()))
    breaths, findings = spiked()
    file = tmp_path / "log.csv"
    file.write_text("time [s],alarm\n10,Apnoea\n", encoding="utf-8")
    used = tell(None, case_of(), Reviewed(breaths, findings), asked)
    words = " ".join(line for part in replayed(used) for line in part.lines)
    assert "Limits of this house were used: Ours. " in words
    assert "at most 32 cmH2O" in words
    for case, reviewed, lacking in ((None, Reviewed(breaths, findings), "--case"), (case_of(), None, "--review")):
        log = None if reviewed else read_log(file)
        told = tell(log, case, reviewed, asked)
        words = " ".join(line for part in replayed(told) for line in part.lines)
        assert f"were not used: Ours. They bound limits replayed, which needs {lacking}." in words


def test_a_pause_is_a_true_event_of_low_minute_volume() -> None:
    """Apnoea is a pause of 20 s and more (common practice); the breath that holds it lasts from 60 to 110 s here."""
    breaths = paused(*[3.0] * 20, 50.0, *[3.0] * 20)
    told = tradeoff(watched("minute_volume_l_min", "low"), breaths, findings_of(), case_of(), None)
    assert told is not None
    assert told.events == 1
    assert "nothing that this alarm" not in told.reason
    short = tradeoff(watched("minute_volume_l_min", "low"), paused(*[3.0] * 41), findings_of(), case_of(), None)
    assert short is not None
    assert short.events == 0


def test_pauses_are_told_from_the_turn_and_never_where_the_record_or_a_hold_explains_them() -> None:
    breaths = paused(*[3.0] * 20, 50.0, *[3.0] * 20)
    assert long_pauses(breaths).tolist() == [[61.0, 110.0]]
    assert len(long_pauses(breaths, [Hold(kind="expiratory", breath=20, at_s=90.0, duration_s=25.0)])) == 0
    assert len(long_pauses(paused(3, 3, 3, lost_after=0))) == 0


def test_a_limit_crossed_on_the_other_side_is_no_event_of_an_alarm() -> None:
    """A peak of 36 beyond a house's 33 cmH2O is for the alarm of a high pressure, and none of a low one."""
    own = Limit("peak_pressure_cmh2o", "adult", None, 33.0, "house policy", "H5", "")
    house = Policy("H5", None, (own,), frozenset())
    peaks = [20.0] * 60 + [36.0] * 10 + [20.0] * 60
    breaths = breaths_of({"peak_pressure_cmh2o": peaks})
    values = [{"quantity": "peak_pressure_cmh2o", "value": 36.0, "unit": "cmH2O"}]
    found = findings_of(("beyond-limit", 180.0, 210.0)).with_columns(pl.Series("values", [values], VALUES))
    told = {(one.watched.key, one.watched.side): one.events for one in tradeoffs(breaths, found, case_of(), house)}
    assert told["peak_pressure_cmh2o", "high"] == 1
    assert told["peak_pressure_cmh2o", "low"] == 0
