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
from tidebench.views.wording import duration, listed, setting_words

LEARNER, REFERENCE, PATIENT = "learner", "reference", "patient"
"""Who a row of the timeline is about."""
Span = tuple[float, float]


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
    least: float | None
    most: float | None
    yours: Values
    reference: Values
    inside_s: float
    reference_inside_s: float


@dataclass(frozen=True)
class Debrief:
    """One act step told afterwards; times count from its start.

    ``inside`` and ``reference_inside`` are the stretches in which all limits were kept, of the learner's run and of a
    way that works.
    """

    key: str
    title: str
    rows: tuple[Row, ...]
    time_s: Values
    limits: tuple[Limit, ...]
    inside: tuple[Span, ...]
    reference_inside: tuple[Span, ...]
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
        Limit(words, TRUTHS[bound.truth].label, TRUTHS[bound.truth].unit, bound.least, bound.most, yours.values[k],
              theirs.values[k], _seconds(yours.inside[k]), _seconds(theirs.inside[k]))
        for k, (bound, words) in enumerate(zip(step.limits, limit_words(step), strict=True))
    )  # fmt: skip
    did = [Row(row.at_s, LEARNER, action_words(step.treatments, row, scene.weight_kg)) for row in actions]
    did += [Row(row.at_s, REFERENCE, action_words(step.treatments, row, scene.weight_kg)) for row in ways]
    stood = _crossings(yours, limits)
    rows = tuple(sorted([*did, *stood], key=lambda row: row.at_s))
    return Debrief(
        step.key, step.title, rows, yours.time_s, limits, spans(yours), spans(theirs), _reached(yours),
        _reached(theirs), _seconds(yours.all_inside), _seconds(theirs.all_inside), step.within_s,
    )  # fmt: skip


def action_words(treatments: Sequence[Treatment], action: Action, weight_kg: float) -> str:
    """What was done, in words."""
    if action.settings:
        return listed(setting_words(key, value) for key, value in resolved(action.settings, weight_kg).items())
    if action.treatment is not None:
        return next((row.text for row in treatments if row.key == action.treatment), action.treatment)
    return str(action.manoeuvre)


def spans(way: Path) -> tuple[Span, ...]:
    """The stretches of a run in which all limits were kept; each moment stands for the time since the one before."""
    kept = np.concatenate([[False], way.all_inside.astype(bool), [False]])
    edges = np.flatnonzero(kept[1:] != kept[:-1])
    return tuple((GRID_S * int(first), GRID_S * int(last)) for first, last in edges.reshape(-1, 2))


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
            rows.append(Row(float(way.time_s[k]), PATIENT, f"{limit.words}: now {word}"))
    return rows


def summary(told: Debrief) -> str:
    """A run in a sentence."""
    return (
        f"Inside all limits {told.inside_s:.0f} of {told.of_s:.0f} s, {_kept(told.reached_s)}; "
        f"the reference {told.reference_inside_s:.0f} s, {_kept(told.reference_reached_s)}."
    )


def _kept(since_s: float | None) -> str:
    """From when on all limits were kept, in words."""
    return "not at the end" if since_s is None else f"all kept from {duration(since_s)} on"
