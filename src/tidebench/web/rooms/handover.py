"""Handover: one page of a case, or of typed numbers, with what a person proposes and who decides."""

from __future__ import annotations

from tidebench.forms import Field, Section
from tidebench.handover import LONGEST, LONGEST_NAME, checked_lines
from tidebench.results import policy_for
from tidebench.tensions import all_in
from tidebench.views.handover import Proposal, handover_page
from tidebench.views.parts import handover_parts
from tidebench.web.rooms.desk import ROOT, Desk, Room, Shown
from tidebench.web.rooms.typed import case_fields, gases_section, rows_of, units_section

SECTIONS = (
    Section("propose", "Proposed, and who decides", (
        Field("propose", "what", "what is proposed", possible=f"up to {LONGEST} letters", kind="text",
              option="what is proposed"),
        Field("propose", "who", "who decides", possible=f"up to {LONGEST_NAME} letters, no names", kind="text",
              option="who decides"),
    ), several=True),
    Section("ask", "Open questions", (
        Field("ask", "question", "question", possible=f"up to {LONGEST} letters", kind="text", option="questions"),
    ), several=True),
    Section("about", "What it is about", (
        Field(ROOT, "title", "in a few words; no names", kind="text"), Field(ROOT, "notes", "notes", kind="text"),
    ), alone=True),
    Section("patient", "Patient", case_fields(
        "patient.sex", "patient.age_years", "patient.age_days", "patient.height_cm", "patient.weight_kg",
        "airway.interface", "airway.tube_inner_diameter_mm", "airway.cuff",
    ), alone=True),
    rows_of("settings", "Set on the ventilator", (
        "at_s", "mode", "peep_cmh2o", "fio2", "rate_per_min", "tidal_volume_ml", "pressure_control_cmh2o",
        "inspiratory_time_s", "pressure_support_cmh2o",
    ), "One for each change."),
    rows_of("observed", "Noted at the bed", (
        "at_s", "rate_per_min", "vte_ml", "minute_volume_l_min", "peak_pressure_cmh2o", "plateau_pressure_cmh2o",
        "total_peep_cmh2o", "spo2", "heart_rate_per_min", "systolic_mmhg", "etco2_mmhg", "cuff_pressure_cmh2o",
    ), "One for each time.", alone=False),
    gases_section("Blood gas"),
    units_section(),
)  # fmt: skip


def _show(desk: Desk) -> Shown:
    rows = desk.own.get("propose", [])
    proposals = [Proposal(row["what"], row.get("who", "")) for row in rows if "what" in row]
    questions = [row["question"] for row in desk.own.get("ask", [])]
    checked_lines("what is proposed", [one.what for one in proposals])
    checked_lines("who decides", [one.who for one in proposals], LONGEST_NAME)
    checked_lines("questions", questions)
    case = desk.case
    unit = desk.own.get("shown", {}).get("unit", "mmHg")
    page = handover_page(
        case, desk.review(case), policy=policy_for(case) if desk.name else None, proposals=proposals,
        questions=questions, unit=unit,
    )  # fmt: skip
    told = all_in(page, unit)

    def pdf() -> bytes:
        from tidebench.report.handover import handover_pdf

        return handover_pdf(told)

    def text() -> str:
        from tidebench.report.handover import handover_text

        return handover_text(told)

    return Shown(handover_parts(told), pdf, text)


HANDOVER = Room(
    SECTIONS, frozenset({"propose", "ask", "shown"}), "Open a case above, or type what is to be handed over.", _show
)  # fmt: skip
