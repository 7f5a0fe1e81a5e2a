"""Pictures of waveforms: dragged in, opened, traced as a person says and mends, and made a case."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any, TypeVar

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse

from tidebench.case import case_from
from tidebench.case_form import case_field, form, read_form
from tidebench.casebook import case_folder, free_name
from tidebench.errors import CaseError, OptionError
from tidebench.forms import Section, read_answers
from tidebench.pictures.axes import CHANNELS, PER_CENT
from tidebench.pictures.opening import MOST_BYTES
from tidebench.quantities import quantity
from tidebench.readers.preview import units_of
from tidebench.views.pictured import pictured
from tidebench.views.traced import TracedPage
from tidebench.web import models as m
from tidebench.web import picture_models as p
from tidebench.web.casebook_routes import told
from tidebench.web.guard import PICTURES
from tidebench.web.jobs import Jobs
from tidebench.web.options import Limits, Serving
from tidebench.web.picture_said import axes_tables, marks_told, slips_of
from tidebench.web.picture_work import SHOWN, ReadAxes, Shown
from tidebench.web.refusals import REFUSED
from tidebench.web.uploads import Upload, drop, find, take_in

OPEN, TRACE, MAKE = (f"tidebench.web.picture_work:{name}_job" for name in ("open", "trace", "case"))
SUFFIXES = (".png", ".bmp", ".jpg", ".jpeg", ".webp", ".tif", ".tiff", ".gif", ".heic", ".heif", ".pdf")
BINARY = {"requestBody": {"required": True, "content": {"application/octet-stream": {"schema": {
    "type": "string", "format": "binary"}}}}}  # fmt: skip
SHOWN_NAME = re.compile(r"[0-9a-f]{16}\.(png|jpg)")
CROP = (
    "Crop faces, names and bed numbers before you drag a picture in: what lies inside its panels is kept with the case."
)
STORED = (
    "What lies outside the panels is left out of the case; the picture itself is thrown away once the case is made."
)
NOTHING = "Neither a panel nor a number is said of this picture."
NOTED = (
    "peak_pressure_cmh2o", "plateau_pressure_cmh2o", "mean_pressure_cmh2o", "peep_cmh2o", "vti_ml", "vte_ml",
    "rate_per_min", "minute_volume_l_min", "ie_ratio", "compliance_ml_cmh2o", "resistance_cmh2o_s_l", "etco2_mmhg",
    "spo2", "heart_rate_per_min",
)  # fmt: skip
"""Numbers that often stand on the same picture."""
TRENDS = (
    "peak_pressure_cmh2o", "mean_pressure_cmh2o", "peep_cmh2o", "vte_ml", "rate_per_min", "minute_volume_l_min",
    "etco2_mmhg", "spo2", "heart_rate_per_min",
)  # fmt: skip
ABOUT = ("patient", "airway", "settings", "blood_gases")

Outcome = TypeVar("Outcome")


def observed_section() -> Section:
    """The fields of numbers on a picture."""
    return Section("observed", "Numbers on this picture", tuple(case_field("observed", key) for key in NOTED))


def picture_limits(serving: Serving) -> Limits:
    """Limits as they are for pictures, which are smaller than recordings."""
    return replace(serving.limits, upload_bytes=min(serving.limits.upload_bytes, MOST_BYTES))


def picture_routes(serving: Serving, jobs: Jobs) -> APIRouter:
    """The routes of pictures."""
    api = APIRouter(prefix="/api", responses=REFUSED)
    limits = picture_limits(serving)

    def begun(about: str, work: str, **words: Any) -> m.JobTold:
        return told(jobs.submit(about, work, most_s=serving.limits.picture_s, **words))

    def outcome(job: str, kind: type[Outcome]) -> Outcome:
        done = jobs.get(job)
        if done.state != "done" or not isinstance(done.outcome, kind):
            raise OptionError("the picture isn't read yet", where="picture", remedy="Wait until the job is done.")
        return done.outcome

    @api.get("/pictures/form")
    def picture_form() -> p.PictureFormTold:
        """What the page of pictures asks, in the words and units of the catalogue."""
        return _form()

    @api.post(PICTURES.removeprefix("/api"), openapi_extra=BINARY)
    async def upload_picture(request: Request, name: str) -> p.PictureTold:
        """Take a picture in and put it aside."""
        upload = await take_in(serving.folder, name, request.stream(), limits, SUFFIXES)
        return p.PictureTold(token=upload.token, file=upload.path.name, size=upload.size)

    @api.post("/pictures/{token}/open")
    def open_picture(token: str, asked: p.OpenAsked) -> m.JobTold:
        """Begin to open a picture, to straighten it where that is asked for, and to look for its panels."""
        upload = find(serving.folder, token)
        return begun(
            f"opening of {upload.path.name}", OPEN, picture=str(upload.path), page=asked.page, find=asked.find,
            corners=asked.corners, size=asked.size,
        )  # fmt: skip

    @api.get("/pictures/opened/{job}")
    def opened_picture(job: str) -> p.ShownTold:
        """A picture that was opened: where it is shown, and which panels are proposed."""
        seen = outcome(job, Shown)
        return p.ShownTold(
            shown=seen.file, size=seen.size, original=seen.original, pages=seen.pages, taken=seen.taken,
            straight=p.StraightTold.model_validate(seen.straight) if seen.straight else None,
            aslant=seen.aslant, boxes=list(seen.boxes), axes=[_read(one) for one in seen.axes],
        )  # fmt: skip

    @api.get("/pictures/{token}/shown/{name}", response_class=FileResponse)
    def shown_picture(token: str, name: str) -> FileResponse:
        """A picture as it is shown; it leaves no copy in the browser's cache."""
        place = find(serving.folder, token).path.parent / SHOWN / name
        if not SHOWN_NAME.fullmatch(name) or not place.is_file():
            raise OptionError("there is no such picture", where=name[:40])
        return FileResponse(place, headers={"cache-control": "no-store"})

    @api.post("/pictures/{token}/trace")
    async def trace_picture(token: str, asked: p.PictureSaid) -> p.BegunTold:
        """Begin to trace a picture; or what is in the way, panel by panel."""
        upload = find(serving.folder, token)
        slips, numbers = await run_in_threadpool(_looked_through, asked)
        if not asked.panels:
            slips = [p.PanelSlipTold(panel=0, field="panels", problem="There is no panel yet: add one.")]
        if slips:
            return p.BegunTold(job=None, slips=slips)
        job = begun(
            f"tracing of {upload.path.name}", TRACE, picture=str(upload.path), page=asked.page,
            axes=axes_tables(asked.panels, asked.size, asked.straight),
            corrections=[one.model_dump() for one in asked.corrections], observed=numbers, mend=asked.mend,
        )  # fmt: skip
        return p.BegunTold(job=job, slips=[])

    @api.get("/pictures/traced/{job}")
    def traced_picture(job: str) -> p.TracedTold:
        """A picture as it was traced."""
        return p.TracedTold.model_validate(outcome(job, TracedPage))

    @api.post("/pictures/case")
    def make_picture_case(asked: p.CaseAsked) -> p.CaseBegunTold:
        """Begin to make a case of pictures; or what is in the way."""
        uploads = [find(serving.folder, one.token) for one in asked.pictures]
        filled = read_form(asked.title, asked.notes, {k: v for k, v in asked.answers.items() if k != "observed"})
        looked = [_looked_through(one) for one in asked.pictures]
        doubts = [doubt for doubt in filled.doubts if doubt not in asked.meant]
        slips = [m.SlipTold(table=one.table, key=one.key, problem=one.problem) for one in filled.slips]
        if slips or doubts or any(found for found, _ in looked):
            return p.CaseBegunTold(name="", job=None, slips=slips, doubts=doubts, pictures=[one for one, _ in looked])
        shots = [
            _shot(upload, one, numbers)
            for upload, one, (_, numbers) in zip(uploads, asked.pictures, looked, strict=True)
        ]
        name = free_name(serving.folder, asked.title or "Traced from a picture")
        job = begun(
            f"making of {name}", MAKE, pictures=shots, known=dict(filled.said), out=str(serving.folder / name),
            keep_whole=asked.keep_whole,
        )  # fmt: skip
        return p.CaseBegunTold(name=name, job=job, slips=[], doubts=[], pictures=[])

    @api.get("/cases/{name}/pictured")
    def what_pictures_gave(name: str) -> p.PicturedTold:
        """Trends, loops and noted numbers of a case that was made of pictures."""
        return p.PicturedTold.model_validate(pictured(case_folder(serving.folder, name)))

    @api.delete("/pictures/{token}", status_code=204)
    def drop_picture(token: str) -> None:
        """Throw a picture away that waits."""
        drop(find(serving.folder, token))

    return api


