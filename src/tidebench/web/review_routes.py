"""An open review: its page, stretches of its signals, its breaths, its findings and what people say of them."""

from __future__ import annotations

import json
import struct
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Query
from starlette.responses import Response

from tidebench.casebook import case_folder
from tidebench.errors import OptionError, OutputError
from tidebench.marks import Mark, add_mark
from tidebench.records import PressureAccount
from tidebench.views import breath_page, steps_page
from tidebench.views.asked import breath_numbers, loops
from tidebench.views.beside import beside
from tidebench.views.breath import Instant
from tidebench.views.compare import compared
from tidebench.views.kinds import finding_page, marked, tally
from tidebench.views.numbers import Number
from tidebench.views.steps import Effect
from tidebench.views.trend import Series
from tidebench.views.verdicts import Verdict, policy_used
from tidebench.views.window import marks_within, traces
from tidebench.web import models as m
from tidebench.web.opened import Opened, Shelf
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED

From = Annotated[float, Query(alias="from", ge=-1e8, le=1e8, allow_inf_nan=False)]
To = Annotated[float, Query(alias="to", ge=-1e8, le=1e8, allow_inf_nan=False)]
BINARY: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}}
}


def review_routes(serving: Serving, shelf: Shelf) -> APIRouter:
    """The routes of the review."""
    api = APIRouter(prefix="/api/cases/{name}", responses=REFUSED)

    def opened(name: str) -> Opened:
        return shelf.get(case_folder(serving.folder, name))

    @api.get("/review")
    def open_review(name: str) -> m.ReviewTold:
        """The page of a reviewed case."""
        return review_told(name, opened(name))

    @api.get("/signals", responses=BINARY, response_class=Response)
    def signals(name: str, from_s: From, to_s: To, points: Annotated[int, Query(ge=1, le=20000)] = 2400) -> Response:
        """A stretch of the signals: a line of JSON behind its length (uint32), then float32 times and values.

        Times count from the stretch's start, so that they keep their precision; peaks survive, gaps are NaN.
        """
        return Response(packed(opened(name), from_s, to_s, points), media_type="application/octet-stream")

    @api.get("/marks")
    def marks(name: str, from_s: From, to_s: To) -> m.MarksTold:
        """Breaths, efforts and holds of a stretch."""
        return m.MarksTold.model_validate(marks_within(opened(name).kept.review, from_s, to_s))

    @api.get("/breaths/{breath}")
    def one_breath(name: str, breath: int) -> m.BreathTold:
        """One breath: its pressure account, loops and numbers."""
        return breath_told(opened(name), breath)

    @api.get("/findings/{index}")
    def one_finding(name: str, index: int) -> m.FindingTold:
        """One finding in full."""
        return finding_told(opened(name), index)

    @api.put("/findings/{index}/mark")
    def mark_finding(name: str, index: int, asked: m.MarkAsked) -> m.Marked:
        """Say what a finding is; the last word stands, and ``open`` takes it back."""
        case = opened(name)
        found = finding_told(case, index)
        if asked.seen is not None and found.mark and found.mark.when != asked.seen:
            raise OutputError(
                f"{found.mark.who or 'somebody'} marked it {found.mark.state} since this page was read",
                where=found.label,
                remedy="Nothing was kept: look at it, then say it again.",
            )
        add_mark(
            case.folder,
            Mark(case.recording_id, found.kind, found.start_s, asked.state, asked.note.strip(), asked.who.strip(),
                 rule_version=found.rule_version),
        )  # fmt: skip
        return m.Marked(finding=finding_told(case, index), tally=tally_of(case), before=found.mark)

    @api.get("/compare")
    def compare(name: str, a_from: m.Seconds, a_to: m.Seconds, b_from: m.Seconds, b_to: m.Seconds) -> m.ComparisonTold:
        """Two stretches side by side."""
        found = compared(opened(name).kept.review, (a_from, a_to), (b_from, b_to))
        return m.ComparisonTold(
            first=m.SideTold.model_validate(found.first),
            second=m.SideTold.model_validate(found.second),
            effects=[effect_told(effect) for effect in found.effects],
        )

    return api


