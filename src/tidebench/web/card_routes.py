"""Cards for sudden trouble and the record of the check before use: as pages, and to print."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter
from starlette.responses import Response

from tidebench.care.cards import PRE_USE, SIGNS, card, pre_use
from tidebench.views.parts import card_parts, pre_use_parts
from tidebench.web import models as m
from tidebench.web.refusals import REFUSED
from tidebench.web.room_routes import PageTold

Sign = Literal["high-pressure", "falling-volume", "falling-saturation", "no-trigger", "stacking", "leak", "pre-use"]


class CardTold(m.Told):
    """A card by its name."""

    sign: str
    page: PageTold


def card_routes() -> APIRouter:
    """The routes of the cards."""
    api = APIRouter(prefix="/api/cards", responses=REFUSED)

    @api.get("")
    def cards() -> list[CardTold]:
        """Every card, in the order of how often it calls, and the record last."""
        pages = [(sign, card_parts(card(sign))) for sign in SIGNS]
        return [
            CardTold(sign=sign, page=PageTold.model_validate(page))
            for sign, page in (*pages, (PRE_USE, pre_use_parts(pre_use())))
        ]

    @api.get("/{sign}.pdf", response_class=Response, responses={200: {"content": {"application/pdf": {}}}})
    def card_page(sign: Sign) -> Response:
        """A card, printed."""
        from tidebench.report.handouts import card_pdf, pre_use_pdf

        content = pre_use_pdf(pre_use()) if sign == PRE_USE else card_pdf(card(sign))
        words = {"content-disposition": f'inline; filename="{sign}.pdf"'}
        return Response(content, media_type="application/pdf", headers=words)

    return api
