"""The report: it opens, says what it must, is the same twice, and holds together on awkward cases."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from tests.unit.made_review import Inflation, Lung, MadeReview, made_review
from tidebench.case import BloodGas, Event
from tidebench.caution import CAUTION
from tidebench.report import figures, report_bytes, write_report
from tidebench.report.content import content
from tidebench.report.palette import BANDS, SERIES
from tidebench.report.typesetting import typeset
from tidebench.views import breath_page, holds_page, steps_page, trend_page

PRETERM: dict[str, Any] = {
    "breaths": 60,
    "holds": False,
    "lung": Lung(0.0006, 90),
    "inflation": Inflation(0.004, 0.25, 0.05, 0.5),
    "patient": {"sex": "male", "age_days": 9, "gestational_age_weeks": 27, "weight_kg": 0.91},
    "efforts_from": 50,
}
AWKWARD: dict[str, dict[str, Any]] = {
    "no breaths, no patient, no title": {"breaths": 0, "holds": False, "patient": None, "title": ""},
    "no passive breath": {"breaths": 12, "efforts_from": 0, "holds": False},
    "one breath": {"breaths": 1, "holds": False},
    "a long title": {"breaths": 12, "title": "A title that does not end " * 12},
    "a title like markup": {"breaths": 12, "title": "#*_$<@ `x` \\z [a] <b> = - + / 1. https://nowhere //"},
    "many changes": {"breaths": 120, "peeps": tuple(5.0 + (3 * i) % 8 for i in range(40))},
    "many warnings": {"breaths": 12, "warnings": tuple(f"warning number {i}" for i in range(30))},
    "preterm": PRETERM,
    "a day": {"breaths": 3000, "peeps": (6.0, 9.0, 12.0), "gap": True, "efforts_from": 2000},
}


def pages(pdf: bytes) -> list[str]:
    """Text of each page, runs of blanks as one."""
    return [re.sub(r"\s+", " ", page.extract_text()) for page in PdfReader(io.BytesIO(pdf)).pages]


@pytest.fixture(scope="module")
def review() -> MadeReview:
    noted = {"at_s": 40.0, "plateau_pressure_cmh2o": 28.0}
    return made_review(breaths=60, peeps=(6.0, 9.0, 12.0, 10.0), efforts_from=45, gap=True, observed=(noted,))


@pytest.fixture(scope="module")
def report(review: MadeReview) -> bytes:
    return report_bytes(review)


def test_page_one_is_what_a_busy_reader_takes_in(report: bytes) -> None:
    first = pages(report)[0]
    for part in (
        "Stiff lungs, volume control",
        "Man of 58 years",
        "predicted body weight 70.6 kg",
        "60 breaths",
        "What matters first",
        "Is it safe?",
        "Are the lungs stiff, narrow or trapped?",
        "Are they in step?",
        "What can't be told?",
        "what a trial aimed at, ARDS Network 2000",
        "at most 15 cmH₂O",
        "30 mL/cmH₂O",
        CAUTION,
    ):
        assert part in first, part


def test_detail_holds_everything_else(report: bytes) -> None:
    rest = " ".join(pages(report)[1:])
    for part in (
        "The whole record",
        "set PEEP 6.0 → 9.0 cmH₂O",
        "where its pressure went",
        "This breath in numbers",
        "Loops",
        "Holds",
        "What each change of settings did",
        "Noted from a screen",
        "its own pause",
        "All numbers",
        "What could not be measured, and why",
        "Limits, their kind and their source",
        "How this was measured, and after whom",
        "Amato, N Engl J Med 2015;372:747",
    ):
        assert part in rest, part


@pytest.mark.parametrize("changes", [{}, {"efforts_from": 30}, {"warnings": tuple(f"doubt {i}" for i in range(5))}])
def test_page_one_is_one_page(changes: dict[str, Any]) -> None:
    """What does not fit stands further back: the second page begins with the record."""
    second = pages(report_bytes(made_review(breaths=60, peeps=(6.0, 9.0, 12.0), **changes)))[1]
    assert "The whole record" in second[:200]


def test_gases_and_events_of_the_case_are_shown(review: MadeReview) -> None:
    gas = BloodGas(at_s=30, site="arterial", fio2=0.5, pao2_mmhg=80, ph=7.31)
    event = Event(at_s=61, kind="alarm", priority="high", text="High pressure.")
    case = review.case.model_copy(update={"blood_gases": (gas,), "events": (event,)})
    text = " ".join(pages(report_bytes(replace(review, case=case))))
    for part in ("Blood gases", "arterial", "160", "Events, as logged", "alarm, high", "High pressure."):
        assert part in text, part
    assert "Blood gases" not in " ".join(pages(report_bytes(review)))


def test_caution_stands_once(report: bytes) -> None:
    assert " ".join(pages(report)).count("Not a medical device") == 1


def test_the_same_review_gives_the_same_bytes(review: MadeReview, report: bytes, tmp_path: Path) -> None:
    write_report(review, tmp_path / "report.pdf")
    assert (tmp_path / "report.pdf").read_bytes() == report


def test_report_is_accessible(report: bytes) -> None:
    reader = PdfReader(io.BytesIO(report))
    catalogue: Any = reader.root_object
    assert catalogue["/Lang"].startswith("en")
    assert catalogue["/MarkInfo"]["/Marked"]
    assert b"pdfuaid:part" in catalogue["/Metadata"].get_data()
    assert reader.metadata is not None
    assert reader.metadata.title == "Stiff lungs, volume control"


def test_only_fonts_of_the_typesetter_are_used(report: bytes) -> None:
    families = ("LibertinusSerif", "DejaVuSansMono", "NewCM")
    for page in PdfReader(io.BytesIO(report)).pages:
        resources: Any = page["/Resources"]
        for font in resources["/Font"].values():
            assert font["/BaseFont"].split("+")[-1].lstrip("/").startswith(families)


@pytest.mark.parametrize("made", AWKWARD.values(), ids=AWKWARD.keys())
def test_awkward_reviews_are_set(made: dict[str, Any]) -> None:
    text = " ".join(pages(report_bytes(made_review(**made))))
    assert CAUTION in text
    if made.get("title"):
        assert made["title"].strip().replace("  ", " ")[:60] in text


@pytest.mark.parametrize(
    ("title", "printed"),
    [("Lunge 日本 é", "Lunge □□ é"), ("Calm 😀 now", "Calm □ now"), ("bell \a, own \ue000", "bell □, own □")],
)
def test_a_character_without_a_shape_is_marked_and_the_report_is_set(title: str, printed: str) -> None:
    """No outside source: a square for what no font shows is common practice."""
    assert printed in pages(report_bytes(made_review(breaths=12, title=title)))[0]


def test_what_is_missing_is_said() -> None:
    text = " ".join(pages(report_bytes(made_review(breaths=12, efforts_from=0, holds=False))))
    assert "No hold was found." in text
    assert "No change of settings was recorded or seen." in text
    assert "No breath was passive" in text


def test_template_gets_plain_data(review: MadeReview) -> None:
    data = content(review)
    assert data["trend"]["svg"].startswith("<?xml")
    assert "STIXGeneral" not in data["trend"]["svg"]
    assert "cmH2O" not in str({key: value for key, value in data.items() if not isinstance(value, dict)})


def test_the_shipped_case_is_reviewed_and_reported(tmp_path: Path) -> None:
    from tidebench.cli.demo import CASE
    from tidebench.results import review_case

    done = review_case(CASE, tmp_path / "result")
    written = (tmp_path / "result" / "report.pdf").read_bytes()
    assert written == report_bytes(done)
    first, second, *_ = pages(written)
    for part in ("Stiff lungs, four levels of PEEP", "Woman of 61 years", "What can't be told?", CAUTION):
        assert part in first, part
    assert second.startswith("Stiff lungs, four levels of PEEP Tidebench")
    assert "The whole record" in second
    assert "what the muscles gave" in " ".join(pages(written))


# --- figures ----------------------------------------------------------------------------------------------------------


def test_every_figure_has_words(review: MadeReview) -> None:
    page = breath_page(review, 50)
    assert page is not None
    drawn = {
        "trend": figures.trend_figure(trend_page(review)),
        "account": figures.account_figure(page),
        "loops": figures.loops_figure(page),
        "holds": figures.holds_figure(holds_page(review)),
        "peep": figures.peep_figure(steps_page(review)),
    }
    for name, picture in drawn.items():
        assert picture is not None, name
        assert len(picture.alt) > 60, name
        assert "<text" in picture.svg, name
    assert drawn["account"] is not None
    assert "given by the patient's muscles" in drawn["account"].svg
    assert "muscle" in drawn["account"].alt


def test_a_passive_breath_has_no_muscle_band(review: MadeReview) -> None:
    page = breath_page(review)
    assert page is not None
    picture = figures.account_figure(page)
    assert picture is not None
    assert "muscles" not in picture.svg


def test_nothing_to_draw_draws_nothing() -> None:
    empty = made_review(breaths=0, holds=False)
    assert figures.holds_figure(holds_page(empty)) is None
    assert figures.peep_figure(steps_page(empty)) is None


def luminance(colour: str) -> float:
    """Relative luminance of sRGB, 0 to 1 (WCAG 2)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_colour_is_never_alone() -> None:
    bands = list(BANDS.values())
    assert len({band.hatch for band in bands}) == len(bands)
    assert len({series.marker for series in SERIES}) == len({series.line for series in SERIES}) + 1 == len(SERIES)
    assert set(figures.LETTERS) == set(BANDS)


def test_curves_stand_out_from_paper() -> None:
    for style in SERIES:
        assert 1.05 / (luminance(style.colour) + 0.05) >= 4.5


# --- typesetting ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plain", "printed"),
    [
        ("5 cmH2O", "5\u00a0cmH₂O"),
        ("FiO2 0.5, PaCO2 40 mmHg", "FiO₂ 0.5, PaCO₂ 40\u00a0mmHg"),
        ("-3.2 to -1", "−3.2 to −1"),
        ("2015-03-01", "2015-03-01"),
        ("A/C-VC", "A/C-VC"),
        ("3 litres", "3 litres"),
    ],
)
def test_typesetting(plain: str, printed: str) -> None:
    assert typeset({"a": [plain]}) == {"a": [printed]}
