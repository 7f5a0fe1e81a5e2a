"""Where the lung comes from: passive breaths, oesophageal pressure, the review's, or a person who names one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tidebench.errors import OptionError
from tidebench.fitting.effort import drive_of
from tidebench.fitting.exchange import USUAL_KG
from tidebench.fitting.levels import lung_on_levels
from tidebench.fitting.mechanics import ELASTANCE, INSPIRATION, MISSED, Mechanics, fit_mechanics
from tidebench.fitting.records import FitError
from tidebench.fitting.ventilator import some_waves
from tidebench.fitting.waves import Wave
from tidebench.fitting.window import FEWEST, Window
from tidebench.limits import volume_weight_kg

MISFIT_CMH2O, MISFIT_SHARE, MISFIT_DOUBT = 0.5, 0.05, 2.0
"""What a fit may leave of a breath, cmH2O and of its swing; and by how many times more it is doubted beyond that (this
house's choice)."""
ANOTHER = 0.25  # by which elastance differs before another lung is said to be seen (this house's choice)
LEAST_AIRWAY = 0.3  # cmH2O·s/L beside the tube
FROM_PASSIVE, FROM_EDGES, ASSUMED = 0.05, 0.15, 0.2
"""Relative error of a lung that is borrowed from passive breaths elsewhere, read from edges of flow, or assumed."""
WALL_ML_CMH2O_KG, WALL_DOUBT = 2.9, 0.6
"""Chest wall, 4 % of a vital capacity of 70 mL/kg for each cmH2O (common practice, no source); its relative error."""
ASSUMABLE = {"compliance_ml_cmh2o": (0.05, 300.0), "inspiratory_resistance_cmh2o_s_l": (0.1, 500.0)}


def lung_of(
    window: Window, tube: tuple[float, float], assume: Mapping[str, float]
) -> tuple[Mechanics, str, bool, list[str]]:
    """The lung of a window, where it comes from, whether the stretch shows it, and what is assumed of it.

    Of passive breaths; else between airway and oesophagus; else as the review used it; or as a person names it.

    Raises
    ------
    FitError
        No lung is known for these breaths.
    OptionError
        Half a lung is named, or one that can't be.
    """
    square = tube[1] or None
    if assume:
        mechanics, origin, shown, said = _assumed(assume, square)
        return mechanics, origin, shown, [*said, *contradicted(window, mechanics, square)]
    if len(window.passive) < FEWEST and window.setting.bi_level:
        return _by_oesophagus(window, square) or lung_on_levels(window, square)
    if len(window.passive) >= FEWEST:
        found = fit_mechanics(some_waves(window, window.passive), square)
        if square is not None and found.theta[INSPIRATION] < tube[0] + LEAST_AIRWAY:
            found = fit_mechanics(some_waves(window, window.passive), None)
            return (
                found,
                f"{len(window.passive)} passive breaths",
                True,
                ["the tube's published law takes more pressure than these breaths show: it was not used"],
            )
        found, said = with_misfit(found, some_waves(window, window.passive))
        return found, f"{len(window.passive)} passive breaths", True, said
    return _by_oesophagus(window, square) or _borrowed(window, square)


def contradicted(window: Window, named: Mechanics, square: float | None) -> list[str]:
    """In words, that passive breaths of a window show another lung than the one that is named; nothing where they
    don't, or there are none."""
    if len(window.passive) < FEWEST:
        return []
    seen = fit_mechanics(some_waves(window, window.passive), square).theta
    if abs(seen[ELASTANCE] / named.theta[ELASTANCE] - 1.0) < ANOTHER:
        return []
    return [
        f"{len(window.passive)} passive breaths of this stretch contradict the lung that is assumed: they show a "
        f"compliance of {1000 / seen[ELASTANCE]:.3g} mL/cmH2O"
    ]


def with_misfit(found: Mechanics, waves: Sequence[Wave]) -> tuple[Mechanics, list[str]]:
    """A lung whose breaths neither one compartment nor two describe, believed less, and a sentence that says so."""
    swing = float(np.median([np.ptp(wave.pressure[wave.clear]) for wave in waves]))
    if found.residual < max(MISFIT_CMH2O, MISFIT_SHARE * swing):
        return found, []
    wider = found.covariance + np.diag((MISFIT_DOUBT * MISSED * found.theta) ** 2)
    return replace(found, covariance=wider), [
        f"one compartment, or two, leave {found.residual:.1f} cmH2O (root mean square) of the passive breaths: the "
        "lung is believed less"
    ]


def _by_oesophagus(window: Window, square: float | None) -> tuple[Mechanics, str, bool, list[str]] | None:
    """The lung between airway and oesophageal pressure, from breaths with effort, and a chest wall that is assumed;
    None where the oesophagus was not recorded.
    """
    if "oesophageal_pressure" not in window.review.recording:
        return None
    case, pleural = window.review.case, window.review.recording["oesophageal_pressure"]
    start = window.review.mechanics["start"]
    waves = []
    for each in some_waves(window, window.breaths):
        first = int(start[each.breath])
        across = each.pressure - pleural[first : first + len(each.pressure)]
        clear = each.clear & np.isfinite(across)
        if clear.sum() > 0.5 * len(clear):
            waves.append(replace(each, pressure=across, clear=clear))
    if len(waves) < FEWEST:
        return None
    lung = fit_mechanics(waves, square)
    kg = volume_weight_kg(case.patient) or case.patient.weight_kg or USUAL_KG
    wall = 1000.0 / (WALL_ML_CMH2O_KG * kg)
    theta, covariance = lung.theta.copy(), lung.covariance.copy()
    theta[ELASTANCE] += wall
    covariance[ELASTANCE, ELASTANCE] += (WALL_DOUBT * wall) ** 2
    said = [
        f"the lung is that between airway and oesophageal pressure; the chest wall's {1000 / wall:.0f} mL/cmH2O are "
        f"assumed, with a standard error of {100 * WALL_DOUBT:.0f} %"
    ]
    whole = replace(lung, theta=theta, covariance=covariance, total_peep=np.zeros(0))
    return whole, f"{len(waves)} breaths with oesophageal pressure", True, said


def _borrowed(window: Window, square: float | None) -> tuple[Mechanics, str, bool, list[str]]:
    """The lung that the review used for breaths with effort: of passive breaths elsewhere, or of edges of flow."""
    c = window.review.mechanics
    columns = [
        c[name][window.breaths] for name in ("lung_elastance", "lung_resistance", "lung_expiration", "lung_square")
    ]
    if not np.isfinite(columns[0]).any():
        drive_of(window)  # tells why
        raise FitError(
            "no lung is known for these breaths", where="not identifiable from this stretch",
            expected="passive breaths nearby, or a lung by --assume",
        )  # fmt: skip
    elastance, inspiration, further, bent = (float(np.nanmedian(column)) for column in columns)
    passive = bool((c["passive"] == 1).sum() >= FEWEST)
    doubt = FROM_PASSIVE if passive else FROM_EDGES
    theta = np.array([elastance, inspiration, inspiration + further, 0.0, square or bent])
    origin = "passive breaths elsewhere in this recording" if passive else "edges of flow and relaxed expirations"
    said = (
        []
        if passive
        else [
            f"no breath was passive: the lung is read from edges of flow, with a standard error of {100 * doubt:.0f} %"
        ]
    )
    covariance = np.diag((doubt * theta * np.array([1, 1, 1, 0, 0])) ** 2)
    return Mechanics(theta, covariance, 1.0, float("nan"), np.zeros(0), square is not None), origin, True, said


def _assumed(assume: Mapping[str, float], square: float | None) -> tuple[Mechanics, str, bool, list[str]]:
    for key, value in assume.items():
        low, high = ASSUMABLE.get(key, (np.inf, -np.inf))
        if not low <= value <= high:
            known = ", ".join(f"{name} {a:g} to {b:g}" for name, (a, b) in ASSUMABLE.items())
            raise OptionError(f"{key}={value:g} can't be assumed", where="--assume", expected=known)
    missing = [key for key in ASSUMABLE if key not in assume]
    if missing:
        raise OptionError("only half a lung is named", where="--assume", expected=" and ".join(ASSUMABLE))
    resistance = assume["inspiratory_resistance_cmh2o_s_l"]
    theta = np.array([1000.0 / assume["compliance_ml_cmh2o"], resistance, resistance, 0.0, square or 0.0])
    covariance = np.diag((ASSUMED * theta * np.array([1, 1, 1, 0, 0])) ** 2)
    said = [
        f"lung assumed, not measured: compliance {assume['compliance_ml_cmh2o']:g} mL/cmH2O, resistance "
        f"{resistance:g} cmH2O·s/L, with a standard error of {100 * ASSUMED:.0f} %; effort and every answer lean on it"
    ]
    return Mechanics(theta, covariance, 1.0, float("nan"), np.zeros(0), square is not None), "assumed", False, said
