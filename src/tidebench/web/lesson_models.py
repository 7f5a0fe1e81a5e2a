"""What the class's routes take and give."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from tidebench.web.models import Asked, Told

Token = Annotated[str, Field(min_length=20, max_length=80)]


class LessonTold(Told):
    """A lesson on the shelf."""

    name: str
    title: str
    audience: str
    minutes: int
    objectives: list[str]


class ClassAsked(Asked):
    """A class to be opened: led by the teacher or not, each learner with patients of their own or all with the same."""

    lesson: Annotated[str, Field(max_length=60)]
    site: Annotated[str, Field(max_length=80)] = ""
    led: bool = True
    own_patients: bool = True


class ClassOpened(Told):
    """A class: the link to project, and the teacher's token, told once."""

    link: str
    teacher: str


class Steered(Asked):
    """Where the teacher goes, leads or lets go, or closes."""

    place: Annotated[int, Field(ge=0, le=60)] | None = None
    led: bool | None = None
    closed: bool | None = None


class LearnerTold(Told):
    """Who is where."""

    name: str
    place: int


class AnswersTold(Told):
    """How many answered so."""

    answer: str
    count: int


class ClassTold(Told):
    """What the teacher sees: who is where, and the spread of answers to the present step, without names."""

    title: str
    place: int
    led: bool
    closed: bool
    steps: list[str]
    learners: list[LearnerTold]
    answered: int
    right: int
    spread: list[AnswersTold]


class Joining(Asked):
    """Who joins; a name may be left empty."""

    name: Annotated[str, Field(max_length=80)] = ""


class Joined(Told):
    """The learner's token, told once."""

    learner: str


class Answered(Asked):
    """An answer to a step."""

    step: Annotated[str, Field(max_length=40)]
    answer: dict[str, Any]


class Gone(Asked):
    """A step to go to."""

    place: Annotated[int, Field(ge=0, le=60)]


class PartOfMark(Told):
    """One line of a mark."""

    what: str
    yours: str
    truth: str
    points: float


class MarkOfAnswer(Told):
    """What an answer was worth, why, and where to look."""

    points: float
    said: str
    parts: list[PartOfMark]
    proof: dict[str, Any] | None


class LessonStep(Told):
    """Where a learner stands, and what is seen and asked there: no truth before the answer."""

    place: int
    of: int
    led: bool
    closed: bool
    key: str
    kind: str
    title: str
    text: str
    who: list[str]
    asks: list[str]
    figure: dict[str, Any] | None
    mark: MarkOfAnswer | None
