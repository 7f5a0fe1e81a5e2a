"""The page on lessons: its lesson is a lesson, and the table of the measured ones is complete."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from tidebench.lessons import check, lesson_from, lesson_names

DOCS = Path(__file__).parents[2] / "docs"


def test_the_lesson_on_the_page_is_one_and_can_be_checked() -> None:
    page = (DOCS / "how-to" / "teach-with-lessons.md").read_text(encoding="utf-8")
    block = re.search(r"^```toml lesson\n(.*?)^```", page, flags=re.MULTILINE | re.DOTALL)
    assert block
    done = check(lesson_from(tomllib.loads(block[1])), seeds=2)
    assert {row.learner: row.least for row in done.fared}["perfect"] == 1.0
    assert not [problem for problem in done.problems if "luck" not in problem and "random" not in problem]


def test_every_lesson_stands_in_the_measured_table_with_a_perfect_learner_who_loses_nothing() -> None:
    page = (DOCS / "explanation" / "lessons-measured.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| ([a-z-]+) \| (\d+) % \|", page, flags=re.MULTILINE))
    assert set(rows) == set(lesson_names())
    assert set(rows.values()) == {"100"}
