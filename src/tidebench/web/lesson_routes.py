"""Lessons, alone and together: a teacher opens a class behind the password, learners come by a projected link."""

from __future__ import annotations

import pathlib
from collections.abc import Callable
from functools import cached_property
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path

from tidebench.casebook import case_folder
from tidebench.errors import OptionError
from tidebench.lessons.classroom import Classroom
from tidebench.lessons.record import Record
from tidebench.lessons.shelf import HouseShelf, lesson_names
from tidebench.web import lesson_models as m
from tidebench.web.casebook_routes import told
from tidebench.web.guard import Sessions
from tidebench.web.jobs import Jobs
from tidebench.web.lesson_bench import Reviews, lesson_bench
from tidebench.web.lesson_telling import debrief_told, lesson_told, mark_told, result_told, step_told
from tidebench.web.models import JobTold
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED
from tidebench.web.work import LessonMade

RECORD = "lessons.sqlite"
OF_CASE = "tidebench.web.work:case_lesson_job"
OF_CHANGE = "tidebench.web.work:change_lesson_job"

Teacher = Annotated[str, Header(alias="x-tidebench-teacher", min_length=20, max_length=80)]
Learner = Annotated[str, Header(alias="x-tidebench-learner", min_length=20, max_length=80)]
StepKey = Annotated[str, Path(max_length=40)]


class Rooms:
    """The classes beside a casebook; their record is opened with the first class."""

    def __init__(self, folder: pathlib.Path) -> None:
        self._folder, self.shelf = folder, HouseShelf(folder)

    @cached_property
    def room(self) -> Classroom:
        """The one classroom."""
        return Classroom(Record(self._folder / RECORD), self.shelf.open)


def lesson_routes(serving: Serving, sessions: Sessions, jobs: Jobs) -> APIRouter:
    """The teacher's routes, behind the password, and the learners', by the link."""
    api = APIRouter(prefix="/api", responses=REFUSED)
    rooms = Rooms(serving.folder)
    reviews = Reviews()
    api.add_event_handler("shutdown", reviews.close)
    _shelf(api, rooms, reviews.warm)
    _making(api, serving, jobs, rooms.shelf)
    _teacher(api, lambda: rooms.room)
    _learner(api, lambda: rooms.room)
    lesson_bench(api, serving, sessions, lambda: rooms.room, reviews)
    return api


def _shelf(api: APIRouter, rooms: Rooms, begin: Callable[[], object]) -> None:
    @api.get("/lessons")
    def lessons() -> list[m.LessonTold]:
        """The lessons on the shelf, the house's own last."""
        begin()
        return [lesson_told(name, rooms.shelf.open(name)[0]) for name in (*lesson_names(), *rooms.shelf.own())]

    @api.post("/lessons/alone")
    def alone(asked: m.AloneAsked) -> m.Joined:
        """Begin a lesson alone."""
        room = rooms.room
        return m.Joined(learner=room.alone(asked.lesson, asked.seed, asked.name.strip(), asked.site.strip()))


def _making(api: APIRouter, serving: Serving, jobs: Jobs, shelf: HouseShelf) -> None:
    def begun(name: str, work: str, asked: m.LessonWanted, **further: Any) -> JobTold:
        case, title = str(case_folder(serving.folder, name)), asked.title.strip()
        out = str(shelf.place_for(title or "a reviewed case"))
        return told(jobs.submit(f"a lesson of {name}", work, case=case, out=out, title=title, **further))

    @api.post("/cases/{name}/lesson")
    def lesson_of_case(name: str, asked: m.LessonWanted) -> JobTold:
        """Begin to make a lesson of a case and what its reviewer confirmed."""
        return begun(name, OF_CASE, asked)

    @api.post("/cases/{name}/whatif/lesson")
    def lesson_of_change(name: str, asked: m.ChangeLessonWanted) -> JobTold:
        """Begin to make a lesson of a change of settings on the fitted patient."""
        if (asked.from_s is None) != (asked.to_s is None):
            raise OptionError("a stretch has a beginning and an end", where="what-if", expected="both, or neither")
        words = {"from_s": asked.from_s, "to_s": asked.to_s, "settings": dict(asked.settings)}
        return begun(name, OF_CHANGE, asked, **words)

    @api.get("/cases/{name}/lesson/{job}")
    def made_lesson(name: str, job: str) -> m.LessonMadeTold:
        """The lesson that was made, once it is."""
        done = jobs.get(job)
        if done.state != "done" or not isinstance(done.outcome, LessonMade):
            raise OptionError("the lesson isn't made yet", where=name, remedy="Wait until the job is done.")
        return m.LessonMadeTold.model_validate(done.outcome)


