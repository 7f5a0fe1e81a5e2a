"""Data set into a page by a template: the one place where the typesetter is called."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from tidebench.report.printable import with_marks

if TYPE_CHECKING:
    from typst import PDFStandard

STANDARDS: tuple[PDFStandard, ...] = ("ua-1", "a-2a")
"""Accessible (every figure has words, every table its heads) and fit for an archive (fonts embedded)."""

TIMESTAMP = 946_684_800  # 1 January 2000
"""Fixed, so that the same data give the same bytes; the page itself says what was recorded when."""


def pdf_bytes(data: dict[str, Any], *templates: str) -> bytes:
    """Data as PDF, by templates of this room set one after the other: the same data, the same bytes.

    Where a text holds characters that no font has, it is set again with a mark in their place.
    """
    import typst

    source = b"\n".join(files("tidebench.report").joinpath(name).read_bytes() for name in templates)
    try:
        return _compiled(source, data)
    except typst.TypstError:
        return _compiled(source, with_marks(data, STANDARDS))


def _compiled(source: bytes, data: dict[str, Any]) -> bytes:
    import typst

    pdf: bytes = typst.compile(
        source,
        format="pdf",
        sys_inputs={"data": json.dumps(data, ensure_ascii=False)},
        pdf_standards=list(STANDARDS),
        timestamp=TIMESTAMP,
        ignore_system_fonts=True,
    )
    return pdf
