"""Learners made up to try a lesson: perfect, clumsy, random, and one who sits still."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from tidebench.errors import CaseError
from tidebench.lessons.format import ASKED, Act, Choose, Find, Measure, Predict
from tidebench.lessons.marking import WAYS, manoeuvres_of, right_answers, tolerance, true_value, wanted, ways
from tidebench.lessons.session import Session
from tidebench.lessons.stage import Stage

Answer = dict[str, Any]
Learner = Callable[[Stage, Any, np.random.Generator], Answer]

SLIPS = 0.25
"""How often a clumsy learner errs where there is a yes or no (invented)."""
SPREAD = 0.6  # of the tolerance: how far a clumsy reading lies off, standard deviation (invented)
GUESS = (0.3, 3.0)  # of the truth: what a random learner gives for a number, evenly on a logarithmic scale (invented)


def perfect(stage: Stage, step: Any, _rng: np.random.Generator) -> Answer:
    """Knows the truth, and acts as the lesson's reference does."""
    if isinstance(step, Find):
        yes, _ = wanted(stage, step)
        return {"breaths": (np.flatnonzero(yes) + 1).tolist()}
    if isinstance(step, Measure):
        return {"value": true_value(stage, step), "manoeuvres": manoeuvres_of(step)}
    if isinstance(step, Predict):
        return {"ways": {key: right[0] for key, right in ways(stage, step).items() if right}}
    if isinstance(step, Act):
        return {"actions": reference(stage, step)}
    right = right_answers(stage, step)
    if not any(right):
        raise CaseError("no answer is right for this patient", where=f"step {step.key}")
    return {"answer": right.index(True) + 1}


def clumsy(stage: Stage, step: Any, rng: np.random.Generator) -> Answer:
    """Means it well: misses breaths, misreads numbers, acts late and half."""
    right = perfect(stage, step, rng)
    if isinstance(step, Find):
        yes, _ = wanted(stage, step)
        slipped = (rng.random(len(yes)) < SLIPS) & (yes > 0)
        return {"breaths": (np.flatnonzero((yes > 0) & ~slipped) + 1).tolist()}
    if isinstance(step, Measure):
        value = float(right["value"])
        return {**right, "value": value + SPREAD * tolerance(step, value) * float(rng.standard_normal())}
    if rng.random() >= SLIPS:
        return right
    if isinstance(step, Act):
        return {"actions": right["actions"][: len(right["actions"]) // 2]}
    return chance(stage, step, rng)


def chance(stage: Stage, step: Any, rng: np.random.Generator) -> Answer:
    """Knows nothing, and answers all the same."""
    if isinstance(step, Find):
        yes, _ = wanted(stage, step)
        return {"breaths": (np.flatnonzero(rng.random(len(yes)) < rng.random()) + 1).tolist()}
    if isinstance(step, Measure):
        truth = abs(true_value(stage, step) or 1.0)
        factor = float(np.exp(rng.uniform(*np.log(GUESS))))
        return {"value": truth * factor, "manoeuvres": manoeuvres_of(step) if rng.random() < 0.5 else []}
    if isinstance(step, Predict):
        return {"ways": {ask.truth: str(rng.choice(WAYS)) for ask in step.asks}}
    if isinstance(step, Act):
        return {"actions": _any_actions(stage, step, rng)}
    assert isinstance(step, Choose)
    return {"answer": int(rng.integers(len(step.answers))) + 1}


def still(_stage: Stage, step: Any, _rng: np.random.Generator) -> Answer:
    """Does nothing, marks nothing, and says that all stays the same: what no step may reward in full."""
    if isinstance(step, Find):
        return {"breaths": []}
    if isinstance(step, Measure):
        return {"value": 0.0}
    if isinstance(step, Predict):
        return {"ways": {ask.truth: "same" for ask in step.asks}}
    if isinstance(step, Act):
        return {"actions": []}
    return {"answer": 1}


LEARNERS: dict[str, Learner] = {"perfect": perfect, "clumsy": clumsy, "random": chance, "still": still}
"""By name."""


def play(session: Session, learner: Learner, rng: np.random.Generator) -> Session:
    """Take a session to its end."""
    while not session.done:
        if isinstance(session.step, ASKED):
            _answer(session, learner(session.stage, session.step, rng))
        else:
            session.look()
        session.go_on()
    return session


def _answer(session: Session, answer: Answer) -> None:
    """Give an answer; who asks for what can't be set has done nothing."""
    try:
        session.answer(answer)
    except CaseError:
        session.answer(still(session.stage, session.step, np.random.default_rng(0)))


def reference(stage: Stage, step: Act) -> list[Answer]:
    """A way that works for this patient."""
    variant = stage.variant(step.patient)
    return [
        row.model_dump(exclude_defaults=True, exclude={"only"}) | {"at_s": row.at_s}
        for row in step.reference
        if row.only in (None, variant)
    ]


def _any_actions(stage: Stage, step: Act, rng: np.random.Generator) -> list[Answer]:
    """One to three things from what is allowed: numbers moved by up to a third, treatments at random."""
    from tidebench.bench.said import told
    from tidebench.simulation import scenario_from

    setting = told(scenario_from(stage.drawn(step.patient).said).setting_at(step.from_s))
    numbers = [key for key in step.may if isinstance(setting.get(key), (int, float))]
    choices: list[tuple[str, str]] = [("settings", key) for key in numbers]
    choices += [("treatment", row.key) for row in step.treatments]
    if not choices:
        return []
    actions: list[Answer] = []
    for at in sorted(rng.uniform(0, 0.6 * step.within_s, int(rng.integers(1, 4)))):
        kind, key = choices[int(rng.integers(len(choices)))]
        if kind == "settings":
            value = float(f"{float(setting[key]) * float(rng.uniform(0.67, 1.5)):.3g}")
            actions.append({"at_s": float(at), "settings": {key: min(value, 1.0) if key == "fio2" else value}})
        else:
            actions.append({"at_s": float(at), "treatment": key})
    return actions
