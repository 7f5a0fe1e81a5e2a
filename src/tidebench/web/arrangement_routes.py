"""Arrangements of panels that a user keeps, each an ``axes.toml`` beside the cases."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import FileResponse

from tidebench.casebook import check_name
from tidebench.pictures.arrangements import arrangements, drop, find, keep, put_back
from tidebench.web import picture_models as p
from tidebench.web.options import Serving
from tidebench.web.picture_said import axes_tables, panels_told, slips_of
from tidebench.web.refusals import REFUSED

Name = Annotated[str, Field(max_length=80)]


def arrangement_routes(serving: Serving) -> APIRouter:
    """The routes of arrangements."""
    api = APIRouter(prefix="/api", responses=REFUSED)

    @api.get("/arrangements")
    def list_arrangements(
        width: Annotated[int, Query(ge=0, le=20000)] = 0, height: Annotated[int, Query(ge=0, le=20000)] = 0
    ) -> list[p.ArrangementTold]:
        """The arrangements that are kept, laid on a picture of that size."""
        size = (width, height) if width and height else None
        return [
            p.ArrangementTold(
                name=one.name, fits=one.fits, size=one.axes.picture, straight=one.axes.size,
                panels=panels_told(one.axes),
            )
            for one in arrangements(serving.folder, size)
        ]  # fmt: skip

    @api.put("/arrangements/{name}")
    def keep_arrangement(name: Name, asked: p.ArrangementAsked) -> p.BegunTold:
        """Keep an arrangement under a name, as an axes.toml beside the cases; or what is in the way."""
        slips = [one for one in slips_of(asked.panels) if one.field != "confirmed"]
        if not slips:
            keep(serving.folder, check_name(name), axes_tables(asked.panels, asked.size, asked.straight))
        return p.BegunTold(job=None, slips=slips)

    @api.get("/arrangements/{name}/axes.toml", response_class=FileResponse)
    def arrangement_file(name: Name) -> FileResponse:
        """An arrangement as the command line takes it."""
        path = find(serving.folder, check_name(name))
        return FileResponse(path, media_type="text/plain", filename="axes.toml")

    @api.delete("/arrangements/{name}", status_code=204)
    def drop_arrangement(name: Name) -> None:
        """Take an arrangement away; it waits aside."""
        drop(serving.folder, check_name(name))

    @api.post("/arrangements/{name}/back", status_code=204)
    def put_arrangement_back(name: Name) -> None:
        """Put an arrangement back that was taken away."""
        put_back(serving.folder, check_name(name))

    return api
