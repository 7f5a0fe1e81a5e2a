"""A fitted patient's parameters as they are told: value, interval, where each comes from, and how they go together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tidebench.fitting.compartments import LEAST_RESISTANCE, LEAST_SLOW, parallel
from tidebench.fitting.mechanics import (
    AGAINST,
    ELASTANCE,
    EXPIRATION,
    INSPIRATION,
    LIMIT,
    MIDDLE,
    RELAXATION,
    SPAN,
    TURBULENCE,
    WIDTH,
)
from tidebench.fitting.records import Parameter, Samples, interval

if TYPE_CHECKING:
    from tidebench.fitting.fit import Fit

LEAK_DOUBT = 0.15  # relative standard error of a leak that the review took off (this house's choice)
PARAMETERS = 2000  # draws for intervals and correlations
FAINT_CMH2O = 1.0  # an effort that may go unseen (this house's choice)
NAMES = (
    ("elastance_cmh2o_l", "cmH2O/L"), ("inspiratory_resistance_cmh2o_s_l", "cmH2O·s/L"),
    ("expiratory_resistance_cmh2o_s_l", "cmH2O·s/L"), ("relaxation_elastance_cmh2o_l", "cmH2O/L"),
    ("turbulent_resistance_cmh2o_s2_l2", "cmH2O·s²/L²"), ("limiting_resistance_cmh2o_s_l", "cmH2O·s/L"),
    ("closing_pressure_cmh2o", "cmH2O"), ("sigmoid_span_l", "L"), ("sigmoid_middle_cmh2o", "cmH2O"),
    ("sigmoid_width_cmh2o", "cmH2O"),
)  # fmt: skip


def parameters(fit: Fit) -> list[Parameter]:
    """Every parameter with its doubt, and why some can't be told."""
    lungs, efforts = fit.draws(PARAMETERS)
    ok, why = fit.identifiable, fit.origin
    compliance = 1000.0 / lungs[:, ELASTANCE]
    out = [_parameter("compliance_ml_cmh2o", compliance, "mL/cmH2O", ok, why)]
    for k in (INSPIRATION, EXPIRATION):
        out.append(_parameter(NAMES[k][0], lungs[:, k], NAMES[k][1], ok, f"{why}; beside what grows with flow squared"))
    out += _slow(fit, lungs)
    out.append(_turbulence(fit, lungs))
    out += _limit(fit, lungs)
    if fit.bend is not None:
        why = f"breaths on {fit.bend.levels.shape[1]} levels of PEEP"
        out += [_parameter(*_named(lungs, k), True, why) for k in (SPAN, MIDDLE, WIDTH)]
    out.append(_total_peep(fit))
    out.append(_leak(fit))
    out += _effort(fit, efforts)
    return out + fit.exchange.parameters(fit.ventilation_l_min, fit.recorded.get("vte_ml", float("nan")))


def _turbulence(fit: Fit, lungs: Samples) -> Parameter:
    """What grows with flow squared: by the tube's law, or as breaths show it; None where they don't."""
    if fit.mechanics.known_square:
        return _parameter(*_named(lungs, TURBULENCE), True, "the tube's, by its published law")
    if fit.mechanics.theta[TURBULENCE] > 0:
        return _parameter(*_named(lungs, TURBULENCE), True, "of passive breaths")
    key, unit = NAMES[TURBULENCE]
    why = "no tube of known size, and nothing in these breaths grows with flow squared: it is in the resistances"
    return Parameter(key, None, None, None, unit, False, why)


def _slow(fit: Fit, lungs: Samples) -> list[Parameter]:
    """Slow pressure: of tissue, or of two compartments, which are told too; None where none shows."""
    found = fit.mechanics
    if not found.theta[RELAXATION] > 0:
        why = "no slow pressure shows beyond its error"
        return [Parameter(NAMES[RELAXATION][0], None, None, None, "cmH2O/L", False, why)]
    why = "slow pressure in the passive breaths: tissue, or parts that fill unevenly"
    if found.uneven:
        why = "two compartments leave less than half of what one leaves of the breath"
    tau, off = found.relaxation_s, float(np.exp(1.645 * found.relaxation_error))
    out = [
        _parameter(*_named(lungs, RELAXATION), True, why),
        Parameter("relaxation_time_s", tau, tau / off, tau * off, "s", True, "least squares over 0.12 to 2.5 s"),
    ]
    if found.uneven:
        shared = fit.tube[0] if found.known_square else 0.0
        airway = np.maximum(lungs[:, INSPIRATION] - shared, LEAST_RESISTANCE)
        slow = np.maximum(lungs[:, RELAXATION], LEAST_SLOW)
        parts = parallel(lungs[:, ELASTANCE], airway, slow, np.full(len(lungs), tau))
        why = "one of two compartments that act so at the airway, each with its share of chest wall"
        for name, stiff, narrow in (("fast", parts[0], parts[1]), ("slow", parts[2], parts[3])):
            out.append(_parameter(f"{name}_compliance_ml_cmh2o", 1000.0 / stiff, "mL/cmH2O", True, why))
            out.append(_parameter(f"{name}_resistance_cmh2o_s_l", narrow, "cmH2O·s/L", True, why))
    return out


