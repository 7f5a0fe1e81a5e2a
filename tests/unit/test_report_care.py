"""Gases, the capnogram and the breathing trial in the report, and the views that terminal and report share."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader

from tests.reference.simulated import compartment, scenario
from tests.unit.made_review import made_review
from tidebench.care.gases import read_gases
from tidebench.care.weaning import wean
from tidebench.case import Case, case_from
from tidebench.report.write import report_bytes
from tidebench.review import Review, review
from tidebench.simulation import simulate
from tidebench.views.capnogram import capnogram_page
from tidebench.views.gases import gases_view
from tidebench.views.weaning import reviewed_weaning, weaning_view

SUPPORT = {"mode": "CSV-PS", "pressure_support_cmh2o": 12, "peep_cmh2o": 6, "fio2": 0.35, "trigger_flow_l_min": 2,
           "cycling_percent": 25}  # fmt: skip
LOW = {"at_s": 120, "mode": "CSV-PS", "pressure_support_cmh2o": 6, "peep_cmh2o": 5}
TABLES: dict[str, Any] = {
    "patient": {"sex": "female", "age_years": 63, "height_cm": 164},
    "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 7.5},
    "settings": [SUPPORT, LOW],
    "blood_gases": [
        {"at_s": 60, "site": "arterial", "ph": 7.39, "paco2_mmhg": 42, "pao2_mmhg": 84},
        {"at_s": 500, "site": "arterial", "ph": 7.33, "paco2_mmhg": 51, "pao2_mmhg": 71},
    ],
    "observed": [{"at_s": 100, "heart_rate_per_min": 90}, {"at_s": 480, "heart_rate_per_min": 112, "spo2": 0.93}],
}


@pytest.fixture(scope="module")
def reviewed() -> Review:
    """Eight minutes of a simulated trial with a capnogram, beside typed gases."""
    told = scenario(
        [compartment(55, 9)], SUPPORT, 540, capnogram=True, effort={"rate_per_min": 22, "size_cmh2o": 9},
        patient=TABLES["patient"],
    )  # fmt: skip
    return review(case_from(TABLES), simulate(told).recording)


def text_of(pdf: bytes) -> str:
    """All text of a PDF, runs of blanks as one."""
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages))


def test_report_reads_gases_capnogram_and_trial(reviewed: Review) -> None:
    told = text_of(report_bytes(reviewed))
    for words in (
        "Blood gases, read", "Acid and base: respiratory acidosis", "dead space over tidal volume, Bohr",
        "pH: 7.39 → 7.33", "Carbon dioxide over expired volume", "nearest to the medians", "airway dead space",
        "Weaning: the breathing trial beside published criteria", "Signs of failure in the trial",
        "above 50 mmHg", "51 mmHg", "Ready for it?", "people decide", "same patients had 46 on support",
    ):  # fmt: skip
        assert words in told, words
    assert told.count("Not a medical device") == 1


def test_report_without_them_is_as_it_was() -> None:
    made = made_review(breaths=12)
    told = text_of(report_bytes(replace(made, case=Case())))
    for words in ("Blood gases", "Carbon dioxide over expired volume", "Weaning"):
        assert words not in told


def test_a_long_stretch_of_low_support_is_no_trial_of_the_report() -> None:
    case = case_from({"patient": TABLES["patient"], "settings": [{**LOW, "at_s": 0}]})
    made = replace(made_review(breaths=12), case=case)
    assert reviewed_weaning(made) is not None
    longer = replace(made.recording, rate_hz=made.recording.rate_hz / 1000)
    assert reviewed_weaning(replace(made, recording=longer)) is None


def test_view_of_the_trial_is_what_the_room_says(reviewed: Review) -> None:
    told = wean(reviewed.case, reviewed)
    view = weaning_view(told)
    assert [row.state for row in view.failure] == [item.state for item in told.failure]
    assert len(view.minutes) == 7
    assert all(len(row.cells) == 3 for row in view.minutes)
    assert not any(
        "El-Khatib" in row.why for row in (*view.failure, *view.readiness)
    )  # it is said once, with the trial
    assert any("El-Khatib" in line for line in view.trial)


def test_drawn_capnogram_is_the_measured_one(reviewed: Review) -> None:
    """Areas on both sides of the upright, by the trapezoid, differ by less than a sample's part of the whole."""
    page = capnogram_page(reviewed)
    assert page is not None
    assert reviewed.capnogram is not None
    row = reviewed.capnogram.breaths.row(page.breath, named=True)
    assert page.dead_space_ml == row["airway_dead_space_ml"]
    assert np.trapezoid(page.pco2_mmhg, page.volume_ml) / page.expired_ml == pytest.approx(
        row["mixed_expired_pco2_mmhg"], rel=0.02
    )
    low, high = page.line_mmhg
    assert 0.5 * (low + high) == pytest.approx(row["alveolar_pco2_mmhg"])
    assert capnogram_page(made_review(breaths=12)) is None


