"""Numbers of a gas held against limits: the house's over published ones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tidebench.care.gases.records import Held
from tidebench.limits import Limit, judge


def held_against(limits: Iterable[Limit], values: Mapping[str, float]) -> tuple[Held, ...]:
    """Every value that has a limit, and how it stands."""
    return tuple(
        Held(limit.key, value, judge(limit, value), limit.bound, limit.kind, limit.source)
        for limit in limits
        if (value := values.get(limit.key)) is not None
    )