def review_told(name: str, case: Opened) -> m.ReviewTold:
    """A case's page as it goes over the line."""
    review, page, trend = case.kept.review, case.overview, case.trend
    states = marked(review, case.marks)
    logged = [m.HappeningTold(at_s=row.at_s, kind=row.kind, text=row.text) for row in beside(review.case).events]
    return m.ReviewTold(
        name=name,
        title=page.title,
        patient=page.patient,
        recording=page.recording,
        quality=list(page.quality),
        settings=[m.HappeningTold(at_s=at_s, kind="settings", text=text) for at_s, text in page.settings],
        duration_s=review.recording.duration_s,
        rate_hz=review.recording.rate_hz,
        breaths=review.breaths.height,
        typical_breath=case.typical_breath,
        first_from_s=case.first_stretch[0],
        first_to_s=case.first_stretch[1],
        channels=list(review.recording.channels),
        volume_from=case.kept.volume_from,
        matters=[m.MatterTold.model_validate(matter) for matter in page.matters],
        answers=[
            m.AnswerTold(
                question=answer.question,
                lead=answer.lead,
                groups=[
                    m.GroupTold(name=group, numbers=[number_told(n, page.verdicts) for n in numbers])
                    for group, numbers in answer.groups
                ],
            )
            for answer in page.answers
        ],
        untold=[m.UntoldTold.model_validate(entry) for entry in page.untold],
        panels=[[series_told(series, binned=trend.bin_s > 0) for series in panel] for panel in trend.panels],
        happenings=[*(m.HappeningTold.model_validate(mark) for mark in trend.marks), *logged],
        gaps=[m.GapTold.model_validate(gap) for gap in trend.gaps],
        kinds=[m.KindTold.model_validate(kind) for kind in case.kinds],
        marked=states,
        tally=tally(states, review.findings.height),
        steps=[
            m.StepTold(at_s=row.at_s, time=row.time, changed=row.changed, effects=[effect_told(e) for e in row.effects])
            for row in steps_page(review).rows
        ],
        policy=policy_used(review),
        caution=page.caution,
        version=page.version,
    )


def number_told(shown: Number, verdicts: tuple[Verdict, ...]) -> m.NumberTold:
    """A number, with the limit that it is held against."""
    own = next((verdict for verdict in verdicts if verdict.limit.key == shown.quantity.key), None)
    return m.NumberTold(
        key=shown.quantity.key,
        label=shown.label,
        value=shown.value,
        range=shown.range,
        n=shown.n,
        source=shown.source,
        verdict=own.text if own else "",
        limit=f"{own.limit.bound} ({_kind_and_source(own)})" if own else "",
    )


def _kind_and_source(own: Verdict) -> str:
    source = own.limit.source
    return source if source.startswith(own.kind) else f"{own.kind}; {source}"


def series_told(series: Series, *, binned: bool) -> m.SeriesTold:
    """A quantity along the record."""
    record = series.quantity
    return m.SeriesTold(
        key=record.key,
        label=record.label,
        unit=record.unit,
        time_s=m.numbers(series.time_s),
        median=m.numbers(series.median),
        low=m.numbers(series.low) if binned else [],
        high=m.numbers(series.high) if binned else [],
    )


def effect_told(effect: Effect) -> m.EffectTold:
    """A quantity before and after, or here and there."""
    record = effect.quantity
    return m.EffectTold(
        key=record.key, label=record.label, unit=record.unit, change=effect.change, spread=effect.spread,
        clear=effect.clear,
    )  # fmt: skip


