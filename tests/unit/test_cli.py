"""The command line hands on what it was given, and refuses in one message."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

import tidebench.results
import tidebench.views
from tidebench._version import __version__
from tidebench.caution import CAUTION
from tidebench.cli import main
from tidebench.cli.progress import progress_bar
from tidebench.errors import SignalError
from tidebench.quantities import QUANTITIES

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command; returns its exit code and what it wrote to the two streams."""
    monkeypatch.setenv("COLUMNS", "200")

    def command(*words: str) -> tuple[int, str, str]:
        code: Any = 0
        try:
            main(words)
        except SystemExit as stop:
            code = stop.code
        return (code or 0, *capsys.readouterr())

    return command


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """Stands in for the review itself, and notes how it was called."""
    noted: list[dict[str, Any]] = []

    def review_case(
        path: Path, out: Path, *, policy: Path | None, report: bool, progress: Callable[[str, float], None]
    ) -> SimpleNamespace:
        progress("reading", 0.5)
        noted.append({"path": path, "out": out, "policy": policy, "report": report})
        return SimpleNamespace(summary={"title": "Düne", "n": None})

    def plain_view(_review: object) -> dict[str, str]:
        return {"title": "Düne"}

    terminal = ModuleType("tidebench.cli.terminal")
    terminal.__dict__["print_review"] = lambda review: print(f"summary of {review.summary['title']}")
    monkeypatch.setitem(sys.modules, "tidebench.cli.terminal", terminal)
    monkeypatch.setattr(tidebench.results, "review_case", review_case)
    monkeypatch.setattr(tidebench.views, "plain_view", plain_view)
    return noted


@pytest.mark.parametrize("words", [("--help",), ("review", "--help"), ("demo", "--help"), ("quantities", "--help")])
def test_help_carries_the_caution_once(run: Run, words: tuple[str, ...]) -> None:
    code, out, err = run(*words)
    assert (code, err) == (0, "")
    assert " ".join(out.split()).count(CAUTION) == 1


def test_version(run: Run) -> None:
    assert run("--version") == (0, f"{__version__}\n", "")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("reviw",), 'Did you mean "review"'),
        (("review",), "CASE"),
        (("review", "case"), "--out"),
        (("review", "case", "--out"), "--out"),
        (("review", "case", "--out", "x", "--nope"), "--nope"),
        (("review", "one", "two", "--out", "x"), "two"),
        (("quantities", "stres_index"), "stress_index"),
    ],
)
def test_what_cannot_be_understood_exits_2_with_one_message(run: Run, words: tuple[str, ...], says: str) -> None:
    code, out, err = run(*words)
    assert (code, out) == (2, "")
    assert err.startswith("tidebench: ")
    assert says in err
    assert err.count("\n") == 1


def test_refusal_of_the_library_is_passed_on_without_a_traceback(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise SignalError("no flow column", where="signals.csv, line 1", remedy="Name it.")

    monkeypatch.setattr(tidebench.results, "review_case", refuse)
    assert run("review", "case", "--out", "x") == (2, "", "tidebench: signals.csv, line 1: no flow column. Name it.\n")


def test_review_hands_on_its_options_and_says_where_the_report_is(run: Run, calls: list[dict[str, Any]]) -> None:
    code, out, err = run("review", "ward/case", "--out", "ward/result")
    assert (code, err) == (0, "")
    assert calls == [{"path": Path("ward/case"), "out": Path("ward/result"), "policy": None, "report": True}]
    assert out.startswith("summary of Düne\n")
    assert out.endswith(f"Report: {Path('ward/result/report.pdf').resolve()}\n")


def test_review_without_report_names_the_result(run: Run, calls: list[dict[str, Any]]) -> None:
    _, out, _ = run("review", "case", "--out", "result", "--no-report")
    assert calls[0]["report"] is False
    assert out.endswith(f"Result: {Path('result').resolve()}\n")


def test_json_prints_the_summary_and_nothing_else(run: Run, calls: list[dict[str, Any]]) -> None:
    code, out, err = run("review", "case", "--out", "result", "--json")
    assert (code, err, len(calls)) == (0, "", 1)
    assert json.loads(out) == {"title": "Düne", "n": None, "view": {"title": "Düne"}}


def test_an_interrupt_is_one_line(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(tidebench.results, "review_case", stop)
    assert run("review", "case", "--out", "x") == (130, "", "tidebench: stopped; nothing was written\n")


def test_demo_reviews_the_shipped_case(run: Run, calls: list[dict[str, Any]]) -> None:
    code, _, _ = run("demo", "--no-report")
    assert code == 0
    assert (calls[0]["path"] / "case.toml").is_file()
    assert calls[0]["out"] == Path("demo-review")


def test_quantities_lists_every_one(run: Run) -> None:
    code, out, _ = run("quantities")
    rows = {line.split()[0] for line in out.splitlines()[1:]}
    assert code == 0
    assert rows == set(QUANTITIES)


def test_one_quantity_is_told_in_full(run: Run) -> None:
    record = QUANTITIES["stress_index"]
    _, out, _ = run("quantities", "stress_index")
    told = " ".join(out.split())
    assert record.label in told
    assert record.source in told
    assert " ".join(record.definition.split()) in told


@pytest.mark.parametrize(("part", "key"), [("compliance", "compliance_ml_cmh2o"), ("stress index", "stress_index")])
def test_a_part_that_names_one_quantity_is_enough(run: Run, part: str, key: str) -> None:
    code, out, _ = run("quantities", part)
    assert code == 0
    assert key in out.splitlines()[0]


def test_a_part_of_several_keys_lists_them(run: Run) -> None:
    code, out, err = run("quantities", "pressure_cmh2o")
    assert (code, out) == (2, "")
    assert "plateau_pressure_cmh2o" in err
    assert err.count("\n") == 1


def test_key_that_is_measured_and_set_is_told_both_ways(run: Run) -> None:
    _, out, _ = run("quantities", "peep_cmh2o")
    assert out.count("peep_cmh2o") == 2
    assert "under [settings] of a case" in out


def test_progress_is_silent_where_nobody_looks(capsys: pytest.CaptureFixture[str]) -> None:
    with progress_bar() as tell:
        tell("reading", 0.5)
    assert capsys.readouterr() == ("", "")


def test_progress_is_drawn_on_standard_error_before_a_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    with progress_bar() as tell:
        tell("finding breaths", 0.5)
        tell("finding breaths", 1.0)
    out, err = capsys.readouterr()
    assert out == ""
    assert "finding breaths" in err


def test_review_hands_on_the_policy(run: Run, calls: list[dict[str, Any]]) -> None:
    run("review", "case", "--out", "result", "--policy", "house.toml")
    assert calls[0]["policy"] == Path("house.toml")


def test_what_the_system_refuses_is_one_message(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", "signals.csv")

    monkeypatch.setattr(tidebench.results, "review_case", refuse)
    code, out, err = run("review", "case", "--out", "x")
    assert (code, out, err) == (2, "", "tidebench: signals.csv: can't be used (Permission denied).\n")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_full_standard_output_is_one_message() -> None:
    with open("/dev/full", "w") as full:  # noqa: PTH123
        done = subprocess.run(
            [sys.executable, "-m", "tidebench", "quantities"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr == "tidebench: standard output: can't be used (No space left on device).\n"


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX pipes")
def test_reader_that_went_away_is_no_error() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "tidebench", "quantities"], stdout=writing, stderr=subprocess.PIPE, check=False
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (1, b"")
