"""What workers do: functions by name, each with ``tell`` to say how far it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tidebench.forms import Field, Section

if TYPE_CHECKING:
    from tidebench.bench.measured import Measured
    from tidebench.care.logs import Question
    from tidebench.case import Case
    from tidebench.fitting.fit import Fit
    from tidebench.report.figures import Picture
    from tidebench.views.parts import Page
    from tidebench.views.rehearsal import ThenPage
    from tidebench.views.swept import SweptPage

Tell = Callable[[str, float], None]


def review_job(case: str, out: str, tell: Tell) -> str:
    """Review a case into its folder, and keep what the page opens."""
    from tidebench.results import review_case

    review_case(case, out, keep=True, progress=tell)
    return out


def rehearse_job(
    case: str, from_s: float | None, to_s: float | None, settings: dict[str, float | str], tell: Tell
) -> ThenPage:
    """Rehearse a change on patients within the doubt of the fit."""
    from tidebench.fitting.change import what_if
    from tidebench.views.rehearsal import then_page

    tell("fitting", 0.1)
    fit = _fit(case, from_s, to_s)
    tell("rehearsing on patients within the doubt", 0.3)
    return then_page(what_if(fit, settings))


def sweep_job(
    case: str, from_s: float | None, to_s: float | None, settings: dict[str, float | str], ranges: list[str], tell: Tell
) -> SweptPage:
    """Move one setting through a range, or two through a field, all else as it is."""
    from tidebench.fitting.sweep import range_of, sweep
    from tidebench.views.swept import swept_page

    tell("fitting", 0.1)
    fit = _fit(case, from_s, to_s)
    done = sweep(fit, [range_of(text) for text in ranges], settings, progress=tell, simulated=0)
    return swept_page(fit, settings, done)


def report_job(
    case: str, from_s: float | None, to_s: float | None, settings: dict[str, float | str], tell: Tell
) -> bytes:
    """The report of a review with a rehearsed change in it."""
    from tidebench.fitting.change import what_if
    from tidebench.report.write import report_bytes

    tell("fitting", 0.1)
    fit = _fit(case, from_s, to_s)
    tell("rehearsing on patients within the doubt", 0.3)
    answer = what_if(fit, settings)
    tell("writing the report", 0.7)
    return report_bytes(fit.window.review, answer)


def measure_job(case: Case, recorded: dict[str, Any], tell: Tell) -> Measured:  # noqa: ARG001 - as every job
    """Review what was recorded at a bench so far; ``recorded`` are the fields of its recording."""
    from tidebench.bench import measured
    from tidebench.recording import Recording

    return measured(case, Recording(**recorded))


def case_lesson_job(case: str, out: str, title: str, tell: Tell) -> LessonMade:
    """Make a lesson of a case and what its reviewer confirmed."""
    from tidebench.lessons.making import make_lesson

    tell("reviewing", 0.1)
    return LessonMade(Path(out).name, make_lesson(Path(case), Path(out), title))


def change_lesson_job(
    case: str, from_s: float | None, to_s: float | None, settings: dict[str, float | str], out: str, title: str,
    tell: Tell,
) -> LessonMade:  # fmt: skip
    """Make a lesson of a rehearsed change."""
    from tidebench.lessons.rehearsed import make_change_lesson

    tell("fitting", 0.1)
    fit = _fit(case, from_s, to_s)
    tell("rehearsing", 0.5)
    return LessonMade(Path(out).name, make_change_lesson(fit, settings, Path(out), title))


@dataclass(frozen=True)
class LessonMade:
    """A lesson that was made: its name on the shelf, and what it asks, a line each."""

    name: str
    asks: list[str]


def _fit(case: str, from_s: float | None, to_s: float | None) -> Fit:
    from tidebench.fitting.fit import fit_patient
    from tidebench.web.opened import Shelf

    return fit_patient(Shelf().get(Path(case)).kept.review, from_s, to_s)


LOG_FORM = Section("log", "Log", tuple(
    Field("log", option, label, option=f"--{option}")
    for option, label in (
        ("column", "holds"), ("offset", "seconds to add to the log's clock"), ("bed", "bed"),
        ("zero", "what it showed when the recording began"),
    )
))  # fmt: skip
"""What the form of a log calls the options of the command line."""


@dataclass(frozen=True)
class LogRead:
    """An event log, read: its page, its figures, and both printed."""

    page: Page
    figures: dict[str, Picture]
    pdf: bytes


def log_job(
    log: str,
    case: str,
    review: str,
    columns: dict[str, str],
    offset_s: float,
    zero: datetime | None,
    bed: str,
    tell: Tell,
) -> LogRead:
    """Read an event log, beside a case and its review where they are named."""
    from tidebench.logbook import Files, open_logbook
    from tidebench.report.logs import log_figures, log_pdf
    from tidebench.views.logs import log_page
    from tidebench.views.parts import page, section_part
    from tidebench.web.rooms.desk import in_form_words

    tell("reading", 0.1)
    files = Files((Path(log),), Path(case) if case else None, Path(review) if review else None)
    book = open_logbook(files, _question(case, columns, offset_s, zero, bed))
    tell("drawing", 0.6)
    figures = log_figures(book.told)
    title = (book.told.case.title if book.told.case else "") or Path(log).name
    parts = (section_part(part) for part in (*log_page(book.told), *book.sections))
    shown = in_form_words(page(title, (), parts), (LOG_FORM,))
    return LogRead(shown, figures, log_pdf(book.told, figures, book.sections))


def keep_log_job(
    log: str,
    unwanted: list[str],
    case: str,
    review: str,
    columns: dict[str, str],
    offset_s: float,
    zero: datetime | None,
    bed: str,
    tell: Tell,
) -> str:
    """Put a log into its case, without columns that speak of people."""
    from tidebench.logbook import keep_with_case

    tell("reading", 0.1)
    asked = _question(case, {key: value for key, value in columns.items() if key not in unwanted}, offset_s, zero, bed)
    kept = keep_with_case(Path(log), unwanted, Path(case), Path(review) if review else None, asked, tell)
    return kept.files[0]


def _question(case: str, columns: dict[str, str], offset_s: float, zero: datetime | None, bed: str) -> Question:
    from tidebench.care.logs import Question, Words
    from tidebench.care.logs.words import Clock
    from tidebench.case import load_case
    from tidebench.results import policy_for

    words = Words(clock=Clock(offset_s=offset_s)).with_columns(columns)
    policy = policy_for(load_case(Path(case))) if case else None
    return Question(words=words, zero=zero, bed=bed or None, policy=policy)
