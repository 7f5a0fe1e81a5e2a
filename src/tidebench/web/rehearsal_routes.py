"""What-if: a patient fitted to a stretch, the estimate at once, its doubt from a process of its own."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import Response

from tidebench.casebook import case_folder
from tidebench.errors import OptionError
from tidebench.fitting.fit import Fit, fit_patient
from tidebench.fitting.measured import RATE_HZ
from tidebench.fitting.overlay import Band, Curves
from tidebench.fitting.predict import Prediction, predict
from tidebench.fitting.sweep import range_of
from tidebench.views.rehearsal import FitPage, ThenPage, fit_page, sketch_page
from tidebench.views.swept import SweptPage
from tidebench.web import models as m
from tidebench.web.casebook_routes import told
from tidebench.web.jobs import Jobs
from tidebench.web.opened import Opened, Shelf
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED
from tidebench.web.review_routes import rounded
from tidebench.web.spoken import Spoken

REHEARSE = "tidebench.web.work:rehearse_job"
SWEEP = "tidebench.web.work:sweep_job"
REPORT = "tidebench.web.work:report_job"
T = TypeVar("T")
MOST_FITS = 6
L_MIN, ML = 60.0, 1000.0

Changes = Annotated[dict[m.Name, float | Annotated[str, Field(max_length=40)]], Field(max_length=30)]
Moment = Annotated[float | None, Query(ge=0, le=1e8, allow_inf_nan=False)]


class Asked(m.Asked):
    """A stretch and changed settings."""

    from_s: m.Seconds | None = None
    to_s: m.Seconds | None = None
    settings: Changes = Field(default_factory=dict)


class RangeAsked(m.Asked):
    """A setting through a range."""

    key: m.Name
    low: Annotated[float, Field(ge=-1e4, le=1e5, allow_inf_nan=False)]
    high: Annotated[float, Field(ge=-1e4, le=1e5, allow_inf_nan=False)]
    step: Annotated[float, Field(ge=1e-4, le=1e5, allow_inf_nan=False)]


class SweepAsked(Asked):
    """One range for a curve, two for a map."""

    ranges: Annotated[list[RangeAsked], Field(min_length=1, max_length=2)]


class AlongTold(m.Told):
    """A setting and the values that it takes."""

    key: str
    label: str
    unit: str
    values: list[float]


class SweptTold(m.Told):
    """A quantity at every value or pair."""

    key: str
    label: str
    unit: str
    estimate: m.Numbers
    low: m.Numbers
    high: m.Numbers
    words: list[str]


class SweptPageTold(m.Told):
    """What a sweep or a map shows."""

    settings: str
    along: list[AlongTold]
    found: list[SweptTold]
    beyond: list[str]
    refused: list[Spoken]


class CurvesTold(m.Told):
    """A mean breath over time."""

    time_s: list[float]
    airway_pressure: list[float]
    flow: list[float]
    volume: list[float]


class BandTold(m.Told):
    """Between which curves nine tenths of the drawn patients' mean breaths lie at each moment."""

    low: CurvesTold
    high: CurvesTold


class LeverTold(m.Told):
    """A setting that can be moved."""

    key: str
    label: str
    unit: str
    value: float
    low: float
    high: float
    step: float


class FittedTold(m.Told):
    """A parameter of the fitted patient."""

    label: str
    value: str
    span: str
    why: str


class FitTold(m.Told):
    """A fitted patient."""

    title: str
    from_s: float
    to_s: float
    lead: str
    settings: str
    rows: list[FittedTold]
    levers: list[LeverTold]
    assumptions: list[str]
    recorded: CurvesTold
    now: CurvesTold


class ThenTold(m.Told):
    """A quantity now and then."""

    key: str
    label: str
    now: str
    then: str
    span: str
    change: str
    change_span: str
    clear: bool


class LimitTold(m.Told):
    """A limit now and then."""

    text: str
    now: str
    then: str
    share: str
    source: str
    crossed: bool


class ChangeTold(m.Told):
    """What a change would do; without doubt in a sketch."""

    settings: str
    rows: list[ThenTold]
    waves: CurvesTold
    now_band: BandTold | None
    then_band: BandTold | None
    limits: list[LimitTold]
    beyond: list[str]
    assumptions: list[str]


@dataclass(frozen=True)
class Fitted:
    """A fitted patient and what the estimate does on the present settings."""

    fit: Fit
    now: Prediction


