"""Weaning: published criteria beside a case, or beside typed numbers."""

from __future__ import annotations

from tidebench.care.weaning import Asked, History, Said, page_text, wean
from tidebench.care.weaning.cuff import SOURCE
from tidebench.care.weaning.page import cuff_words
from tidebench.care.weaning.said import NUMBERS, SIGNS
from tidebench.entries import Within
from tidebench.errors import OptionError
from tidebench.forms import YES_NO, Field, Section, choice, number
from tidebench.results import policy_for
from tidebench.tensions import all_in
from tidebench.views.parts import weaning_parts
from tidebench.views.weaning import weaning_view
from tidebench.web.rooms.desk import Desk, Room, Shown, in_form_words, sections_of
from tidebench.web.rooms.typed import case_fields, gases_section, rows_of, units_section

TIME = Within(0, 1e8, "s")
VOLUME = Within(0, 4000, "mL", {"litres": 1000})
LABELS = {"vital_capacity_ml": "vital capacity", "cough_peak_flow_l_min": "peak flow of a cough"}


def _trials(key: str, label: str, option: str) -> Field:
    return Field("history", key, label, possible="0 to 200", kind="whole", bounds=Within(0, 200), option=option)


SECTIONS = (
    Section("patient", "Patient", case_fields(
        "patient.sex", "patient.age_years", "patient.age_days", "patient.height_cm", "patient.weight_kg",
        "airway.interface",
    )),
    rows_of("settings", "Set on the ventilator", (
        "at_s", "mode", "peep_cmh2o", "fio2", "rate_per_min", "pressure_support_cmh2o",
    ), "One for each change: a breathing trial is found by what is set, or named below."),
    rows_of("observed", "Noted at the bed", (
        "at_s", "rate_per_min", "vte_ml", "spontaneous_volume_ml", "minute_volume_l_min", "spo2", "heart_rate_per_min",
        "systolic_mmhg", "p01_cmh2o", "max_inspiratory_pressure_cmh2o", "failed_breathing_trials",
    ), "One for each time; before the trial, and in it.", alone=False),
    gases_section(),
    units_section(),
    Section("trial", "The breathing trial, where it is not found by itself", (
        number("trial", "from_s", "begins at, on the case clock", TIME, "--from"),
        number("trial", "to_s", "ends at", TIME, "--to"),
    ), folded=True),
    Section("signs", "What only a person can tell", (
        *(choice("signs", key, words, tuple(YES_NO), YES_NO) for key, words in SIGNS.items()),
        *(number("told", key, LABELS[key], Within(low, high, unit)) for key, (low, high, unit) in NUMBERS.items()),
    )),
    Section("cuff", "Cuff leak, the cuff deflated", (
        number("cuff", "inspired_ml", "inspired volume", VOLUME, "cuff leak"),
        Field("cuff", "expired_ml", "expired volumes, six with blanks between", "mL", "0 to 4000 mL", kind="numbers",
              bounds=VOLUME),
    ), folded=True),
    Section("history", "Breathing trials so far", (
        _trials("trials", "trials in all, this one included", "trials"),
        _trials("failed", "how many of them failed", "failed trials"),
        number("history", "days", "days from the first trial until weaning ended, or until now",
               Within(0, 1000, "days"), "days"),
        choice("history", "ended", "off the ventilator for good", tuple(YES_NO), YES_NO),
    ), folded=True),
)  # fmt: skip


def _show(desk: Desk) -> Shown:
    case, cuff = desk.case, desk.own.get("cuff", {})
    if "expired_ml" in cuff and "inspired_ml" not in cuff:
        raise OptionError("the inspired volume is missing", where="cuff leak", expected="mL, cuff deflated")
    trial = desk.own.get("trial", {})
    asked = Asked(
        trial.get("from_s"), trial.get("to_s"), Said(desk.own.get("signs", {}), desk.own.get("told", {})),
        History(**desk.own.get("history", {})), cuff.get("inspired_ml"), cuff.get("expired_ml", ()),
    )  # fmt: skip
    read = wean(case, desk.review(case), asked, policy=policy_for(case) if desk.name else None)
    told = all_in(read, desk.own.get("shown", {}).get("unit", "mmHg"))
    leak = () if told.cuff is None else (cuff_words(told.cuff), *told.cuff.notes, SOURCE)
    made = weaning_parts(weaning_view(told), case.title, leak)
    page = in_form_words(made, sections_of(WEAN, opened=bool(desk.name)))

    def pdf() -> bytes:
        from tidebench.report.parts import parts_pdf

        return parts_pdf(page, "Weaning, for the record")

    return Shown(page, pdf, lambda: page_text(told))


WEAN = Room(
    SECTIONS, frozenset({"trial", "signs", "told", "cuff", "history", "shown"}), "Begin with the patient's age.", _show
)  # fmt: skip
