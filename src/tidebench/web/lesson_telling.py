"""Steps, figures, marks and results of lessons as answers of the server."""

from __future__ import annotations

from typing import Any

from tidebench.lessons.classroom import Where
from tidebench.lessons.debrief import Debrief, summary
from tidebench.lessons.format import ASKED, Choose, Lesson, Measure, Predict, Show
from tidebench.lessons.marking import Mark, offered
from tidebench.lessons.session import Session, asked_words, patient_words
from tidebench.lessons.shelf import lesson_names
from tidebench.lessons.sitting import at_bench
from tidebench.lessons.stage import Stage
from tidebench.lessons.stretch import Stretch, plain
from tidebench.lessons.truths import TRUTHS
from tidebench.web import lesson_models as m

NOT_COMPETENCY = "A quiz is not competency: what counts at the bed is what an assessor watched there."


def lesson_told(name: str, lesson: Lesson) -> m.LessonTold:
    """A lesson as the shelf shows it."""
    return m.LessonTold(
        name=name, title=lesson.title, audience=lesson.audience, minutes=lesson.minutes,
        objectives=[row.text for row in lesson.objectives], cautions=list(lesson.cautions),
        sources=list(lesson.sources), kinds=[step.kind for step in lesson.steps], pass_percent=lesson.pass_percent,
        own=name not in lesson_names(),
    )  # fmt: skip


def step_told(where: Where) -> m.LessonStep:
    """Where a learner stands."""
    session = where.session
    return m.LessonStep(
        lesson=where.name, lesson_title=session.lesson.title, seed=session.seed, alone=where.alone,
        seat=where.seat, led=where.led,
        closed=where.closed, place=where.place, of=len(session.lesson.steps), steps=steps_told(session),
        given=session.answers.get(session.step.key), mark=None if session.mark is None else mark_told(session.mark),
        **_seen(session.stage, session.step, None if at_bench(session.step) else session.look()),
    )  # fmt: skip


def _seen(stage: Stage, step: Any, figure: Stretch | None) -> dict[str, Any]:
    """What is seen and asked at a step."""
    return {
        "key": step.key, "kind": step.kind, "title": step.title, "text": step.text,
        "source": step.source if isinstance(step, Choose) and step.of_practice else "",
        "who": patient_words(stage, step), "asks": [] if isinstance(step, (Choose, Show)) else asked_words(stage, step),
        "bench": at_bench(step), "figure": figure_told(figure),
        "narration": [m.NarratedTold.model_validate(one) for one in step.narration] if isinstance(step, Show) else [],
        "ways": [m.WayAsked(truth=ask.truth, label=TRUTHS[ask.truth].label) for ask in step.asks]
        if isinstance(step, Predict) else [],
        "answers": [answer.text for answer in offered(stage, step)] if isinstance(step, Choose) else [],
        "number": _number(step) if isinstance(step, Measure) else None,
    }  # fmt: skip


def _number(step: Measure) -> m.NumberAsked:
    known = TRUTHS[step.truth]
    return m.NumberAsked(label=known.label, unit=known.unit, needs=list(step.needs))


def steps_told(session: Session) -> list[m.WayStepTold]:
    """The steps on the way of a lesson."""
    return [
        m.WayStepTold(
            key=step.key, title=step.title, kind=step.kind, asks=isinstance(step, ASKED),
            points=session.marks[step.key].points if step.key in session.marks else None,
        )
        for step in session.lesson.steps
    ]  # fmt: skip


def figure_told(seen: Stretch | None) -> m.WavesTold | None:
    """A figure's data, and its table."""
    if seen is None:
        return None
    heads, rows = seen.table()
    return m.WavesTold.model_validate({**seen.as_json(), "heads": heads, "rows": rows})


def mark_told(found: Mark) -> m.MarkOfAnswer:
    """A mark."""
    return m.MarkOfAnswer(
        points=found.points, said=found.said, parts=[m.PartOfMark.model_validate(part) for part in found.parts],
        proof=figure_told(found.proof),
    )  # fmt: skip


def result_told(where: Where, expires: str) -> m.ResultTold:
    """What a lesson came to."""
    session = where.session
    found = session.result()
    return m.ResultTold(
        lesson=where.name, title=session.lesson.title, seed=session.seed, alone=where.alone,
        over=len(session.marks) == len(session.lesson.asked), points=found.points, of=found.of, passed=found.passed,
        pass_percent=session.lesson.pass_percent, expires=expires, steps=steps_told(session), said=NOT_COMPETENCY,
        objectives=[
            m.ObjectiveTold(text=row.text, points=found.objectives[row.key][0], of=found.objectives[row.key][1])
            for row in session.lesson.objectives
        ],
    )  # fmt: skip


def debrief_told(told: Debrief) -> m.DebriefTold:
    """A run looked at afterwards."""
    return m.DebriefTold(
        title=told.title, said=summary(told), of_s=told.of_s, time_s=told.time_s.tolist(), inside=list(told.inside),
        reference_inside=list(told.reference_inside), rows=[m.RunRow.model_validate(row) for row in told.rows],
        limits=[
            m.RunLimit(
                words=one.words, label=one.label, unit=one.unit, least=one.least, most=one.most,
                yours=plain(one.yours), reference=plain(one.reference), inside_s=one.inside_s,
                reference_inside_s=one.reference_inside_s,
            )
            for one in told.limits
        ],
    )  # fmt: skip
