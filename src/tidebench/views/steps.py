"""What each change of settings did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.quantities import Quantity, quantity
from tidebench.records import Spread, Step
from tidebench.views.wording import change_words, clock

if TYPE_CHECKING:
    from tidebench.review import Review

COLUMNS = (
    "vte_ml",
    "peak_pressure_cmh2o",
    "plateau_pressure_cmh2o",
    "driving_pressure_cmh2o",
    "compliance_ml_cmh2o",
    "total_peep_cmh2o",
    "intrinsic_peep_cmh2o",
    "rate_per_min",
    "effort_cmh2o",
)
MOST_COLUMNS = 5
ALONG_PEEP = ("compliance_ml_cmh2o", "driving_pressure_cmh2o", "intrinsic_peep_cmh2o")


@dataclass(frozen=True, slots=True)
class Effect:
    """One quantity before and after a step; both None where it was not measured on both sides."""

    quantity: Quantity
    before: Spread | None
    after: Spread | None

    @property
    def change(self) -> str:
        """``350 → 372``, or an en dash."""
        if self.before is None or self.after is None:
            return "–"
        return f"{self._text(self.before.median)} → {self._text(self.after.median)}"

    @property
    def spread(self) -> str:
        """The spreads before and after, ``340–355 → 360–380``."""
        if self.before is None or self.after is None:
            return ""
        return " → ".join(f"{self._text(s.p05)}–{self._text(s.p95)}" for s in (self.before, self.after))

    @property
    def clear(self) -> bool:
        """True where the spreads before and after do not overlap."""
        if self.before is None or self.after is None:
            return False
        return self.before.p95 < self.after.p05 or self.after.p95 < self.before.p05

    def _text(self, value: float) -> str:
        return self.quantity.text(value, unit=False)


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step: when, what was changed, what it did."""

    number: int
    at_s: float
    time: str
    changed: str
    breaths: tuple[int, int]
    effects: tuple[Effect, ...]


@dataclass(frozen=True, slots=True)
class PeepPoint:
    """Quantities at one level of PEEP, in the order in which the levels came."""

    order: int
    peep: Spread
    values: tuple[Spread | None, ...]


@dataclass(frozen=True)
class StepsPage:
    """All steps; ``along_peep`` is filled where three or more levels of PEEP were tried."""

    columns: tuple[Quantity, ...]
    rows: tuple[StepRow, ...]
    along_peep_quantities: tuple[Quantity, ...]
    along_peep: tuple[PeepPoint, ...]


def steps_page(review: Review) -> StepsPage:
    """What the page of steps shows."""
    keys = _telling(review.steps)
    points = _along_peep(review.steps)
    shown = [i for i, _ in enumerate(ALONG_PEEP) if any(point.values[i] for point in points)]
    return StepsPage(
        columns=tuple(quantity(key) for key in keys),
        rows=tuple(_row(number, step, keys) for number, step in enumerate(review.steps, start=1)),
        along_peep_quantities=tuple(quantity(ALONG_PEEP[i]) for i in shown),
        along_peep=tuple(PeepPoint(p.order, p.peep, tuple(p.values[i] for i in shown)) for p in points),
    )


def _telling(steps: tuple[Step, ...]) -> list[str]:
    """The few quantities that changed clearly most often, in the usual order."""
    known = [key for key in COLUMNS if any(key in step.quantities for step in steps)]
    clear = {key: sum(_effect(step, key).clear for step in steps) for key in known}
    chosen = sorted(known, key=lambda key: -clear[key])[:MOST_COLUMNS]
    return [key for key in known if key in chosen]


def _effect(step: Step, key: str) -> Effect:
    return Effect(quantity(key), *step.quantities.get(key, (None, None)))


def _row(number: int, step: Step, keys: list[str]) -> StepRow:
    effects = tuple(_effect(step, key) for key in keys)
    pairs = list(step.quantities.values())
    counts = (max(b.n for b, _ in pairs), max(a.n for _, a in pairs)) if pairs else (0, 0)
    return StepRow(number, step.at_s, clock(step.at_s), change_words(step.changed), counts, effects)


def _along_peep(steps: tuple[Step, ...]) -> tuple[PeepPoint, ...]:
    """One point per level; empty unless three levels differ by at least half a cmH2O."""
    points: list[PeepPoint] = []
    for step in steps:
        for side in (0, 1):
            peep = step.quantities.get("peep_cmh2o")
            if peep is None or (points and abs(points[-1].peep.median - peep[side].median) < 0.5):
                continue
            values = tuple(step.quantities[key][side] if key in step.quantities else None for key in ALONG_PEEP)
            points.append(PeepPoint(len(points) + 1, peep[side], values))
    levels = {round(2 * point.peep.median) for point in points}
    return tuple(points) if len(levels) >= 3 else ()
