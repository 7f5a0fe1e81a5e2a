"""What goes over the line about pictures: panels as a person says them, and curves as they were traced."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from tidebench.pictures.axes import MOST_PANELS
from tidebench.pictures.corrections import MOST_CORRECTIONS, MOST_POINTS
from tidebench.web import models as m
from tidebench.web.spoken import Spoken

Figure = Annotated[str, Field(max_length=40)]
Pixel = Annotated[float, Field(ge=-10, le=20000, allow_inf_nan=False)]
Box = tuple[Pixel, Pixel, Pixel, Pixel]
Place = tuple[Pixel, Pixel]
Corners = tuple[Place, Place, Place, Place]
Side = Annotated[int, Field(ge=32, le=20000)]
MOST_AT_ONCE = 40


class MarkSaid(m.Asked):
    """A mark of an axis: the pixel at which it lies, and the figure that stands there."""

    at: Pixel
    value: Figure = ""


Marks = tuple[MarkSaid, MarkSaid]


class ClockSaid(m.Asked):
    """What runs from left to right: two marks in seconds, a trend's in hours, or a display that wraps round."""

    way: Literal["marks", "sweep"] = "marks"
    marks: Marks
    seconds: Figure = ""
    newest: Pixel | None = None


class PanelSaid(m.Asked):
    """A panel as a person says it; ``confirmed`` once they have looked."""

    kind: Literal["curve", "loop", "trend"] = "curve"
    quantity: Annotated[str, Field(max_length=60)] = ""
    unit: Annotated[str, Field(max_length=40)] = ""
    box: Box
    values: Marks
    clock: ClockSaid
    across: Annotated[str, Field(max_length=60)] = ""
    across_unit: Annotated[str, Field(max_length=40)] = ""
    colour: Annotated[str, Field(max_length=7)] = ""
    confirmed: bool = False


class CorrectionSaid(m.Asked):
    """A stretch erased or drawn anew."""

    panel: Annotated[int, Field(ge=1, le=MOST_PANELS)]
    kind: Literal["erase", "draw"]
    points: Annotated[list[Place], Field(min_length=2, max_length=MOST_POINTS)]


Panels = Annotated[list[PanelSaid], Field(max_length=MOST_PANELS)]


class StraightSaid(m.Asked):
    """Four corners of what is a rectangle in truth, its size, and the lens's bend."""

    corners: Corners
    size: tuple[Side, Side]
    bend: Annotated[float, Field(ge=-0.3, le=0.3, allow_inf_nan=False)] = 0.0


class OpenAsked(m.Asked):
    """Which page, and how it is straightened: not, by a screen that is found, or by corners."""

    page: Annotated[int, Field(ge=1, le=10000)] = 1
    find: bool = False
    corners: Corners | None = None
    size: tuple[Side, Side] | None = None


class PictureSaid(m.Asked):
    """A picture, and all that a person says of it."""

    token: Annotated[str, Field(max_length=32)]
    page: Annotated[int, Field(ge=1, le=10000)] = 1
    straight: StraightSaid | None = None
    size: tuple[Side, Side]
    panels: Panels = Field(default_factory=list)
    corrections: Annotated[list[CorrectionSaid], Field(max_length=MOST_CORRECTIONS, default_factory=list)]
    observed: Annotated[dict[m.Name, Figure], Field(max_length=60, default_factory=dict)]
    at: datetime | None = None
    mend: Literal["flow", "volume"] | None = None


class CaseAsked(m.Asked):
    """Pictures that become a case, and what else is known."""

    title: Annotated[str, Field(max_length=200)] = ""
    notes: m.Words = ""
    answers: dict[m.Name, dict[m.Name, Annotated[str, Field(max_length=400)]]] = Field(default_factory=dict)
    meant: Annotated[list[m.Words], Field(max_length=50, default_factory=list)]
    pictures: Annotated[list[PictureSaid], Field(min_length=1, max_length=MOST_AT_ONCE)]
    keep_whole: bool = False


class ArrangementAsked(m.Asked):
    """Panels to keep as an arrangement."""

    panels: Annotated[list[PanelSaid], Field(min_length=1, max_length=MOST_PANELS)]
    size: tuple[Side, Side]
    straight: StraightSaid | None = None