def packed(case: Opened, from_s: float, to_s: float, points: int) -> bytes:
    """A stretch of signals as bytes."""
    found = traces(case.kept, from_s, to_s, points)
    head = {
        "channels": [
            {"key": t.quantity.key, "label": t.quantity.label, "unit": t.quantity.unit, "derived": t.derived,
             "points": len(t.values)}
            for t in found
        ]
    }  # fmt: skip
    words = json.dumps(head, ensure_ascii=False).encode()
    words += b" " * (-len(words) % 4)
    arrays = (array.astype("<f4").tobytes() for trace in found for array in (trace.time_s, trace.values))
    return b"".join([struct.pack("<I", len(words)), words, *arrays])


def breath_told(case: Opened, breath: int) -> m.BreathTold:
    """One breath as it goes over the line.

    Raises
    ------
    OptionError
        There is no such breath.
    """
    review = case.kept.review
    page = breath_page(review, breath, neighbours=False)
    if page is None:
        raise OptionError(f"there is no breath {breath}", expected=f"0 to {review.breaths.height - 1}")
    row = review.breaths.row(breath, named=True)
    return m.BreathTold(
        breath=breath,
        heading=page.heading,
        start_s=row["start_s"],
        turn_s=row["expiration_s"],
        end_s=row["end_s"],
        numbers=[
            m.BreathNumberTold(key=n.quantity.key, label=n.quantity.label, value=n.value, reason=n.reason)
            for n in breath_numbers(review, breath)
        ],
        account=account_told(page.account, page.unexplained_rms) if page.account else None,
        no_account="" if page.account else "No breath of this recording tells the mechanics that an account needs.",
        instants=[instant_told(instant) for instant in page.instants],
        loops=[
            m.LoopTold(
                breath=loop.breath, earlier=loop.earlier, pressure_cmh2o=rounded(loop.pressure_cmh2o),
                flow_l_min=rounded(loop.flow_l_min), volume_ml=rounded(loop.volume_ml),
            )
            for loop in loops(case.kept, breath)
        ],
    )  # fmt: skip


def account_told(account: PressureAccount, unexplained: float | None) -> m.AccountTold:
    """The pressure account; time counts from the breath's start."""
    from tidebench.quantities import quantity

    return m.AccountTold(
        time_s=rounded(account.time_s - account.time_s[0], 4),
        pressure=rounded(account.airway_pressure),
        start=account.start,
        elastic=rounded(account.elastic),
        resistive=rounded(account.resistive),
        muscle=rounded(account.muscle),
        residual=rounded(account.residual),
        expiration_s=float(account.expiration_s - account.time_s[0]),
        mechanics_from=account.mechanics_from,
        unexplained=quantity("airway_pressure").text(unexplained),
    )


def instant_told(instant: Instant) -> m.InstantTold:
    """The account at one instant, each part in cmH2O."""
    from tidebench.quantities import quantity

    pressure = quantity("airway_pressure")
    parts = ("pressure", "start", "elastic", "resistive", "muscle", "unexplained")
    return m.InstantTold(
        name=instant.name,
        after=f"{instant.after_start_s:.2f} s",
        **{part: pressure.text(getattr(instant, part), unit=False) for part in parts},
    )


def rounded(values: Any, decimals: int = 3) -> list[float]:
    """An array for the line, no longer than it need be."""
    plain: list[float] = np.round(np.asarray(values, np.float64), decimals).tolist()
    return plain


def finding_told(case: Opened, index: int) -> m.FindingTold:
    """One finding as it goes over the line.

    Raises
    ------
    OptionError
        There is no such finding.
    """
    page = finding_page(case.kept.review, index, case.marks)
    if page is None:
        raise OptionError(f"there is no finding {index}", expected=f"0 to {case.kept.review.findings.height - 1}")
    return m.FindingTold.model_validate(page)


def tally_of(case: Opened) -> str:
    """How many findings somebody looked at."""
    return tally(marked(case.kept.review, case.marks), case.kept.review.findings.height)
