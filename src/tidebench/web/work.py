"""What workers do: functions by name, each with ``tell`` to say how far it is."""

from __future__ import annotations

from collections.abc import Callable

Tell = Callable[[str, float], None]


def review_job(case: str, out: str, tell: Tell) -> str:
    """Review a case into its folder, and keep what the page opens."""
    from tidebench.results import review_case

    review_case(case, out, keep=True, progress=tell)
    return out
