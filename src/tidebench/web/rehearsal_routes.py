"""What-if: a patient fitted to a stretch, the estimate at once, its doubt from a process of its own."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import Field

from tidebench.casebook import case_folder
from tidebench.errors import OptionError
from tidebench.fitting.fit import Fit, fit_patient
from tidebench.fitting.measured import RATE_HZ
from tidebench.fitting.overlay import Curves
from tidebench.fitting.predict import Prediction, predict
from tidebench.views.rehearsal import FitPage, ThenPage, fit_page, sketch_page
from tidebench.web import models as m
from tidebench.web.casebook_routes import told
from tidebench.web.jobs import Jobs
from tidebench.web.opened import Opened, Shelf
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED
from tidebench.web.review_routes import rounded

REHEARSE = "tidebench.web.work:rehearse_job"
MOST_FITS = 6
L_MIN, ML = 60.0, 1000.0

Changes = Annotated[dict[m.Name, float | Annotated[str, Field(max_length=40)]], Field(max_length=30)]
Moment = Annotated[float | None, Query(ge=0, le=1e8, allow_inf_nan=False)]


class Asked(m.Asked):
    """A stretch and changed settings."""

    from_s: m.Seconds | None = None
    to_s: m.Seconds | None = None
    settings: Changes = Field(default_factory=dict)


class CurvesTold(m.Told):
    """A mean breath over time."""

    time_s: list[float]
    airway_pressure: list[float]
    flow: list[float]
    volume: list[float]


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
        folder = case_folder(serving.folder, name)
        fitted(name, asked.from_s, asked.to_s)
        job = jobs.submit(
            f"what-if of {name}", REHEARSE, case=str(folder), from_s=asked.from_s, to_s=asked.to_s,
            settings=dict(asked.settings),
        )  # fmt: skip
        return told(job)

    @api.get("/rehearsed/{job}")
    def rehearsed(name: str, job: str) -> ChangeTold:
        """What a rehearsal came to, once it is done."""
        done = jobs.get(job)
        if done.state != "done" or not isinstance(done.outcome, ThenPage):
            raise OptionError("the outcome isn't known yet", where=name, remedy="Wait until the job is done.")
        return change_told(done.outcome)

    return api


def fit_told(page: FitPage) -> FitTold:
    """A fitted patient as it goes over the line."""
    return FitTold(
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
        limits=[LimitTold.model_validate(row) for row in page.limits],
        beyond=list(page.beyond),
        assumptions=list(page.assumptions),
    )


def curves_told(curves: Curves) -> CurvesTold:
    """A mean breath, in the units that are shown."""
    pressure, flow, volume = curves
    return CurvesTold(
        time_s=[round(i / RATE_HZ, 4) for i in range(len(pressure))],
        airway_pressure=rounded(pressure),
        flow=rounded(L_MIN * flow),
        volume=rounded(ML * volume),
    )
