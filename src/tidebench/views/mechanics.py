"""How the lungs were described: which terms the equation of motion was given, and whether one compartment suffices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tidebench.quantities import quantity
from tidebench.views.wording import listed, sentence

if TYPE_CHECKING:
    from tidebench.review import Review

TERMS = {
    "expiratory resistance": "a resistance of its own for expiration",
    "flow squared": "flow squared",
    "heartbeat": "the heartbeat",
}
"""Terms that evidence may add to volume and flow, in words."""


def terms(review: Review) -> str:
    """The terms that evidence asked for, as a sentence; empty where no breath was passive."""
    mechanics = _mechanics(review)
    if not mechanics:
        return ""
    added = [words for term, words in TERMS.items() if term in mechanics.get("terms", ())]
    return sentence(f"here evidence asked for {listed(added)}" if added else "here volume and flow alone were enough")


def description(review: Review) -> str:
    """What a reader must know of the lungs behind the numbers; empty where no breath was passive."""
    mechanics = _mechanics(review)
    if not mechanics:
        return ""
    told = (
        "one compartment describes them" if mechanics["one_compartment"] else "one compartment does not describe them"
    )
    heart = mechanics.get("heart_rate_per_min")
    if heart is not None:
        told += f"; a heartbeat of {quantity('heart_rate_per_min').text(heart)} was seen"
    return sentence(told)


def _mechanics(review: Review) -> dict[str, Any]:
    passive = bool((review.breaths["passive"] == True).any())  # noqa: E712 - a column
    mechanics: dict[str, Any] = review.summary.get("mechanics", {})
    return mechanics if passive else {}