def _teacher(api: APIRouter, room: Callable[[], Classroom]) -> None:
    @api.post("/lessons/class")
    def open_class(asked: m.ClassAsked) -> m.ClassOpened:
        """Open a class."""
        opened = room().open(asked.lesson, asked.site, led=asked.led, own_patients=asked.own_patients)
        return m.ClassOpened(link=opened.link, teacher=opened.teacher)

    @api.get("/lessons/class")
    def see_class(teacher: Teacher) -> m.ClassTold:
        """Who is where, and how answers are spread."""
        seen = room().seen(teacher)
        return m.ClassTold(
            title=seen.title, place=seen.place, led=seen.led, closed=seen.closed, steps=list(seen.steps),
            asks=list(seen.asks), answered=seen.answered, right=seen.right,
            learners=[m.LearnerTold.model_validate(one) for one in seen.learners],
            spread=[m.AnswersTold(answer=said, count=count, right=right) for said, count, right in seen.spread],
        )  # fmt: skip

    @api.get("/lessons/class/step")
    def shown_step(teacher: Teacher) -> m.LessonStep:
        """The step that the teacher has come to, as it is projected."""
        return step_told(room().projected(teacher))

    @api.get("/lessons/class/truth")
    def truth_of_step(teacher: Teacher) -> m.MarkOfAnswer:
        """The right answer to that step, and what proves it."""
        return mark_told(room().truth(teacher))

    @api.get("/lessons/class/debrief/{seat}/{step}")
    def debrief_of_seat(teacher: Teacher, seat: m.SeatNumber, step: StepKey) -> m.DebriefTold:
        """A run of one learner at a patient, looked at afterwards, without the name."""
        return debrief_told(room().debrief_at(teacher, seat, step))

    @api.post("/lessons/class/steer", status_code=204)
    def steer(teacher: Teacher, asked: m.Steered) -> None:
        """Go to a step, lead or let go, close."""
        room().steer(teacher, place=asked.place, led=asked.led, closed=asked.closed)


def _learner(api: APIRouter, room: Callable[[], Classroom]) -> None:
    @api.post("/class/{link}")
    def join(link: str, asked: m.Joining) -> m.Joined:
        """Join a class by its link."""
        return m.Joined(learner=room().join(link, asked.name.strip()))

    @api.get("/class")
    def stand(learner: Learner) -> m.LessonStep:
        """Where a learner stands, and what is seen there."""
        return step_told(room().where(learner))

    @api.get("/class/now")
    def now(learner: Learner) -> m.LearnerNow:
        """Where a learner is to be; asked often, and cheap."""
        return m.LearnerNow.model_validate(room().now(learner))

    @api.get("/class/result")
    def result(learner: Learner) -> m.ResultTold:
        """What the lesson has come to."""
        return result_told(*room().result(learner))

    @api.get("/class/debrief/{step}")
    def run_debrief(learner: Learner, step: StepKey) -> m.DebriefTold:
        """A run at a patient, looked at afterwards."""
        return debrief_told(room().debrief(learner, step))

    @api.post("/class/step/answer")
    def answer(learner: Learner, asked: m.Answered) -> m.MarkOfAnswer:
        """Answer a step; it is kept before it is acknowledged."""
        return mark_told(room().answer(learner, asked.step, asked.answer))

    @api.post("/class/step/go", status_code=204)
    def go(learner: Learner, asked: m.Gone) -> None:
        """Go to a step, where the teacher has let go."""
        room().go(learner, asked.place)
