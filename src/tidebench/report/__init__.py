"""The report: a review as a PDF that a colleague can check, set by a typesetter that comes with pip alone."""

from __future__ import annotations

from tidebench.report.write import report_bytes, write_report

__all__ = ["report_bytes", "write_report"]
