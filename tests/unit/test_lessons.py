"""Lessons: what is refused, what is true, what an answer is worth, what is kept, and what goes on paper."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from pypdf import PdfReader

from tidebench.errors import CaseError, OptionError, OutputError
from tidebench.lessons import Session, check, lesson_from, lesson_names, load_lesson, open_lesson
from tidebench.lessons.debrief import debrief, debriefs, summary
from tidebench.lessons.draw import debrief_picture, picture
from tidebench.lessons.format import Act, Action, Choose, Find, Lesson, Predict
from tidebench.lessons.kit import PAGES, kit_pages, write_kit, write_record
from tidebench.lessons.learners import LEARNERS, perfect, play, reference
from tidebench.lessons.marking import GRID_S, accepted, mark, offered, right_answers, true_value, wanted, ways
from tidebench.lessons.record import Record
from tidebench.lessons.session import shown
from tidebench.lessons.stage import Stage

SMALL: dict[str, Any] = {
    "title": "A small lesson",
    "audience": "those who test",
    "minutes": 4,
    "objectives": [{"key": "read", "text": "Reads a number."}],
    "cautions": ["Invented."],
    "sources": ["common practice, no source"],
    "handout": ["One line."],
    "skills": ["Does it", "Says it"],
    "patients": {
        "one": {"scenario": {"who": "adult-healthy"}, "times": {"lung.compartments.*.compliance_ml_cmh2o": [0.5, 1.0]}}
    },
    "steps": [
        {
            "kind": "measure", "key": key, "title": "A number", "objective": "read", "text": "Read it.", "why": "So.",
            "truth": key.replace("-", "_"), "minutes": 1.0, "tolerance_percent": 10.0,
            "figure": {"patient": "one", "from_s": 20.0, "to_s": 40.0},
        }
        for key in ("peak-pressure-cmh2o", "rate-per-min", "vte-ml")
    ],
}  # fmt: skip


FORESEEN: dict[str, Any] = {
    "kind": "predict", "key": "flow", "title": "More flow", "objective": "read", "text": "Flow is raised.",
    "minutes": 1.0, "at_s": 40.0, "settings": {"inspiratory_flow_l_min": 60.0},
    "asks": [{"truth": "peak_pressure_cmh2o", "same": 1.0}], "why": "More is lost on the way in.",
    "figure": {"patient": "one", "from_s": 20.0, "to_s": 60.0},
}  # fmt: skip
TOLD: dict[str, Any] = {
    "kind": "show", "key": "tour", "title": "A tour", "text": "Look.", "minutes": 1.0,
    "figure": {"patient": "one", "from_s": 10.0, "to_s": 20.0}, "narration": [{"at_s": 12.0, "text": "Now."}],
}  # fmt: skip
TREATED: dict[str, Any] = {
    "kind": "act", "key": "less", "title": "Less", "objective": "read", "text": "Less pressure.", "minutes": 1.0,
    "patient": "one", "within_s": 60.0, "limits": [{"truth": "peak_pressure_cmh2o", "most": 15.0}],
    "may": ["tidal_volume_ml"], "reference": [{"settings": {"tidal_volume_ml": 250.0}}], "why": "Less goes in.",
}  # fmt: skip
PICKED: dict[str, Any] = {
    "kind": "choose", "key": "from", "title": "From where?", "objective": "read", "text": "From where?",
    "minutes": 1.0, "answers": [{"text": "From zero.", "reason": "As written.", "right": True}],
}  # fmt: skip


def changed(**parts: Any) -> dict[str, Any]:
    """The small lesson with parts of it replaced."""
    return {**SMALL, **parts}


def small() -> Lesson:
    """The small lesson."""
    return lesson_from(SMALL)


# --- what is refused, and how ---


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"minute": 3}, "Nearest: minutes"),
        ({"title": ""}, "title"),
        ({"patients": {}}, "names a patient 'one'"),
        ({"objectives": [{"key": "other", "text": "X."}]}, "an objective 'read' it doesn't have"),
        ({"objectives": [*SMALL["objectives"], {"key": "idle", "text": "X."}]}, "no question for 'idle'"),
        ({"steps": [SMALL["steps"][0]] * 2}, "two steps"),
        ({"steps": [{**SMALL["steps"][0], "truth": "mood"}]}, "a truth 'mood' that there isn't"),
        (
            {"steps": [{**SMALL["steps"][0], "figure": {"patient": "one", "from_s": 30.0, "to_s": 20.0}}]},
            "to_s 1 to",
        ),
        ({"patients": {"one": {}}}, "neither or both"),
        ({"patients": {"one": {**SMALL["patients"]["one"], "ranges": {"seed": [float("nan"), 2]}}}}, "finite"),
        (
            {"patients": {"one": {**SMALL["patients"]["one"], "variants": [{"key": "a", "times": {"seed": [2, 1]}}]}}},
            "from high to low",
        ),
        (
            {"patients": {"one": {**SMALL["patients"]["one"], "variants": [{"key": "a"}, {"key": "a"}]}}},
            "has variant 'a' twice",
        ),
        ({"objectives": [*SMALL["objectives"], *SMALL["objectives"]]}, "objective 'read' twice"),
        ({"steps": [{**FORESEEN, "settings": {}}]}, "changes nothing"),
        ({"steps": [{**FORESEEN, "asks": FORESEEN["asks"] * 2}]}, "'peak_pressure_cmh2o' twice"),
        ({"steps": [{**TOLD, "narration": [{"at_s": 99.0, "text": "Late."}]}]}, "tells something at 99 s"),
        ({"steps": [{**TREATED, "treatments": [{"key": "x", "text": "X.", "helps": ["earthquake"]}]}]}, "earthquake"),
        ({"steps": [{**TREATED, "treatments": [{"key": "x", "text": "X."}] * 2}]}, "treatment 'x' twice"),
        ({"steps": [{**TREATED, "may": ["peep_cmh2o"]}]}, "a reference that sets tidal_volume_ml"),
        ({"steps": [{**TREATED, "reference": [{**TREATED["reference"][0], "at_s": 60.0}]}]}, "a reference at 60 s"),
        ({"steps": [{**TREATED, "reference": [{**TREATED["reference"][0], "only": "nobody"}]}]}, "variant 'nobody'"),
        ({"steps": [{**PICKED, "answers": [PICKED["answers"][0]] * 2}]}, "'From zero.' twice"),
        ({"patients": {"one": {"case": "case", "ranges": {"seed": [1, 2]}}}}, "draws a recorded patient"),
    ],
)
def test_a_lesson_that_cannot_be_is_refused_with_what_would_do(parts: dict[str, Any], words: str) -> None:
    with pytest.raises(CaseError, match=words):
        lesson_from(changed(**parts))


def test_a_file_that_is_too_large_or_no_toml_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "lesson.toml"
    file.write_text("#" * (300 << 10), encoding="utf-8")
    with pytest.raises(CaseError, match="larger than 256 KiB"):
        load_lesson(tmp_path)
    file.write_text("title = ", encoding="utf-8")
    with pytest.raises(CaseError, match="not TOML"):
        load_lesson(tmp_path)
    with pytest.raises(CaseError, match="no lesson 'trappedgas'"):
        open_lesson("trappedgas")


def test_a_range_that_leads_nowhere_is_refused() -> None:
    lesson = lesson_from(changed(patients={"one": {"scenario": {"who": "copd"}, "times": {"lung.colour": [1, 2]}}}))
    with pytest.raises(CaseError, match=r"lung\.colour"):
        Stage(lesson, 1).scene("one")


# --- truths, against what textbooks say ---


def test_truths_are_those_of_the_equation_of_motion() -> None:
    """Springs in series: 1/C = 1/C_lung + 1/C_wall; constant flow: peak − plateau = R·flow (Otis 1950; textbooks)."""
    said = {
        "patient": {"sex": "male", "height_cm": 175.0},
        "airway": {"interface": "none"},
        "lung": {
            "compartments": [{"compliance_ml_cmh2o": 60.0, "resistance_cmh2o_s_l": 12.0}],
            "chest_wall_compliance_ml_cmh2o": 120.0,
        },
        "settings": [{"mode": "A/C-VC", "peep_cmh2o": 6.0, "fio2": 0.4, "rate_per_min": 12.0, "tidal_volume_ml": 480.0,
                      "inspiratory_flow_l_min": 30.0}],
    }  # fmt: skip
    scene = Stage(lesson_from(changed(patients={"one": {"scenario": said}})), 1).scene("one")
    told = {key: scene.told(key, 10.0, 40.0) for key in (
        "compliance_ml_cmh2o", "driving_pressure_cmh2o", "peak_less_plateau_cmh2o", "resistance_cmh2o_s_l",
        "volume_per_kg_ml_kg", "plateau_pressure_cmh2o",
    )}  # fmt: skip
    assert told["compliance_ml_cmh2o"] == pytest.approx(1 / (1 / 60 + 1 / 120), rel=0.01)
    assert told["driving_pressure_cmh2o"] == pytest.approx(480 / 40, rel=0.02)
    assert told["plateau_pressure_cmh2o"] == pytest.approx(6 + 480 / 40, rel=0.02)
    assert told["resistance_cmh2o_s_l"] == pytest.approx(12, rel=0.05)
    assert told["peak_less_plateau_cmh2o"] == pytest.approx(12 * 0.5, rel=0.06)
    predicted = 50 + 0.91 * (175 - 152.4)  # ARDS Network, N Engl J Med 2000;342:1301
    assert told["volume_per_kg_ml_kg"] == pytest.approx(480 / predicted, rel=0.01)


@pytest.mark.parametrize(
    ("change", "ways"),
    [(3.0, ("rises",)), (-3.0, ("falls",)), (0.2, ("same",)), (1.1, ("rises", "same")), (-0.9, ("falls", "same"))],
)
def test_a_change_near_the_line_counts_either_way(change: float, ways: tuple[str, ...]) -> None:
    assert accepted(10.0, 10.0 + change, 1.0) == ways
    assert accepted(None, 1.0, 1.0) == ()


def test_marks_drawn_by_lot_are_worth_nothing_on_average() -> None:
    """Hits' share less false marks' share is Youden's index (Cancer 1950;3:32): 0 for lots, whatever is there."""
    lesson, _ = open_lesson("reverse-triggers")
    step = next(step for step in lesson.steps if isinstance(step, Find))
    stage, rng = Stage(lesson, 3), np.random.default_rng(0)
    yes, _ = wanted(stage, step)
    raw = []
    for _ in range(2000):
        marked = rng.random(len(yes)) < rng.random()
        raw.append(marked[yes > 0].mean() - marked[yes == 0].mean())
    assert abs(float(np.mean(raw))) < 0.03
    every = {"breaths": list(range(1, len(yes) + 1))}
    assert mark(stage, step, every).points == 0
    half = {"breaths": (np.flatnonzero(yes)[: int(yes.sum()) // 2] + 1).tolist()}
    assert mark(stage, step, half).points == pytest.approx((int(yes.sum()) // 2) / yes.sum())


def test_a_number_near_enough_is_right_and_one_without_its_manoeuvre_is_half() -> None:
    lesson, _ = open_lesson("peak-and-plateau")
    stage = Stage(lesson, 5)
    step = next(step for step in lesson.asked if step.key == "plateau")
    truth = stage.scene("usual").told("plateau_pressure_cmh2o", 20.0, 50.0)
    assert truth is not None
    done = [{"at_s": 30.0, "kind": "inspiratory hold"}]
    assert mark(stage, step, {"value": truth + 0.9, "manoeuvres": done}).points == 1.0
    assert mark(stage, step, {"value": truth + 1.6, "manoeuvres": done}).points == 0.5
    assert mark(stage, step, {"value": truth + 5.0, "manoeuvres": done}).points == 0.0
    without = mark(stage, step, {"value": truth})
    assert without.points == 0.5
    assert "inspiratory hold" in without.said
    for answer in ({"value": truth, "manoeuvres": done}, {"value": truth}):  # whoever held nothing is shown a hold
        proof = mark(stage, step, answer).proof
        assert proof is not None
        told = [float(one.text.split(": ")[1].removesuffix(" cmH2O")) for one in proof.pointed]
        assert told == [pytest.approx(truth, abs=0.3)]


@pytest.mark.parametrize("seed", [1, 5, 9])
def test_resistance_is_asked_as_a_number_and_a_wrong_one_is_shown_what_is_divided(seed: int) -> None:
    """Constant flow: (peak − plateau) / flow (Otis 1950; textbooks). What beginners divide instead is not right."""
    lesson, step = step_of("peak-and-plateau", "resistance")
    stage = Stage(lesson, seed)
    done = [{"at_s": 30.0, "kind": "inspiratory hold"}]
    wrong = mark(stage, step, {"value": 99.0, "manoeuvres": done})
    assert wrong.points == 0.0
    assert wrong.proof is not None
    told = re.fullmatch(
        r"inspiratory hold: ([\d.]+) cmH2O, from a peak of ([\d.]+) at ([\d.]+) L/s", wrong.proof.pointed[0].text
    )
    assert told
    plateau, peak, flow = map(float, told.groups())
    assert flow == pytest.approx(40 / 60, rel=0.02)  # the set flow, 40 L/min
    assert mark(stage, step, {"value": (peak - plateau) / flow, "manoeuvres": done}).points == 1.0
    for slip in (peak - plateau, (peak - 5.0) / flow, (peak - plateau) / 40, plateau / flow):
        assert mark(stage, step, {"value": slip, "manoeuvres": done}).points == 0.0
    assert mark(stage, step, {"value": (peak - plateau) / flow}).points == 0.5  # nobody has held anything


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_more_peep_lets_no_trapped_gas_out_as_the_lesson_on_lost_efforts_says(seed: int) -> None:
    """What its reason says of both ways, held against the simulation: breaths, total PEEP, plateau, lost efforts."""
    lesson, step = step_of("ineffective-efforts", "enough")
    stage, end = Stage(lesson, seed), step.from_s + step.within_s
    assert "lets nothing out, and lifts total PEEP and plateau" in step.why

    def told(*actions: Action) -> dict[str, float]:
        scene = stage.done(step, actions)
        keys = ("total_peep_cmh2o", "plateau_pressure_cmh2o", "vte_ml", "inspiratory_time_s",
                "ineffective_effort_percent")  # fmt: skip
        return {key: scene.told(key, end - 120.0, end) or 0.0 for key in keys}

    alone, more = told(), told(Action(at_s=10.0, settings={"peep_cmh2o": 10.0}))
    less = told(*(Action.model_validate(row) for row in reference(stage, step)))
    for key in ("total_peep_cmh2o", "plateau_pressure_cmh2o"):
        assert more[key] > alone[key] + 2.0
        assert less[key] < more[key] - 4.0
    assert less["vte_ml"] < 0.8 * alone["vte_ml"]
    assert less["inspiratory_time_s"] < 0.7 * alone["inspiratory_time_s"]
    assert less["ineffective_effort_percent"] < alone["ineffective_effort_percent"] - 15.0


@pytest.mark.parametrize(
    ("key", "answer"),
    [
        ("asked-for", {"breaths": [999]}),
        ("asked-for", {"breath": [1]}),
        ("peak", {"value": "high"}),
        ("delivery", {"answer": 7}),
        ("delivery", {}),
    ],
)
def test_an_answer_that_cannot_be_is_refused(key: str, answer: dict[str, Any]) -> None:
    lesson, _ = open_lesson("reading-waveforms")
    step = next(step for step in lesson.asked if step.key == key)
    with pytest.raises((CaseError, OptionError)):
        mark(Stage(lesson, 1), step, answer)


def test_any_way_into_the_limits_counts_and_standing_still_does_not() -> None:
    lesson, _ = open_lesson("trapped-gas")
    step = next(step for step in lesson.asked if step.kind == "act")
    stage = Stage(lesson, 2)
    rate = {"actions": [{"at_s": 5.0, "settings": {"rate_per_min": 9.0}}]}
    steps = {"actions": [{"at_s": at, "settings": {"rate_per_min": value}} for at, value in ((5, 16.0), (40, 10.0))]}
    other = {"actions": [{"at_s": 5.0, "settings": {"rate_per_min": 11.0, "tidal_volume_ml": 380.0}}]}
    found = [mark(stage, step, answer) for answer in (rate, steps, other)]
    assert [one.points for one in found] == [1.0, 1.0, 1.0]
    assert all(one.inside_s and one.of_s == step.within_s for one in found)
    still = mark(stage, step, {"actions": []})
    assert still.points < 0.5
    with pytest.raises(CaseError, match="may not be changed here"):
        mark(stage, step, {"actions": [{"at_s": 5.0, "settings": {"fio2": 1.0}}]})
    with pytest.raises(CaseError, match="outside the time"):
        mark(stage, step, {"actions": [{"at_s": 9999.0 - 8999, "settings": {"rate_per_min": 9.0}}]})


@pytest.mark.parametrize("variant", ["narrow", "too-deep", "pleura", "mucus"])
def test_a_treatment_helps_against_its_own_trouble_alone(variant: str) -> None:
    lesson, _ = open_lesson("sudden-high-pressure")
    step = next(step for step in lesson.asked if step.kind == "act")
    seed = next(seed for seed in range(60) if Stage(lesson, seed).variant("treat") == variant)
    stage = Stage(lesson, seed)
    helps = {"narrow": "open-airways", "too-deep": "draw-back", "pleura": "decompress", "mucus": "suction"}
    points = {
        treatment.key: mark(stage, step, {"actions": [{"at_s": 5.0, "treatment": treatment.key}]}).points
        for treatment in step.treatments
    }
    assert points[helps[variant]] == 1.0
    assert max(value for key, value in points.items() if key != helps[variant]) <= 0.5


# --- the way through ---


def test_a_session_put_down_and_taken_up_goes_on_as_if_nothing_had_been() -> None:
    lesson, _ = open_lesson("reverse-triggers")
    whole = play(Session(lesson, 4), LEARNERS["clumsy"], np.random.default_rng(1))
    parts = Session(lesson, 4)
    while not parts.done:
        if parts.step.key in whole.answers:
            parts.answer(whole.answers[parts.step.key])
        parts = Session.restored(lesson, json.loads(json.dumps(parts.state())))
        parts.go_on()
    assert parts.result() == whole.result()
    assert parts.state() == whole.state()
    with pytest.raises(OptionError, match="another lesson"):
        Session.restored(small(), whole.state())


def test_the_first_answer_counts_and_a_question_is_not_passed_over() -> None:
    session = Session(small(), 1)
    with pytest.raises(OptionError, match="has not been answered"):
        session.go_on()
    session.answer({"value": 1.0})
    with pytest.raises(OptionError, match="has been answered"):
        session.answer({"value": 2.0})


def test_what_a_learner_sees_holds_no_truth() -> None:
    for name in ("trigger", "sudden-high-pressure", "leak-and-mask"):
        lesson, _ = open_lesson(name)
        stage = Stage(lesson, 1)
        for step in lesson.steps:
            seen = shown(stage, step)
            if seen is not None:
                assert not {"muscle_pressure", "alveolar_pressure"} & set(seen.channels)
                assert not seen.pointed


@pytest.mark.parametrize("name", lesson_names())
def test_every_lesson_can_be_taught(name: str) -> None:
    lesson, folder = open_lesson(name)
    done = check(lesson, folder, seeds=2, first_seed=101)
    assert done.problems == ()
    by_name = {row.learner: row for row in done.fared}
    assert by_name["perfect"].least == pytest.approx(1.0)
    assert by_name["random"].passed == 0


def step_of(name: str, key: str) -> tuple[Lesson, Any]:
    """A step of a shipped lesson."""
    lesson, _ = open_lesson(name)
    return lesson, next(step for step in lesson.steps if step.key == key)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_more_peep_leaves_the_pressure_above_it_as_the_question_says(seed: int) -> None:
    lesson, step = step_of("hold-manoeuvres", "more-peep")
    setting = Stage(lesson, seed).drawn(step.figure.patient).said["settings"][0]
    assert "stays 14" in step.text
    assert setting["pressure_control_cmh2o"] == 14.0
    assert set(step.settings) == {"peep_cmh2o"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_tour_says_each_thing_when_it_happens(seed: int) -> None:
    lesson, step = step_of("reading-waveforms", "tour")
    scene = Stage(lesson, seed).scene(step.figure.patient, step.figure.to_s)
    begins, climbs, out, emptied = (told.at_s for told in step.narration)
    assert np.min(np.abs(scene.start - begins)) < 0.1
    assert np.any((scene.start < climbs) & (climbs < scene.turn))
    assert np.min(np.abs(scene.turn - out)) < 0.1
    flow = scene.channels["flow"][round(emptied * scene.rate_hz)]
    assert -0.03 < flow < 0.01  # L/s: it rests
    assert np.any((scene.turn < emptied) & (emptied < scene.end))


@pytest.mark.parametrize(
    ("name", "key", "truth", "least", "most"),
    [
        ("double-triggers", "mend-it", "volume_per_kg_ml_kg", None, 8.0),
        ("protective-ventilation", "inside", "driving_pressure_cmh2o", None, 15.0),
        ("child", "give-time", "volume_per_actual_kg_ml_kg", 5.0, 8.0),
        ("ineffective-efforts", "enough", "volume_per_kg_ml_kg", 3.5, None),
    ],
)
def test_no_limit_of_an_act_contradicts_what_the_lessons_teach(
    name: str, key: str, truth: str, least: float | None, most: float | None
) -> None:
    _, step = step_of(name, key)
    bound = next(bound for bound in step.limits if bound.truth == truth)
    assert least is None or (bound.least is not None and bound.least >= least)
    assert most is None or (bound.most is not None and bound.most <= most)


@pytest.mark.parametrize(
    ("settings", "right"),
    [
        ({"inspiratory_time_s": 1.7, "pressure_control_cmh2o": 4.0}, True),
        ({"trigger_flow_l_min": 8.0}, False),
        ({"trigger_flow_l_min": 20.0}, False),
        ({"rate_per_min": 30.0}, False),
    ],
)
def test_double_triggers_are_not_mended_by_a_machine_that_no_longer_listens(
    settings: dict[str, float], right: bool
) -> None:
    lesson, step = step_of("double-triggers", "mend-it")
    found = mark(Stage(lesson, 2), step, {"actions": [{"at_s": 10.0, "settings": settings}]})
    assert found.right is right


@pytest.mark.parametrize("name", ["preterm", "child"])
def test_volumes_of_the_very_young_are_told_by_actual_weight(name: str) -> None:
    lesson, step = step_of(name, "per-kg")
    stage = Stage(lesson, 2)
    scene = stage.scene(step.figure.patient, step.figure.to_s)
    assert scene.solution is not None
    weight = scene.solution.scenario.patient.weight_kg
    assert weight is not None
    found = mark(stage, step, perfect(stage, step, np.random.default_rng(0)))
    assert found.right
    assert found.parts[0].what == "tidal volume per actual weight"
    told = scene.told("vte_ml", step.figure.from_s, step.figure.to_s)
    assert told is not None
    assert scene.told(step.truth, step.figure.from_s, step.figure.to_s) == pytest.approx(told / weight)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_mask_that_slips_leaks_more_than_before_it_slipped(seed: int) -> None:
    lesson, step = step_of("leak-and-mask", "grows")
    stage = Stage(lesson, seed)
    assert ways(stage, step)["leak_percent"] == ("rises",)
    share = true_value(stage, step_of("leak-and-mask", "share")[1])
    assert share is not None
    assert 15 < share < 80  # a share that is worth reading


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_lung_that_gives_up_what_it_held_leaks_nothing(seed: int) -> None:
    """Gas that comes back beyond what went in is no leak (common practice, no source)."""
    lesson, step = step_of("sudden-low-volume", "restore")
    leak = Stage(lesson, seed).done(step, ()).values("leak_percent")
    assert np.nanmin(leak) == 0.0


def test_a_wrong_answer_is_not_told_that_what_it_claims_was_there() -> None:
    lesson, step = step_of("peak-and-plateau", "which")
    stage = Stage(lesson, 1)
    right = right_answers(stage, step)
    for place, answer in enumerate(offered(stage, step), start=1):
        said = mark(stage, step, {"answer": place}).said
        claimed = "For that you would see: " + answer.reason
        assert said.startswith(claimed) is (answer.variant is not None and not right[place - 1])


def test_check_names_what_is_wrong_with_a_lesson() -> None:
    easy = {**SMALL["steps"][0], "tolerance": 1000.0}
    words = " ".join(check(lesson_from(changed(steps=[easy], minutes=30)), seeds=3).problems)
    assert "random learners pass" in words
    assert "fewer than three steps" in words
    assert "its steps take 1 min" in words


def test_check_names_a_prediction_that_is_right_where_nothing_moves() -> None:
    idle = {**FORESEEN, "asks": [{"truth": "peak_pressure_cmh2o", "same": 500.0}]}
    words = " ".join(check(lesson_from(changed(steps=[idle])), seeds=1).problems)
    assert "step flow: who does nothing gets full marks" in words


def test_breaths_nobody_asked_for_are_not_stopped_by_a_trigger_that_nobody_reaches() -> None:
    lesson, step = step_of("auto-triggers", "stop-them")
    stage = Stage(lesson, 1)
    for trigger, right in ((9.0, True), (20.0, False)):
        found = mark(stage, step, {"actions": [{"at_s": 10.0, "settings": {"trigger_flow_l_min": trigger}}]})
        assert found.right is right


def test_wrong_answers_come_with_a_figure_that_stands_alone() -> None:
    lesson, _ = open_lesson("trigger")
    stage = Stage(lesson, 1)
    step = next(step for step in lesson.asked if step.key == "unanswered")
    proof = mark(stage, step, {"breaths": []}).proof
    assert proof is not None
    assert "muscle_pressure" in proof.channels
    assert proof.pointed
    drawn = picture(proof)
    assert drawn.svg.startswith("<?xml")
    assert "missed: ineffective effort" in drawn.alt
    told = json.loads(json.dumps(proof.as_json(), allow_nan=False))
    assert len(told["time_s"]) == len(told["channels"][0]["values"])


def test_a_debrief_tells_deeds_crossings_and_the_reference() -> None:
    lesson, _ = open_lesson("trapped-gas")
    session = play(Session(lesson, 2), LEARNERS["still"], np.random.default_rng(1))
    (told,) = debriefs(session)
    assert told.reached_s is None
    assert told.reference_reached_s is not None
    assert told.inside_s < told.reference_inside_s <= told.of_s
    assert any(row.who == "reference" and "set rate 10 /min" in row.text for row in told.rows)
    assert all(len(limit.yours) == len(told.time_s) == len(limit.reference) for limit in told.limits)
    assert told.inside == ()
    assert "not at the end" in summary(told)


def test_the_timeline_of_a_run_shows_when_all_limits_were_kept_and_what_was_done() -> None:
    lesson, folder = open_lesson("trapped-gas")
    step = lesson.steps[-1]
    assert isinstance(step, Act)
    rows = [{"at_s": 20.0, "settings": {"rate_per_min": 15.0}}, {"at_s": 100.0, "settings": {"rate_per_min": 11.0}}]
    told = debrief(Stage(lesson, 5, folder), step, {"actions": rows})
    assert sum(end - start for start, end in told.inside) == told.inside_s
    assert sum(end - start for start, end in told.reference_inside) == told.reference_inside_s
    assert told.inside[-1][1] == step.within_s
    assert told.inside[-1][0] + GRID_S == told.reached_s  # a moment stands for the time since the one before
    assert [(limit.least, limit.most) for limit in told.limits] == [(None, 1.5), (7.2, None), (3.5, None)]
    drawn = debrief_picture(told)
    for words in ("set rate 15 /min", "set rate 11 /min", "intrinsic PEEP: at most 1.5"):
        assert words in drawn.alt
    assert "reference" in drawn.svg


# --- the record ---


def attempt_of(record: Record, learner: str, how: str = "perfect", seed: int = 1) -> int:
    """An attempt at the small lesson, kept to its end."""
    lesson = small()
    number = record.begin("small", lesson, seed, learner, "Ward A")
    session = play(Session(lesson, seed), LEARNERS[how], np.random.default_rng(seed))
    for key, answer in session.answers.items():
        record.keep(number, answer, session.marks[key])
    record.end(number, session)
    return number


def test_attempts_retakes_and_expiry_are_kept(tmp_path: Path) -> None:
    record = Record(tmp_path / "r.sqlite")
    for learner, how in (("A", "still"), ("A", "perfect"), ("", "perfect"), ("", "perfect")):
        attempt_of(record, learner, how)
    rows = record.attempts()
    assert [row.retake for row in rows] == [0, 1, 0, 0]  # nobody's attempts are no retakes of each other
    assert [row.passed for row in rows] == [0, 1, 1, 1]
    assert rows[0].expires is None
    today = datetime.now(UTC).date()
    assert date.fromisoformat(str(rows[1].expires)).year == today.year + 1
    assert record.objectives(1) == [("read", 0.0, 3, None, None)]


def test_changes_that_come_together_share_a_write_and_one_that_fails_takes_no_other_with_it(tmp_path: Path) -> None:
    record, lesson = Record(tmp_path / "r.sqlite"), small()
    writes: list[str] = []
    record._db.set_trace_callback(lambda said: writes.append(said) if said == "COMMIT" else None)
    many = 40

    def begun(number: int) -> str:
        def work(db: Any) -> None:
            record.insert(db, "small", lesson, 1, f"learner {number}")
            if number % 10 == 3:
                raise OptionError("not this one")

        try:
            record.together(work)
        except OptionError:
            return "refused"
        return f"learner {number}"

    with ThreadPoolExecutor(many) as pool:
        record._turn.acquire()  # the disk is busy until everybody waits
        waiting = [pool.submit(begun, number) for number in range(many)]
        while len(record._waiting) < many:
            time.sleep(0.01)
        record._turn.release()
        done = [one.result() for one in waiting]
    assert done.count("refused") == 4
    assert sorted(row.learner for row in record.attempts()) == sorted(one for one in done if one != "refused")
    assert len(writes) == 1


def test_csv_has_a_row_for_each_objective_and_no_formula(tmp_path: Path) -> None:
    record = Record(tmp_path / "r.sqlite")
    attempt_of(record, "=1+1")
    assert record.write_csv(tmp_path / "out.csv") == 1
    (row,) = csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text(encoding="utf-8")))
    assert row["learner"] == "'=1+1"
    assert (row["points"], row["objective"], row["objective_points"]) == ("3.0", "read", "3.0")


def test_a_learner_is_forgotten_and_old_attempts_go(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    record = Record(path)
    attempt_of(record, "Forgettable Name")
    attempt_of(record, "B")
    record.observe("small", small(), 2, True, "Forgettable Name", "Assessor")
    assert record.forget("Forgettable Name") == 2
    record.close()
    assert b"Forgettable" not in path.read_bytes()
    record = Record(path)
    assert [row.learner for row in record.attempts()] == ["B"]
    assert record.keep_days(1) == 0
    record._db.execute("UPDATE attempt SET begun = '2001-01-01T00:00:00+00:00'")
    assert record.keep_days(30) == 1
    assert record.attempts() == []
    with pytest.raises(OptionError, match="nobody is named"):
        record.forget("")


def test_a_file_that_is_no_record_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.sqlite"
    path.write_text("not a record", encoding="utf-8")
    with pytest.raises(OutputError, match="can't be used"):
        Record(path)
    assert path.read_text(encoding="utf-8") == "not a record"
    import sqlite3

    other = sqlite3.connect(tmp_path / "other.sqlite")
    other.execute("CREATE TABLE mine (x)")
    other.commit()
    with pytest.raises(OutputError, match="no record of lessons"):
        Record(tmp_path / "other.sqlite")


KILLED = """
import sys
from pathlib import Path
from tidebench.lessons.marking import Mark
from tidebench.lessons.record import Record
from tests.unit.test_lessons import small
record = Record(Path(sys.argv[1]))
number = record.begin("small", small(), 1, "K", "")
for k in range(100000):
    record.keep(number, {"value": k}, Mark(f"step-{k}", "read", 1.0, "", ()))
    print(number, k, flush=True)
"""


def test_no_answer_that_was_acknowledged_is_lost_in_ten_kills(tmp_path: Path) -> None:
    path, rng = tmp_path / "r.sqlite", np.random.default_rng(3)
    root = Path(__file__).parents[2]
    acknowledged: list[tuple[int, int]] = []
    for _ in range(10):
        running = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, text=True, cwd=root
        )
        assert running.stdout is not None
        for _ in range(int(rng.integers(1, 60))):
            number, k = map(int, running.stdout.readline().split())
            acknowledged.append((number, k))
        running.kill()
        running.communicate()
    rows = Record(path)._db.execute("SELECT attempt, step FROM answer").fetchall()
    kept = {(attempt, int(step.removeprefix("step-"))) for attempt, step in rows}
    assert len(acknowledged) > 50
    assert set(acknowledged) <= kept


def test_an_attempt_is_taken_up_from_the_record(tmp_path: Path) -> None:
    record, lesson = Record(tmp_path / "r.sqlite"), small()
    number = record.begin("small", lesson, 7)
    session = Session(lesson, 7)
    found = session.answer({"value": 20.0})
    record.keep(number, {"value": 20.0}, found)
    session.go_on()
    record.walked(number, session.place)
    again = record.resumed(number, lesson)
    assert again.state() == session.state()
    with pytest.raises(OptionError, match="no attempt 99"):
        record.resumed(99, lesson)


# --- on paper ---


def words(path: Path) -> str:
    """The text of a PDF, spaces single."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())


def test_a_kit_holds_every_page_and_the_key_follows_from_the_truth(tmp_path: Path) -> None:
    lesson, folder = open_lesson("trapped-gas")
    pages = write_kit(lesson, folder, 3, ("Ward A", "Ward B"), tmp_path / "kit")
    assert [page.stem for page in pages] == list(PAGES)
    told = {page.stem: words(page) for page in pages}
    truth = Stage(lesson, 3).scene("narrow").told("total_peep_cmh2o", 40.0, 75.0)
    assert f"{truth:.1f}" in told["key"]
    assert f"{truth:.1f}" not in told["quiz"]
    assert told["quiz"].count("stays about the same") == sum(
        len(step.asks) for step in lesson.asked if isinstance(step, Predict)
    )
    assert "half for the right manoeuvres" in told["key"]
    assert "say which manoeuvres" in told["quiz"]
    assert "It takes" not in told["quiz"]
    assert "Ward B" in told["roster"]
    assert "A quiz is not competency" in told["skills"]
    assert "expires after 12 months" in told["skills"]
    assert len(PdfReader(pages[PAGES.index("handout")]).pages) == 1
    for text in told.values():
        assert "Not a medical device" in text
    with pytest.raises(OutputError):
        write_kit(lesson, folder, 3, (), tmp_path)
    with pytest.raises(OptionError, match="-1 is no seed"):
        write_kit(lesson, folder, -1, (), tmp_path / "other")


@pytest.mark.parametrize(("sites", "pages"), [(0, 1), (1, 1), (2, 1), (6, 1), (24, 4)])
def test_a_roster_fills_its_pages_with_lines(sites: int, pages: int) -> None:
    from tidebench.lessons.kit import _head, _roster
    from tidebench.report.lessons import kit_pdf

    lesson, folder = open_lesson("trapped-gas")
    named = tuple(f"Ward {k}" for k in range(sites))
    page = _head(lesson, 1, "roster") | _roster(lesson, Stage(lesson, 1, folder), named)
    assert page["lines"] >= 3
    assert page["lines"] * max(sites, 6) >= 18
    read = PdfReader(io.BytesIO(kit_pdf(page)))
    assert len(read.pages) == pages


def test_the_key_of_a_question_tells_the_right_answer_apart_from_the_others() -> None:
    lesson, folder = open_lesson("peak-and-plateau")
    stage = Stage(lesson, 3, folder)
    rows = kit_pages(lesson, folder, 3, ())["key"]["rows"]
    asked = [(step, row) for step, row in zip(lesson.asked, rows, strict=True) if isinstance(step, Choose)]
    assert asked
    for step, row in asked:
        right, answers = right_answers(stage, step), offered(stage, step)
        best = answers[right.index(True)]
        assert row["truth"] == [f"{best.text} {best.reason}"]
        assert len(row["reasons"]) == len(answers) - 1
        assert not any(best.text in line for line in row["reasons"])


@pytest.mark.parametrize("name", lesson_names())
def test_every_handout_fits_on_one_page(name: str, tmp_path: Path) -> None:
    from tidebench.lessons.kit import _handout, _head
    from tidebench.report.lessons import kit_pdf

    lesson, folder = open_lesson(name)
    page = _head(lesson, 1, "handout") | _handout(lesson, Stage(lesson, 1, folder), ())
    assert len(PdfReader(io.BytesIO(kit_pdf(page))).pages) == 1


def test_a_record_is_printed_with_what_was_observed(tmp_path: Path) -> None:
    record = Record(tmp_path / "r.sqlite")
    attempt_of(record, "A. Learner")
    record.observe("small", small(), 1, True, "A. Learner", "B. Assessor", "Ward A")
    told = words(write_record(record, "A. Learner", tmp_path / "out"))
    assert "3.0 of 3" in told
    assert "Does it" in told
    assert "B. Assessor" in told
    with pytest.raises(OptionError, match="nothing is kept"):
        write_record(record, "Nobody", tmp_path / "out")
    with pytest.raises(OptionError, match="needs a learner and an assessor"):
        record.observe("small", small(), 1, True, "", "B")


def test_a_patient_is_simulated_as_far_as_is_looked_at_and_goes_on_from_there() -> None:
    lesson, folder = open_lesson("trapped-gas")
    first, whole = Stage(lesson, 4, folder), Stage(lesson, 4, folder)
    looked = first.scene("narrow", 52.0)
    assert looked.duration_s == pytest.approx(64.0)
    one, other = first.scene("narrow"), whole.scene("narrow")
    np.testing.assert_array_equal(one.channels["airway_pressure"], other.channels["airway_pressure"])
    assert one.table.equals(other.table)
    n = len(looked.channels["flow"])
    np.testing.assert_array_equal(looked.channels["flow"], other.channels["flow"][:n])
    inside = looked.inside(40.0, 52.0)
    told = [scene.values("intrinsic_peep_cmh2o")[inside] for scene in (looked, other)]
    np.testing.assert_array_equal(told[0], told[1])


# --- from a case ---


def test_a_case_becomes_a_lesson_that_tells_nobody_who_it_was(tmp_path: Path) -> None:
    from tidebench.case import load_case
    from tidebench.lessons.making import make_lesson
    from tidebench.marks import Mark as Word
    from tidebench.marks import add_mark
    from tidebench.review import review
    from tidebench.simulation import simulate_case

    said = {
        "who": "strong-heartbeat", "title": "Bed nine, unforgettable", "duration_s": 260, "seed": 5,
        "patient": {"sex": "male", "height_cm": 187.0, "age_years": 101.0},
        "settings": [{"trigger_flow_l_min": 3.0, "rate_per_min": 12.0}, {"at_s": 140.0, "trigger_flow_l_min": 9.0}],
    }  # fmt: skip
    case = tmp_path / "case"
    simulate_case(said, case)
    done = review(load_case(case))
    rows = list(done.findings.filter(pl.col("kind") == "auto-trigger").iter_rows(named=True))
    assert len(rows) > 6
    rejected, *others = rows
    for row in others:
        add_mark(case, Word(done.summary["recording_id"], row["kind"], row["start_s"], "confirmed", "note!", "Dr. Who"))
    add_mark(case, Word(done.summary["recording_id"], rejected["kind"], rejected["start_s"], "rejected"))
    (case / "review").mkdir()
    told = make_lesson(case / "review", tmp_path / "lesson")
    assert told[0] == "find: auto trigger, from marks"
    lesson = load_lesson(tmp_path / "lesson")
    step = next(step for step in lesson.steps if isinstance(step, Find))
    stage = Stage(lesson, 1, tmp_path / "lesson")
    yes, near = wanted(stage, step)
    assert yes.sum() >= 2
    assert not near.any()
    assert mark(stage, step, {"breaths": (np.flatnonzero(yes) + 1).tolist()}).points == 1.0
    for file in (tmp_path / "lesson").iterdir():
        content = file.read_bytes()
        assert not any(word in content for word in (b"unforgettable", b"187", b"101.0", b"Dr. Who", b"note!", b"male"))
    first = pl.read_parquet(tmp_path / "lesson" / "case_signals.parquet")["time_s"][0]
    assert first == 0.0


def test_a_case_of_which_nothing_can_be_asked_is_refused(tmp_path: Path) -> None:
    from tidebench.lessons.making import make_lesson
    from tidebench.simulation import simulate_case

    simulate_case({"who": "adult-healthy", "duration_s": 60}, tmp_path / "case")
    with pytest.raises(OptionError, match="nothing of this case can be asked"):
        make_lesson(tmp_path / "case", tmp_path / "lesson")
    assert not (tmp_path / "lesson").exists()
