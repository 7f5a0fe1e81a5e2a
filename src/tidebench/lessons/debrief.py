"""A run looked at afterwards: what the learner did, what the patient did, beside a way that works."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tidebench.lessons.format import Act, Action, Treatment
from tidebench.lessons.learners import reference
from tidebench.lessons.marking import GRID_S, Path, path
from tidebench.lessons.scene import resolved
from tidebench.lessons.session import Session, limit_words
from tidebench.lessons.stage import Stage
from tidebench.lessons.truths import TRUTHS, Values
from tidebench.quantities import quantity
from tidebench.views.wording import listed, setting_words


@dataclass(frozen=True)
class Row:
    """A moment of the timeline: what was done in words, or how the patient stood against the limits."""

    at_s: float
    who: str
    text: str


@dataclass(frozen=True)
class Limit:
    """One limit along a run: its words and, at each moment, the learner's value and that of the reference."""

    words: str
    label: str
    unit: str
    yours: Values
    reference: Values
    inside_s: float
    reference_inside_s: float


@dataclass(frozen=True)
class Debrief:
    """One act step told afterwards; times count from its start."""

    title: str
    rows: tuple[Row, ...]
    time_s: Values
    limits: tuple[Limit, ...]
    reached_s: float | None
    reference_reached_s: float | None
    inside_s: float
    reference_inside_s: float
    of_s: float


def debriefs(session: Session) -> list[Debrief]:
    """A debrief for each act step that was answered."""
    return [
        debrief(session.stage, step, session.answers[step.key])
        for step in session.lesson.asked
        if isinstance(step, Act) and step.key in session.answers
    ]


def debrief(stage: Stage, step: Act, answer: dict[str, Any]) -> Debrief:
    """The timeline of one run, and its path against the reference's.

    Raises
    ------
    CaseError
        The answer can't be played.
    """
    actions = [Action.model_validate(row) for row in answer.get("actions", ())]
    ways = [Action.model_validate(row) for row in reference(stage, step)]
    scene = stage.done(step, actions)
    yours, theirs = path(step, scene), path(step, stage.done(step, ways))
    limits = tuple(
        Limit(words, TRUTHS[bound.truth].label, TRUTHS[bound.truth].unit, yours.values[k], theirs.values[k],
              _seconds(yours.inside[k]), _seconds(theirs.inside[k]))
        for k, (bound, words) in enumerate(zip(step.limits, limit_words(step), strict=True))
    )  # fmt: skip
    did = [Row(row.at_s, "learner", action_words(step.treatments, row, scene.weight_kg)) for row in actions]
    did += [Row(row.at_s, "reference", action_words(step.treatments, row, scene.weight_kg)) for row in ways]
    stood = _crossings(yours, limits)
    rows = tuple(sorted([*did, *stood], key=lambda row: row.at_s))
    return Debrief(step.title, rows, yours.time_s, limits, _reached(yours), _reached(theirs),
                   _seconds(yours.all_inside), _seconds(theirs.all_inside), step.within_s)  # fmt: skip


def action_words(treatments: Sequence[Treatment], action: Action, weight_kg: float) -> str:
    """What was done, in words."""
    if action.settings:
        return listed(setting_words(key, value) for key, value in resolved(action.settings, weight_kg).items())
    if action.treatment is not None:
        return next((row.text for row in treatments if row.key == action.treatment), action.treatment)
    return str(action.manoeuvre)


def _seconds(inside: Values) -> float:
    return float(GRID_S * np.sum(inside))


def _reached(way: Path) -> float | None:
    """From when on all limits were kept to the end; None where they were not."""
    out = np.flatnonzero(~way.all_inside.astype(bool))
    if not len(out):
        return float(way.time_s[0])
    return float(way.time_s[out[-1] + 1]) if out[-1] + 1 < len(way.time_s) else None


def _crossings(way: Path, limits: tuple[Limit, ...]) -> list[Row]:
    """The moments at which a limit was come inside of, or left."""
    rows = []
    for limit, inside in zip(limits, way.inside, strict=True):
        kept = inside.astype(bool)
        for k in np.flatnonzero(kept[1:] != kept[:-1]) + 1:
            word = "inside" if kept[k] else "outside"
            rows.append(Row(float(way.time_s[k]), "patient", f"{limit.words}: now {word}"))
    return rows


def duration_words(seconds: float | None) -> str:
    """Seconds in words; ``not reached`` for None."""
    return "not reached" if seconds is None else quantity("duration_s").text(seconds)
