"""One learner's way through a lesson: a state that can be put down, carried elsewhere and taken up again."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tidebench.bench.said import told as told_setting
from tidebench.errors import OptionError
from tidebench.lessons.format import ASKED, Act, Choose, Find, Lesson, Measure, Predict, Show, Step, patient_of
from tidebench.lessons.marking import Mark, mark, offered
from tidebench.lessons.stage import Stage
from tidebench.lessons.stretch import Stretch, stretch
from tidebench.lessons.truths import TRUTHS
from tidebench.quantities import TABLES
from tidebench.views.wording import listed, settings_words

LEAST_OF_OBJECTIVE = 0.5  # of the marks of each objective, to pass: this house's choice
LOOK_S = 20.0
WHO = ("age_years", "age_days", "gestational_age_weeks", "height_cm", "length_cm", "weight_kg")


@dataclass(frozen=True)
class Result:
    """What a lesson came to.

    Attributes
    ----------
    points, of : float
        Marks, and how many there are.
    objectives : dict of str to tuple of float
        Marks and how many there are, by objective.
    passed : bool
        The share asked for overall, and half of every objective.
    """

    points: float
    of: float
    objectives: dict[str, tuple[float, float]]
    passed: bool


class Session:
    """A lesson under way: which step, what was answered, what it was worth. It neither prints nor stores.

    Parameters
    ----------
    lesson : Lesson
    seed : int
        Draws the patients: the same seed gives the same ones.
    folder : Path, optional
        Where the lesson lies, for one with a recorded case.
    """

    def __init__(self, lesson: Lesson, seed: int, folder: Path | None = None) -> None:
        self.lesson, self.seed = lesson, seed
        self.stage = Stage(lesson, seed, folder)
        self.place = 0
        self.answers: dict[str, dict[str, Any]] = {}
        self.marks: dict[str, Mark] = {}

    @property
    def done(self) -> bool:
        """True after the last step."""
        return self.place >= len(self.lesson.steps)

    @property
    def step(self) -> Step:
        """The step to be taken.

        Raises
        ------
        OptionError
            The lesson is over.
        """
        if self.done:
            raise OptionError("the lesson is over", where=self.lesson.title)
        return self.lesson.steps[self.place]

    @property
    def mark(self) -> Mark | None:
        """What the answer to this step was worth; None before there is one."""
        return self.marks.get(self.step.key)

    def look(self) -> Stretch | None:
        """What a learner sees at this step: sensors' signals alone, no truth."""
        return shown(self.stage, self.step)

    def answer(self, answer: Mapping[str, Any]) -> Mark:
        """Answer the step; the first answer counts, and a second is refused.

        Raises
        ------
        OptionError
            The step asks nothing, has been answered, or the answer can't be.
        CaseError
            It is no answer to this step.
        """
        step = self.step
        if not isinstance(step, ASKED):
            raise OptionError("this step asks nothing", where=step.title)
        if step.key in self.marks:
            raise OptionError("this step has been answered", where=step.title, remedy="Go on, or begin anew.")
        found = mark(self.stage, step, answer)
        self.answers[step.key], self.marks[step.key] = dict(answer), found
        return found

    def go_on(self) -> None:
        """To the next step.

        Raises
        ------
        OptionError
            The step has not been answered.
        """
        if isinstance(self.step, ASKED) and self.step.key not in self.marks:
            raise OptionError("this step has not been answered", where=self.step.title)
        self.place += 1

    def result(self) -> Result:
        """Marks so far; steps that were not answered count as nothing."""
        objectives: dict[str, tuple[float, float]] = {row.key: (0.0, 0.0) for row in self.lesson.objectives}
        for step in self.lesson.asked:
            found = self.marks.get(step.key)
            points, of = objectives[step.objective]
            objectives[step.objective] = (points + (found.points if found else 0.0), of + 1.0)
        points, of = (sum(row[k] for row in objectives.values()) for k in (0, 1))
        share = 100 * points >= self.lesson.pass_percent * of - 1e-9
        each = all(row[0] >= LEAST_OF_OBJECTIVE * row[1] for row in objectives.values())
        return Result(points, of, objectives, share and each)

    # --- put down and taken up ---

    def state(self) -> dict[str, Any]:
        """The session as plain values: lesson's identity, seed, place and answers. Marks follow from them."""
        return {
            "lesson": identity(self.lesson), "seed": self.seed, "place": self.place,
            "answers": {key: dict(answer) for key, answer in self.answers.items()},
        }  # fmt: skip

    @classmethod
    def restored(cls, lesson: Lesson, state: Mapping[str, Any], folder: Path | None = None) -> Session:
        """A session as it was put down; answers are marked again, and come out the same.

        Raises
        ------
        OptionError
            It belongs to another lesson, or to another version of this one.
        """
        if state["lesson"] != identity(lesson):
            raise OptionError(
                "it belongs to another lesson, or to another version of this one", where="session",
                remedy="Begin the lesson anew.",
            )  # fmt: skip
        session = cls(lesson, int(state["seed"]), folder)
        for place in range(len(lesson.steps)):
            session.place = place
            if (answer := state["answers"].get(session.step.key)) is not None:
                session.answer(answer)
        session.place = int(state["place"])
        return session


