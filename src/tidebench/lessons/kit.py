"""What a session needs on paper, printed from a lesson: plan, handout, quiz with key, and lists to sign."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tidebench.caution import CAUTION
from tidebench.errors import OptionError
from tidebench.lessons.draw import picture
from tidebench.lessons.format import Act, Asked, Choose, Lesson, Measure, Predict
from tidebench.lessons.learners import perfect
from tidebench.lessons.marking import WAY_WORDS, mark, offered, reason_words, right_answers
from tidebench.lessons.record import Record
from tidebench.lessons.session import asked_words, identity, patient_words, shown
from tidebench.lessons.stage import Stage
from tidebench.lessons.truths import TRUTHS
from tidebench.report.lessons import kit_pdf
from tidebench.store import Identity, keep_other_results, new_result

PAGES = ("plan", "handout", "quiz", "key", "attendance", "skills", "roster")
WELCOME, TALK = 2.0, 4.0  # minutes before the first and after the last step
MOST_SITES = 24
ROOM = 18  # lines of a list to sign
BLANK_SITES, LEAST_LINES, ROSTER_LINES = 6, 3, 30  # a roster: sites where none is named, lines of each, lines of a page


def write_kit(lesson: Lesson, folder: Path | None, seed: int, sites: Sequence[str], out: Path) -> list[Path]:
    """Put the pages of a kit into the folder ``out``, whole or not at all.

    Raises
    ------
    OutputError
        The folder can't be written, or holds something else.
    OptionError
        Too many sites.
    """
    if len(sites) > MOST_SITES:
        raise OptionError(f"{len(sites)} sites", where="kit", expected=f"up to {MOST_SITES}")
    pages = kit_pages(lesson, folder, seed, sites)
    keep_other_results(out, "lesson_kit")
    with new_result(out) as draft:
        draft.identity = Identity("", "", {"lesson_kit": True, "lesson": identity(lesson), "seed": seed})
        for name, page in pages.items():
            (draft.folder / f"{name}.pdf").write_bytes(kit_pdf(page))
    return [out / f"{name}.pdf" for name in pages]


def kit_pages(lesson: Lesson, folder: Path | None, seed: int, sites: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Each page of a kit as data."""
    stage = Stage(lesson, seed, folder)
    return {name: _head(lesson, seed, name) | _BUILD[name](lesson, stage, tuple(sites)) for name in PAGES}


def _head(lesson: Lesson, seed: int, page: str) -> dict[str, Any]:
    return {
        "page": page, "title": lesson.title, "audience": lesson.audience, "caution": CAUTION,
        "objectives": [row.text for row in lesson.objectives], "cautions": list(lesson.cautions),
        "sources": list(lesson.sources), "version": f"lesson {identity(lesson)}, patients drawn with seed {seed}",
        "renewal": lesson.renewal_months,
    }  # fmt: skip


def _plan(lesson: Lesson, _stage: Stage, _sites: tuple[str, ...]) -> dict[str, Any]:
    """A timed session plan."""
    now, rows = 0.0, [_timed(0.0, WELCOME, "Welcome", "Objectives and cautions; who has met this lately?")]
    now += WELCOME
    for step in lesson.steps:
        rows.append(_timed(now, step.minutes, step.title, DO[step.kind]))
        now += step.minutes
    rows.append(_timed(now, TALK, "Talk and close", "What will each of us do differently tonight? Attendance list."))
    return {
        "rows": rows, "total": now + TALK, "discussion": list(lesson.discussion),
        "needs": [
            "a screen or the printed figures, handouts, quiz sheets, pens",
            "an assessor, and a ventilator with a test lung or a bedside for the skills, on another day if need be",
        ],
    }  # fmt: skip


DO = {
    "explain": "Tell it in your own words; point at the figure.",
    "show": "Play it, stop at each line of the narration, ask what comes next.",
    "find": "Everybody marks alone, then compares; look at the proof together.",
    "measure": "Each reads alone; then one does it aloud.",
    "predict": "Hands up: falls, same, rises. Then run it.",
    "act": "One acts, one reads the numbers aloud, others advise. Debrief the run.",
    "choose": "Ask for reasons before the answer.",
}
"""What the teacher does at each kind of step."""


def _timed(from_min: float, minutes: float, what: str, how: str) -> dict[str, str]:
    return {"from": f"{from_min:g}", "minutes": f"{minutes:g}", "what": what, "how": how}


def _handout(lesson: Lesson, stage: Stage, _sites: tuple[str, ...]) -> dict[str, Any]:
    figures = [found for step in lesson.steps if not isinstance(step, Act) and (found := shown(stage, step))]
    if not figures:
        return {"lines": list(lesson.handout), "figure": None}
    drawn = picture(figures[0])
    return {"lines": list(lesson.handout), "figure": {"svg": drawn.svg, "alt": drawn.alt}}


def _quiz(lesson: Lesson, stage: Stage, _sites: tuple[str, ...]) -> dict[str, Any]:
    return {"questions": [_question(stage, step) for step in lesson.asked]}


def _question(stage: Stage, step: Any) -> dict[str, Any]:
    seen = shown(stage, step)
    told: dict[str, Any] = {
        "title": step.title,
        "text": step.text,
        "who": patient_words(stage, step),
        "figure": None,
        "foreseen": [],
        "ways": list(WAY_WORDS.values()),
    }
    if seen is not None:
        drawn = picture(seen)
        told["figure"] = {"svg": drawn.svg, "alt": drawn.alt}
    if isinstance(step, Choose):
        return told | {"choices": [answer.text for answer in offered(stage, step)], "asked": []}
    if isinstance(step, Predict):
        return told | {"choices": [], "asked": [], "foreseen": [TRUTHS[ask.truth].label for ask in step.asks]}
    asked = asked_words(stage, step)
    if isinstance(step, Measure):
        asked = asked[:1]  # which manoeuvres it takes is part of the answer
    if isinstance(step, Act):
        asked = [*asked, "On paper: what would you do, in which order, and what would you look at?"]
    if isinstance(step, Measure) and step.needs:
        asked = [
            *asked,
            "On paper: say which manoeuvres, and how the value is worked out; the number is measured at the bench.",
        ]
    return told | {"choices": [], "asked": asked}


