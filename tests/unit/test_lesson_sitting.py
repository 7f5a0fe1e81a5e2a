"""A learner at a running patient: what is counted live is what is marked, and what may not be done is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tidebench.bench import BANDS
from tidebench.errors import CaseError, OptionError
from tidebench.lessons import open_lesson
from tidebench.lessons.format import Act, Action, Measure
from tidebench.lessons.learners import reference
from tidebench.lessons.marking import mark
from tidebench.lessons.sitting import Sitting, at_bench
from tidebench.lessons.stage import Stage

SEED = 5


def of(name: str, key: str, seed: int = SEED) -> tuple[Stage, Any]:
    """The stage of a lesson, and one of its steps."""
    lesson, folder = open_lesson(name)
    return Stage(lesson, seed, folder), next(step for step in lesson.steps if step.key == key)


ACTS = [("trapped-gas", "let-it-out"), ("sudden-high-pressure", "treat"), ("preterm", "too-much")]


@pytest.mark.parametrize(("name", "key"), ACTS, ids=[name for name, _ in ACTS])
@pytest.mark.parametrize("frame_s", [0.04, 1.37])
def test_time_inside_the_limits_is_counted_live_as_it_is_marked(name: str, key: str, frame_s: float) -> None:
    stage, step = of(name, key)
    sitting = Sitting(stage, step)
    ways = [Action.model_validate(row) for row in reference(stage, step)]
    while not sitting.over:
        if ways and sitting.time_s >= ways[0].at_s and not sitting.busy_s:
            sitting.do(ways.pop(0).model_copy(update={"at_s": sitting.time_s}))
        sitting.pass_time(frame_s)
    found = mark(stage, step, sitting.answer())
    assert not ways
    assert found.points == 1.0
    assert sitting.inside_s == found.inside_s
    assert [one.value for one in sitting.limits] == [part.yours for part in found.parts]


def test_who_is_cut_off_goes_on_where_it_was() -> None:
    stage, step = of("trapped-gas", "let-it-out")
    whole, cut = Sitting(stage, step), Sitting(stage, step)
    for sitting in (whole, cut):
        sitting.pass_time(12.34)
        sitting.set({"rate_per_min": 12.0})
        sitting.hold("expiratory hold")
        sitting.pass_time(20.0)
    again = Sitting(stage, step, cut.actions, cut.time_s)
    later = [sitting.pass_time(30.0) for sitting in (whole, again)]
    np.testing.assert_array_equal(later[0].bands, later[1].bands)
    assert again.limits == whole.limits
    assert again.answer() == whole.answer()


@pytest.mark.parametrize("until", [0.0, 7.77, 1 / 3])
def test_who_is_cut_off_right_after_a_deed_has_done_it(until: float) -> None:
    """No time has passed since, as where the page is loaded anew before the next frame has come."""
    stage, step = of("sudden-high-pressure", "treat")
    whole = Sitting(stage, step)
    if until:
        whole.pass_time(until)
    whole.treat("suction")
    again = Sitting(stage, step, whole.actions, whole.time_s)
    assert [row.treatment for row in again.actions] == ["suction"]
    assert again.busy_s == whole.busy_s > 0
    later = [sitting.pass_time(30.0) for sitting in (whole, again)]
    np.testing.assert_array_equal(later[0].bands, later[1].bands)


def test_hands_are_busy_while_a_treatment_lasts() -> None:
    stage, step = of("sudden-high-pressure", "treat")
    sitting = Sitting(stage, step)
    sitting.pass_time(3.0)
    sitting.treat("suction")
    with pytest.raises(OptionError, match="hands are busy"):
        sitting.set({"fio2": 1.0})
    sitting.pass_time(step.treatments[0].takes_s + 0.01)
    assert sitting.set({"fio2": 1.0})
    assert [row.treatment for row in sitting.actions] == ["suction", None]


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (lambda sitting: sitting.set({"mode": "CPAP"}), "may not be changed"),
        (lambda sitting: sitting.set({"rate_per_min": -3.0}), "rate_per_min"),
        (lambda sitting: sitting.hold("cough"), "no cough is done"),
        (lambda sitting: sitting.treat("prayer"), "no treatment"),
    ],
)
def test_what_may_not_be_done_is_refused_and_changes_nothing(said: Any, words: str) -> None:
    sitting = Sitting(*of("trapped-gas", "let-it-out"))
    sitting.pass_time(5.0)
    before = sitting.bench.said
    with pytest.raises((CaseError, OptionError), match=words):
        said(sitting)
    assert sitting.actions == []
    assert sitting.bench.said == before


def test_nothing_is_done_once_the_time_is_over() -> None:
    sitting = Sitting(*of("trapped-gas", "let-it-out"), until_s=1e4)
    assert sitting.over
    with pytest.raises(OptionError, match="is over"):
        sitting.set({"rate_per_min": 12.0})


def test_a_measure_step_shows_what_sensors_tell_and_a_hold_brings_the_truth() -> None:
    stage, step = of("trapped-gas", "hold")
    sitting = Sitting(stage, step)
    assert sitting.limits == ()
    sitting.pass_time(10.0)
    sitting.hold("expiratory hold")
    frame = sitting.pass_time(8.0)
    rows = dict(zip(BANDS, frame.bands, strict=True))
    assert not any(rows[name].any() for name in ("start", "elastic", "resistive", "muscle", "unexplained", "volume"))
    assert not len(frame.volumes)
    closed = (np.abs(rows["flow"]) < 1e-3) & (rows["pressure"] > 6.0)
    read = float(np.median(rows["pressure"][closed]))
    held = [{"at_s": sitting.begins_s + row.at_s, "kind": row.manoeuvre} for row in sitting.actions]
    assert mark(stage, step, {"value": read, "manoeuvres": held}).right
    with pytest.raises(OptionError, match="no suction is done"):
        sitting.hold("suction")


def test_acts_and_holds_are_done_at_a_bench_and_nothing_else_is() -> None:
    lesson, _ = open_lesson("trapped-gas")
    assert [step.key for step in lesson.steps if at_bench(step)] == ["hold", "let-it-out"]
    assert {type(step) for step in lesson.steps if at_bench(step)} == {Act, Measure}
