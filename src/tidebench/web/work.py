"""What workers do: functions by name, each with ``tell`` to say how far it is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tidebench.fitting.fit import Fit
    from tidebench.views.rehearsal import ThenPage

Tell = Callable[[str, float], None]


def review_job(case: str, out: str, tell: Tell) -> str:
    """Review a case into its folder, and keep what the page opens."""
    from tidebench.results import review_case

    review_case(case, out, keep=True, progress=tell)
    return out


def rehearse_job(
    case: str, from_s: float | None, to_s: float | None, settings: dict[str, float | str], tell: Tell
) -> ThenPage:
    """Rehearse a change on patients within the doubt of the fit."""
    from tidebench.fitting.change import what_if
    from tidebench.views.rehearsal import then_page

    tell("fitting", 0.1)
    fit = _fit(case, from_s, to_s)
    tell("rehearsing on patients within the doubt", 0.3)
    return then_page(what_if(fit, settings))


def _fit(case: str, from_s: float | None, to_s: float | None) -> Fit:
    from tidebench.fitting.fit import fit_patient
    from tidebench.web.opened import Shelf

    return fit_patient(Shelf().get(Path(case)).kept.review, from_s, to_s)
