"""Event logs: dragged in, their columns said, read in a process of their own, shown and printed."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Request
from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, Response

from tidebench.care.logs.preview import preview_log
from tidebench.casebook import REVIEW, case_folder
from tidebench.errors import InputError, OptionError
from tidebench.logbook import Kept, kept_with_case, put_back_into_case, take_out_of_case
from tidebench.web import models as m
from tidebench.web.casebook_routes import told
from tidebench.web.guard import LOGS
from tidebench.web.jobs import Jobs
from tidebench.web.opened import Shelf
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED
from tidebench.web.room_routes import CaseName, PageTold
from tidebench.web.spoken import Spoken
from tidebench.web.uploads import Upload, drop, find, take_in
from tidebench.web.work import LogRead

READ = "tidebench.web.work:log_job"
KEEP = "tidebench.web.work:keep_log_job"
SUFFIXES = (".csv", ".txt", ".tsv", ".log", ".dat", ".asc")


class LogColumnTold(m.Told):
    """A column of a log as it is understood."""

    header: str
    role: str
    unit: str
    cells: list[str]
    told: bool
    person: bool


class LogUploadTold(m.Told):
    """A log that waits to be read."""

    token: str
    file: str
    size: int
    columns: list[LogColumnTold]
    problem: Spoken
    people: list[str]


class LogAsked(m.Asked):
    """How a log is read, and beside which case."""

    columns: Annotated[dict[Annotated[str, Field(max_length=400)], m.Name], Field(max_length=400, default_factory=dict)]
    case: CaseName = ""
    offset_s: m.Seconds | None = None
    zero: datetime | None = None
    bed: Annotated[str, Field(max_length=200)] = ""


class KeptTold(m.Told):
    """A log that lies with a case."""

    files: list[str]


class FigureTold(m.Told):
    """A figure with its words."""

    svg: str
    alt: str


class LogTold(m.Told):
    """A log, read."""

    page: PageTold
    figures: dict[str, FigureTold]


def log_routes(serving: Serving, shelf: Shelf, jobs: Jobs) -> APIRouter:
    """The routes of event logs."""
    api = APIRouter(prefix="/api", responses=REFUSED)

    def begun(upload: Upload, work: str, asked: LogAsked, **further: Any) -> m.JobTold:
        folder = case_folder(serving.folder, asked.case) if asked.case else None
        words: dict[str, Any] = {
            "columns": asked.columns,
            "offset_s": asked.offset_s or 0.0,
            "zero": asked.zero,
            "bed": asked.bed,
        }
        job = jobs.submit(
            f"reading of {upload.path.name}", work, log=str(upload.path), case=str(folder or ""),
            review=_review(shelf, folder), **words, **further,
        )  # fmt: skip
        return told(job)

    def kept(name: str) -> Kept:
        found = kept_with_case(case_folder(serving.folder, name))
        if found is None:
            raise OptionError("there is no log with this case", where=name)
        return found

    def outcome(job: str) -> LogRead:
        done = jobs.get(job)
        if done.state != "done" or not isinstance(done.outcome, LogRead):
            raise OptionError("the log isn't read yet", where="log", remedy="Wait until the job is done.")
        return done.outcome

    @api.post(
        LOGS.removeprefix("/api"),
        openapi_extra={"requestBody": {"required": True, "content": {"application/octet-stream": {"schema": {
            "type": "string", "format": "binary"}}}}},
    )  # fmt: skip
    async def upload_log(request: Request, name: str) -> LogUploadTold:
        """Take a log in, put it aside, and say what its columns are taken for."""
        upload = await take_in(serving.folder, name, request.stream(), serving.limits, SUFFIXES)
        try:
            return await run_in_threadpool(_previewed, upload, {})
        except InputError:
            drop(upload)
            raise

    @api.post("/logs/{token}/preview")
    def preview_columns(token: str, asked: m.Mapped) -> LogUploadTold:
        """Say again what its columns are taken for, with what a person said of them."""
        return _previewed(find(serving.folder, token), asked.columns)

    @api.post("/logs/{token}/read")
    def read_log(token: str, asked: LogAsked) -> m.JobTold:
        """Begin to read a log, beside a case where one is named and its review where it has one."""
        return begun(find(serving.folder, token), READ, asked)

    @api.post("/logs/{token}/keep")
    def keep_log(token: str, asked: LogAsked) -> m.JobTold:
        """Begin to put a log into its case; columns that speak of people or aren't read are left out of the copy."""
        if not asked.case:
            raise OptionError("no case is named", where="case", expected="the case that the log belongs to")
        upload = find(serving.folder, token)
        columns = preview_log(upload.path, asked.columns).columns
        return begun(upload, KEEP, asked, unwanted=[column.header for column in columns if not column.role])

    @api.get("/cases/{name}/log")
    def kept_log(name: str) -> KeptTold:
        """The log that lies with a case."""
        return KeptTold(files=list(kept(name).files))

    @api.get("/cases/{name}/log/page.pdf", response_class=FileResponse)
    def kept_page(name: str) -> FileResponse:
        """What the log that lies with a case tells, printed."""
        words = {"content-disposition": 'attachment; filename="log.pdf"'}
        return FileResponse(kept(name).folder / "log.pdf", media_type="application/pdf", headers=words)

    @api.delete("/cases/{name}/log", status_code=204)
    def drop_log(name: str) -> None:
        """Take the log that lies with a case out again; it waits aside."""
        take_out_of_case(case_folder(serving.folder, name))

    @api.put("/cases/{name}/log")
    def put_log_back(name: str) -> KeptTold:
        """Put the log back that was taken out."""
        put_back_into_case(case_folder(serving.folder, name))
        return kept_log(name)

    @api.get("/logs/read/{job}")
    def log_page(job: str) -> LogTold:
        """What a log tells, once it is read."""
        return LogTold.model_validate(outcome(job))

    @api.get(
        "/logs/read/{job}/page.pdf", response_class=Response, responses={200: {"content": {"application/pdf": {}}}}
    )
    def log_pdf(job: str) -> Response:
        """The same, printed."""
        words = {"content-disposition": 'attachment; filename="log.pdf"'}
        return Response(outcome(job).pdf, media_type="application/pdf", headers=words)

    return api


def _review(shelf: Shelf, folder: Path | None) -> str:
    """Where the review of a case lies; empty where it has none of what it says now."""
    if folder is None:
        return ""
    try:
        shelf.get(folder)
    except OptionError:
        return ""
    return str(folder / REVIEW)


def _previewed(upload: Upload, columns: dict[str, str]) -> LogUploadTold:
    seen = preview_log(upload.path, columns)
    return LogUploadTold(
        token=upload.token, file=upload.path.name, size=upload.size,
        columns=[LogColumnTold.model_validate(column) for column in seen.columns], problem=seen.problem,
        people=[column.header for column in seen.columns if column.person],
    )  # fmt: skip
