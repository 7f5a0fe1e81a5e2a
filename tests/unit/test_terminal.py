"""A review in the terminal: readable narrow and wide, without colour, and nothing read as markup."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import Any

import pytest
from rich.console import Console

from tests.unit.made_review import Lung, made_review
from tidebench.caution import CAUTION
from tidebench.cli.terminal import print_review


def printed(width: int, **made: Any) -> str:
    """What a terminal of some width without colour shows."""
    out = io.StringIO()
    print_review(made_review(**made), Console(file=out, width=width, color_system=None))
    return out.getvalue()


def flat(text: str) -> str:
    """Lines joined, runs of blanks as one."""
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("width", [80, 120])
def test_every_line_fits(width: int) -> None:
    noted = {"at_s": 40.0, "plateau_pressure_cmh2o": 28.0}
    text = printed(width, breaths=60, peeps=(6.0, 9.0, 12.0), efforts_from=45, observed=(noted,))
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text


def test_it_says_what_the_page_holds() -> None:
    text = flat(printed(120, breaths=60, peeps=(6.0, 9.0, 12.0), efforts_from=45, lung=Lung(0.025, 13.0)))
    for part in (
        "What matters first",
        "Driving pressure 16.8 cmH2O: above 15 cmH2O.",
        "Is it safe?",
        "crossed, all 45 breaths: at most 15 cmH2O (linked with harm, not a tested target)",
        "measured PEEP 9.0 cmH2O",
        "set PEEP 6.0 → 9.0 cmH2O: plateau pressure 23.0 → 26.0 cmH2O",
        "inspiratory at 0:13 for 3.00 s (steady, total PEEP of hold 2)",
        "What can't be told?",
        CAUTION,
    ):
        assert part in text, part


def test_noted_numbers_that_differ_are_shown_with_the_first_reason() -> None:
    text = flat(printed(120, observed=({"at_s": 40.0, "plateau_pressure_cmh2o": 28.0, "peep_cmh2o": 8.0},)))
    assert "plateau pressure at 0:40: noted 28.0 cmH2O, measured" in text
    assert "PEEP at 0:40" not in text


def test_nothing_is_read_as_markup() -> None:
    text = printed(120, title="[bold]A [/] title[/bold]", warnings=("flow drifts [by 0.2 L/min]",))
    assert "[bold]A [/] title[/bold]" in text
    assert "[by 0.2 L/min]" in text


def test_a_case_without_breaths_is_said_plainly() -> None:
    text = flat(printed(80, breaths=0, holds=False, patient=None, title=""))
    assert "No breath was found." in text
    assert "Holds" not in text


def test_many_holds_are_cut_short() -> None:
    review = made_review()
    out = io.StringIO()
    print_review(replace(review, holds=review.holds * 10), Console(file=out, width=120, color_system=None))
    assert "and 12 more, in the report." in out.getvalue()


def test_many_changes_are_cut_short() -> None:
    text = printed(80, breaths=120, peeps=tuple(5.0 + (3 * i) % 8 for i in range(40)))
    assert "and 27 more, in the report." in text
