"""Gases: blood gases of a case, or typed ones, read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from tidebench.care.gases.page import TYPED
from tidebench.care.gases.records import SAID, Typed
from tidebench.care.gases.target import BOUNDS
from tidebench.errors import CaseError
from tidebench.forms import Section, number, tick
from tidebench.limits import Condition
from tidebench.results import policy_for
from tidebench.views.gases import gases_view
from tidebench.views.parts import gases_parts
from tidebench.web.rooms.desk import Desk, Room, Shown, in_form_words, sections_of
from tidebench.web.rooms.typed import case_fields, gases_section, rows_of, unit_choice

if TYPE_CHECKING:
    import polars as pl

    from tidebench.case import Case

CONDITIONS = ("ARDS", "paediatric ARDS", "respiratory distress syndrome", "stiff chest wall")
LABELS = {
    "altitude_m": "altitude, instead of it", "temperature_c": "the patient's temperature",
    "high_flow_l_min": "flow of a high-flow cannula", "mixed_expired_pco2_mmhg": "PCO2 of mixed expired gas",
    "cardiac_output_l_min": "cardiac output", "mixed_venous_saturation": "mixed venous saturation",
    "sodium_mmol_l": "sodium", "chloride_mmol_l": "chloride", "albumin_g_dl": "albumin",
    "barometric_mmhg": "pressure of the air",
}  # fmt: skip

SECTIONS = (
    Section("patient", "Patient", case_fields(
        "patient.sex", "patient.age_years", "patient.age_days", "patient.height_cm", "patient.weight_kg",
        "airway.interface",
    )),
    rows_of("settings", "Set on the ventilator", ("mode", "peep_cmh2o", "fio2", "rate_per_min", "tidal_volume_ml")),
    rows_of("observed", "Noted at the bed", (
        "at_s", "vte_ml", "rate_per_min", "minute_volume_l_min", "peak_pressure_cmh2o", "plateau_pressure_cmh2o",
        "mean_pressure_cmh2o", "spo2", "etco2_mmhg",
    ), alone=False),
    gases_section(),
    Section("target", "A PaCO2 to bring it to", (
        number("target", "target_paco2_mmhg", "PaCO2 wished for", BOUNDS, "--target-paco2"),
        unit_choice("target"),
    )),
    Section("typed", "For the last gas", tuple(
        number("typed", key, LABELS[key], bounds, option) for key, (option, bounds) in TYPED.items()
    ), folded=True),
    Section("said", "What definitions need and only a person can say", (
        *(tick("said", key, words) for key, words in SAID.items()),
        *(tick("conditions", key, f"the patient has {key}") for key in CONDITIONS),
    ), folded=True),
)  # fmt: skip


def _show(desk: Desk) -> Shown:
    from tidebench.care.gases import read_gases

    case, target = desk.case, desk.own.get("target", {})
    sections = sections_of(GASES, opened=bool(desk.name))
    if not case.blood_gases:
        title = next(section.title for section in sections if section.key == "blood_gases")
        raise CaseError("there is no blood gas to read yet", remedy=f"Say one under “{title}”.")
    policy = policy_for(case) if desk.name else None
    read = read_gases(
        case,
        typed=Typed(**desk.own.get("typed", {}), said=frozenset(desk.own.get("said", {}))),
        target_paco2_mmhg=target.get("target_paco2_mmhg"),
        breaths=_breaths(desk, case),
        name=desk.name or "CASE",
        policy=policy,
        conditions=cast("tuple[Condition, ...]", tuple(desk.own.get("conditions", {}))),
    )
    told = gases_parts(gases_view(read, target.get("unit", "mmHg")))
    page = in_form_words(told, sections)

    def pdf() -> bytes:
        from tidebench.report.parts import parts_pdf

        return parts_pdf(page, "Blood gases, read")

    return Shown(page, pdf)


def _breaths(desk: Desk, case: Case) -> pl.DataFrame | None:
    """Breaths of the open case, with what their capnograms tell."""
    from tidebench.care.gases import with_capnograms

    review: Any = desk.review(case)
    if review is None:
        return None
    return with_capnograms(review.breaths, None if review.capnogram is None else review.capnogram.breaths)


GASES = Room(
    SECTIONS, frozenset({"target", "typed", "said", "conditions"}),
    "Begin with a gas: where it was drawn, pH, PaCO2, and the oxygen fraction of that moment.", _show,
)  # fmt: skip
