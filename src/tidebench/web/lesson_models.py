"""What the lessons' routes take and give."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from tidebench.web.models import Asked, Name, Numbers, Seconds, Told

Place = Annotated[int, Field(ge=0, le=60)]
SeatNumber = Annotated[int, Field(ge=1, le=10_000)]
LessonName = Annotated[str, Field(max_length=60)]
PersonName = Annotated[str, Field(max_length=80)]


class LessonTold(Told):
    """A lesson on the shelf."""

    name: str
    title: str
    audience: str
    minutes: int
    objectives: list[str]
    cautions: list[str]
    sources: list[str]
    kinds: list[str]
    pass_percent: float
    own: bool


class LessonWanted(Asked):
    """A lesson to be made of a case; the title tells nobody who it was."""

    title: Annotated[str, Field(max_length=120)] = ""


class ChangeLessonWanted(LessonWanted):
    """A lesson to be made of a change of settings on the patient fitted to a stretch."""

    from_s: Seconds | None = None
    to_s: Seconds | None = None
    settings: Annotated[dict[Name, float | Annotated[str, Field(max_length=40)]], Field(max_length=30)]


class LessonMadeTold(Told):
    """A lesson that was made: its name on the shelf, and what it asks."""

    name: str
    asks: list[str]


class ClassAsked(Asked):
    """A class to be opened: led by the teacher or not, each learner with patients of their own or all with the same."""

    lesson: LessonName
    site: PersonName = ""
    led: bool = True
    own_patients: bool = True


class ClassOpened(Told):
    """A class: the link to project, and the teacher's token, told once."""

    link: str
    teacher: str


class Steered(Asked):
    """Where the teacher goes, leads or lets go, or closes."""

    place: Place | None = None
    led: bool | None = None
    closed: bool | None = None


class LearnerTold(Told):
    """Who is where, how many questions were answered, and the runs at a patient that can be looked at."""

    seat: int
    name: str
    place: int
    answered: int
    runs: list[str]


class AnswersTold(Told):
    """How many answered so, and whether it was right."""

    answer: str
    count: int
    right: bool


class ClassTold(Told):
    """What the teacher sees: who is where, and the spread of answers to the present step, without names."""

    title: str
    place: int
    led: bool
    closed: bool
    steps: list[str]
    asks: list[bool]
    learners: list[LearnerTold]
    answered: int
    right: int
    spread: list[AnswersTold]


class Joining(Asked):
    """Who joins; a name may be left empty."""

    name: PersonName = ""


class AloneAsked(Asked):
    """A lesson to be taken alone; a seed brings the same patients again, and a name may be left empty."""

    lesson: LessonName
    seed: Annotated[int, Field(ge=0, lt=1 << 30)] | None = None
    name: PersonName = ""
    site: PersonName = ""


class Joined(Told):
    """The learner's token, told once."""

    learner: str


class Answered(Asked):
    """An answer to a step."""

    step: Annotated[str, Field(max_length=40)]
    answer: dict[str, Any]


class Gone(Asked):
    """A step to go to."""

    place: Place


class WaveTold(Told):
    """A signal of a figure."""

    key: str
    heading: str
    hidden: bool
    values: Numbers


class BreathPlaced(Told):
    """A breath of a figure under the number that it is marked by."""

    number: int
    start_s: float
    turn_s: float
    end_s: float


class PointedTold(Told):
    """A stretch of a figure that something is said of."""

    start_s: float
    end_s: float
    text: str


class WavesTold(Told):
    """Signals to be drawn, with their breaths, and a table that tells of each breath what is seen."""

    title: str
    caption: str
    heads: list[str]
    rows: list[list[str]]
    time_s: list[float]
    channels: list[WaveTold]
    breaths: list[BreathPlaced]
    pointed: list[PointedTold]


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
    proof: WavesTold | None


class NarratedTold(Told):
    """A sentence, and when it is said."""

    at_s: float
    text: str


class WayAsked(Told):
    """A quantity of which is asked whether it falls, stays or rises."""

    truth: str
    label: str


class NumberAsked(Told):
    """The number that is asked for, and the manoeuvres that it takes."""

    label: str
    unit: str
    needs: list[str]


class WayStepTold(Told):
    """A step on the way: what it is, and what its answer was worth; no points before there is one."""

    key: str
    title: str
    kind: str
    asks: bool
    points: float | None


class LessonStep(Told):
    """Where a learner stands, and what is seen and asked there: no truth before the answer."""

    lesson: str
    lesson_title: str
    seed: int
    alone: bool
    seat: int | None
    led: bool
    closed: bool
    place: int
    of: int
    steps: list[WayStepTold]
    key: str
    kind: str
    title: str
    text: str
    source: str
    who: list[str]
    asks: list[str]
    bench: bool
    figure: WavesTold | None
    narration: list[NarratedTold]
    ways: list[WayAsked]
    answers: list[str]
    number: NumberAsked | None
    given: dict[str, Any] | None
    mark: MarkOfAnswer | None


class LearnerNow(Told):
    """Where a learner is to be."""

    place: int
    led: bool
    closed: bool
    alone: bool


class ObjectiveTold(Told):
    """What can be done after the lesson, and its marks."""

    text: str
    points: float
    of: float


class ResultTold(Told):
    """What a lesson came to, or has come to so far."""

    lesson: str
    title: str
    seed: int
    alone: bool
    over: bool
    points: float
    of: float
    passed: bool
    pass_percent: float
    expires: str
    objectives: list[ObjectiveTold]
    steps: list[WayStepTold]
    said: str


class RunLimit(Told):
    """One limit along a run: the learner's values and those of the reference, on the run's moments."""

    words: str
    label: str
    unit: str
    least: float | None
    most: float | None
    yours: Numbers
    reference: Numbers
    inside_s: float
    reference_inside_s: float


class RunRow(Told):
    """A moment of a run: what was done, or how the patient stood."""

    at_s: float
    who: str
    text: str


class DebriefTold(Told):
    """A run looked at afterwards; times count from its start, and stretches are those inside all limits."""

    title: str
    said: str
    of_s: float
    time_s: list[float]
    limits: list[RunLimit]
    inside: list[tuple[float, float]]
    reference_inside: list[tuple[float, float]]
    rows: list[RunRow]