class Fits:
    """The last few fitted patients."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[int, float | None, float | None], tuple[Opened, Fitted]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, case: Opened, from_s: float | None, to_s: float | None) -> Fitted:
        """The patient of a stretch; the best stretch is proposed where none is named."""
        key = (id(case), from_s, to_s)
        with self._lock:
            if key in self._kept and self._kept[key][0] is case:
                return self._kept[key][1]
        fit = fit_patient(case.kept.review, from_s, to_s)
        fitted = Fitted(fit, predict(fit, n=1))
        with self._lock:
            self._kept[key] = (case, fitted)
            while len(self._kept) > MOST_FITS:
                self._kept.popitem(last=False)
        return fitted


def rehearsal_routes(serving: Serving, shelf: Shelf, jobs: Jobs) -> APIRouter:
    """The routes of What-if."""
    api = APIRouter(prefix="/api/cases/{name}/whatif", responses=REFUSED)
    fits = Fits()

    def fitted(name: str, from_s: float | None, to_s: float | None) -> Fitted:
        if (from_s is None) != (to_s is None):
            raise OptionError("a stretch has a beginning and an end", where="what-if", expected="both, or neither")
        return fits.get(shelf.get(case_folder(serving.folder, name)), from_s, to_s)

    def begun(name: str, work: str, asked: Asked, **further: Any) -> m.JobTold:
        fitted(name, asked.from_s, asked.to_s)
        folder = str(case_folder(serving.folder, name))
        words = {"from_s": asked.from_s, "to_s": asked.to_s, "settings": dict(asked.settings), **further}
        return told(jobs.submit(f"what-if of {name}", work, case=folder, **words))

    def outcome(name: str, job: str, kind: type[T]) -> T:
        done = jobs.get(job)
        if done.state != "done" or not isinstance(done.outcome, kind):
            raise OptionError("the outcome isn't known yet", where=name, remedy="Wait until the job is done.")
        return done.outcome

    @api.get("")
    def fit(name: str, from_s: Moment = None, to_s: Moment = None) -> FitTold:
        """The patient fitted to a stretch, and the settings that can be moved."""
        found = fitted(name, from_s, to_s)
        return fit_told(fit_page(found.fit, found.now))

    @api.post("/sketch")
    def sketch(name: str, asked: Asked) -> ChangeTold:
        """What the estimate alone would do on other settings: at once, without its doubt."""
        found = fitted(name, asked.from_s, asked.to_s)
        return change_told(sketch_page(found.fit, found.now, predict(found.fit, asked.settings, n=1)))

    @api.post("/rehearse")
    def rehearse(name: str, asked: Asked) -> m.JobTold:
        """Begin to rehearse a change on patients within the doubt."""
        return begun(name, REHEARSE, asked)

    @api.get("/rehearsed/{job}")
    def rehearsed(name: str, job: str) -> ChangeTold:
        """What a rehearsal came to, once it is done."""
        return change_told(outcome(name, job, ThenPage))

    @api.post("/sweep")
    def begin_sweep(name: str, asked: SweepAsked) -> m.JobTold:
        """Begin to move a setting through a range, or two through a field."""
        ranges = [f"{each.key}={each.low:.10g}:{each.high:.10g}:{each.step:.10g}" for each in asked.ranges]
        for text in ranges:
            range_of(text)
        return begun(name, SWEEP, asked, ranges=ranges)

    @api.get("/swept/{job}")
    def swept(name: str, job: str) -> SweptPageTold:
        """What a sweep came to, once it is done."""
        return swept_told(outcome(name, job, SweptPage))

    @api.post("/report")
    def begin_report(name: str, asked: Asked) -> m.JobTold:
        """Begin to write the report with this change in it."""
        return begun(name, REPORT, asked)

    @api.get("/report/{job}.pdf", response_class=Response, responses={200: {"content": {"application/pdf": {}}}})
    def rehearsed_report(name: str, job: str) -> Response:
        """The report with a rehearsed change, once it is written."""
        words = {"content-disposition": 'attachment; filename="report-with-a-change.pdf"'}
        return Response(outcome(name, job, bytes), media_type="application/pdf", headers=words)

    return api


def swept_told(page: SweptPage) -> SweptPageTold:
    """A sweep as it goes over the line."""
    return SweptPageTold(
        settings=page.settings,
        along=[
            AlongTold(key=record.key, label=record.label, unit=record.unit, values=list(each.values))
            for each in page.along
            for record in (each.quantity,)
        ],
        found=[
            SweptTold(
                key=one.quantity.key, label=one.quantity.label, unit=one.quantity.unit, estimate=list(one.estimate),
                low=list(one.low), high=list(one.high), words=list(one.words),
            )
            for one in page.found
        ],
        beyond=list(page.beyond), refused=list(page.refused),
    )  # fmt: skip


def fit_told(page: FitPage) -> FitTold:
    """A fitted patient as it goes over the line."""
    return FitTold(
        title=page.title,
        from_s=page.from_s,
        to_s=page.to_s,
        lead=page.lead,
        settings=page.settings,
        rows=[FittedTold.model_validate(row) for row in page.rows],
        levers=[
            LeverTold(
                key=lever.quantity.key, label=lever.quantity.label, unit=lever.quantity.unit, value=lever.value,
                low=lever.low, high=lever.high, step=lever.step,
            )
            for lever in page.levers
        ],
        assumptions=list(page.assumptions),
        recorded=curves_told(page.recorded),
        now=curves_told(page.now),
    )  # fmt: skip


def change_told(page: ThenPage) -> ChangeTold:
    """A change as it goes over the line."""
    rows: list[dict[str, Any]] = [
        {
            "key": row.quantity.key, "label": row.quantity.label, "now": row.now, "then": row.then, "span": row.span,
            "change": row.change, "change_span": row.change_span, "clear": row.clear,
        }
        for row in page.rows
    ]  # fmt: skip
    return ChangeTold(
        settings=page.settings,
        rows=[ThenTold(**row) for row in rows],
        waves=curves_told(page.waves),
        now_band=band_told(page.now_band),
        then_band=band_told(page.then_band),
        limits=[LimitTold.model_validate(row) for row in page.limits],
        beyond=list(page.beyond),
        assumptions=list(page.assumptions),
    )


def band_told(band: Band | None) -> BandTold | None:
    """A band of mean breaths, in the units that are shown."""
    return None if band is None else BandTold(low=curves_told(band[0]), high=curves_told(band[1]))


def curves_told(curves: Curves) -> CurvesTold:
    """A mean breath, in the units that are shown."""
    pressure, flow, volume = curves
    return CurvesTold(
        time_s=[round(i / RATE_HZ, 4) for i in range(len(pressure))],
        airway_pressure=rounded(pressure),
        flow=rounded(L_MIN * flow),
        volume=rounded(ML * volume),
    )
