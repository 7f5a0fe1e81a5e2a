"""Marking: answers against the truth of what was simulated, with tolerance, partial credit and the proof to look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from pydantic import Field, ValidationError

from tidebench.case_errors import explain as in_words
from tidebench.entries import Within
from tidebench.errors import OptionError
from tidebench.lessons.format import (
    Act,
    Action,
    Answer,
    Asked,
    Bound,
    Choose,
    Find,
    Foreseen,
    Holding,
    Measure,
    Predict,
    Table,
)
from tidebench.lessons.scene import Scene, checked
from tidebench.lessons.stage import Stage
from tidebench.lessons.stretch import Pointed, Stretch, stretch
from tidebench.lessons.truths import FAST, TRUTHS, Values
from tidebench.views.wording import count, listed

RIGHT = 0.999
WAYS = ("falls", "same", "rises")
WAY_WORDS = {"falls": "falls", "same": "stays about the same", "rises": "rises"}
EITHER = 0.25
"""A change this near to the line between "same" and more, as a share of it, counts either way."""
WITHOUT = 0.5  # of the marks where a number was given without the manoeuvre that gives it
ON_THE_WAY = 0.5  # of the marks at most for limits reached when others were not
GRID_S = 5.0
LABEL_BLUR = 0.1
"""How near a cycling margin may lie to its limit and count either way: neural times are that hard to read."""
PROOF_S = 12.0
LEAST_EFFORT = 0.5  # cmH2O of muscle pressure, below which a patient rests and a proof need not show it


class Done(Table):
    """A manoeuvre that a learner did, on the patient's clock."""

    at_s: Annotated[float, Within(0, 1800, "s")]
    kind: Holding


class Marked(Table):
    """Answer to a find step: numbers of breaths."""

    breaths: Annotated[tuple[int, ...], Field(max_length=200)] = ()


class Number(Table):
    """Answer to a measure step."""

    value: Annotated[float, Within(-1e5, 1e5)]
    manoeuvres: Annotated[tuple[Done, ...], Field(max_length=20)] = ()


class Ways(Table):
    """Answer to a predict step: a way (falls, same, rises) for each truth."""

    ways: Annotated[dict[str, str], Field(max_length=12)]


class Deeds(Table):
    """Answer to an act step; times count from its start."""

    actions: Annotated[tuple[Action, ...], Field(max_length=60)] = ()


class Picked(Table):
    """Answer to a choose step: the number of an answer, from 1."""

    answer: Annotated[int, Field(ge=1, le=8)]


@dataclass(frozen=True)
class Part:
    """One line of a mark: what was asked, what was answered, what is true."""

    what: str
    yours: str
    truth: str
    points: float


@dataclass(frozen=True)
class Mark:
    """What an answer is worth, why, and where to look.

    Attributes
    ----------
    points : float
        From 0 to 1.
    said : str
        One or two sentences to the learner.
    parts : tuple of Part
    proof : Stretch or None
        The signals that prove it; None where a question rests on practice and no patient.
    inside_s, of_s : float or None
        Of an act step: time inside all limits, and the whole time.
    """

    step: str
    objective: str
    points: float
    said: str
    parts: tuple[Part, ...]
    proof: Stretch | None = None
    inside_s: float | None = None
    of_s: float | None = None

    @property
    def yours(self) -> str:
        """What was answered, as the spread of a class shows it."""
        return "; ".join(f"{one.what}: {one.yours}" if len(self.parts) > 1 else one.yours for one in self.parts)

    @property
    def right(self) -> bool:
        """True where nothing is missing."""
        return self.points >= RIGHT


def mark(stage: Stage, step: Asked, answer: Mapping[str, Any]) -> Mark:
    """Mark an answer.

    Raises
    ------
    CaseError, OptionError
        It is no answer to this step, or something in it can't be done.
    """
    kind, marker = _MARKERS[step.kind]
    try:
        told = kind.model_validate(answer)
    except ValidationError as error:
        raise in_words(error, answer, kind, f"answer to {step.key}") from None
    found: Mark = marker(stage, step, told)
    return found


# --- find ---