def _limit(fit: Fit, lungs: Samples) -> list[Parameter]:
    """The limit of expiratory flow, where there may be one."""
    if fit.limitation is None:
        return []
    why = fit.limitation.why
    if fit.limitation.share < 1.0:
        return [Parameter(NAMES[k][0], None, None, None, NAMES[k][1], False, why) for k in (LIMIT, AGAINST)]
    return [_parameter(*_named(lungs, k), True, why) for k in (LIMIT, AGAINST)]


def _leak(fit: Fit) -> Parameter:
    """The leak that the review took off, which is not fitted anew with the lung."""
    key, unit = "leak_l_min", "L/min at 10 cmH2O"
    if not fit.leak:
        return Parameter(key, None, None, None, unit, False, "volumes in and out agree: no leak shows")
    size = float(fit.leak["flow_l_min"])
    why = (
        f"at the {fit.leak['at']}, from volumes in and out; taken off before the lung is fitted, so no "
        f"correlation with it is known; believed within {100 * 1.645 * LEAK_DOUBT:.0f} % (assumed)"
    )
    off = 1.645 * LEAK_DOUBT * size
    return Parameter(key, size, size - off, size + off, unit, True, why)


def _total_peep(fit: Fit) -> Parameter:
    peep = fit.mechanics.total_peep
    if fit.trapped is not None:
        middle, off = fit.trapped.peep + fit.trapped.pressure, 1.645 * fit.trapped.error
        why = "expiratory holds" if fit.trapped.held else "parts trap unequally: within bounds; a hold would show it"
        low = max(middle - off, fit.trapped.peep)
        return Parameter("total_peep_cmh2o", middle, low, middle + off, "cmH2O", fit.trapped.held, why)
    if not len(peep):
        return Parameter(
            "total_peep_cmh2o",
            None,
            None,
            None,
            "cmH2O",
            False,
            "the patient breathes; an expiratory hold would show it",
        )
    middle = float(np.median(peep))
    off = 2 * float(np.std(peep)) / np.sqrt(len(peep)) + 0.2
    return Parameter(
        "total_peep_cmh2o",
        middle,
        middle - off,
        middle + off,
        "cmH2O",
        True,
        "recoil at the start of passive breaths",
    )


def _effort(fit: Fit, efforts: Samples) -> list[Parameter]:
    if fit.drive is None:
        why = "no effort was seen; a faint one that triggers nothing would not be"
        return [Parameter("effort_cmh2o", 0.0, 0.0, FAINT_CMH2O, "cmH2O", True, why)]
    why = f"{fit.drive.count} efforts, {fit.drive.source}"
    names = (("effort_cmh2o", "cmH2O"), ("neural_time_s", "s"), ("effort_rate_per_min", "/min"))
    own = [_parameter(key, efforts[:, k], unit, True, why) for k, (key, unit) in enumerate(names)]
    return own + fit.behaviour.parameters(efforts[:, 3:], fit.setting)


def correlations(fit: Fit) -> dict[str, dict[str, float]]:
    """Correlation of each pair of parameters that vary, by key."""
    lungs, efforts = fit.draws(PARAMETERS)
    columns = {NAMES[k][0]: lungs[:, k] for k in range(lungs.shape[1])}
    if fit.drive is not None:
        columns |= {"effort_cmh2o": efforts[:, 0], "neural_time_s": efforts[:, 1]}
    varied = {key: values for key, values in columns.items() if np.ptp(values) > 0}
    matrix = np.atleast_2d(np.corrcoef(np.array(list(varied.values()))))
    keys = list(varied)
    return {
        one: {other: round(float(matrix[a, b]), 3) for b, other in enumerate(keys) if b != a}
        for a, one in enumerate(keys)
    }


def _named(lungs: Samples, k: int) -> tuple[str, Samples, str]:
    return NAMES[k][0], lungs[:, k], NAMES[k][1]


def _parameter(key: str, draws: Samples, unit: str, identifiable: bool, why: str) -> Parameter:
    low, high = interval(draws)
    return Parameter(key, float(draws[0]), low, high, unit, identifiable, why)
