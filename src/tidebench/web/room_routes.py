"""Rooms with a form: what each asks, its page at once, and the same page printed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import Response

from tidebench.casebook import case_folder
from tidebench.errors import CaseError
from tidebench.web import models as m
from tidebench.web.opened import Shelf
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED
from tidebench.web.rooms import ROOMS, Desk, Room, Shown
from tidebench.web.rooms.desk import about, answers_of, desk_of, sections_of, shown

if TYPE_CHECKING:
    from tidebench.review import Review

RoomName = Literal["prepare", "gases", "wean", "handover"]
CaseName = Annotated[str, Field(max_length=120)]
MOST_TABLES, MOST_KEYS = 400, 100
Answers = Annotated[
    dict[m.Name, Annotated[dict[m.Name, Annotated[str, Field(max_length=400)]], Field(max_length=MOST_KEYS)]],
    Field(max_length=MOST_TABLES),
]


class ItemTold(m.Told):
    """A number or word, and what can be asked of it."""

    key: str
    label: str
    value: str
    state: str
    beside: str
    why: str
    source: str


class PartTold(m.Told):
    """A part of a page: sentences, numbers, a table, notes, lines to tick."""

    heading: str
    lines: list[str]
    items: list[ItemTold]
    head: list[str]
    rows: list[list[str]]
    right: list[int]
    after: list[str]
    ticks: list[str]
    figure: str


class PageTold(m.Told):
    """A page of care."""

    title: str
    lead: list[str]
    parts: list[PartTold]


class FormTold(m.Told):
    """A room's form; over an open case, with what the case answers and holds."""

    sections: list[m.SectionTold]
    answers: dict[str, dict[str, str]]
    about: str
    needs: str


class RoomAsked(m.Asked):
    """A form as it was filled in, over an open case or none."""

    case: CaseName = ""
    answers: Answers = Field(default_factory=dict)


class RoomTold(m.Told):
    """A room's page, or what is in the way; and what is asked about."""

    page: PageTold | None
    slips: list[m.SlipTold]
    doubts: list[str]
    text: bool


def room_routes(serving: Serving, shelf: Shelf) -> APIRouter:
    """The routes of rooms with a form."""
    api = APIRouter(prefix="/api/rooms/{room}", responses=REFUSED)

    def desk(room: Room, asked: RoomAsked) -> tuple[Desk, list[m.SlipTold]]:
        folder = case_folder(serving.folder, asked.case) if asked.case else None
        made, slips = desk_of(room, asked.answers, folder, asked.case, lambda: reviewed(asked.case))
        return made, [m.SlipTold.model_validate(slip) for slip in slips]

    def reviewed(case: str) -> Review:
        return shelf.get(case_folder(serving.folder, case)).kept.review

    def printed(room: Room, asked: RoomAsked) -> Shown:
        made, slips = desk(room, asked)
        if slips:
            raise CaseError(slips[0].problem.rstrip("."), where=slips[0].key)
        return room.show(made)

    @api.get("")
    def room_form(room: RoomName, case: Annotated[str, Query(max_length=120)] = "") -> FormTold:
        """What a room asks."""
        found = ROOMS[room]
        sections = [m.SectionTold.model_validate(one) for one in sections_of(found, opened=bool(case))]
        if not case:
            return FormTold(sections=sections, answers={}, about="", needs=found.needs)
        opened = found.load(case_folder(serving.folder, case))
        return FormTold(sections=sections, answers=answers_of(found, opened), about=about(opened), needs="")

    @api.post("")
    def room_page(room: RoomName, asked: RoomAsked) -> RoomTold:
        """The page that answers make, at once."""
        made, slips = desk(ROOMS[room], asked)
        if slips:
            return RoomTold(page=None, slips=slips, doubts=[], text=False)
        page, in_the_way, doubts = shown(ROOMS[room], made, opened=bool(asked.case))
        return RoomTold(
            page=None if page is None else PageTold.model_validate(page.page),
            slips=[m.SlipTold.model_validate(slip) for slip in in_the_way],
            doubts=list(doubts),
            text=page is not None and page.text is not None,
        )

    @api.post("/page.pdf", response_class=Response, responses={200: {"content": {"application/pdf": {}}}})
    def room_pdf(room: RoomName, asked: RoomAsked) -> Response:
        """The page, printed."""
        words = {"content-disposition": f'attachment; filename="{room}.pdf"'}
        return Response(printed(ROOMS[room], asked).pdf(), media_type="application/pdf", headers=words)

    @api.post("/page.txt", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
    def room_text(room: RoomName, asked: RoomAsked) -> Response:
        """The page in plain words, where a room has one."""
        made = printed(ROOMS[room], asked)
        if made.text is None:
            raise CaseError("there is no page in plain words", where=room, expected="the page as PDF")
        words = {"content-disposition": f'attachment; filename="{room}.txt"'}
        return Response(made.text(), media_type="text/plain; charset=utf-8", headers=words)

    return api