def identity(lesson: Lesson) -> str:
    """A hash of all that a lesson says."""
    return hashlib.sha256(lesson.model_dump_json().encode()).hexdigest()[:16]


def shown(stage: Stage, step: Any) -> Stretch | None:
    """What a learner sees at a step; None where there is nothing to see."""
    if isinstance(step, Act):
        scene = stage.done(step, ())
        first = max(0.0, step.from_s - LOOK_S)
        return stretch(scene, first, step.from_s, step.channels, step.title)
    figure = getattr(step, "figure", None)
    if figure is None:
        return None
    last = step.at_s if isinstance(step, Predict) else figure.to_s
    scene = stage.scene(figure.patient, last)
    return stretch(scene, figure.from_s, last, figure.channels, step.title, caption=figure.caption)


def asked_words(stage: Stage, step: Any) -> list[str]:
    """What a step asks, in sentences, beyond its own text."""
    if isinstance(step, Find):
        return ["Give the numbers of the breaths."]
    if isinstance(step, Measure):
        known = TRUTHS[step.truth]
        unit = f" in {known.unit}" if known.unit else ""
        return [f"Give the {known.label}{unit}.", *(f"It takes an {kind}." for kind in step.needs)]
    if isinstance(step, Predict):
        return [f"The {TRUTHS[ask.truth].label}: falls, stays about the same, or rises?" for ask in step.asks]
    if isinstance(step, Act):
        minutes = f"{step.within_s / 60:g} min"
        return [f"Within {minutes}, and kept for the last {step.keep_s:g} s:", *limit_words(step)]
    if isinstance(step, Choose):
        return [f"{place}  {answer.text}" for place, answer in enumerate(offered(stage, step), start=1)]
    if isinstance(step, Show):
        return [f"{told.at_s:g} s: {told.text}" for told in step.narration]
    return []


def limit_words(step: Act) -> list[str]:
    """The limits of an act step."""
    told = []
    for bound in step.limits:
        known = TRUTHS[bound.truth]
        low, high = (known.text(edge) if edge is not None else "" for edge in (bound.least, bound.most))
        words = f"{low} to {high}" if low and high else f"at least {low}" if low else f"at most {high}"
        told.append(f"{known.label}: {words}")
    return told


def patient_words(stage: Stage, step: Any) -> list[str]:
    """Who lies there, how it is ventilated when the step begins, and what is seen at the bed."""
    from tidebench.simulation import scenario_from

    name = patient_of(step)
    if name is None:
        return []
    if stage.lesson.patients[name].case:
        return ["A recorded patient, without anything that would tell who it was."]
    drawn = stage.drawn(name)
    scenario = scenario_from(drawn.said)
    begins = step.from_s if isinstance(step, Act) else step.figure.from_s
    told = [
        f"{TABLES['patient'][key].label} {TABLES['patient'][key].text(value)}"
        for key, value in scenario.patient.model_dump(exclude_none=True).items()
        if key in WHO and isinstance(value, float)
    ]
    sex = f"{scenario.patient.sex}, " if scenario.patient.sex else ""
    words = [f"An invented patient: {sex}{listed(told)}."]
    if not isinstance(step, Choose):  # settings would give away what is asked
        words.append(settings_words(told_setting(scenario.setting_at(begins))))
    return [*words, *([f"At the bed: {drawn.bedside}"] if drawn.bedside else [])]
