"""How it was measured, in a page that a colleague can check."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tidebench.views.mechanics import terms
from tidebench.views.verdicts import policy_used

if TYPE_CHECKING:
    from tidebench.review import Review

MECHANICS = "Mechanics"
METHOD = (
    (
        "Breaths",
        "A breath begins with the ventilator's inflation and turns when it ends it, pause or hold included. "
        "Starts are found from source and valve, scaled to the recording; an effort that gets no inflation is not a "
        "breath. Volume is the integral of flow, corrected breath by breath for offset and drift; leak is estimated "
        "and removed, and volumes are kept both ways.",
    ),
    (
        "Passive or not",
        "Whether a breath is passive is decided once, from how well one set of mechanics explains inspiration, "
        "expiration and its neighbours; where neither rest nor effort can be shown, it can't be told. Compliance, "
        "resistance, plateau and driving pressure are given on passive breaths only; on others they would be "
        "fabrications.",
    ),
    (
        MECHANICS,
        "Least squares on the equation of motion: airway pressure = total PEEP + volume / compliance + resistance × "
        "flow − muscle pressure; flow squared, a resistance of its own for expiration and the heartbeat only where "
        "evidence asks for them. Total PEEP of a breath is an estimate: this fit's constant, or the pressure at rest "
        "before the breath plus what the flow that still left cost; an expiratory hold measures it.",
    ),
    (
        "Holds",
        "A hold is zero flow for at least 1.0 s beyond the set pause; its pressure is the mean of its last 0.5 s, over "
        "whole heartbeats where they are seen. In severe obstruction total PEEP from a hold is a lower bound.",
    ),
    (
        "Spread",
        "Numbers are medians with the 5th and 95th percentile and the number of breaths behind them. A quantity that "
        "can't be measured honestly is left out, and the reason is given.",
    ),
)
MEASURED_EFFORT = (
    "Effort",
    "Muscle pressure is measured with the oesophageal balloon: the chest wall's recoil less the change of oesophageal "
    "pressure.",
)
ESTIMATED_EFFORT = (
    "Effort",
    "Muscle pressure is estimated from the equation of motion, with the mechanics of passive breaths of this "
    "recording; no oesophageal pressure was recorded.",
)


def method(review: Review) -> tuple[tuple[str, str], ...]:
    """What was done, topic by topic, as far as it applies to this review."""
    general = tuple(
        (topic, f"{text} {terms(review)}".strip() if topic == MECHANICS else text) for topic, text in METHOD
    )
    if used := policy_used(review):
        general = (*general, ("Limits", used))
    if "oesophageal_pressure" in review.recording:
        return (*general, MEASURED_EFFORT)
    return (*general, ESTIMATED_EFFORT) if review.efforts.height else general
