"""How the lungs were described: which terms the equation of motion was given, and whether one compartment suffices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tidebench.quantities import quantity
from tidebench.views.wording import listed, sentence

if TYPE_CHECKING:
    from tidebench.review import Review

NEAR = 0.05  # of compliance: bounds as near as that need no words (this house's choice)
FAR = 1.5  # times compliance: a bound as far off is none
EXPIRATION = "expiratory resistance"
"""The term that gives expiration a resistance of its own."""

TERMS = {
    EXPIRATION: "a resistance of its own for expiration",
    "flow squared": "flow squared",
    "heartbeat": "the heartbeat",
}
"""Terms that evidence may add to volume and flow, in words."""

COMPARTMENTS: dict[bool | None, str] = {
    True: "one compartment describes them",
    False: "one compartment does not describe them",
    None: "too few breaths are passive to tell whether one compartment describes them",
}
ORIGINS = {1: "by the fit on {}", 2: "from the rest before on {}"}
"""Where a breath's total PEEP comes from, by its code."""


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
    told = COMPARTMENTS[mechanics["one_compartment"]]
    heart = mechanics.get("heart_rate_per_min")
    if heart is not None:
        told += f"; a heartbeat of {quantity('heart_rate_per_min').text(heart)} was seen"
    return " ".join(filter(None, [sentence(told), between(review)]))


def between(review: Review) -> str:
    """Between what compliance lies, as a sentence; empty where it is as good as known, or nothing is said of it."""
    found = _mechanics(review).get("compliance_between_ml_cmh2o")
    told = review.summary["quantities"].get("compliance_ml_cmh2o")
    if (
        found is None
        or told is None
        or max(found[1] - told["median"], told["median"] - found[0]) < NEAR * told["median"]
    ):
        return ""
    compliance = quantity("compliance_ml_cmh2o")
    if found[1] > FAR * told["median"]:
        return sentence(
            f"compliance is at least {compliance.text(found[0])}: how much more can't be told from these breaths, as "
            "parts that fill slowly would not show; a hold of some seconds tells"
        )
    low, high = compliance.text(found[0]), compliance.text(found[1])
    return sentence(
        f"compliance lies between {low} and {high}, for all that these breaths show of parts that fill slowly and of "
        "gas that is lost"
    )


def one_resistance(review: Review) -> bool:
    """True where inspiration and expiration were given one resistance, so that the two say the same."""
    known = review.summary.get("mechanics", {}).get("terms")
    return known is not None and EXPIRATION not in known


def total_peep_origin(review: Review) -> str:
    """Where the total PEEP of breaths comes from, as a sentence; empty where none has one."""
    known = review.breaths["total_peep_cmh2o"].is_not_null()
    if not known.any():
        return ""
    codes = review.mechanics.get("total_peep_from")
    counts = [int((codes == code).sum()) for code in ORIGINS] if codes is not None else []
    parts = [words.format(n) for words, n in zip(ORIGINS.values(), counts, strict=False) if n]
    where = f", {listed(parts)} breaths," if parts else ""
    if any(hold.kind == "expiratory" and hold.total_peep_cmh2o is not None for hold in review.holds):
        return sentence(f"total PEEP is measured in expiratory holds and estimated{where} elsewhere")
    return sentence(f"total PEEP is estimated{where} and only an expiratory hold measures it")


def _mechanics(review: Review) -> dict[str, Any]:
    passive = bool((review.breaths["passive"] == True).any())  # noqa: E712 - a column
    mechanics: dict[str, Any] = review.summary.get("mechanics", {})
    return mechanics if passive else {}