def wanted(stage: Stage, step: Find) -> tuple[Values, Values]:
    """For each breath of the figure: 1 where it is to be marked, and 1 where it lies too near to call."""
    scene = stage.scene(step.figure.patient, step.figure.to_s)
    at = scene.inside(step.figure.from_s, step.figure.to_s)
    if step.label is not None:
        yes = np.array([step.label in scene.labels[k] for k in at], float)
        return yes, np.maximum(_near_cycling(scene, step.label), _undecided(scene, step.label))[at]
    assert step.where is not None
    values = scene.values(step.where.truth)[at]
    yes = np.array([step.where.holds(value) for value in values], float)
    surely = [step.where.holds(value, -step.where.blur) for value in values]
    perhaps = [step.where.holds(value, step.where.blur) for value in values]
    return yes, np.array([a != b for a, b in zip(surely, perhaps, strict=True)], float)


def _near_cycling(scene: Scene, label: str) -> Values:
    from tidebench.interaction import DELAYED, PREMATURE

    limit = {"premature-cycling": PREMATURE, "delayed-cycling": DELAYED}.get(label)
    if limit is None or "cycling_margin" not in scene.table.columns:
        return np.zeros(len(scene.start))
    return (np.abs(scene.of("cycling_margin") - limit) < LABEL_BLUR).astype(float)


def _undecided(scene: Scene, label: str) -> Values:
    """1 for breaths of a recorded case of which no reviewer has said whether the label is right."""
    if "unsure" not in scene.table.columns:
        return np.zeros(len(scene.start))
    return np.array([label in said.split("|") for said in scene.table["unsure"]], float)


def _find(stage: Stage, step: Find, answer: Marked) -> Mark:
    yes, near = wanted(stage, step)
    if wrong := [number for number in answer.breaths if not 1 <= number <= len(yes)]:
        raise OptionError(f"there is no breath {wrong[0]}", where=step.title, expected=f"numbers from 1 to {len(yes)}")
    marked = np.zeros(len(yes))
    marked[[number - 1 for number in answer.breaths]] = 1
    clear = near == 0
    hits, falls = (float(np.sum(marked[clear] * side[clear])) for side in (yes, 1 - yes))
    there, others = float(yes[clear].sum()), float((1 - yes)[clear].sum())
    points = max(0.0, hits / max(there, 1.0) - (falls / others if others else 0.0))
    missed = np.flatnonzero(clear & (yes > marked)) + 1
    extra = np.flatnonzero(clear & (marked > yes)) + 1
    said = f"{round(hits)} of {count(round(there), 'breath')} found, {round(falls)} marked too many. {step.why}"
    scene, figure = stage.scene(step.figure.patient, step.figure.to_s), step.figure
    at = scene.inside(figure.from_s, figure.to_s)
    words = step.label.replace("-", " ") if step.label else _bound_words(step.where)
    pointed = [Pointed(float(scene.start[at[n - 1]]), float(scene.end[at[n - 1]]), f"missed: {words}") for n in missed]
    pointed += [Pointed(float(scene.start[at[n - 1]]), float(scene.end[at[n - 1]]), f"not {words}") for n in extra]
    if not pointed:
        pointed = [Pointed(float(scene.start[k]), float(scene.end[k]), words) for k in at[yes > 0]]
    right = np.flatnonzero(yes) + 1
    part = Part(words, _numbers(sorted(answer.breaths)), _numbers(right.tolist()), points)
    proof = stretch(scene, figure.from_s, figure.to_s, _with_truth(figure.channels), "What the truth shows",
                    pointed=pointed)  # fmt: skip
    return Mark(step.key, step.objective, points, said, (part,), proof)


def _with_truth(channels: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*channels, "muscle_pressure")))


def _with_effort(scene: Scene, channels: tuple[str, ...], from_s: float, to_s: float) -> tuple[str, ...]:
    """The channels of a proof: with the muscles where they do anything."""
    rests = (scene.told("effort_cmh2o", from_s, to_s) or 0.0) < LEAST_EFFORT
    return channels if rests else _with_truth(channels)


def _numbers(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers)) or "none"


