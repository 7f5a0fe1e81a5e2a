"""What goes over the websocket of a lesson's bench. Frames are those of the live bench."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StrictBool, TypeAdapter

from tidebench.lessons.format import Action
from tidebench.web.bench_models import ChangedTold, GoOnAsked, MeasuredTold, PartTold, PauseAsked, RefusedTold, SetAsked
from tidebench.web.lesson_models import MarkOfAnswer
from tidebench.web.models import Asked, Name, Told


class SitAsked(Asked):
    """Sit down at the patient of a step, with what was done before the connection was lost; times count from its start.

    ``learner`` is the token that was told when the lesson was joined.
    """

    do: Literal["sit"]
    learner: Annotated[str, Field(min_length=20, max_length=80)]
    step: Annotated[str, Field(max_length=40)]
    actions: Annotated[list[Action], Field(max_length=60)] = Field(default_factory=list)
    until_s: Annotated[float, Field(ge=0, le=2000, allow_inf_nan=False)] = 0.0


class HoldAsked(Asked):
    """A manoeuvre, now."""

    do: Literal["hold"]
    kind: Name


class TreatAsked(Asked):
    """A treatment, now."""

    do: Literal["treat"]
    key: Name


class EndAsked(Asked):
    """Nothing more is done: let the rest of the time pass."""

    do: Literal["end"]


SittingAsked = Annotated[
    SitAsked | GoOnAsked | PauseAsked | SetAsked | HoldAsked | TreatAsked | EndAsked, Field(discriminator="do")
]
SITTING_ASKED: TypeAdapter[SittingAsked] = TypeAdapter(SittingAsked)


class StoodTold(Told):
    """How a limit stands, and for how long it was kept so far."""

    label: str
    words: str
    value: str
    inside: StrictBool | None
    inside_s: float


class TreatmentTold(Told):
    """A treatment that can be asked for, and how long it takes."""

    key: str
    text: str
    takes_s: float


class DeedTold(Told):
    """Something that was done; the time counts from the step's start."""

    at_s: float
    text: str


class SeenTold(Told):
    """A signal that sensors show: its row in a frame, its heading, and what a value is multiplied by for its unit."""

    band: Name
    key: Name
    heading: str
    times: float


class SatTold(Told):
    """How things stand at the bench of a step; times count from its start."""

    tell: Literal["sat"] = "sat"
    step: str
    time_s: float
    lasts_s: float
    begins_s: float
    over: StrictBool
    playing: StrictBool
    speed: float
    generation: int
    busy_s: float
    seen: list[SeenTold]
    sentences: list[list[PartTold]]
    manoeuvres: list[str]
    treatments: list[TreatmentTold]
    deeds: list[DeedTold]
    actions: list[Action]
    limits: list[StoodTold]
    inside_s: float
    keep_s: float


class MarkedTold(Told):
    """The time is over: what it was worth."""

    tell: Literal["marked"] = "marked"
    step: str
    mark: MarkOfAnswer


SittingTold = Annotated[SatTold | MarkedTold | ChangedTold | MeasuredTold | RefusedTold, Field(discriminator="tell")]
