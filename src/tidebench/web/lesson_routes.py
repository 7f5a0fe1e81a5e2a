"""Lessons taken together: a teacher opens a class behind the password, learners come by the link that is projected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from functools import cached_property
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Header

from tidebench.errors import OptionError
from tidebench.lessons.classroom import Classroom, Where
from tidebench.lessons.marking import Mark
from tidebench.lessons.record import Record
from tidebench.lessons.session import asked_words, patient_words
from tidebench.lessons.shelf import lesson_names, open_lesson
from tidebench.web import lesson_models as m
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED

RECORD = "lessons.sqlite"

Teacher = Annotated[str, Header(alias="x-tidebench-teacher", min_length=20, max_length=80)]
Learner = Annotated[str, Header(alias="x-tidebench-learner", min_length=20, max_length=80)]


class Rooms:
    """The classes beside a casebook; their record is opened with the first class."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    @cached_property
    def room(self) -> Classroom:
        """The one classroom."""
        return Classroom(Record(self._folder / RECORD))


def lesson_routes(serving: Serving) -> APIRouter:
    """The teacher's routes, behind the password, and the learners', by the link."""
    api = APIRouter(prefix="/api", responses=REFUSED)
    rooms = Rooms(serving.folder)
    _teacher(api, lambda: rooms.room)
    _learner(api, lambda: rooms.room)
    return api


def _teacher(api: APIRouter, room: Callable[[], Classroom]) -> None:
    @api.get("/lessons")
    def lessons() -> list[m.LessonTold]:
        """The lessons on the shelf."""
        return [
            m.LessonTold(
                name=name, title=found.title, audience=found.audience, minutes=found.minutes,
                objectives=[row.text for row in found.objectives],
            )
            for name in lesson_names()
            for found in (open_lesson(name)[0],)
        ]  # fmt: skip

    @api.post("/lessons/class")
    def open_class(asked: m.ClassAsked) -> m.ClassOpened:
        """Open a class."""
        if asked.lesson not in lesson_names():
            raise OptionError(f"there is no lesson {asked.lesson!r}", where="class")
        opened = room().open(asked.lesson, asked.site, led=asked.led, own_patients=asked.own_patients)
        return m.ClassOpened(link=opened.link, teacher=opened.teacher)

    @api.get("/lessons/class")
    def see_class(teacher: Teacher) -> m.ClassTold:
        """Who is where, and how answers are spread."""
        seen = room().seen(teacher)
        return m.ClassTold(
            title=seen.title, place=seen.place, led=seen.led, closed=seen.closed, steps=list(seen.steps),
            learners=[m.LearnerTold(name=name, place=place) for name, place in seen.learners], answered=seen.answered,
            right=seen.right, spread=[m.AnswersTold(answer=answer, count=count) for answer, count in seen.spread],
        )  # fmt: skip

    @api.post("/lessons/class/steer", status_code=204)
    def steer(teacher: Teacher, asked: m.Steered) -> None:
        """Go to a step, lead or let go, close."""
        room().steer(teacher, place=asked.place, led=asked.led, closed=asked.closed)


def _learner(api: APIRouter, room: Callable[[], Classroom]) -> None:
    @api.post("/class/{link}")
    def join(link: str, asked: m.Joining) -> m.Joined:
        """Join a class by its link."""
        return m.Joined(learner=room().join(link, asked.name))

    @api.get("/class")
    def stand(learner: Learner) -> m.LessonStep:
        """Where a learner stands, and what is seen there."""
        return _told(room().where(learner))

    @api.post("/class/step/answer")
    def answer(learner: Learner, asked: m.Answered) -> m.MarkOfAnswer:
        """Answer a step; it is kept before it is acknowledged."""
        return _marked(room().answer(learner, asked.step, asked.answer))

    @api.post("/class/step/go", status_code=204)
    def go(learner: Learner, asked: m.Gone) -> None:
        """Go to a step, where the teacher has let go."""
        room().go(learner, asked.place)


def _told(where: Where) -> m.LessonStep:
    session = where.session
    step, seen = session.step, session.look()
    return m.LessonStep(
        place=where.place, of=len(session.lesson.steps), led=where.led, closed=where.closed, key=step.key,
        kind=step.kind, title=step.title, text=step.text, who=patient_words(session.stage, step),
        asks=asked_words(session.stage, step), figure=None if seen is None else seen.as_json(),
        mark=None if session.mark is None else _marked(session.mark),
    )  # fmt: skip


def _marked(found: Mark) -> m.MarkOfAnswer:
    return m.MarkOfAnswer(
        points=found.points, said=found.said, parts=[m.PartOfMark.model_validate(asdict(part)) for part in found.parts],
        proof=None if found.proof is None else found.proof.as_json(),
    )  # fmt: skip
