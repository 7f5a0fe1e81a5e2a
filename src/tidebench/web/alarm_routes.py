"""Alarms of a reviewed case, replayed: every pair of limit and delay, and what one limit does at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import Response

from tidebench.care.logs.watched import Asked, asked_of
from tidebench.casebook import case_folder
from tidebench.views.alarms import AlarmPage, alarm_pages, course, played
from tidebench.views.replayed import EVENTS, MODEL, NEVER
from tidebench.web import models as m
from tidebench.web.opened import Opened, Shelf
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED

if TYPE_CHECKING:
    from collections.abc import Sequence

Side = Literal["high", "low"]
Limit = Annotated[float, Field(ge=-1e4, le=1e4, allow_inf_nan=False)]
Delay = Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)]


class LimitAsked(m.Asked):
    """A limit with its delay."""

    limit: Limit
    delay_s: Delay = 0.0


class AlarmAsked(m.Asked):
    """An alarm, and stretches beyond a limit that may not be missed."""

    key: m.Name
    side: Side
    must: LimitAsked | None = None


class PlayAsked(AlarmAsked):
    """A limit to replay, against another where one is named."""

    then: LimitAsked
    now: LimitAsked | None = None


class MustAsked(m.Asked):
    """Stretches that may not be missed, of one alarm."""

    must: AlarmAsked | None = None


class ChoiceTold(m.Told):
    """A limit as people set it, or as this record weighs it."""

    name: str
    limit: float
    delay_s: float
    cells: list[str]


class PairTold(m.Told):
    """A pair of limit and delay, replayed."""

    limit: float
    delay_s: float
    burden: float
    missed: int
    told: bool
    best: bool


class AlarmTold(m.Told):
    """An alarm that can be replayed."""

    key: str
    side: Side
    name: str
    label: str
    unit: str
    about: str
    events: int
    low: float
    high: float
    step: float
    choices: list[ChoiceTold]
    burden: str
    pairs: list[PairTold]
    delays_s: list[float]
    usual: str
    reason: str


class AlarmsTold(m.Told):
    """Every alarm of a case that can be replayed, and how to read it."""

    title: str
    never: str
    model: str
    events: str
    alarms: list[AlarmTold]


class CourseTold(m.Told):
    """A quantity along the record, and the events of its alarm."""

    time_s: list[float]
    values: m.Numbers
    events: list[tuple[float, float]]
    duration_s: float


class PlayedTold(m.Told):
    """What a limit does."""

    words: str
    burden: float
    missed: int
    told: bool
    numbers: list[tuple[str, str]]
    sounds: list[tuple[float, float]]
    more: int
    heard: list[bool]
    against: list[str]


def alarm_routes(serving: Serving, shelf: Shelf) -> APIRouter:
    """The routes of the replay."""
    api = APIRouter(prefix="/api/cases/{name}/alarms", responses=REFUSED)

    def opened(name: str) -> Opened:
        return shelf.get(case_folder(serving.folder, name))

    @api.post("")
    def alarms(name: str, asked: MustAsked) -> AlarmsTold:
        """Every alarm that can be replayed, with every pair of limit and delay."""
        review = opened(name).kept.review
        must = () if asked.must is None else _must(asked.must)
        return AlarmsTold(
            title=review.case.title or name, never=NEVER, model=MODEL, events=EVENTS,
            alarms=[alarm_told(page) for page in alarm_pages(review, review.policy, must)],
        )  # fmt: skip

    @api.post("/course")
    def alarm_course(name: str, asked: AlarmAsked) -> CourseTold:
        """What an alarm looks at, breath by breath."""
        told = course(opened(name).kept.review, asked.key, asked.side, _must(asked))
        return CourseTold(
            time_s=[round(at, 3) for at in told.time_s.tolist()], values=m.numbers(told.values),
            events=list(told.events), duration_s=told.duration_s,
        )  # fmt: skip

    @api.post("/replay")
    def alarm_replay(name: str, asked: PlayAsked) -> PlayedTold:
        """What a limit would have done."""
        review = opened(name).kept.review
        then, now = _limit(asked, asked.then), None if asked.now is None else _limit(asked, asked.now)
        return PlayedTold.model_validate(played(review, then, review.policy, now, _must(asked)))

    @api.post("/page.pdf", response_class=Response, responses={200: {"content": {"application/pdf": {}}}})
    def alarm_page(name: str, asked: PlayAsked) -> Response:
        """Every alarm replayed, and one limit against another, printed."""
        from tidebench.care.logs import Question, Reviewed, tell
        from tidebench.report.logs import log_figures, log_pdf

        review = opened(name).kept.review
        then = _limit(asked, asked.then)
        now = then if asked.now is None else _limit(asked, asked.now)
        question = Question(now=now, then=then, must=_must(asked), policy=review.policy)
        told = tell(None, review.case, Reviewed(review.breaths, review.findings), question)
        words = {"content-disposition": 'attachment; filename="alarms.pdf"'}
        return Response(log_pdf(told, log_figures(told)), media_type="application/pdf", headers=words)

    return api


def alarm_told(page: AlarmPage) -> AlarmTold:
    """An alarm as it goes over the line."""
    return AlarmTold(
        key=page.quantity.key, side=page.side, name=page.name, label=page.quantity.label, unit=page.quantity.unit,
        about=page.about, events=page.events, low=page.low, high=page.high, step=page.step,
        choices=[ChoiceTold.model_validate(one) for one in page.choices],
        burden=page.burden, pairs=[PairTold.model_validate(one) for one in page.pairs],
        delays_s=list(page.delays_s), usual=page.usual,
        reason=page.reason,
    )  # fmt: skip


def _limit(alarm: AlarmAsked, one: LimitAsked) -> Asked:
    """A limit, held to what its quantity can be.

    Raises
    ------
    OptionError
        As :func:`tidebench.care.logs.watched.asked_of`.
    """
    return asked_of(f"{alarm.key}.{alarm.side}={one.limit:.6f}@{one.delay_s:.3f}", "limit")


def _must(alarm: AlarmAsked) -> Sequence[Asked]:
    return () if alarm.must is None else (_limit(alarm, alarm.must),)