def _bound_words(bound: Bound | None) -> str:
    assert bound is not None
    truth = TRUTHS[bound.truth]
    if bound.least is None:
        return f"{truth.label} at most {truth.text(bound.most)}"
    if bound.most is None:
        return f"{truth.label} at least {truth.text(bound.least)}"
    return f"{truth.label} {bound.least:g} to {truth.text(bound.most)}"


# --- measure ---


def true_value(stage: Stage, step: Measure) -> float | None:
    """The truth that a measure step asks for."""
    return stage.scene(step.figure.patient, step.figure.to_s).told(step.truth, step.figure.from_s, step.figure.to_s)


def tolerance(step: Measure, truth: float) -> float:
    """How far an answer may lie from the truth."""
    return max(step.tolerance, abs(truth) * step.tolerance_percent / 100)


def manoeuvres_of(step: Measure) -> list[dict[str, Any]]:
    """What the step needs, one after the other, from the middle of its stretch on."""
    gap = (step.figure.to_s - step.figure.from_s) / (len(step.needs) + 2)
    return [{"at_s": step.figure.from_s + gap * (k + 1), "kind": kind} for k, kind in enumerate(step.needs)]


def _measure(stage: Stage, step: Measure, answer: Number) -> Mark:
    truth = true_value(stage, step)
    known, figure = TRUTHS[step.truth], step.figure
    outside = [done.at_s for done in answer.manoeuvres if not figure.from_s <= done.at_s <= figure.to_s]
    if outside:
        raise OptionError(
            f"a manoeuvre at {outside[0]:g} s lies outside the stretch", where=step.title,
            expected=f"{figure.from_s:g} to {figure.to_s:g} s",
        )  # fmt: skip
    if truth is None:
        raise OptionError("the truth of this stretch can't be told", where=step.title)
    off, allowed = abs(answer.value - truth), tolerance(step, truth)
    points = 1.0 if off <= allowed else 0.5 if off <= 2 * allowed else 0.0
    lacking = [kind for kind in step.needs if kind not in {done.kind for done in answer.manoeuvres}]
    if lacking:
        points *= WITHOUT
    right, yours, error, near = (known.text(value, allowed) for value in (truth, answer.value, off, allowed))
    words = f"The truth is {right}, and {yours} is "
    words += "near enough" if off <= allowed else f"off by {error}; {near} would do"
    if lacking:
        words += f". It takes {listed(f'an {kind}' for kind in lacking)}, which was not done"
    done = [Done.model_validate(row) for row in manoeuvres_of(step)] if lacking else answer.manoeuvres
    actions = [Action(at_s=one.at_s, manoeuvre=one.kind) for one in done]
    scene = stage.held(figure.patient, actions) if actions else stage.scene(figure.patient, figure.to_s)
    channels = _with_effort(scene, figure.channels, figure.from_s, figure.to_s)
    proof = stretch(scene, figure.from_s, figure.to_s, channels, "Where it is read",
                    pointed=_holds(scene, figure.from_s, figure.to_s, step.truth))  # fmt: skip
    part = Part(known.label, yours, right, points)
    return Mark(step.key, step.objective, points, f"{words}. {step.why}", (part,), proof)


def _holds(scene: Scene, from_s: float, to_s: float, truth: str = "") -> list[Pointed]:
    """The holds of a stretch with the pressure that each came to, and what else the truth is worked out from."""
    found = []
    for key, word in (("plateau_cmh2o", "inspiratory hold"), ("exp_hold_cmh2o", "expiratory hold")):
        values = scene.of(key) if key in scene.table.columns else np.full(len(scene.start), np.nan)
        for k in scene.inside(from_s, to_s):
            if np.isfinite(values[k]):
                told = f"{word}: {values[k]:.1f} cmH2O{_beside(scene, int(k), truth)}"
                found.append(Pointed(float(scene.start[k]), float(scene.end[k]), told))
    return found


def _beside(scene: Scene, breath: int, truth: str) -> str:
    """What is divided beside a hold's pressure: from peak to plateau by flow, or volume by driving pressure."""
    if truth == "resistance_cmh2o_s_l":
        flow = scene.channels["flow"][scene.inspirations()[breath]]
        usual = float(np.median(flow[flow > FAST * flow.max()]))
        return f", from a peak of {scene.of('peak_pressure_cmh2o')[breath]:.1f} at {usual:.2f} L/s"
    if truth == "compliance_ml_cmh2o":
        return f", total PEEP {scene.of('total_peep_cmh2o')[breath]:.1f}, volume {scene.of('vti_ml')[breath]:.0f} mL"
    return ""


