"""Runs the line from a recording to a review, and holds what came out.

Placeholder of the runner; the result's shape is fixed here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tidebench.records import Hold, PressureAccount, Step

if TYPE_CHECKING:
    import polars as pl

    from tidebench.case import Case
    from tidebench.recording import Recording


@dataclass(frozen=True)
class Review:
    """A reviewed case.

    Attributes
    ----------
    case, recording
        What was read.
    breaths, efforts, findings : polars.DataFrame
        Columns as :mod:`tidebench.records` lists them.
    holds : tuple of Hold
    steps : tuple of Step
        What each change of settings did.
    summary : dict
        What ``summary.json`` holds: ``quantities`` (breath-table key to median, p05, p95, n, unit), ``holds``,
        ``findings``, ``asynchrony_index_percent``, ``warnings``, ``version``, ``caution`` and more.
    """

    case: Case
    recording: Recording
    breaths: pl.DataFrame
    efforts: pl.DataFrame
    findings: pl.DataFrame
    holds: tuple[Hold, ...]
    steps: tuple[Step, ...]
    summary: dict[str, Any]

    def typical_breath(self) -> int | None:
        """Index of the breath that best stands for the recording: passive if any are, else nearest the medians."""
        raise NotImplementedError

    def account(self, breath: int) -> PressureAccount | None:
        """The pressure account of a breath, or None where no mechanics are known for it."""
        raise NotImplementedError
