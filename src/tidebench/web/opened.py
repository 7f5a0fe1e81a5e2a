"""Reviews that are open: the last few, mapped from disk, each with its page once it was asked for."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from tidebench.case import load_case
from tidebench.casebook import current_review
from tidebench.errors import OptionError
from tidebench.kept import KeptReview, open_kept
from tidebench.marks import Mark, read_marks
from tidebench.results import policy_for
from tidebench.store import MANIFEST
from tidebench.views import Overview, Trend, overview_page, trend_page
from tidebench.views.kinds import KindRow, kind_rows
from tidebench.views.window import first_stretch

MOST_OPEN = 6


@dataclass(frozen=True)
class Opened:
    """An open review."""

    folder: Path
    kept: KeptReview

    @cached_property
    def overview(self) -> Overview:
        """Its first page."""
        return overview_page(self.kept.review)

    @cached_property
    def trend(self) -> Trend:
        """Its course."""
        return trend_page(self.kept.review)

    @cached_property
    def kinds(self) -> tuple[KindRow, ...]:
        """Its findings by kind."""
        return kind_rows(self.kept.review)

    @cached_property
    def typical_breath(self) -> int | None:
        """The breath that stands for the record."""
        return self.kept.review.typical_breath()

    @cached_property
    def first_stretch(self) -> tuple[float, float]:
        """What is looked at first."""
        return first_stretch(self.kept.review, self.typical_breath)

    @property
    def recording_id(self) -> str:
        """Identity of its signals."""
        return str(self.kept.review.summary["recording_id"])

    @property
    def marks(self) -> tuple[Mark, ...]:
        """What people said of its findings."""
        return read_marks(self.folder, self.recording_id)


class Shelf:
    """Open reviews by case; one is opened anew when it was made anew."""

    def __init__(self) -> None:
        self._open: OrderedDict[tuple[Path, str, int], Opened] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, folder: Path) -> Opened:
        """The review of a case.

        Raises
        ------
        OptionError
            The case has none, or says something else since.
        CaseError
            The case can't be read.
        """
        case = load_case(folder)
        result = current_review(case)
        if result is None:
            raise OptionError(
                "there is no review of what the case says now", where=folder.name, remedy="Review the case first."
            )
        key = (folder, case.case_hash, (result.folder / MANIFEST).stat().st_mtime_ns)
        with self._lock:
            if key in self._open:
                self._open.move_to_end(key)
                return self._open[key]
        opened = Opened(folder, open_kept(case, result, policy_for(case)))
        with self._lock:
            self._open[key] = opened
            while len(self._open) > MOST_OPEN:
                self._open.popitem(last=False)
        return opened