# --- predict ---


def ways(stage: Stage, step: Predict) -> dict[str, tuple[str, ...]]:
    """For each truth asked: which ways count."""
    return {ask.truth: accepted(*_before_after(stage, step, ask), ask.same) for ask in step.asks}


def accepted(before: float | None, after: float | None, same: float) -> tuple[str, ...]:
    """The ways that count for a change; two where it lies near the line between them; none where it isn't known."""
    if before is None or after is None:
        return ()
    change = after - before
    way = "rises" if change > 0 else "falls"
    size = abs(change) / same
    if size > 1 + EITHER:
        return (way,)
    return (way, "same") if size >= 1 - EITHER else ("same",)


def _before_after(stage: Stage, step: Predict, ask: Foreseen) -> tuple[float | None, float | None]:
    scene, end = stage.after(step), step.figure.to_s
    return (
        scene.told(ask.truth, step.at_s - step.over_s, step.at_s),
        scene.told(ask.truth, end - step.over_s, end),
    )


def _predict(stage: Stage, step: Predict, answer: Ways) -> Mark:
    scene, figure, parts = stage.after(step), step.figure, []
    asked = {ask.truth for ask in step.asks}
    if foreign := set(answer.ways) - asked:
        raise OptionError(f"{min(foreign)!r} is not asked", where=step.title, expected=listed(sorted(asked)))
    if wrong := [way for way in answer.ways.values() if way not in WAYS]:
        raise OptionError(f"{wrong[0]!r} is no way", where=step.title, expected=listed(WAYS))
    for ask in step.asks:
        before = scene.told(ask.truth, step.at_s - step.over_s, step.at_s)
        after = scene.told(ask.truth, figure.to_s - step.over_s, figure.to_s)
        right, yours = accepted(before, after, ask.same), answer.ways.get(ask.truth, "")
        known = TRUTHS[ask.truth]
        truth = f"{' or '.join(WAY_WORDS[way] for way in right)}: {known.text(before)} to {known.text(after)}"
        parts.append(Part(known.label, WAY_WORDS.get(yours, "no answer"), truth, float(yours in right)))
    points = float(np.mean([part.points for part in parts]))
    right_ones = sum(part.points > 0 for part in parts)
    said = f"{right_ones} of {len(parts)} foreseen. {step.why}"
    proof = stretch(scene, figure.from_s, figure.to_s, figure.channels, "What happened",
                    pointed=[Pointed(step.at_s, figure.to_s, "after the change")])  # fmt: skip
    return Mark(step.key, step.objective, points, said, tuple(parts), proof)


# --- act ---


@dataclass(frozen=True)
class Path:
    """How a patient fared against the limits of a step, on a grid of moments.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        From the step's start.
    values : tuple of ndarray
        Each limit's truth over the ``keep_s`` before the moment, NaN where none is known.
    inside : tuple of ndarray of bool
        Whether each limit was kept.
    """

    time_s: Values
    values: tuple[Values, ...]
    inside: tuple[Values, ...]

    @property
    def all_inside(self) -> Values:
        """Where all limits were kept."""
        kept: Values = np.logical_and.reduce(self.inside).astype(np.float64)
        return kept


def path(step: Act, scene: Scene) -> Path:
    """The path of an act step."""
    time = np.arange(GRID_S, step.within_s + GRID_S / 2, GRID_S)
    values, inside = [], []
    for bound in step.limits:
        column = scene.values(bound.truth)
        known = np.array([trailing(scene, column, bound.truth, step, at) for at in time])
        values.append(known)
        inside.append(np.array([bound.holds(value) for value in known]))
    return Path(time, tuple(values), tuple(inside))


def trailing(scene: Scene, column: Values, key: str, step: Act, at: float) -> float:
    """A truth over the ``keep_s`` before a moment of the step; NaN where no breath tells it."""
    now = step.from_s + at
    told = TRUTHS[key].over(column[scene.inside(now - step.keep_s, now)])
    return np.nan if told is None else told


