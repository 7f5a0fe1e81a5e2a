"""Set-up, alarms, gases and weaning in the report: views turned into rows of text, where the case has them."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from tidebench.care.logs.alarms import GRADES
from tidebench.care.logs.coverage import LEAST_HOURS
from tidebench.care.preparation.page import PEOPLE_DECIDE, shown, source
from tidebench.report.handouts import BRIEF
from tidebench.report.words import printed
from tidebench.views.capnogram import capnogram_page
from tidebench.views.gases import GasesView, GasSection, gases_view
from tidebench.views.section import rated
from tidebench.views.weaning import CriterionRow, WeaningView, reviewed_weaning
from tidebench.views.wording import count as count_of

if TYPE_CHECKING:
    from tidebench.review import Review

Data = dict[str, Any]
MOST_GASES, MOST_CHANGES = 6, 12
MOST_MINUTES, MOST_ALARMS = 40, 10
SET_UP = ("weight", "airway", "start", "alarms")
"""Sections of the set-up sheet of which the first page's lines stand in the report."""
LEFT_OUT = ("ph", "paco2_mmhg", "pao2_mmhg", "hco3_mmol_l", "sao2", "haemoglobin_g_dl", "pf_ratio_mmhg")
"""Stated in the table of gases already."""


def care_content(review: Review) -> Data:
    """Set-up, alarms, gases read, and the breathing trial; None for each that the case has nothing of."""
    weaning = reviewed_weaning(review)
    return {
        "prepared": _prepared(review),
        "alarms": _alarms(review),
        "gases_read": printed(_gases(review)),
        "weaning": None if weaning is None else printed(_weaning(weaning)),
        "capnogram": _capnogram(review),
    }


def _prepared(review: Review) -> Data | None:
    """Where ventilation usually starts for such a patient, where the case says what is known of the lungs."""
    from tidebench.care.preparation import prepare, request_from
    from tidebench.errors import CaseError

    case = review.case
    if case.condition is None:
        return None
    said = case.model_dump(exclude_unset=True, include={"title", "condition", "patient", "airway", "circuit"})
    try:
        sheet = prepare(request_from(said, name="case.toml"), review.policy)
    except CaseError as error:
        return {"lead": [f"No set-up can be told: {error}"], "rows": []}
    kept = [(section, BRIEF[section.key]) for section in sheet.sections if section.key in SET_UP]
    rows = [
        [line.label, shown(line), source(line)]
        for section, keys in kept
        for line in section.lines
        if line.key in keys and line.value
    ]
    return {"lead": [PEOPLE_DECIDE, sheet.patient, *sheet.policy], "rows": rows}


def _alarms(review: Review) -> Data | None:
    """Alarms of the case counted, and limits replayed over its breaths; where the case has alarms among its events."""
    from tidebench.care.logs import Question, Reviewed, tell
    from tidebench.views.replayed import replayed

    graded = [event for event in review.case.events if event.priority in GRADES]
    if not graded:
        return None
    counted = Counter((event.kind, event.priority or "") for event in graded)
    hours = review.recording.duration_s / 3600.0
    rows = [
        [kind, grade, f"{count}", rated(count / hours if hours >= LEAST_HOURS else None)]
        for (kind, grade), count in counted.most_common(MOST_ALARMS)
    ]
    left = len(counted) - len(rows)
    told = tell(None, review.case, Reviewed(review.breaths, review.findings), Question(policy=review.policy))
    return {
        "rows": rows,
        "more": f"and {count_of(left, 'more name')}." if left > 0 else "",
        "replayed": [
            {
                "lines": part.lines,
                "head": part.head,
                "rows": part.rows,
                "after": part.after,
            }
            for part in replayed(told)
        ],
    }


def _capnogram(review: Review) -> Data | None:
    page = capnogram_page(review)
    if page is None:
        return None
    rows = [[n.label, n.value, n.range, f"{n.n}"] for n in page.numbers if n.spread is not None]
    return {"lead": page.lead, "rows": rows}


def _gases(review: Review) -> Data | None:
    from tidebench.care.gases import read_gases, with_capnograms

    if not review.case.blood_gases:
        return None
    capnograms = None if review.capnogram is None else review.capnogram.breaths
    page = read_gases(review.case, breaths=with_capnograms(review.breaths, capnograms), policy=review.policy)
    view = gases_view(page)
    left = len(view.gases) - MOST_GASES
    return {
        **_indices(view),
        "gases": [_gas(gas) for gas in view.gases[-MOST_GASES:]],
        "more": f"The last {MOST_GASES} of {len(view.gases)} gases." if left > 0 else "",
        "trend": [*view.trend, *view.changed[-MOST_CHANGES:]],
    }


def _indices(view: GasesView) -> Data:
    """A row per index, a column per gas, of the last few gases."""
    shown = view.gases[-MOST_GASES:]
    labels = {n.key: (n.label, n.symbol) for gas in shown for n in gas.numbers if n.key not in LEFT_OUT}
    texts = [{n.key: n.text for n in gas.numbers} for gas in shown]
    rows = [
        [label if label == symbol else f"{label} ({symbol})", *(text.get(key, "–") for text in texts)]
        for key, (label, symbol) in labels.items()
    ]
    return {"columns": [gas.heading.split(",")[0] for gas in shown], "rows": rows}


def _gas(gas: GasSection) -> Data:
    return {
        "heading": gas.heading,
        "conditions": gas.conditions,
        "acid_base": gas.acid_base,
        "lines": [*gas.acid_base_lines, *gas.held, *gas.grades, *gas.notes],
        "untold": list(gas.untold),
    }


def _weaning(view: WeaningView) -> Data:
    return {
        "lead": list(view.lead),
        "trial": list(view.trial),
        "columns": [{"symbol": column.symbol, "unit": column.unit} for column in view.columns],
        "minutes": [[f"{row.minute}", f"{row.breaths}", *row.cells] for row in view.minutes[:MOST_MINUTES]],
        "more": f"and {len(view.minutes) - MOST_MINUTES} more minutes." if len(view.minutes) > MOST_MINUTES else "",
        "trends": list(view.trends),
        "readiness": {"lead": view.readiness_lead, "rows": [_criterion(row) for row in view.readiness]},
        "failure": {"lead": view.failure_lead, "rows": [_criterion(row) for row in view.failure]},
        "effort": list(view.effort),
    }


def _criterion(row: CriterionRow) -> Data:
    return {
        "state": row.state, "name": row.name, "value": row.value, "criterion": row.criterion,
        "where": "; ".join(filter(None, (row.where, row.why))),
    }  # fmt: skip
