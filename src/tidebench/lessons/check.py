"""A lesson tried before anybody is taught by it: played by made-up learners over many seeds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tidebench.errors import TidebenchError
from tidebench.lessons.format import Act, Choose, Find, Lesson, Measure, Predict
from tidebench.lessons.learners import LEARNERS, play
from tidebench.lessons.marking import RIGHT, right_answers, tolerance, true_value, wanted
from tidebench.lessons.reader import read_value
from tidebench.lessons.session import Session
from tidebench.lessons.stage import Stage

MOST_LUCKY = 0.05
"""Share of random learners who may pass."""
LEAST_FOUND = 2  # breaths to be marked, and as many not to be
MINUTES_OFF = 3.0  # between a lesson's minutes and those of its steps


@dataclass(frozen=True)
class Fared:
    """How one kind of learner fared: how many were tried, the share that passed, mean and least marks (shares)."""

    learner: str
    tried: int
    passed: float
    mean: float
    least: float


@dataclass(frozen=True)
class Checked:
    """What the check of a lesson found: nothing in ``problems`` is a lesson that can be taught."""

    title: str
    seeds: int
    fared: tuple[Fared, ...]
    read: int
    readable: int
    problems: tuple[str, ...]

    @property
    def good(self) -> bool:
        """True where there is no problem."""
        return not self.problems


def check(
    lesson: Lesson,
    folder: Path | None = None,
    seeds: int = 10,
    first_seed: int = 1,
    progress: Callable[[str, float], None] | None = None,
) -> Checked:
    """Play a lesson with perfect, clumsy, random and still learners over seeds.

    Parameters
    ----------
    lesson : Lesson
    folder : Path, optional
        Where it lies, for one with a recorded case.
    seeds : int
        How many patients of each are drawn.
    first_seed : int
        The seeds are this one and those that follow.
    progress : callable, optional
        Told the lesson's title and which share of its seeds is done.
    """
    problems: list[str] = []
    shares: dict[str, list[float]] = {name: [] for name in LEARNERS}
    passes: dict[str, list[bool]] = {name: [] for name in LEARNERS}
    lost: dict[str, list[int]] = {}
    readings: list[bool] = []
    for at, seed in enumerate(range(first_seed, first_seed + seeds)):
        if progress:
            progress(lesson.title, at / seeds)
        try:
            stage = Stage(lesson, seed, folder)
            problems += _askable(lesson, stage)
            for name, learner in LEARNERS.items():
                session = Session(lesson, seed, folder)
                session.stage = stage
                play(session, learner, np.random.default_rng([seed, *name.encode()]))
                result = session.result()
                shares[name].append(result.points / result.of)
                passes[name].append(result.passed)
                if name == "perfect":
                    for key in [key for key, found in session.marks.items() if found.points < RIGHT]:
                        lost.setdefault(key, []).append(seed)
                if name == "still":
                    problems += [
                        f"step {key}: who does nothing gets full marks (seed {seed})"
                        for key, found in session.marks.items()
                        if found.right and isinstance(_step(lesson, key), (Act, Find, Predict))
                    ]
            read, wrong = _read(lesson, stage)
            readings += read
            problems += wrong
        except TidebenchError as error:
            problems.append(f"seed {seed}: {error}")
    problems += [f"step {key}: even the perfect learner loses marks (seeds {where})" for key, where in lost.items()]
    fared = tuple(
        Fared(name, len(got), float(np.mean(passes[name])), float(np.mean(got)), float(np.min(got)))
        for name, got in shares.items()
        if got
    )
    lucky = next((row.passed for row in fared if row.learner == "random"), 0.0)
    if lucky > MOST_LUCKY:
        problems.append(f"{100 * lucky:.0f} % of random learners pass; at most {100 * MOST_LUCKY:.0f} % may")
    problems += _whole(lesson)
    return Checked(lesson.title, seeds, fared, sum(readings), len(readings), tuple(dict.fromkeys(problems)))


def _step(lesson: Lesson, key: str) -> object:
    return next(step for step in lesson.steps if step.key == key)


def _whole(lesson: Lesson) -> list[str]:
    problems = []
    minutes = sum(step.minutes for step in lesson.steps)
    if abs(minutes - lesson.minutes) > MINUTES_OFF:
        problems.append(f"its steps take {minutes:g} min, and it says {lesson.minutes}")
    if len(lesson.asked) < 3:
        problems.append("fewer than three steps are marked: luck could pass it")
    return problems


def _askable(lesson: Lesson, stage: Stage) -> list[str]:
    """Questions that have no fair answer for this seed."""
    problems, at = [], f"(seed {stage.seed})"
    for step in lesson.asked:
        if isinstance(step, Find):
            yes, near = wanted(stage, step)
            there, others = int(np.sum(yes[near == 0])), int(np.sum(1 - yes[near == 0]))
            if there < LEAST_FOUND or others < LEAST_FOUND:
                problems.append(f"step {step.key}: {there} breaths to be marked and {others} others {at}")
        elif isinstance(step, Measure) and true_value(stage, step) is None:
            problems.append(f"step {step.key}: the truth can't be told {at}")
        elif isinstance(step, Choose):
            right = sum(right_answers(stage, step))
            computed = any(answer.right is None for answer in step.answers)
            if right == 0 or right == len(step.answers) or (computed and right != 1):
                problems.append(f"step {step.key}: {right} of {len(step.answers)} answers are right {at}")
    return problems


def _read(lesson: Lesson, stage: Stage) -> tuple[list[bool], list[str]]:
    """Whether what a review reads from the signals alone, as a good reader would, is near enough to the truth."""
    told, problems = [], []
    for step in lesson.asked:
        if not isinstance(step, Measure):
            continue
        read, truth = read_value(stage, step), true_value(stage, step)
        if read is None or truth is None:
            continue
        near = abs(read - truth) <= tolerance(step, truth)
        told.append(near)
        if not near:
            problems.append(
                f"step {step.key}: the signals tell {read:.4g}, the truth is {truth:.4g} (seed {stage.seed})"
            )
    return told, problems