def _form() -> p.PictureFormTold:
    channels = [
        p.PanelChannelTold(key=key, label=quantity(key).label, units=list(units_of(key)), trend=False)
        for key in CHANNELS
    ]
    trends = [
        p.PanelChannelTold(key=key, label=found.label, units=[PER_CENT if found.percent else found.unit], trend=True)
        for key in TRENDS
        if (found := quantity(key, "observed"))
    ]
    about = [section for section in form() if section.key in ABOUT]
    return p.PictureFormTold(
        channels=[*channels, *trends],
        observed=m.SectionTold.model_validate(observed_section()),
        about=[m.SectionTold.model_validate(section) for section in about],
        crop=CROP,
        stored=STORED,
    )


def _read(axes: ReadAxes) -> p.ReadAxesTold:
    values, times = (None if marks is None else marks_told(marks) for marks in (axes.values, axes.times))
    return p.ReadAxesTold(values=values, times=times)


def _looked_through(asked: p.PictureSaid) -> tuple[list[p.PanelSlipTold], dict[str, Any]]:
    """What is in the way of a picture, and the numbers noted from it."""
    answers = {"observed": asked.observed} if asked.observed else {}
    said, wrong = read_answers((observed_section(),), answers)
    numbers: dict[str, Any] = said.get("observed", {})
    slips = [*slips_of(asked.panels), *(p.PanelSlipTold(panel=0, field=one.key, problem=one.problem) for one in wrong)]
    if not slips and numbers:
        try:
            case_from({"observed": numbers}, name="the numbers")
        except CaseError as error:
            slips = [p.PanelSlipTold(panel=0, field="numbers", problem=str(error))]
    if not slips and not asked.panels and not numbers:
        slips = [
            p.PanelSlipTold(panel=0, field="panels", problem="Neither a panel nor a number is said of this picture.")
        ]
    return slips, numbers


def _shot(upload: Upload, said: p.PictureSaid, numbers: dict[str, Any]) -> dict[str, Any]:
    """A picture as an album has it."""
    shot: dict[str, Any] = {"file": str(upload.path), "page": said.page, "observed": numbers}
    if said.at is not None:
        shot["at"] = said.at
    if said.panels:
        shot["axes"] = axes_tables(said.panels, said.size, said.straight)
        shot |= {} if said.mend is None else {"mend": said.mend}
        shot["correction"] = [one.model_dump() for one in said.corrections]
    return shot
