"""A function called in a process of its own: its outcome, its refusal in words, and another process after one ended."""

from __future__ import annotations

from pathlib import Path

import pytest

from tidebench.bench import Bench, measured
from tidebench.errors import OptionError
from tidebench.web.jobs import Apart
from tidebench.web.lesson_bench import Reviews


def test_a_bench_is_reviewed_apart_as_it_is_here() -> None:
    bench, reviews = Bench({"who": "copd"}, 20.0), Reviews()
    try:
        assert reviews(*bench.recorded()) == measured(*bench.recorded())
    finally:
        reviews.close()


def test_what_is_refused_is_said_and_a_process_that_ended_is_replaced(tmp_path: Path) -> None:
    apart = Apart("tidebench.web.work:case_lesson_job")
    try:
        for _ in range(2):
            with pytest.raises(OptionError, match=r"case\.toml"):
                apart(case=str(tmp_path / "none"), out=str(tmp_path / "out"), title="")
            apart.close()
    finally:
        apart.close()
