"""What leaves: the report, tables and pictures, each as a file with a plain name."""

from __future__ import annotations

import io
from typing import Literal

import polars as pl
from fastapi import APIRouter
from starlette.responses import FileResponse, Response

from tidebench.casebook import REVIEW, case_folder
from tidebench.errors import OptionError
from tidebench.report.figures import Picture, account_figure, loops_figure, trend_figure
from tidebench.report.raster import png_bytes
from tidebench.report.window_figure import window_figure
from tidebench.views import breath_page
from tidebench.views.window import marks_within, traces
from tidebench.web.opened import Opened, Shelf
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED
from tidebench.web.review_routes import From, To

Table = Literal["breaths", "efforts", "findings"]
Tabular = Literal["csv", "parquet"]
Drawn = Literal["svg", "png"]
KINDS = {
    "csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet", "svg": "image/svg+xml",
    "png": "image/png", "pdf": "application/pdf",
}  # fmt: skip
PRINTED_POINTS = 4000


def export_routes(serving: Serving, shelf: Shelf) -> APIRouter:
    """The routes of everything that can be saved."""
    api = APIRouter(prefix="/api/cases/{name}/export", responses=REFUSED)

    def opened(name: str) -> Opened:
        return shelf.get(case_folder(serving.folder, name))

    @api.get("/report.pdf", response_class=FileResponse)
    def export_report(name: str) -> FileResponse:
        """The report, as the review wrote it."""
        path = opened(name).folder / REVIEW / "report.pdf"
        if not path.is_file():
            raise OptionError("there is no report", where=name, remedy="Review the case again.")
        return FileResponse(path, media_type=KINDS["pdf"], headers=_named(name, "report", "pdf", inline=True))

    @api.get("/tables/{table}.{kind}", response_class=Response)
    def export_table(name: str, table: Table, kind: Tabular) -> Response:
        """A table of the review."""
        frame: pl.DataFrame = getattr(opened(name).kept.review, table)
        return Response(_tabular(frame, kind), media_type=KINDS[kind], headers=_named(name, table, kind))

    @api.get("/signals.{kind}", response_class=Response)
    def export_signals(name: str, kind: Tabular, from_s: From, to_s: To) -> Response:
        """The samples of a stretch, up to an hour of them, in the units they are shown in."""
        found = traces(opened(name).kept, from_s, min(to_s, from_s + 3600), 1_000_000)
        columns = {f"{t.quantity.key} [{t.quantity.unit}]": t.values for t in found}
        frame = pl.DataFrame({"time [s]": found[0].time_s + from_s, **columns})
        return Response(_tabular(frame, kind), media_type=KINDS[kind], headers=_named(name, "signals", kind))

    @api.get("/trend.{kind}", response_class=Response)
    def export_trend(name: str, kind: Drawn) -> Response:
        """The course of the whole record, drawn."""
        return _picture(name, "trend", trend_figure(opened(name).trend), kind)

    @api.get("/stretch.{kind}", response_class=Response)
    def export_stretch(name: str, kind: Drawn, from_s: From, to_s: To) -> Response:
        """A stretch of the signals, drawn."""
        case = opened(name)
        found = traces(case.kept, from_s, to_s, PRINTED_POINTS)
        return _picture(
            name, "stretch", window_figure(found, marks_within(case.kept.review, from_s, to_s), from_s), kind
        )

    @api.get("/breaths/{breath}/{what}.{kind}", response_class=Response)
    def export_breath(name: str, breath: int, what: Literal["account", "loops"], kind: Drawn) -> Response:
        """A breath's pressure account or loops, drawn."""
        page, figure = (
            breath_page(opened(name).kept.review, breath),
            account_figure if what == "account" else loops_figure,
        )
        drawn = figure(page) if page else None
        if drawn is None:
            raise OptionError(f"there is no {what} of breath {breath}", where=name)
        return _picture(name, f"breath-{breath}-{what}", drawn, kind)

    return api


def _named(name: str, what: str, kind: str, *, inline: bool = False) -> dict[str, str]:
    plain = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "-" for sign in name)
    way = "inline" if inline else "attachment"
    return {"content-disposition": f'{way}; filename="{plain}-{what}.{kind}"'}


def _tabular(frame: pl.DataFrame, kind: Tabular) -> bytes:
    out = io.BytesIO()
    if kind == "parquet":
        frame.write_parquet(out)
        return out.getvalue()
    nested = [column for column, dtype in frame.schema.items() if dtype.is_nested()]
    frame.with_columns(pl.col(column).map_elements(_words, pl.String) for column in nested).write_csv(out)
    return out.getvalue()


def _words(entries: pl.Series) -> str:
    """A list of records in one cell: ``driving_pressure_cmh2o: no plateau; ...``."""
    return "; ".join(": ".join(str(part) for part in entry.values() if part is not None) for entry in entries)


def _picture(name: str, what: str, picture: Picture, kind: Drawn) -> Response:
    content = picture.standing_alone.encode() if kind == "svg" else png_bytes(picture)
    return Response(content, media_type=KINDS[kind], headers=_named(name, what, kind))