def _rests_on(step: Choose) -> str:
    """What makes an answer right: the patient that was drawn, or practice with its source."""
    return f"Source: {step.source.rstrip('.')}." if step.of_practice else "The patient on this quiz decides."


def _right_and_wrong(stage: Stage, step: Choose) -> tuple[list[str], list[str]]:
    """The right answers of a question and the others, each with its reason, in the order of the quiz."""
    told: dict[bool, list[str]] = {True: [], False: []}
    for answer, right in zip(offered(stage, step), right_answers(stage, step), strict=True):
        told[right].append(f"{answer.text} {reason_words(answer, right)}")
    return told[True], told[False]


def _key(lesson: Lesson, stage: Stage, _sites: tuple[str, ...]) -> dict[str, Any]:
    """The key, from the truth of the patients that were drawn."""
    rng = np.random.default_rng(stage.seed)
    rows = []
    for step in lesson.asked:
        found = mark(stage, step, perfect(stage, step, rng))
        truth = [f"{part.what}: {part.truth}" for part in found.parts]
        reasons: list[str] = []
        if isinstance(step, Choose):
            truth, reasons = _right_and_wrong(stage, step)
        if isinstance(step, Act):
            truth = ["One way among several:", *_reference_words(stage, step)]
        why = _rests_on(step) if isinstance(step, Choose) else step.why
        rows.append({"title": step.title, "truth": truth, "why": why, "reasons": reasons,
                     "marks": _marks_words(step)})  # fmt: skip
    share = round(lesson.pass_percent)
    return {"rows": rows, "passing": f"{share} % of the marks, and half of those of every objective."}


MARKS = {
    "find": "Share of the right breaths found, less the share of others marked.",
    "measure": "All inside the tolerance, half within twice of it.",
    "predict": "An equal part for each.",
    "act": "On paper: half for a way that works, half for what is looked at afterwards.",
    "choose": "All or nothing.",
}


def _marks_words(step: Asked) -> str:
    """How an answer on paper is marked: a number that takes a hold can't be measured there."""
    if isinstance(step, Measure) and step.needs:
        return "On paper: half for the right manoeuvres, half for how the value is worked out of them."
    return MARKS[step.kind]


def _reference_words(stage: Stage, step: Act) -> list[str]:
    from tidebench.lessons.debrief import action_words
    from tidebench.lessons.format import Action
    from tidebench.lessons.learners import reference

    weight = stage.done(step, ()).weight_kg
    rows = [Action.model_validate(row) for row in reference(stage, step)]
    return [f"{row.at_s:g} s: {action_words(step.treatments, row, weight)}" for row in rows]


def _attendance(_lesson: Lesson, _stage: Stage, _sites: tuple[str, ...]) -> dict[str, Any]:
    return {"lines": ROOM}


def _skills(lesson: Lesson, _stage: Stage, _sites: tuple[str, ...]) -> dict[str, Any]:
    return {"skills": list(lesson.skills)}


def _roster(_lesson: Lesson, _stage: Stage, sites: tuple[str, ...]) -> dict[str, Any]:
    told = list(sites) or [""] * BLANK_SITES
    return {"sites": told, "lines": max(LEAST_LINES, ROSTER_LINES // len(told) - 2)}


_BUILD = {
    "plan": _plan, "handout": _handout, "quiz": _quiz, "key": _key, "attendance": _attendance, "skills": _skills,
    "roster": _roster,
}  # fmt: skip


def write_record(record: Record, learner: str, out: Path) -> Path:
    """Put ``record.pdf`` into the folder ``out``: what a learner did, and what an assessor saw.

    Raises
    ------
    OptionError
        Nothing is kept of this learner.
    OutputError
        The folder can't be written, or holds something else.
    """
    attempts, observed = record.attempts(learner), record.observed(learner)
    if not (learner and (attempts or observed)):
        raise OptionError(f"nothing is kept of {learner!r}", where=str(record.path))
    page = {
        "page": "record", "title": "Record of lessons", "learner": learner, "caution": CAUTION, "sources": [],
        "version": f"from {record.path.name}", "audience": "",
        "attempts": [
            {
                "date": one.begun[:10], "title": one.title, "marks": _marks(one.points, one.of),
                "verdict": _verdict(one.passed), "again": str(one.retake), "until": one.expires or "–",
                "objectives": [
                    f"{key}: {points:.1f} of {of}" + (f", {inside:.0f} of {whole:.0f} s inside limits" if whole else "")
                    for key, points, of, inside, whole in record.objectives(one.id)
                ],
            }
            for one in attempts
        ],
        "observed": [
            {
                "date": row.at[:10], "skill": row.skill, "able": "able" if row.able else "not yet",
                "assessor": row.assessor, "until": row.expires,
            }
            for row in observed
        ],
    }  # fmt: skip
    keep_other_results(out, "lesson_record")
    with new_result(out) as draft:
        draft.identity = Identity("", "", {"lesson_record": True})
        (draft.folder / "record.pdf").write_bytes(kit_pdf(page))
    return out / "record.pdf"


def _marks(points: float | None, of: float | None) -> str:
    return "under way" if points is None or of is None else f"{points:.1f} of {of:.0f}"


def _verdict(passed: int | None) -> str:
    return "–" if passed is None else "passed" if passed else "not passed"
