"""Narrow airways and slow emptying: resistance and time constant beside what teaching calls usual."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.limits import Group, population
from tidebench.quantities import quantity
from tidebench.views.numbers import summary_number
from tidebench.views.wording import listed, sentence

if TYPE_CHECKING:
    from tidebench.review import Review

RESISTANCE, TIME_CONSTANT = "resistance_cmh2o_s_l", "expiratory_time_constant_s"


@dataclass(frozen=True, slots=True)
class Usual:
    """Upper ends of a group's teaching ranges, tube included (from memory), and whose lungs they are of."""

    resistance: float
    time_constant_s: float
    whose: str


USUAL: dict[Group, Usual] = {
    "adult": Usual(16.0, 1.0, "ventilated adults without obstruction"),
    "child": Usual(40.0, 0.35, "ventilated children of any size"),
    "newborn": Usual(200.0, 0.2, "ventilated newborns"),
}
"""Wide on purpose: a small child's airways and a thin tube resist as much as an adult's disease. An adult's time
constant is 0.5 to 0.7 s with a tube and 1 to 2 s in obstruction; from 1 s on it is worth a word.
"""


def narrow_airways(review: Review) -> tuple[str, str] | None:
    """A headline and what stands behind it where resistance or time constant is beyond the usual; else None."""
    group = population(review.case.patient).group
    if group is None:
        return None
    usual = USUAL[group]
    resistance, emptying = (summary_number(review, key) for key in (RESISTANCE, TIME_CONSTANT))
    narrow = resistance.spread is not None and resistance.spread.median > usual.resistance
    slow = emptying.spread is not None and emptying.spread.median > usual.time_constant_s
    if not narrow and not slow:
        return None
    said = [f"{n.label} {n.value}" for n, beyond in ((resistance, narrow), (emptying, slow)) if beyond]
    head = "narrow airways or tube" if narrow else "the lungs empty slowly"
    tops = [
        f"{quantity(key).label} up to {quantity(key).text(top)}"
        for key, top in ((RESISTANCE, usual.resistance), (TIME_CONSTANT, usual.time_constant_s))
    ]
    behind = f"usual in {usual.whose}, tube included, is {listed(tops)} (teaching range, from memory)"
    return sentence(f"{head}: {listed(said)}"), sentence(behind)
