"""From a case on disk to a result on disk: review, tables, summary, report, put whole."""

from __future__ import annotations

import json
import os
from pathlib import Path

import polars as pl

from tidebench.case import Case, load_case
from tidebench.errors import OptionError, SignalError
from tidebench.findings import RULES
from tidebench.kept import keep_review
from tidebench.limits import Policy, load_policy
from tidebench.readers import open_recording
from tidebench.recording import Recording
from tidebench.review import Progress, Review, review
from tidebench.sampled import with_intervals
from tidebench.store import Identity, Result, new_result, read_result

POLICY_FILE = "policy.toml"


def review_case(
    path: Path | str,
    out: Path | str,
    *,
    policy: Path | str | None = None,
    report: bool = True,
    keep: bool = False,
    progress: Progress | None = None,
) -> Review:
    """Review the case at ``path`` and put the result into the folder ``out``, whole or not at all.

    ``policy`` names a file with a house's limits; a ``policy.toml`` in the case folder is used where none is named.
    ``keep`` writes beside the tables what :func:`tidebench.kept.open_kept` needs to open the review again at once.

    Raises
    ------
    InputError
        The case, its recording or the policy can't be used, or the result can't be put there.
    """
    case = load_case(Path(path))
    house = policy_for(case, policy)
    with new_result(Path(out)) as draft:
        if progress:
            progress("reading", 0.0)
        done = with_intervals(review(case, _recording(case), policy=house, progress=progress))
        options = {"report": report, "policy": house.identity if house else None}
        draft.identity = Identity(done.summary["recording_id"], case.case_hash, options, RULES)
        write_tables(done, draft.folder, draft.identity.metadata)
        summary = json.dumps(done.summary, ensure_ascii=False, indent=2, allow_nan=False)
        (draft.folder / "summary.json").write_text(summary + "\n", encoding="utf-8")
        if keep:
            keep_review(done, draft.folder)
        if report:
            from tidebench.report import write_report

            if progress:
                progress("writing the report", 0.9)
            write_report(done, draft.folder / "report.pdf")
    return done


def reviewed_result(folder: Path, case: Case | None) -> Result:
    """The result of a review; where a case is given, of this very case.

    Raises
    ------
    InputError
        There is no result, it holds no breaths, or it is another case's.
    """
    result = read_result(folder)
    if not {"breaths.parquet", "findings.parquet", "summary.json"} <= result.files.keys():
        raise OptionError("this result holds no breaths", where=str(folder), expected="the result of tidebench review")
    if case is not None and result.manifest.get("case_hash") != case.case_hash:
        raise OptionError(
            "this is a review of another case, or of this one before it was changed",
            where=str(folder),
            remedy="Review the case again.",
        )
    return result


def breaths_of_result(folder: Path, case: Case) -> tuple[pl.DataFrame, pl.DataFrame | None]:
    """Breaths and capnograms of a result of this very case; None where it has no capnograms.

    Raises
    ------
    InputError
        As :func:`reviewed_result`.
    """
    result, beside = reviewed_result(folder, case), "capnograms.parquet"
    capnograms = pl.read_parquet(folder / beside, glob=False) if beside in result.files else None
    return pl.read_parquet(folder / "breaths.parquet", glob=False), capnograms


def policy_for(case: Case, named: Path | str | None = None) -> Policy | None:
    """The policy of a named file, else the one that lies beside the case, else None.

    Raises
    ------
    OptionError
        As :func:`tidebench.limits.load_policy`.
    """
    if named is not None:
        return load_policy(named)
    beside = case.folder / POLICY_FILE
    return load_policy(beside) if os.path.lexists(beside) else None


def _recording(case: Case) -> Recording:
    """The case's recording; what the system refuses is told of its file."""
    try:
        return open_recording(case)
    except OSError as error:
        files = ", ".join(str(part.file) for part in case.recordings)
        raise SignalError(
            f"the signals can't be read ({error.strerror or error})",
            where=str(error.filename or files),
            remedy="Check that the file is there and that you may read it.",
        ) from error


def write_tables(done: Review, folder: Path, metadata: dict[str, str]) -> None:
    """Breaths, efforts, findings, capnograms and intervals where there are any, as Parquet with identities."""
    identity = pl.lit(metadata["recording_id"]).alias("recording_id")
    tables = {"breaths": done.breaths, "efforts": done.efforts, "findings": done.findings}
    if done.capnogram is not None:
        tables["capnograms"] = done.capnogram.breaths
    if done.intervals is not None:
        tables["intervals"] = done.intervals
    for name, table in tables.items():
        table.with_columns(identity).write_parquet(folder / f"{name}.parquet", metadata=metadata)
