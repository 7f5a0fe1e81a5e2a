"""A lesson made of a reviewed case: de-identified, its questions from what a reviewer confirmed and what was recorded.

What goes along: a stretch of the signals with its clock set to 0, the breaths' measures, and labels. What does not:
dates, the patient's and the airway's data, settings that were not changed, notes, titles, marks with their names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import tomlkit

from tidebench.case import CASE_FILE, load_case
from tidebench.errors import OptionError
from tidebench.lessons.format import FILE, lesson_from
from tidebench.lessons.recorded import BREATHS, SIGNALS
from tidebench.lessons.truths import LABELS, TRUTHS
from tidebench.marks import SAME_S, Mark, read_marks
from tidebench.records import Step
from tidebench.review import Review, review
from tidebench.store import new_folder
from tidebench.views.wording import change_words, count

WINDOW_S = 45.0
BEFORE_S, AFTER_S, OVER_S = 40.0, 60.0, 15.0
LONGEST_S = 900.0
MOST_FIND, MOST_PREDICT, MOST_ASKS = 3, 2, 3
LEAST = 2
SAME_SHARE = 0.06  # of a value, below which a change counts as none
CHANNELS = ("airway_pressure", "flow")
DIGITS = 3
MEASURED = ("peak_pressure_cmh2o", "rate_per_min")


@dataclass(frozen=True)
class Stretch:
    """A stretch of the recording that a step uses, on the case clock."""

    from_s: float
    to_s: float


def make_lesson(case_folder: Path, out: Path, title: str = "") -> list[str]:
    """Make a lesson of the case at ``case_folder`` in the new folder ``out``; what was proposed, in sentences.

    A result that lies in the folder of its case (as the workbench puts it) stands for that case.

    Raises
    ------
    InputError
        The case can't be reviewed, nothing of it can be asked, or the folder can't be written.
    """
    folder = case_folder if case_folder.is_dir() else case_folder.parent
    if not (folder / CASE_FILE).is_file() and (folder.parent / CASE_FILE).is_file():
        folder = folder.parent
    case = load_case(folder)
    done = review(case)
    marks = read_marks(folder, done.summary["recording_id"])
    labels, unsure = labelled(done, marks)
    finds = _find_stretches(done, labels, unsure)
    predicts = [step for step in done.steps if _foreseen(done, step)][:MOST_PREDICT]
    parts = [where for _, where in finds] + [Stretch(step.at_s - BEFORE_S, step.at_s + AFTER_S) for step in predicts]
    if not parts:
        raise OptionError(
            "nothing of this case can be asked yet", where=str(case_folder),
            expected="findings between patient and ventilation that a reviewer confirmed (two or more of a kind, and "
            "breaths without), or a change of settings with breaths around it",
            remedy="Mark findings in the workbench (tidebench serve), then make the lesson again.",
        )  # fmt: skip
    whole = _whole(parts, done.recording.duration_s)
    tables = _tables(done, finds, predicts, whole, title)
    lesson_from(tables, name=FILE)
    with new_folder(out) as draft:
        _signals(done, whole).write_parquet(draft / SIGNALS)
        _breaths(done, labels, unsure, whole).write_parquet(draft / BREATHS)
        (draft / FILE).write_text(tomlkit.dumps(tables), encoding="utf-8", newline="\n")
    told = [f"find: {label.replace('-', ' ')}, from marks" for label, _ in finds]
    told += [f"predict: {change_words(step.changed)}" for step in predicts]
    left = sum(len(kinds) for kinds in unsure)
    undecided = f"{count(left, 'finding')} without a word of a reviewer: such breaths count neither way"
    return [*told, f"measure: {count(len(MEASURED), 'number')}", undecided]


def labelled(done: Review, marks: Sequence[Mark]) -> tuple[list[set[str]], list[set[str]]]:
    """For each breath: the kinds that a reviewer confirmed, and those that nobody has decided."""
    labels: list[set[str]] = [set() for _ in range(done.breaths.height)]
    unsure: list[set[str]] = [set() for _ in range(done.breaths.height)]
    for row in done.findings.iter_rows(named=True):
        if row["kind"] not in LABELS or row["breath"] is None:
            continue
        said = [
            mark.state for mark in marks if mark.kind == row["kind"] and abs(mark.start_s - row["start_s"]) <= SAME_S
        ]
        state = said[-1] if said else "open"
        if state == "confirmed":
            labels[row["breath"]].add(row["kind"])
        elif state != "rejected":
            unsure[row["breath"]].add(row["kind"])
    return labels, unsure


def _find_stretches(done: Review, labels: list[set[str]], unsure: list[set[str]]) -> list[tuple[str, Stretch]]:
    """The kinds that can be asked for, each with the stretch that holds most of them beside breaths without."""
    start, end = done.breaths["start_s"].to_numpy(), done.breaths["end_s"].to_numpy()
    found = []
    for label in LABELS:
        yes = np.array([label in said for said in labels])
        clear = np.array([label not in said for said in unsure])
        best: tuple[int, Stretch] | None = None
        for first in start[yes] - 1.0:
            inside = (start >= first) & (end <= first + WINDOW_S) & clear
            there, others = int(np.sum(yes & inside)), int(np.sum(~yes & inside))
            if there >= LEAST and others >= LEAST and (best is None or there > best[0]):
                best = there, Stretch(float(first), float(first + WINDOW_S))
        if best is not None and best[1].to_s <= done.recording.duration_s:
            found.append((label, best[1]))
    return found[:MOST_FIND]


def _foreseen(done: Review, step: Step) -> list[dict[str, Any]]:
    """What can be asked of a recorded change: measured on both sides of it."""
    if not step.changed or not BEFORE_S <= step.at_s <= done.recording.duration_s - AFTER_S:
        return []
    asks = []
    for key, (before, _) in step.quantities.items():
        if key in TRUTHS and key in done.breaths.columns:
            asks.append({"truth": key, "same": round(max(abs(before.median) * SAME_SHARE, 0.05), 2)})
    return asks[:MOST_ASKS]


def _whole(parts: Sequence[Stretch], duration_s: float) -> Stretch:
    first = max(0.0, min(part.from_s for part in parts))
    return Stretch(first, min(duration_s, max(part.to_s for part in parts) + OVER_S, first + LONGEST_S))


def _signals(done: Review, whole: Stretch) -> pl.DataFrame:
    rate = float(done.recording.rate_hz)
    first, last = round(whole.from_s * rate), round(whole.to_s * rate)
    kept = {name: done.recording[name][first:last].round(DIGITS) for name in CHANNELS}
    return pl.DataFrame({"time_s": np.arange(last - first) / rate, **kept})


def _breaths(done: Review, labels: list[set[str]], unsure: list[set[str]], whole: Stretch) -> pl.DataFrame:
    table = done.breaths.with_columns(
        labels=pl.Series(["|".join(sorted(said)) for said in labels], dtype=pl.String),
        unsure=pl.Series(["|".join(sorted(said)) for said in unsure], dtype=pl.String),
    )
    times = {"start_s": "start_s", "insp_end_s": "expiration_s", "end_s": "end_s"}
    kept = [key for key in TRUTHS if key in table.columns]
    return table.filter((pl.col("start_s") >= whole.from_s) & (pl.col("end_s") <= whole.to_s)).select(
        *((pl.col(source) - whole.from_s).round(DIGITS).alias(name) for name, source in times.items()),
        "labels", "unsure", *kept,
    )  # fmt: skip


def _tables(
    done: Review, finds: list[tuple[str, Stretch]], predicts: list[Step], whole: Stretch, title: str
) -> dict[str, Any]:
    steps: list[dict[str, Any]] = []
    objectives = []
    if finds:
        objectives.append({"key": "find", "text": "Finds what a reviewer confirmed in a recorded patient."})
    if predicts:
        objectives.append({"key": "foresee", "text": "Foresees what a change of settings did to a recorded patient."})
    objectives.append({"key": "read", "text": "Reads numbers from recorded curves."})
    shift = whole.from_s
    for label, where in finds:
        steps.append({
            "kind": "find", "key": f"find-{label}", "title": f"Find: {label.replace('-', ' ')}", "objective": "find",
            "text": f"Mark the breaths with {label.replace('-', ' ')}.", "minutes": 3.0, "label": label,
            "why": "These breaths were confirmed by the person who reviewed the case.",
            "figure": _figure(where, shift),
        })  # fmt: skip
    for place, step in enumerate(predicts, start=1):
        where = Stretch(step.at_s - BEFORE_S, step.at_s + AFTER_S)
        steps.append({
            "kind": "predict", "key": f"change-{place}", "title": "A change of settings", "objective": "foresee",
            "text": f"Then: {change_words(step.changed)}. What followed?", "minutes": 3.0,
            "at_s": round(step.at_s - shift, DIGITS), "over_s": OVER_S, "asks": _foreseen(done, step),
            "why": "This is what was recorded; in another patient it may come otherwise.",
            "figure": _figure(where, shift),
        })  # fmt: skip
    first = Stretch(*_first(steps)) if steps else whole
    for key in MEASURED:
        steps.append({
            "kind": "measure", "key": key.replace("_", "-"), "objective": "read",
            "title": TRUTHS[key].label.capitalize(),
            "text": f"Read the {TRUTHS[key].label} of an ordinary breath.", "minutes": 1.0, "truth": key,
            "tolerance": 1.0, "tolerance_percent": 8.0, "why": "The median of this stretch.",
            "figure": {"patient": "recorded", "from_s": first.from_s, "to_s": first.to_s},
        })  # fmt: skip
    return {
        "title": title or "A reviewed case", "audience": "nurses, therapists and physicians in intensive care",
        "minutes": max(3, round(sum(step["minutes"] for step in steps))), "objectives": objectives,
        "cautions": ["A recorded patient: do not guess who it was, and do not copy it elsewhere."],
        "sources": ["Labels: confirmed by the reviewer of this case."],
        "handout": ["Write here what should be remembered of this case."],
        "skills": ["Shows at the bed how such a breath is recognised"],
        "patients": {"recorded": {"case": "case"}}, "steps": steps,
    }  # fmt: skip


def _first(steps: list[dict[str, Any]]) -> tuple[float, float]:
    figure = steps[0]["figure"]
    last = steps[0].get("at_s", figure["to_s"])
    return figure["from_s"], last


def _figure(where: Stretch, shift: float) -> dict[str, Any]:
    return {"patient": "recorded", "from_s": round(max(0.0, where.from_s - shift), DIGITS),
            "to_s": round(where.to_s - shift, DIGITS)}  # fmt: skip
