"""From a review to a PDF: figures drawn, data gathered, page set."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tidebench.report.content import content
from tidebench.report.printable import with_marks

if TYPE_CHECKING:
    from typst import PDFStandard

    from tidebench.review import Review

STANDARDS: tuple[PDFStandard, ...] = ("ua-1", "a-2a")
"""Accessible (every figure has words, every table its heads) and fit for an archive (fonts embedded)."""

TIMESTAMP = 946_684_800  # 1 January 2000
"""Fixed, so that the same review gives the same bytes; the report itself says what was recorded when."""


def write_report(review: Review, path: Path) -> None:
    """Write the report of a review to ``path`` as PDF."""
    path.write_bytes(report_bytes(review))


def report_bytes(review: Review) -> bytes:
    """The report of a review as PDF: the same review, the same bytes.

    Where a text holds characters that no font has, it is set again with a mark in their place.
    """
    import typst

    data = content(review)
    try:
        return _compiled(data)
    except typst.TypstError:
        return _compiled(with_marks(data, STANDARDS))


def _compiled(data: dict[str, Any]) -> bytes:
    import typst

    pdf: bytes = typst.compile(
        files("tidebench.report").joinpath("report.typ").read_bytes(),
        format="pdf",
        sys_inputs={"data": json.dumps(data, ensure_ascii=False)},
        pdf_standards=list(STANDARDS),
        timestamp=TIMESTAMP,
        ignore_system_fonts=True,
    )
    return pdf
