"""From a review to a PDF: figures drawn, data gathered, page set."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tidebench.report.content import content, rehearsal_content
from tidebench.report.pdf import pdf_bytes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tidebench.fitting.change import WhatIf
    from tidebench.fitting.target import Search
    from tidebench.report.figures import Picture
    from tidebench.review import Review


def write_report(review: Review, path: Path) -> None:
    """Write the report of a review to ``path`` as PDF."""
    path.write_bytes(report_bytes(review))


def report_bytes(review: Review, rehearsed: WhatIf | None = None) -> bytes:
    """The report of a review as PDF, with a change that was rehearsed on its patient where there is one.

    The same review, the same bytes.
    """
    return pdf_bytes(content(review, rehearsed), "page_of_reports.typ", "rehearsed.typ", "report.typ")


def rehearsal_bytes(answer: WhatIf, sought: Search | None, pictures: Sequence[tuple[Picture, str]]) -> bytes:
    """A rehearsal as PDF: a search's ways, further figures with their captions, now against then, the fitted patient,
    what was assumed.

    The same rehearsal, the same bytes.
    """
    data = rehearsal_content(answer, sought, pictures)
    return pdf_bytes(data, "page_of_reports.typ", "rehearsed.typ", "whatif.typ")