def test_gases_in_either_unit_are_the_same_gases() -> None:
    """Every tension of the view in kPa is that in mmHg over 7.50062, and nothing else differs."""
    page = read_gases(case_from(TABLES), target_paco2_mmhg=40.0)
    in_mmhg, in_kpa = gases_view(page), gases_view(page, "kPa")
    for one, other in zip(in_mmhg.gases, in_kpa.gases, strict=True):
        for n, m in zip(one.numbers, other.numbers, strict=True):
            if "mmHg" not in n.text:
                assert m.text == n.text
                continue
            value = next(v for g in page.gases if f"Gas {g.number}," in one.heading for v in (*g.stated, *g.indices)
                         if v.key == n.key).value  # fmt: skip
            assert value is not None
            assert m.text == f"{value / 7.50062:.1f} kPa"
    assert "mmHg" not in str(in_kpa.target)


def test_many_gases_stay_readable() -> None:
    """300 gases: a trend shows the first and the last, the report the last six."""
    one = {"site": "arterial", "ph": 7.3, "pao2_mmhg": 80}
    many = [{"at_s": 10.0 * k, "paco2_mmhg": 40 + k % 9, **one} for k in range(300)]
    case = case_from({**TABLES, "blood_gases": many})
    trend = next(line for line in gases_view(read_gases(case)).trend if line.startswith("PaCO2"))
    last = " → ".join(str(40 + k % 9) for k in range(293, 300))
    assert trend == f"PaCO2: 40 → (292 more) → {last} mmHg"
    told = text_of(report_bytes(replace(made_review(breaths=12), case=case)))
    assert "The last 6 of 300 gases" in told
    assert "Gas 300, arterial" in told
    assert "Gas 294, arterial" not in told


def test_report_has_sections_of_set_up_and_alarms_where_the_case_has_them(reviewed: Review) -> None:
    """168 cm of a woman are 59.7 kg by 45.5 + 0.91·(h − 152.4); 164 cm are 56.1 kg (ARDS Network 2000)."""
    alarms = [{"at_s": at, "kind": "peak pressure high", "priority": "high"} for at in (60, 200)]
    said = case_from({**TABLES, "condition": "obstructive", "events": [*alarms, {"at_s": 70, "kind": "note"}]})
    case = reviewed.case.model_copy(update={"condition": said.condition, "events": said.events})
    told = text_of(report_bytes(replace(reviewed, case=case)))
    for words in ("Where ventilation starts for such a patient", "56.1 kg", "8 to 12 /min", "Alarms of the case",
                  "peak pressure high high 2", "None of them is a reason to silence an alarm"):  # fmt: skip
        assert words in told, words
    plain = text_of(report_bytes(reviewed))
    assert "Where ventilation starts" not in plain
    assert "Alarms of the case" not in plain
