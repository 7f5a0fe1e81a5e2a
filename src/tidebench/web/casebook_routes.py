"""The casebook: which cases there are, a new one by form or file, and its review."""

from __future__ import annotations

import shutil
from dataclasses import asdict
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool

from tidebench.case import CASE_FILE, load_case
from tidebench.case_form import Filled, form, read_form
from tidebench.casebook import REVIEW, case_folder, entries, free_name, put_back, take_out
from tidebench.errors import InputError, OptionError
from tidebench.forms import Slip
from tidebench.readers.preview import mappable, preview, units_of, without
from tidebench.store import new_folder
from tidebench.web.jobs import Job, Jobs
from tidebench.web.models import (
    ColumnTold,
    EntryTold,
    JobTold,
    Made,
    Mappable,
    Mapped,
    NewCase,
    SectionTold,
    SlipTold,
    UploadTold,
)
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED
from tidebench.web.uploads import Upload, clear_old, drop, find, take_in

REVIEW_WORK = "tidebench.web.work:review_job"
OWN_WORDS_S = 90.0


def casebook_routes(serving: Serving, jobs: Jobs) -> APIRouter:
    """The routes of the casebook."""
    api = APIRouter(prefix="/api", responses=REFUSED)

    @api.get("/cases")
    def list_cases() -> list[EntryTold]:
        """Every case in the folder, the latest first; what waited too long to become one is thrown away."""
        clear_old(serving.folder)
        return [EntryTold.model_validate(entry) for entry in entries(serving.folder)]

    @api.get("/case-form")
    def case_form() -> list[SectionTold]:
        """The fields of a new case, in plain words."""
        return [SectionTold.model_validate(section) for section in form()]

    @api.get("/mappable")
    def mappable_quantities() -> list[Mappable]:
        """What a column of signals may hold, and in which units."""
        return [Mappable(key=key, label=label, units=list(units_of(key))) for key, label in mappable().items()]

    @api.post("/cases")
    def make_case(asked: NewCase) -> Made:
        """Make a case of a filled-in form, and of a file that was dragged in where there is one."""
        filled = read_form(asked.title, asked.notes, asked.answers)
        open_doubts = [doubt for doubt in filled.doubts if doubt not in asked.meant]
        if filled.slips or open_doubts:
            return _not_yet(filled.slips, open_doubts)
        upload = find(serving.folder, asked.upload) if asked.upload else None
        if upload is not None and (slip := _people(upload, asked.without)):
            return _not_yet([slip], [])
        return Made(name=_made(serving.folder, asked, filled, upload), slips=[], doubts=[])

    @api.post(
        "/uploads",
        openapi_extra={"requestBody": {"required": True, "content": {"application/octet-stream": {"schema": {
            "type": "string", "format": "binary"}}}}},
    )  # fmt: skip
    async def upload_file(request: Request, name: str) -> UploadTold:
        """Take a file in, put it aside, and say what its columns are understood as."""
        upload = await take_in(serving.folder, name, request.stream(), serving.limits)
        try:
            return await run_in_threadpool(_previewed, upload, {})
        except InputError:
            drop(upload)
            raise

    @api.post("/uploads/{token}/preview")
    def preview_upload(token: str, asked: Mapped) -> UploadTold:
        """Say again what its columns are understood as, with what a person said of them."""
        return _previewed(find(serving.folder, token), asked.columns)

    @api.delete("/uploads/{token}", status_code=204)
    def drop_upload(token: str) -> None:
        """Throw a file away that waits."""
        drop(find(serving.folder, token))

    @api.delete("/cases/{name}", status_code=204)
    def take_case_out(name: str) -> None:
        """Take a case out of the casebook; it waits aside for two hours."""
        take_out(serving.folder, name)

    @api.put("/cases/{name}", status_code=204)
    def put_case_back(name: str) -> None:
        """Put a case back that was taken out."""
        put_back(serving.folder, name)

    @api.post("/cases/{name}/review")
    def begin_review(name: str) -> JobTold:
        """Review a case, in a process of its own."""
        folder = case_folder(serving.folder, name)
        load_case(folder)
        return told(jobs.submit(f"review of {name}", REVIEW_WORK, **_reviewing(folder)))

    @api.get("/cases/{name}/review/job")
    def going_review(name: str) -> JobTold | None:
        """The review that goes on or waits; null where none does."""
        job = jobs.going(REVIEW_WORK, **_reviewing(case_folder(serving.folder, name)))
        return told(job) if job else None

    @api.get("/jobs/{job}")
    def follow_job(job: str) -> JobTold:
        """How far long work is; asking keeps it alive."""
        return told(jobs.get(job))

    @api.delete("/jobs/{job}")
    def cancel_job(job: str) -> JobTold:
        """Give long work up."""
        return told(jobs.cancel(job))

    return api


def told(job: Job) -> JobTold:
    """A job as the page sees it."""
    return JobTold.model_validate(job, from_attributes=True)


def _reviewing(folder: Path) -> dict[str, Any]:
    return {"case": str(folder), "out": str(folder / REVIEW)}


def _not_yet(slips: Any, doubts: list[str]) -> Made:
    return Made(name="", slips=[SlipTold.model_validate(asdict(slip)) for slip in slips], doubts=doubts)


def _previewed(upload: Upload, columns: dict[str, str]) -> UploadTold:
    seen = preview(upload.path, columns)
    return UploadTold(
        token=upload.token,
        file=upload.path.name,
        size=upload.size,
        columns=[ColumnTold.model_validate(column) for column in seen.columns],
        problem=seen.problem,
        people=[column.header for column in seen.columns if column.person],
        comments=seen.comments,
    )


def _people(upload: Upload, unwanted: list[str]) -> Slip | None:
    """Refuse a file whose columns speak of people, until somebody says to leave them out."""
    left = [column.header for column in preview(upload.path).columns if column.person and column.header not in unwanted]
    if not left:
        return None
    names = ", ".join(repr(header) for header in left)
    return Slip("", "upload", f"Columns seem to speak of people: {names}. Leave them out, or export the file anew.")


def _made(folder: Path, asked: NewCase, filled: Filled, upload: Upload | None) -> str:
    import tomlkit

    said: dict[str, Any] = dict(filled.said)
    name = free_name(folder, asked.title)
    with new_folder(folder / name) as draft:
        if upload is not None:
            said["recording"] = {"file": upload.path.name} | ({"columns": asked.columns} if asked.columns else {})
            if asked.without:
                without(upload.path, asked.without, draft / upload.path.name)
            else:
                shutil.copy2(upload.path, draft / upload.path.name)
            if problem := preview(draft / upload.path.name, asked.columns).problem:
                raise OptionError(problem.rstrip("."))
        (draft / CASE_FILE).write_text(tomlkit.dumps(said), encoding="utf-8", newline="\n")
        load_case(draft)
    if upload is not None:
        drop(upload)
    return name