# --- answers ----------------------------------------------------------------------------------------------------------


class PanelChannelTold(m.Told):
    """A quantity that a panel may show, and the units it may have."""

    key: str
    label: str
    units: list[str]
    trend: bool


class PictureFormTold(m.Told):
    """What the page of pictures asks."""

    channels: list[PanelChannelTold]
    observed: m.SectionTold
    about: list[m.SectionTold]
    crop: str
    stored: str


class PicturedTrendTold(m.Told):
    """A trend of a picture, in hours and its quantity's unit."""

    label: str
    unit: str
    words: str
    hours: list[float]
    values: list[float]


class PicturedTold(m.Told):
    """What the pictures of a case gave apart from signals."""

    trends: list[PicturedTrendTold]
    loops: list[str]
    noted: list[str]


class PictureTold(m.Told):
    """A picture that waits to be said what it shows."""

    token: str
    file: str
    size: int


class ReadAxesTold(m.Told):
    """Marks beside a proposed panel that character recognition read, pixel and figure: to be looked at."""

    values: tuple[AxisMarkTold, AxisMarkTold] | None
    times: tuple[AxisMarkTold, AxisMarkTold] | None


class ShownTold(m.Told):
    """A picture as the page shows it: its address, its pixels, what is proposed."""

    shown: str
    size: tuple[int, int]
    original: tuple[int, int]
    pages: int
    taken: datetime | None
    straight: StraightTold | None
    aslant: bool
    boxes: list[tuple[float, float, float, float]]
    axes: list[ReadAxesTold]


class StraightTold(m.Told):
    """How a picture was straightened."""

    corners: list[tuple[float, float]]
    size: tuple[int, int]
    bend: float


class PanelSlipTold(m.Told):
    """What is in the way: of which panel (counted from 1; 0 of the picture), and in which field."""

    panel: int
    field: str
    problem: Spoken


class BegunTold(m.Told):
    """Work that has begun, or what is in the way."""

    job: m.JobTold | None
    slips: list[PanelSlipTold]


class TracedCurveTold(m.Told):
    """A curve over the picture."""

    quantity: str
    label: str
    words: str
    column: list[float]
    row: m.Numbers
    low: m.Numbers
    high: m.Numbers
    turns: list[tuple[float, float]]


class TracedLoopTold(m.Told):
    """A loop over the picture."""

    label: str
    words: str
    points: list[tuple[float, float]]


class HeldTold(m.Told):
    """One thing held against another."""

    what: str
    words: str
    state: Literal["agrees", "differs", "not told"]


class BesideTold(m.Told):
    """A number as measured and as noted."""

    key: str
    label: str
    measured: str
    noted: str
    state: Literal["agrees", "differs", "not told"]
    why: list[str]


class TracedTold(m.Told):
    """A picture as it was traced."""

    curves: list[TracedCurveTold]
    loops: list[TracedLoopTold]
    recording: str
    held: list[HeldTold]
    beside: list[BesideTold]
    warnings: list[str]
    mendable: bool


class CaseBegunTold(m.Told):
    """A case that is being made, or what is in the way."""

    name: str
    job: m.JobTold | None
    slips: list[m.SlipTold]
    doubts: list[str]
    pictures: list[list[PanelSlipTold]]


class ArrangementTold(m.Told):
    """A kept arrangement, laid on the picture at hand."""

    name: str
    fits: str
    size: tuple[int, int] | None
    straight: tuple[int, int] | None
    panels: list[PanelTold]


class AxisMarkTold(m.Told):
    """A mark of an axis."""

    at: float
    value: str


class ClockTold(m.Told):
    """What runs from left to right."""

    way: Literal["marks", "sweep"]
    marks: tuple[AxisMarkTold, AxisMarkTold]
    seconds: str
    newest: float | None


class PanelTold(m.Told):
    """A panel of an arrangement: proposed until a person confirms it."""

    kind: Literal["curve", "loop", "trend"]
    quantity: str
    unit: str
    box: tuple[float, float, float, float]
    values: tuple[AxisMarkTold, AxisMarkTold]
    clock: ClockTold
    across: str
    across_unit: str
    colour: str
    confirmed: bool


ReadAxesTold.model_rebuild()
ShownTold.model_rebuild()
ArrangementTold.model_rebuild()
