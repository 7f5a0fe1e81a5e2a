"""The efforts that were found, by what became of them: an estimate, wherever it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.interaction import OUTCOMES
from tidebench.views.passivity import passivity
from tidebench.views.wording import count, listed, sentence, share

if TYPE_CHECKING:
    from tidebench.review import Review

BECAME = {
    "triggered": "triggered a breath",
    "met-by-machine": "were met by a breath on the ventilator's own time",
    "effort-in-inflation": "began within an inflation",
    "ineffective": "triggered nothing (ineffective)",
    "unassisted": "were not assisted",
}
"""Outcomes of an effort, in words."""

SOURCES = {"airway": "airway pressure and flow", "oesophageal": "oesophageal pressure"}
"""Where efforts were seen, in words."""


@dataclass(frozen=True, slots=True)
class EffortCount:
    """How many of the efforts had one outcome."""

    outcome: str
    number: int
    of: int

    @property
    def words(self) -> str:
        """What became of them."""
        return BECAME[self.outcome]

    @property
    def share(self) -> str:
        """``39 of 118 (33 %)``."""
        return share(self.number, self.of)


def effort_counts(review: Review) -> tuple[EffortCount, ...]:
    """Efforts by outcome, in the order of :data:`tidebench.interaction.OUTCOMES`; outcomes without one are left out."""
    found = dict(review.efforts.group_by("outcome").len().iter_rows())
    return tuple(EffortCount(word, found[word], review.efforts.height) for word in OUTCOMES if word in found)


def outcomes(review: Review) -> dict[str, int]:
    """How many efforts had each outcome that occurred."""
    return {entry.outcome: entry.number for entry in effort_counts(review)}


def effort_source(review: Review) -> str:
    """Where the efforts were seen, in words."""
    return listed(SOURCES[source] for source in sorted(set(review.efforts["source"])))


def efforts_found(review: Review) -> str:
    """Efforts by outcome as a sentence; why there are none, where breaths show effort; else empty."""
    counted = effort_counts(review)
    if counted:
        parts = (f"{entry.number} ({100 * entry.number / entry.of:.0f} %) {entry.words}" for entry in counted)
        return sentence(
            f"{count(review.efforts.height, 'effort')}, estimated from {effort_source(review)}: {listed(parts)}"
        )
    if not passivity(review.breaths).effort or "oesophageal_pressure" in review.recording:
        return ""
    return (
        "Single efforts, ineffective ones among them, can't be told: no oesophageal pressure was recorded, and neither "
        "passive breaths nor edges of flow show the lungs."
    )
