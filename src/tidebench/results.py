"""From a case on disk to a result on disk: review, tables, summary, report, put whole."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from tidebench.case import load_case
from tidebench.findings import RULES
from tidebench.review import Progress, Review, review
from tidebench.store import Identity, new_result


def review_case(path: Path | str, out: Path | str, *, report: bool = True, progress: Progress | None = None) -> Review:
    """Review the case at ``path`` and put the result into the folder ``out``, whole or not at all.

    Raises
    ------
    InputError
        The case or its recording can't be used, or the result can't be put there.
    """
    case = load_case(Path(path))
    with new_result(Path(out)) as draft:
        done = review(case, progress=progress)
        draft.identity = Identity(done.summary["recording_id"], case.case_hash, {"report": report}, RULES)
        write_tables(done, draft.folder, draft.identity.metadata)
        summary = json.dumps(done.summary, ensure_ascii=False, indent=2, allow_nan=False)
        (draft.folder / "summary.json").write_text(summary + "\n", encoding="utf-8")
        if report:
            from tidebench.report import write_report

            if progress:
                progress("writing the report", 0.9)
            write_report(done, draft.folder / "report.pdf")
    return done


def write_tables(done: Review, folder: Path, metadata: dict[str, str]) -> None:
    """Breaths, efforts and findings as Parquet, each with the recording's identity."""
    identity = pl.lit(metadata["recording_id"]).alias("recording_id")
    for name, table in (("breaths", done.breaths), ("efforts", done.efforts), ("findings", done.findings)):
        table.with_columns(identity).write_parquet(folder / f"{name}.parquet", metadata=metadata)
