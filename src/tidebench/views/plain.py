"""Views as plain data, for JSON: what a page shows, for other programs."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

from tidebench.quantities import Quantity
from tidebench.views.answers import Untold
from tidebench.views.efforts import efforts_found, outcomes
from tidebench.views.matters import Matter
from tidebench.views.numbers import Number
from tidebench.views.observed import Observation
from tidebench.views.overview import overview_page
from tidebench.views.steps import Effect, steps_page
from tidebench.views.verdicts import Verdict, policy_used

if TYPE_CHECKING:
    from tidebench.review import Review

WORDS: dict[type, tuple[str, ...]] = {
    Number: ("label", "value", "range"),
    Verdict: ("text", "side", "kind"),
    Effect: ("change", "clear"),
    Observation: ("label",),
    Untold: ("text",),
}
"""What a view says in words beside its fields."""

UNSAID: dict[type, tuple[str, ...]] = {Matter: ("weight", "about")}
"""Fields by which views are sorted, and that no page shows."""


def plain_view(review: Review) -> dict[str, Any]:
    """What the first page and the table of steps show, as plain data: no NaN, numbers with key and unit."""
    page, steps = overview_page(review), steps_page(review)
    shown = {field.name: getattr(page, field.name) for field in fields(page)}
    shown["settings"] = [{"at_s": at_s, "text": text} for at_s, text in page.settings]
    shown["holds"] = page.holds.rows
    levels = {"quantities": steps.along_peep_quantities, "levels": steps.along_peep}
    shown |= {"steps": steps.rows, "along_peep": levels, "policy": policy_used(review)}
    shown["efforts"] = {"outcomes": outcomes(review), "text": efforts_found(review)}
    told: dict[str, Any] = plain(shown)
    return told


def plain(value: Any) -> Any:
    """A value as JSON can hold it; what is no finite number is null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Quantity):
        return {"key": value.key, "label": value.label, "unit": value.unit}
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in fields(value) if field.name not in UNSAID.get(type(value), ())]
        return {name: plain(getattr(value, name)) for name in (*names, *WORDS.get(type(value), ()))}
    return value
