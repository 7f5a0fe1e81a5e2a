"""Forms made of models: what a field says of itself, and what answers become."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidebench.care.preparation.request import Cylinder, FlowSensor, Mechanics
from tidebench.case import Observed, Patient
from tidebench.case_form import form
from tidebench.entries import Within
from tidebench.errors import CaseError, OptionError
from tidebench.forms import (
    Field,
    Refused,
    Section,
    choice,
    field_of,
    number,
    read,
    read_answers,
    slip_of,
    text_of,
    tick,
)
from tidebench.quantities import quantity

HEIGHT = field_of(Patient, "patient", "height_cm")
STROKES = field_of(FlowSensor, "flow_sensor", "strokes_ml")
COUNT = field_of(Cylinder, "cylinders", "count")
GAS = Section("gas", "Gas", (number("gas", "ph", "pH", Within(6.5, 8)),), several=True)
WHO = Section("patient", "Patient", (HEIGHT, field_of(Patient, "patient", "sex")))


def test_fields_say_what_the_model_and_the_catalogue_say() -> None:
    assert (HEIGHT.label, HEIGHT.unit, HEIGHT.possible) == (quantity("height_cm").label, "cm", "20 to 250 cm")
    assert field_of(Patient, "patient", "sex").choices == ("female", "male")
    assert (STROKES.kind, STROKES.unit) == ("numbers", "mL")
    assert (COUNT.kind, COUNT.possible) == ("whole", "1 to 50")
    assert field_of(Observed, "observed", "failed_breathing_trials").kind == "whole"
    assert field_of(Observed, "observed", "position").kind == "text"
    assert field_of(Mechanics, "lungs", "fio2").unit == ""


@pytest.mark.parametrize(
    ("asked", "text", "value"),
    [
        (HEIGHT, "168", 168.0), (HEIGHT, "1.68 m", 168.0), (HEIGHT, "66 in", 167.64),
        (STROKES, "1098 1110;1104", (1098.0, 1110.0, 1104.0)),
        (STROKES, "1.1 litres", None), (COUNT, "3", 3), (tick("a", "b", "c"), "yes", True),
        (choice("a", "b", "c", ("yes", "no"), {"yes": True, "no": False}), "no", False),
        (number("t", "albumin_g_dl", "albumin", Within(0.5, 7, "g/dL", {"g/L": 0.1})), "30 g/L", 3.0),
        (number("t", "minutes", "the way takes", Within(1, 3000, "minutes", {"hours": 60})), "2 hours", 120.0),
        (number("t", "fio2", "FiO2", Within(0.21, 1, "as a fraction")), "60 %", 0.6),
    ],
)  # fmt: skip
def test_answers_with_their_units(asked: Field, text: str, value: object) -> None:
    got = read(asked, text)
    assert isinstance(got, Refused) if value is None else got == value


@pytest.mark.parametrize(
    ("asked", "text", "words"),
    [(HEIGHT, "1.68", "metres, write 168"), (HEIGHT, "tall", "not understood"), (COUNT, "2.5", "whole number"),
     (COUNT, "99", "1 to 50"), (STROKES, "1098 x", "not understood"), (tick("a", "b", "c"), "on", "no tick"),
     (field_of(Patient, "patient", "sex"), "x", "none of female, male"),
     (Field("a", "b", "c", kind="text"), "a\x00b", "can't be printed")],
)  # fmt: skip
def test_answers_that_can_not_be_used(asked: Field, text: str, words: str) -> None:
    got = read(asked, text)
    assert isinstance(got, Refused)
    assert words in got


def test_tables_that_may_be_filled_in_several_times() -> None:
    said, slips = read_answers((WHO, GAS), {"gas 2": {"ph": "7.3"}, "gas": {"ph": "7.2"}, "patient": {"height_cm": ""}})
    assert (said, slips) == ({"gas": [{"ph": 7.2}, {"ph": 7.3}]}, ())
    _, slips = read_answers((WHO, GAS), {"gas 99": {"ph": "7"}, "patient 2": {"height_cm": "150"}, "x": {"y": "1"}})
    assert [(slip.table, slip.key) for slip in slips] == [("gas 99", ""), ("patient 2", ""), ("x", "y")]


@pytest.mark.parametrize(
    ("error", "place"),
    [
        (CaseError("is 3", where="the form: [patient], height_cm"), ("patient", "height_cm")),
        (CaseError("is 3", where="the form: [[gas]] no. 2, ph"), ("gas 2", "ph")),
        (CaseError("is 3", where="the form: [patient]"), ("", "")),
        (OptionError("is 3", where="--ph"), ("gas", "ph")), (OptionError("is 3", where="elsewhere"), ("", "")),
    ],
)  # fmt: skip
def test_errors_stand_beside_the_field_that_they_speak_of(error: CaseError, place: tuple[str, str]) -> None:
    named = Section("gas", "Gas", (number("gas", "ph", "pH", Within(6.5, 8), "--ph"),), several=True)
    slip = slip_of(error, (WHO, named))
    assert (slip.table, slip.key) == place
    assert "is 3" in slip.problem.casefold()


@given(st.floats(20, 250, allow_nan=False).map(lambda value: round(value, 6)))
def test_an_answer_that_means_a_value_gives_it_back(value: float) -> None:
    assert read(HEIGHT, text_of(HEIGHT, value)) == pytest.approx(value, rel=1e-5)


def test_every_field_of_a_case_is_read_back() -> None:
    modes = next(one for section in form() for one in section.fields if one.key == "mode")
    assert [read(modes, words) for words in modes.choices] == list(modes.means.values())
    assert [text_of(modes, code) for code in modes.means.values()] == list(modes.choices)
