"""What goes over the live bench's websocket: what the page may say, and what it is told. Frames are binary.

A frame, all little-endian: float64 time of its first sample; float32 samples a second; uint32 samples, breaths begun,
phase, compartments and generation; then float32 rows of :data:`tidebench.bench.BANDS`, and of the compartments their
volumes, the share of each that is open, and their levels. Another generation is another past: what was drawn before
has never been.
"""

from __future__ import annotations

import struct
from typing import Annotated, Literal

from pydantic import Field, StrictBool, TypeAdapter

from tidebench.bench import BANDS, Frame
from tidebench.web.models import Asked, FindingTold, MatterTold, Name, Seconds, Told
from tidebench.web.spoken import Spoken

HEAD = struct.Struct("<dfIIIII")
MOST_ROWS = 600
Row = dict[Name, float | Annotated[str, Field(max_length=80)] | None]
Rows = Annotated[list[Row], Field(max_length=MOST_ROWS)]


class SaidAsked(Asked):
    """Who breathes, and what was said since: rows as a scenario has them."""

    who: Name
    seed: Annotated[int, Field(ge=0, le=2**31)] = 1
    settings: Annotated[Rows, Field(min_length=1)] | None = None
    manoeuvres: Rows = Field(default_factory=list)
    events: Rows = Field(default_factory=list)


class BeginAsked(Asked):
    """Begin with a patient, at a moment of what was said."""

    do: Literal["begin"]
    said: SaidAsked
    until_s: Annotated[float, Field(ge=0, le=1e5, allow_inf_nan=False)] = 0.0


class GoOnAsked(Asked):
    """Let time go on, so many seconds a second."""

    do: Literal["play"]
    speed: Annotated[float, Field(ge=0.1, le=20, allow_inf_nan=False)] = 1.0


class PauseAsked(Asked):
    """Stop time."""

    do: Literal["pause"]


class StepAsked(Asked):
    """Let so much time pass at once."""

    do: Literal["step"]
    seconds: Annotated[float, Field(gt=0, le=60, allow_inf_nan=False)]


class SetAsked(Asked):
    """Change settings from now on."""

    do: Literal["set"]
    settings: Annotated[Row, Field(min_length=1, max_length=30)]


class ManoeuvreAsked(Asked):
    """A manoeuvre, now."""

    do: Literal["manoeuvre"]
    kind: Name
    duration_s: Seconds | None = None


class EventAsked(Asked):
    """An event in the patient, now or coming over some time."""

    do: Literal["event"]
    kind: Name
    size: Annotated[float, Field(allow_inf_nan=False)] | None = None
    over_s: Seconds = 0.0


class BackAsked(Asked):
    """Go back to a moment; the line so far stays."""

    do: Literal["back"]
    to_s: Seconds


class FollowAsked(Asked):
    """Go on with another line."""

    do: Literal["follow"]
    line: Annotated[int, Field(ge=1, le=10_000)]


class SaveAsked(Asked):
    """Save the line so far as a case."""

    do: Literal["save"]
    title: Annotated[str, Field(max_length=200)] = ""


BenchAsked = Annotated[
    BeginAsked | GoOnAsked | PauseAsked | StepAsked | SetAsked | ManoeuvreAsked | EventAsked | BackAsked | FollowAsked
    | SaveAsked,
    Field(discriminator="do"),
]  # fmt: skip
ASKED: TypeAdapter[BenchAsked] = TypeAdapter(BenchAsked)


class PatientTold(Told):
    """A patient of the library."""

    name: str
    title: str


class ManoeuvreTold(Told):
    """A manoeuvre that can be asked for, and how long it usually lasts."""

    kind: str
    lasts_s: float


class EventTold(Told):
    """An event that can happen, and whether it has a size."""

    kind: str
    words: str
    sized: bool


class BenchOffer(Told):
    """Who can breathe on the bench, what can be done and what can happen."""

    patients: list[PatientTold]
    manoeuvres: list[ManoeuvreTold]
    events: list[EventTold]
    longest_s: float


class WordsTold(Told):
    """Words between places that can be changed."""

    part: Literal["words"] = "words"
    text: str


class BlankTold(Told):
    """A number that can be written anew."""

    part: Literal["number"] = "number"
    key: str
    label: str
    unit: str
    value: float
    low: float
    high: float
    step: float


class WordChoiceTold(Told):
    """A word that can be exchanged."""

    part: Literal["choice"] = "choice"
    key: str
    label: str
    value: str
    options: list[tuple[str, str]]


PartTold = Annotated[WordsTold | BlankTold | WordChoiceTold, Field(discriminator="part")]


class HappenedTold(Told):
    """Something that was done or happened."""

    at_s: float
    kind: str
    text: str


class LineTold(Told):
    """A line: where it began, from which other, how far it goes."""

    number: int
    from_s: float
    until_s: float
    parent: int
    happened: int


class NowTold(Told):
    """How things stand."""

    tell: Literal["now"] = "now"
    title: str
    time_s: float
    playing: StrictBool
    speed: float
    generation: int
    line: LineTold
    others: list[LineTold]
    sentences: list[list[PartTold]]
    happened: list[HappenedTold]
    said: SaidAsked


class ChangedTold(Told):
    """Something was changed or done; ``before`` takes a change of settings back."""

    tell: Literal["changed"] = "changed"
    at_s: float
    text: str
    before: Row | None


class TruthNumberTold(Told):
    """A number that only a virtual patient tells."""

    key: str
    label: str
    value: str


class TruthTold(Told):
    """What only the virtual patient tells of its last breath."""

    tell: Literal["truth"] = "truth"
    numbers: list[TruthNumberTold]


class SeenNumberTold(Told):
    """A number of a breath, or the reason why there is none."""

    key: str
    label: str
    value: str
    reason: str


class BreathSeenTold(Told):
    """A breath as it was measured."""

    breath: int
    start_s: float
    heading: str
    numbers: list[SeenNumberTold]
    spoken: str


class HoldSeenTold(Told):
    """A hold in a sentence."""

    at_s: float
    text: str


class MeasuredTold(Told):
    """A review of what was recorded so far, the latest first."""

    tell: Literal["measured"] = "measured"
    until_s: float
    generation: int
    breaths: list[BreathSeenTold]
    findings: list[FindingTold]
    holds: list[HoldSeenTold]
    matters: list[MatterTold]


class SavedTold(Told):
    """The case that was made."""

    tell: Literal["saved"] = "saved"
    name: str
    title: str


class RefusedTold(Told):
    """Why something can't be done; how things stand is as it was."""

    tell: Literal["refused"] = "refused"
    problem: Spoken


BenchTold = Annotated[
    NowTold | ChangedTold | TruthTold | MeasuredTold | SavedTold | RefusedTold, Field(discriminator="tell")
]


def packed(frame: Frame, rate_hz: float, generation: int) -> bytes:
    """A frame as bytes."""
    n = frame.bands.shape[1]
    assert len(frame.bands) == len(BANDS)
    state = (frame.volumes, frame.opened, frame.levels)
    head = HEAD.pack(frame.first_s, rate_hz, n, frame.breaths, frame.phase, len(frame.volumes), generation)
    return head + b"".join(part.astype("<f4").tobytes() for part in (frame.bands, *state))
