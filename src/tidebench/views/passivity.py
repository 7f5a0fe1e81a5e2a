"""Passive, with effort, or not to be told: three kinds of breaths, never two."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from tidebench.views.wording import count, of_breaths

FEW = 20
"""Below which a recording's number of breaths is itself worth a word: this house's choice."""


@dataclass(frozen=True, slots=True)
class Passivity:
    """How many breaths are passive, how many show effort, and of how many it can't be told."""

    passive: int
    effort: int
    undecided: int

    @property
    def of(self) -> int:
        """All breaths."""
        return self.passive + self.effort + self.undecided

    @property
    def text(self) -> str:
        """``91 of 134 (68 %) breaths passive, 40 with effort, of 3 it can't be told``."""
        parts = [f"{of_breaths(self.passive, self.of)} passive"]
        if self.effort:
            parts.append(f"{self.effort} with effort")
        if self.undecided:
            parts.append(f"of {self.undecided} it can't be told")
        return ", ".join(parts)

    @property
    def without_passive(self) -> str:
        """Why no breath shows the lungs themselves, where none is known to be passive."""
        if not self.undecided:
            return "Every breath shows effort: none was passive."
        few = (
            f" There {'is' if self.of == 1 else 'are'} only {count(self.of, 'breath')} to go by."
            if self.of < FEW
            else ""
        )
        if not self.effort:
            return f"Of no breath can it be told whether the patient breathed.{few}"
        shown = f"{self.effort} {'shows' if self.effort == 1 else 'show'} effort"
        return f"No breath is known to be passive: {shown}, of {self.undecided} it can't be told.{few}"


def passivity(breaths: pl.DataFrame) -> Passivity:
    """The three kinds, counted in a breath table."""
    passive = breaths["passive"]
    undecided = int(passive.is_null().sum())
    known = int(passive.sum() or 0)
    return Passivity(known, breaths.height - known - undecided, undecided)