def _act(stage: Stage, step: Act, answer: Deeds) -> Mark:
    actions = checked(step, answer.actions)
    scene = stage.done(step, actions)
    way = path(step, scene)
    ended = [bool(inside[-1]) for inside in way.inside]
    begun = [bool(inside[0]) for inside in way.inside] if not actions else _begun(stage, step)
    open_ones = [k for k, was in enumerate(begun) if not was] or list(range(len(begun)))
    if all(ended):
        points = 1.0
    else:
        kept = all(ended[k] for k, was in enumerate(begun) if was)
        points = ON_THE_WAY * sum(ended[k] for k in open_ones) / len(open_ones) if kept else 0.0
    inside_s = float(GRID_S * np.sum(way.all_inside))
    parts = tuple(
        Part(TRUTHS[bound.truth].label, TRUTHS[bound.truth].text(values[-1]), _bound_words(bound), float(was))
        for bound, values, was in zip(step.limits, way.values, ended, strict=True)
    )
    reached = "All limits were kept at the end." if all(ended) else "Not all limits were kept at the end."
    said = f"{reached} {inside_s:.0f} of {step.within_s:.0f} s inside all of them. {step.why}"
    end = scene.duration_s
    first = max(0.0, end - PROOF_S)
    proof = stretch(scene, first, end, _with_effort(scene, step.channels, first, end), "How it ended")
    return Mark(step.key, step.objective, points, said, parts, proof, inside_s, step.within_s)


def _begun(stage: Stage, step: Act) -> list[bool]:
    """Which limits a patient keeps who is left alone."""
    way = path(step, stage.done(step, ()))
    return [bool(inside[-1]) for inside in way.inside]


# --- choose ---


def offered(stage: Stage, step: Choose) -> tuple[Answer, ...]:
    """The answers in the order in which this learner sees them: where they stand tells nothing."""
    order = np.random.default_rng([stage.seed, *step.key.encode()]).permutation(len(step.answers))
    return tuple(step.answers[int(k)] for k in order)


def right_answers(stage: Stage, step: Choose) -> list[bool]:
    """Which of the offered answers are right."""
    return [_right(stage, step, answer) for answer in offered(stage, step)]


def _right(stage: Stage, step: Choose, answer: Answer) -> bool:
    if answer.right is not None:
        return answer.right
    assert step.figure is not None
    if answer.variant is not None:
        return stage.variant(step.figure.patient) == answer.variant
    assert answer.where is not None
    value = stage.scene(step.figure.patient, step.figure.to_s).told(
        answer.where.truth, step.figure.from_s, step.figure.to_s
    )
    return value is not None and answer.where.holds(value)


def reason_words(answer: Answer, right: bool) -> str:
    """The reason of an answer. Where the patient decides, that of a wrong one says what would be seen if it were."""
    return answer.reason if right or answer.right is not None else f"For that you would see: {answer.reason}"


def _choose(stage: Stage, step: Choose, answer: Picked) -> Mark:
    if answer.answer > len(step.answers):
        raise OptionError(f"there is no answer {answer.answer}", where=step.title, expected=f"1 to {len(step.answers)}")
    answers, right = offered(stage, step), right_answers(stage, step)
    picked, points = answers[answer.answer - 1], float(right[answer.answer - 1])
    best = answers[right.index(True)] if any(right) else picked
    said = picked.reason if points else f"{reason_words(picked, False)} Right is: {best.text} {best.reason}"
    proof = None
    if step.figure is not None:
        scene, figure = stage.scene(step.figure.patient, step.figure.to_s), step.figure
        channels = _with_effort(scene, figure.channels, figure.from_s, figure.to_s)
        proof = stretch(scene, figure.from_s, figure.to_s, channels, "Look again",
                        pointed=_holds(scene, figure.from_s, figure.to_s))  # fmt: skip
    return Mark(step.key, step.objective, points, said, (Part(step.title, picked.text, best.text, points),), proof)


_MARKERS: dict[str, tuple[type[Table], Callable[..., Mark]]] = {
    "find": (Marked, _find),
    "measure": (Number, _measure),
    "predict": (Ways, _predict),
    "act": (Deeds, _act),
    "choose": (Picked, _choose),
}
