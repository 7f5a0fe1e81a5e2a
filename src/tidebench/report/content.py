"""What the template prints, as plain data: views turned into rows of text, and the figures."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from tidebench._version import __version__
from tidebench.caution import CAUTION
from tidebench.quantities import COMMON_PRACTICE, Quantity, quantity
from tidebench.report.capnogram import capnogram_figure
from tidebench.report.care import care_content
from tidebench.report.figures import (
    LETTERS,
    PRESSURE,
    Picture,
    account_figure,
    holds_figure,
    loops_figure,
    peep_figure,
    recorded_figure,
    trend_figure,
)
from tidebench.report.method import method
from tidebench.report.rehearsal import rehearsed_content, waves_figure, what_changes
from tidebench.report.typesetting import typeset
from tidebench.views import (
    Beside,
    BreathPage,
    HoldsPage,
    Number,
    Overview,
    StepsPage,
    Trend,
    Untold,
    Verdict,
    beside,
    breath_page,
    breath_with_effort,
    effort_counts,
    overview_page,
    steps_page,
    trend_page,
)
from tidebench.views.answers import GROUPS, SAFE, UNTOLD
from tidebench.views.capnogram import CapnogramPage, capnogram_page
from tidebench.views.efforts import effort_source
from tidebench.views.numbers import summary_number
from tidebench.views.pictured import pictured_of
from tidebench.views.rehearsal import search_notes, spoken_setting, target_words, way_lines
from tidebench.views.wording import clock, count, duration, sentence, share

if TYPE_CHECKING:
    from tidebench.fitting.change import WhatIf
    from tidebench.fitting.target import Search
    from tidebench.review import Review

Data = dict[str, Any]
SHORT_TITLE = 80
FIRST_UNTOLD = 3
FIRST_CHANGES = 12
FIRST_QUALITY = 6
FIRST_ROWS = 30
TOTAL_PEEP = "total_peep_cmh2o"
"""How many lines of a kind stand on the first pages; the rest stand further back."""


def content(review: Review, rehearsed: WhatIf | None = None) -> Data:
    """Everything that the report prints."""
    page, steps, course = overview_page(review), steps_page(review), trend_page(review)
    breath, effort = breath_page(review), breath_with_effort(review)
    if effort and breath and effort.breath == breath.breath:
        effort = None
    words = {
        **_first_page(page),
        **_steps(steps),
        **_breath(breath),
        **_effort(effort),
        **_holds(page.holds),
        **_beside(beside(review.case)),
        **care_content(review),
        "rehearsed": None if rehearsed is None else rehearsed_content(rehearsed),
        "efforts": _efforts(review),
        "settings": _settings(course),
        "observed": [_observed(seen) for seen in page.observations],
        "numbers": [_number(n) for n in _all_numbers(review)],
        "findings": _findings(review),
        "limits": [_limit(verdict) for verdict in page.verdicts],
        "method": [{"head": topic, "text": text} for topic, text in method(review)],
        "processing": list(review.recording.steps),
        "pictured": _pictured(review),
        "definitions": _definitions(review, page),
        "trend_caption": _trend_caption(course),
        "description": f"{page.patient} {page.recording}",
        "recording_id": str(review.summary.get("recording_id") or review.recording.recording_id),
        "program": f"Tidebench {__version__}",
    }
    curve = capnogram_page(review)
    waves = None if rehearsed is None else printed_picture(waves_figure(rehearsed))
    figures = _figures(course, breath, effort, page.holds, steps, curve)
    return {**_typeset_words(words), **figures, "rehearsed_figure": waves}


def rehearsal_content(answer: WhatIf, sought: Search | None, pictures: Sequence[tuple[Picture, str]]) -> Data:
    """Everything that the report of a rehearsal on its own prints, with figures and their captions."""
    review = answer.fit.window.review
    title = f"What if: {what_changes(answer)}"
    ways = None
    if sought is not None:
        title = f"What if: {target_words(sought)}"
        ways = {
            "head": sentence(target_words(sought)),
            "ways": way_lines(sought, spoken_setting),
            "notes": search_notes(sought),
        }
    words = {
        "title": title,
        "short_title": title if len(title) <= SHORT_TITLE else f"{title[: SHORT_TITLE - 1].rstrip()}…",
        "description": f"A change of settings rehearsed on {review.case.title or 'a recorded patient'}",
        "recording_id": str(review.summary.get("recording_id") or review.recording.recording_id),
        "program": f"Tidebench {__version__}",
        "caution": CAUTION,
        "sought": ways,
        "rehearsed": rehearsed_content(answer),
    }
    figures = [printed_picture(picture) | {"caption": typeset(caption)} for picture, caption in pictures]
    return {
        **_typeset_words(words), "pictures": figures, "rehearsed_figure": printed_picture(waves_figure(answer)),
    }  # fmt: skip


def _typeset_words(words: Data) -> Data:
    printed: Data = typeset(words)
    return printed


def _figures(
    course: Trend, breath: BreathPage | None, effort: BreathPage | None, holds: HoldsPage, steps: StepsPage,
    curve: CapnogramPage | None,
) -> Data:  # fmt: skip
    pictures: dict[str, Picture | None] = {
        "trend": trend_figure(course) if course.panels else None,
        "account": account_figure(breath) if breath else None,
        "recorded": recorded_figure(breath) if breath and breath.account is None else None,
        "effort_account": account_figure(effort) if effort else None,
        "loops": loops_figure(breath) if breath else None,
        "holds_figure": holds_figure(holds),
        "peep": peep_figure(steps),
        "capnogram_figure": capnogram_figure(curve) if curve else None,
    }
    return {name: picture and printed_picture(picture) for name, picture in pictures.items()}


def printed_picture(picture: Picture) -> Data:
    """A figure as the template takes it."""
    return {"svg": picture.svg, "alt": typeset(picture.alt)}


# --- first page -------------------------------------------------------------------------------------------------------


def _first_page(page: Overview) -> Data:
    by_question = {answer.question: answer for answer in page.answers}
    safe = by_question[SAFE]
    others = [answer for question, answer in by_question.items() if question != SAFE]
    return {
        "title": page.title,
        "short_title": page.title if len(page.title) <= SHORT_TITLE else f"{page.title[: SHORT_TITLE - 1].rstrip()}…",
        "patient": page.patient,
        "recording": page.recording,
        "quality": [*page.quality[:FIRST_QUALITY], *_more(page.quality)],
        "warnings": page.quality if len(page.quality) > FIRST_QUALITY else (),
        "matters": [{"headline": matter.headline, "detail": matter.detail} for matter in page.matters],
        "safe": {
            "question": SAFE,
            "lead": safe.lead,
            "rows": [_judged(n, page.verdicts) for _, group in safe.groups for n in group],
        },
        "answers": [
            {
                "question": answer.question,
                "lead": answer.lead,
                "groups": [
                    {"name": name, "numbers": [_judged(n, page.verdicts) for n in group]}
                    for name, group in answer.groups
                ],
            }
            for answer in others
        ],
        "untold": _untold(page.untold),
        "caution": page.caution,
    }


def _more(lines: tuple[str, ...]) -> list[str]:
    left = len(lines) - FIRST_QUALITY
    return [f"{left} more warnings stand with the method."] if left > 0 else []


def _number(shown: Number) -> Data:
    return {
        "label": replace(shown, left_open="").label,
        "value": shown.value,
        "range": shown.range,
        "open": shown.left_open,
        "n": shown.source or (f"{shown.n}" if shown.n else ""),
    }


def _judged(shown: Number, verdicts: tuple[Verdict, ...]) -> Data:
    own = (verdict for verdict in verdicts if verdict.limit.key == shown.quantity.key)
    return {**_number(shown), "verdicts": [_verdict(verdict) for verdict in own]}


def _verdict(verdict: Verdict) -> Data:
    source = verdict.limit.source
    return {
        "bound": verdict.limit.bound,
        "state": verdict.state,
        "text": verdict.text,
        "kind": verdict.kind,
        "source": "" if source.startswith(COMMON_PRACTICE) else f", {_short(source)}",
        "strip": _strip(verdict),
    }


def _short(source: str) -> str:
    """``Amato 2015`` of ``Amato, N Engl J Med 2015;372:747 (from memory)``; the whole stands with the limits."""
    year = re.search(r"\b(19|20)\d\d\b", source)
    return (
        f"{source.split(',', maxsplit=1)[0]} {year.group()}"
        if year and "," in source
        else source.split(" (", maxsplit=1)[0]
    )


def _strip(verdict: Verdict) -> Data | None:
    """Places on a strip that holds the limit and the spread."""
    spread, low, high = verdict.number.spread, verdict.limit.low, verdict.limit.high
    edges = [edge for edge in (low, high) if edge is not None]
    if spread is None or verdict.state == "can't be told":
        return None
    top = 1.15 * max(*edges, spread.p95)
    bottom = min(0.0, *edges, spread.p05)
    beyond = [[bottom, low]] if low is not None else []
    if high is not None:
        beyond.append([high, top])
    return {
        "from": bottom,
        "to": top,
        "beyond": beyond,
        "median": spread.median,
        "p05": spread.p05,
        "p95": spread.p95,
    }


def _untold(entries: tuple[Untold, ...]) -> Data:
    first = [entry.text for entry in entries[:FIRST_UNTOLD]]
    rows = [
        {
            "quantities": ", ".join(entry.quantities),
            "reason": entry.reason,
            "breaths": share(entry.breaths, entry.of) if entry.of else "–",
        }
        for entry in entries
    ]
    return {"question": UNTOLD, "first": first, "more": len(entries) - len(first), "all": rows}


# --- detail -----------------------------------------------------------------------------------------------------------


def _settings(course: Trend) -> Data:
    """The first settings in full, then the numbered changes that the trend marks."""
    changes = [mark for mark in course.marks if mark.kind == "settings"]
    rows = [{"number": f"{m.number}", "time": clock(m.at_s), "text": m.text} for m in changes[:FIRST_CHANGES]]
    left = len(changes) - len(rows)
    return {
        "first": course.settings or "No settings were recorded.",
        "note": f"Then {count(len(changes), 'change')}." if changes else "",
        "rows": rows,
        "more": f"and {left} more, in the table of changes." if left else "",
    }


def _trend_caption(course: Trend) -> str:
    drawn = (
        f"Lines are medians, bands the 5th to 95th percentile, of every {duration(course.bin_s)}."
        if course.bin_s
        else "A mark is a breath."
    )
    shown = [drawn]
    if any(mark.kind == "settings" for mark in course.marks):
        shown.append("Numbers in squares: changes of settings, as listed below; where they crowd, some are left out.")
    if any(mark.kind != "settings" for mark in course.marks):
        shown.append("I, E in circles: inspiratory and expiratory holds.")
    if course.gaps:
        shown.append("Hatched: nothing was recorded.")
    if any(series.quantity.key == TOTAL_PEEP for panel in course.panels for series in panel):
        shown.append("Total PEEP is estimated for each breath.")
    shown.append("The highest and lowest half per cent may lie outside the axes.")
    return " ".join(shown)


def _breath(page: BreathPage | None) -> Data:
    if page is None:
        return {"breath": None, "account_caption": "", "loops_caption": ""}
    return {
        "breath": {
            "heading": sentence(page.heading),
            "instants": _instants(page),
            "fit": _fit(page),
            "numbers": [_number(n) for n in page.numbers],
        },
        "account_caption": _account_caption(page),
        "loops_caption": (
            "Black: the typical breath, the arrow in the direction of time. Paler: other breaths, spread over the "
            "record. Dashed: recoil alone; what lies beside it is what tube and airways took."
        ),
    }


def _effort(page: BreathPage | None) -> Data:
    if page is None:
        return {"effort": None, "effort_caption": ""}
    words = {"heading": sentence(page.heading), "instants": _instants(page), "fit": _fit(page)}
    return {"effort": words, "effort_caption": _account_caption(page)}


def _instants(page: BreathPage) -> list[list[str]]:
    return [
        [
            instant.name,
            quantity("inspiratory_time_s").text(instant.after_start_s),
            *(
                PRESSURE.text(value, unit=False)
                for value in (
                    instant.pressure,
                    instant.start,
                    instant.elastic,
                    instant.resistive,
                    instant.muscle,
                    instant.unexplained,
                )
            ),
        ]
        for instant in page.instants
    ]


def _fit(page: BreathPage) -> str:
    if page.account is None:
        return ""
    return (
        f"All in {PRESSURE.unit}. Root mean square of what is not explained: {PRESSURE.text(page.unexplained_rms)}. "
        f"Mechanics are those of {page.account.mechanics_from}."
    )


def _account_caption(page: BreathPage) -> str:
    muscle = (
        f" The band {LETTERS['muscle']} is what the patient's muscles gave: it lies above the measured curve, since "
        "the ventilator did not have to give it."
        if page.account is not None and page.account.muscle.any()
        else ""
    )
    return (
        "At each instant the airway pressure is the sum of its bands. In expiration the recoil of the lungs is above "
        f"the airway pressure, and the band {LETTERS['resistive']} between them is what drives gas out through airways "
        f"and tube.{muscle} The dashed upright line is the turn from inspiration to expiration."
    )


def _holds(page: HoldsPage) -> Data:
    rows = [
        [
            f"{row.number}",
            row.hold.kind,
            clock(row.hold.at_s),
            quantity("duration_s").text(row.hold.duration_s),
            *(n.quantity.text(n.spread.median if n.spread else None, unit=False) for n in row.numbers),
            row.quality,
        ]
        for row in page.rows[:FIRST_ROWS]
    ]
    caption = (
        "Shaded: the hold; hatched: its last half second, over which the pressure is read. Dashed: plateau or total "
        "PEEP; dotted: pressure right after flow stops."
    )
    if any(n.origin == "estimated" and n.spread for row in page.rows for n in row.numbers):
        caption += " Total PEEP of an inspiratory hold is the estimate of its breath; an expiratory hold measures it."
    undrawn = len(rows) - len(page.traces)
    if undrawn > 0:
        caption += f" {count(undrawn, 'more hold').capitalize()} in the table only."
    return {
        "holds": {"columns": _heads(page.columns), "rows": rows, "more": _left(page.rows, "summary.json")},
        "holds_caption": caption,
    }


def _steps(page: StepsPage) -> Data:
    rows = [
        {
            "number": f"{row.number}",
            "time": row.time,
            "changed": row.changed,
            "effects": [{"change": e.change, "spread": e.spread, "clear": e.clear} for e in row.effects],
        }
        for row in page.rows[:FIRST_ROWS]
    ]
    note = (
        "Medians before → after, with the 5th to 95th percentile beneath. Bold: the two spreads do not overlap. What "
        "else changed at the same time is not known to this table. Total and intrinsic PEEP are estimated for each "
        "breath."
    )
    caption = "Numbers: the order in which the levels came. Whiskers: 5th to 95th percentile."
    words = {"columns": _heads(page.columns), "rows": rows, "note": note, "more": _left(page.rows, "breaths.parquet")}
    return {"steps": words, "peep_caption": caption}


def _heads(columns: tuple[Quantity, ...]) -> list[Data]:
    return [{"symbol": q.symbol, "unit": q.unit} for q in columns]


def _left(rows: Sized, file: str) -> str:
    """What a long table leaves out, and where it stands."""
    return f"and {len(rows) - FIRST_ROWS} more; all of it stands in {file}." if len(rows) > FIRST_ROWS else ""


def _observed(seen: Any) -> Data:
    if seen.measured is None:
        why = "Not measured here."
    elif seen.agrees:
        why = "They agree."
    else:
        why = ""
    return {
        "label": seen.label,
        "noted": seen.quantity.text(seen.noted),
        "measured": seen.quantity.text(seen.measured.median if seen.measured else None),
        "why": " ".join([why, *seen.why]).strip(),
    }


def _all_numbers(review: Review) -> Iterator[Number]:
    shown = (summary_number(review, key) for key in review.summary.get("quantities", {}))
    return (n for n in shown if n.spread is not None)


def _efforts(review: Review) -> Data:
    """Efforts by outcome, with where they were seen and what is not looked for."""
    rows = [[entry.words, entry.share] for entry in effort_counts(review)]
    note = f"Estimated from {effort_source(review)}." if rows else ""
    return {"rows": rows, "note": note}


def _beside(known: Beside) -> Data:
    gases = [
        [row.when, row.site, *(q.text(value, unit=False) for q, value in zip(known.columns, row.values, strict=True))]
        for row in known.gases[:FIRST_ROWS]
    ]
    events = [[row.time, row.kind, row.text] for row in known.events[:FIRST_ROWS]]
    return {
        "gases": {"columns": _heads(known.columns), "rows": gases, "more": _left(known.gases, "case.toml")},
        "events": {"rows": events, "more": _left(known.events, "case.toml")},
    }


def _pictured(review: Review) -> list[str]:
    """Trends and loops of the pictures that a case was made of; noted numbers stand beside measured ones."""
    if not review.case.recordings:
        return []
    gave = pictured_of(review.case)
    return [*(trend.words for trend in gave.trends), *gave.loops]


def _findings(review: Review) -> list[Data]:
    rows = []
    for kind, entry in review.summary.get("findings", {}).items():
        seen = review.findings.filter(review.findings["kind"] == kind).sort("confidence", descending=True)
        evidence = f"{clock(seen['start_s'][0])}: {seen['evidence'][0]}" if seen.height else ""
        total = entry["count"] if isinstance(entry, Mapping) else entry
        rows.append({"kind": kind.replace("-", " "), "count": f"{total}", "evidence": evidence})
    return rows


def _limit(verdict: Verdict) -> Data:
    source = verdict.limit.source
    return {
        "label": replace(verdict.number, left_open="").label,
        "bound": verdict.limit.bound,
        "kind": verdict.kind,
        "source": f"{verdict.limit.text} {'' if source == COMMON_PRACTICE else sentence(source)}".strip(),
    }


def _definitions(review: Review, page: Overview) -> list[Data]:
    """Quantities that the report shows, in the order of the questions, each once."""
    keys: Iterable[str] = (
        *(key for groups in GROUPS.values() for _, group in groups for key in group),
        *review.summary.get("quantities", {}),
        *(record.key for record in page.holds.columns),
    )
    shown = {n.quantity.key for answer in page.answers for _, group in answer.groups for n in group}
    shown |= set(review.summary.get("quantities", {})) | {record.key for record in page.holds.columns}
    records = (quantity(key) for key in dict.fromkeys(keys) if key in shown)
    return [{"label": f"{r.label} ({r.symbol})", "text": f"{r.definition} {_after(r)}".strip()} for r in records]


def _after(record: Quantity) -> str:
    return "" if record.source == COMMON_PRACTICE else f"After {record.source}."
