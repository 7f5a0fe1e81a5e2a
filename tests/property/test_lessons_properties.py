"""Variation: a seed reproduces a patient exactly, another seed draws another one, and the objective stays."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidebench.lessons import Session, lesson_names, open_lesson
from tidebench.lessons.format import Lesson
from tidebench.lessons.learners import LEARNERS, play
from tidebench.lessons.patients import draw

NAMES = st.sampled_from(lesson_names())
SEEDS = st.integers(0, 2**31 - 1)


def virtual(lesson: Lesson) -> list[str]:
    """Names of the patients that are drawn."""
    return [name for name, patient in lesson.patients.items() if patient.scenario is not None]


@given(NAMES, SEEDS)
@settings(max_examples=60, deadline=None)
def test_a_seed_draws_the_same_patients(name: str, seed: int) -> None:
    lesson, _ = open_lesson(name)
    for patient in virtual(lesson):
        assert draw(lesson.patients[patient], patient, seed) == draw(lesson.patients[patient], patient, seed)


@given(NAMES, SEEDS, SEEDS)
@settings(max_examples=60, deadline=None)
def test_other_seeds_draw_others_within_the_ranges(name: str, one: int, other: int) -> None:
    lesson, _ = open_lesson(name)
    for patient in virtual(lesson):
        said = [draw(lesson.patients[patient], patient, seed).said for seed in (one, other)]
        assert (said[0] == said[1]) == (one == other)
        for key, (low, high) in lesson.patients[patient].ranges.items():
            node: Any = said[0]
            for part in key.split("."):
                node = node[int(part)] if isinstance(node, list) else node[part]
            assert low * 0.994 <= node <= high * 1.006  # drawn values keep three figures


@given(st.sampled_from(("reverse-triggers", "reading-waveforms", "two-levels")), st.integers(0, 10**6))
@settings(max_examples=8, deadline=None)
def test_a_perfect_learner_passes_with_any_seed_and_marks_are_the_same_again(name: str, seed: int) -> None:
    lesson, folder = open_lesson(name)
    first, again = (
        play(Session(lesson, seed, folder), LEARNERS["perfect"], np.random.default_rng(0)) for _ in range(2)
    )
    assert first.result().passed
    assert first.result().points == pytest.approx(first.result().of)
    assert first.result() == again.result()
    assert first.answers == again.answers


@given(st.sampled_from(("reverse-triggers", "double-triggers", "auto-triggers")), st.integers(0, 10**6))
@settings(max_examples=8, deadline=None)
def test_marks_lie_between_none_and_all_whatever_is_answered(name: str, seed: int) -> None:
    lesson, folder = open_lesson(name)
    session = play(Session(lesson, seed, folder), LEARNERS["random"], np.random.default_rng(seed))
    assert all(0.0 <= found.points <= 1.0 for found in session.marks.values())
    assert Session.restored(lesson, session.state(), folder).result() == session.result()
