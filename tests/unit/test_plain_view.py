"""What the terminal shows, as data for other programs."""

from __future__ import annotations

import json
from dataclasses import dataclass

import pytest

from tests.unit.made_review import made_review
from tidebench.quantities import quantity
from tidebench.views import overview_page, plain_view
from tidebench.views.plain import plain


def test_the_view_holds_what_the_page_says() -> None:
    noted = {"at_s": 40.0, "plateau_pressure_cmh2o": 28.0}
    review = made_review(breaths=60, peeps=(6.0, 9.0, 12.0), efforts_from=45, observed=(noted,))
    view = json.loads(json.dumps(plain_view(review), allow_nan=False))
    page = overview_page(review)
    assert [m["headline"] for m in view["matters"]] == [m.headline for m in page.matters]
    assert [v["text"] for v in view["verdicts"]] == [v.text for v in page.verdicts]
    assert [u["text"] for u in view["untold"]] == [u.text for u in page.untold]
    assert [row["changed"] for row in view["steps"]] == ["set PEEP 6.0 → 9.0 cmH2O", "set PEEP 9.0 → 12.0 cmH2O"]
    assert view["settings"][0] == {"at_s": 0.0, "text": page.settings[0][1]}
    assert [row["hold"]["kind"] for row in view["holds"]] == ["inspiratory", "expiratory"]
    assert set(view["efforts"]) == {"outcomes", "text"}
    assert "compliance_ml_cmh2o" in [q["key"] for q in view["along_peep"]["quantities"]]
    assert len(view["along_peep"]["levels"]) == 3
    assert view["caution"] == page.caution


@dataclass(frozen=True)
class Pair:
    """A view of two fields."""

    value: float
    of: tuple[object, ...]


def test_what_is_no_number_is_null_and_a_quantity_its_key() -> None:
    record = quantity("peep_cmh2o")
    told = plain(Pair(float("nan"), (record, 2, None)))
    assert told == {"value": None, "of": [{"key": record.key, "label": record.label, "unit": record.unit}, 2, None]}


@pytest.mark.parametrize("breaths", [0, 1])
def test_a_case_with_hardly_a_breath_has_a_view(breaths: int) -> None:
    view = plain_view(made_review(breaths=breaths, holds=False, patient=None))
    assert json.dumps(view, allow_nan=False)
