"""What a change of settings would do: now against then, quantity by quantity, with doubt, limits and assumptions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tidebench.fitting.fit import NAMES, Fit
from tidebench.fitting.mechanics import EXPIRATION, INSPIRATION
from tidebench.fitting.overlay import Curves, Overlay, mean_breath, of_prediction, overlay
from tidebench.fitting.predict import KEYS, RATE_HZ, SAMPLES, Prediction, predict
from tidebench.fitting.records import FitError, Samples, interval
from tidebench.limits import Limit, judge, limits_for

BEYOND = 0.2  # of the recorded range that a prediction may leave it by before it counts as extrapolated
RESOLUTION = {
    "peak_pressure_cmh2o": 0.12, "plateau_pressure_cmh2o": 0.1, "total_peep_cmh2o": 0.05, "intrinsic_peep_cmh2o": 0.05,
    "mean_pressure_cmh2o": 0.05, "peep_cmh2o": 0.05, "driving_pressure_cmh2o": 0.1,
    "driving_pressure_set_peep_cmh2o": 0.1,
}  # fmt: skip
RELATIVE_RESOLUTION, TIMED, WANDERING = 0.002, 0.0007, 0.03
"""What sensors and their noise leave open of any median: cmH2O by key, else relative; and how far a clock's rate, and a
patient's own, wander from one stretch to the next (this house's choice).
"""
LEANING, FEWEST_DRAWS = ("vti_ml", "peak_pressure_cmh2o", "plateau_pressure_cmh2o", "total_peep_cmh2o"), 20
NARROW = 1.5  # expiratory over inspiratory resistance
UNEVEN_FLOOR, UNEVEN_SHARE = 0.6, 0.25
"""Further doubt of trapped pressure, cmH2O and of the intrinsic PEEP, where one compartment does not describe the lung
or expiration is limited (open population of virtual patients)."""
CO2_FLOOR, CO2_SHARE = 0.015, 0.12
"""Doubt of PaCO2, relative, and of the logarithm of its change: dead space is not known (open population)."""
MISSED_NOW, MISSED_CHANGE = 0.5, 0.1
"""Of what the model misses of the present, and of the change that it predicts, the share that it may be wrong by (open
population of virtual patients)."""
FACTORS = (
    "vti_ml", "vte_ml", "minute_volume_l_min", "peak_inspiratory_flow_l_min", "peak_expiratory_flow_l_min",
    "mechanical_power_j_min", "work_j_l", "rate_per_min",
)  # fmt: skip
NEVER_BELOW_ZERO = (
    *FACTORS, "intrinsic_peep_cmh2o", "end_expiratory_flow_l_min", "unanswered_efforts_percent", "effort_cmh2o",
)  # fmt: skip
WIDER = 2.0  # by which an interval grows when a prediction leaves the recorded range by as much as it spans
GAS_KEYS = ("paco2_mmhg", "ph", "pao2_mmhg", "sao2")
KEPT = "effort is kept as it was: size, time and rate do not follow carbon dioxide or load"
GAIN_PER_MMHG, ROUNDS, DRIVES = 0.08, 5, (0.2, 3.0)
"""How much stronger drive is for each mmHg of PaCO2 (common practice, no source; patients differ widely), how often it
is followed round, and between which bounds.
"""
UNCHANGED = (
    "lung, airways and leak stay as they are: nothing opens, closes, dries or swells",
    "carbon dioxide is that of the new steady state, which takes half an hour or more; production stays as it is",
)


@dataclass(frozen=True)
class Change:
    """One quantity now and then: estimates with 90 % intervals, and the change of the same drawn patients."""

    key: str
    now: tuple[float, float, float]
    then: tuple[float, float, float]
    change: tuple[float, float, float]


@dataclass(frozen=True)
class Against:
    """A limit, and how now and then stand to it: words, and the share of drawn patients beyond it."""

    limit: Limit
    now: str
    then: str
    beyond_now: float
    beyond_then: float


@dataclass(frozen=True)
class WhatIf:
    """A change rehearsed on a fitted patient."""

    fit: Fit
    now: Prediction
    then: Prediction
    changes: tuple[Change, ...]
    limits: tuple[Against, ...]
    overlay: Overlay
    assumptions: tuple[str, ...]
    beyond: tuple[str, ...] = field(default=())
    leaning: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @property
    def rate_hz(self) -> float:
        """Samples per second of the mean breaths."""
        return RATE_HZ

    @property
    def waves_then(self) -> Curves:
        """The mean breath to come: pressure, flow, volume."""
        curves = of_prediction(self.then)
        return mean_breath(curves, int(np.median([len(p) for p, _, _ in curves]))) if curves else self.overlay.simulated


def what_if(
    fit: Fit, settings: Mapping[str, Any], n: int = SAMPLES, seed: int = 0, *, reacting: bool = False
) -> WhatIf:
    """Rehearse a change of settings.

    Parameters
    ----------
    fit : Fit
        As :func:`tidebench.fitting.fit_patient` gives it.
    settings : mapping
        Keys of a case's ``[[settings]]`` and their new values.
    n, seed
        As for :func:`predict`.
    reacting : bool
        Let drive follow carbon dioxide (:data:`GAIN_PER_MMHG`) instead of keeping effort as it was.

    Raises
    ------
    CaseError, SimulationError
        As :func:`predict`.
    """
    later, words = driven(fit, settings) if reacting else (fit, KEPT)
    now, then = predict(fit, n=n, seed=seed), predict(later, settings, n, seed)
    shown, beyond, wider = overlay(fit, now), *extrapolated(fit, then)
    before, after = told(fit, with_gases(fit, now, now, seed), with_gases(fit, now, then, seed), seed)
    after = {key: widened(values, wider) for key, values in after.items()}
    changes = tuple(
        Change(key, edges(before[key]), edges(after[key]), edges(after[key] - before[key]))
        for key in before
        if np.isfinite(before[key]).any() or np.isfinite(after[key]).any()
    )
    limits = tuple(against(fit, before, after))
    assumptions = (*fit.assumptions, words, *UNCHANGED, *exchange_words(fit))
    return WhatIf(fit, now, then, changes, limits, shown, assumptions, tuple(beyond), leaning(later, then, seed))


def driven(fit: Fit, settings: Mapping[str, Any]) -> tuple[Fit, str]:
    """The fit with the drive that the new carbon dioxide calls for, and what that assumes.

    Size follows drive, rate its square root, as in the simulator.

    Raises
    ------
    FitError
        Nobody breathes, or no carbon dioxide is told.
    """
    if fit.drive is None or fit.exchange.paco2_mmhg is None:
        raise FitError(
            "drive can't react", where="what-if", expected="a patient who breathes, and a blood gas",
            remedy=f"{fit.exchange.reason}." if fit.exchange.reason else "",
        )  # fmt: skip
    now, strength = predict(fit, n=1), 1.0
    for _ in range(ROUNDS):
        then = predict(stronger(fit, strength), settings, n=1)
        paco2 = fit.exchange.paco2(now.ventilation_l_min, then.ventilation_l_min)
        assert paco2 is not None
        asked = 1.0 + GAIN_PER_MMHG * (float(paco2[0]) - fit.exchange.paco2_mmhg)
        strength = 0.5 * (strength + float(np.clip(asked, *DRIVES)))
    words = (
        f"drive follows carbon dioxide by {100 * GAIN_PER_MMHG:g} % for each mmHg (assumed; patients differ widely): "
        f"{strength:.2f} times as strong as it was"
    )
    return stronger(fit, strength), words


def stronger(fit: Fit, by: float) -> Fit:
    """The fit with drive multiplied."""
    assert fit.drive is not None
    drive = replace(fit.drive, size_cmh2o=by * fit.drive.size_cmh2o, rate_per_min=by**0.5 * fit.drive.rate_per_min)
    return replace(fit, drive=drive)


def leaning(fit: Fit, then: Prediction, seed: int) -> dict[str, dict[str, float]]:
    """How far each answer leans on each parameter: the share of its doubt that goes with that parameter's (r²)."""
    n = len(then.ventilation_l_min)
    lungs, efforts = fit.draws(n, seed)
    drawn = {name: lungs[:, k] for k, (name, _) in enumerate(NAMES)}
    drawn |= {"effort_cmh2o": efforts[:, 0], "neural_time_s": efforts[:, 1]}
    out = {}
    for key in LEANING:
        values = then.quantities[key]
        if n > FEWEST_DRAWS and np.isfinite(values).all() and np.ptp(values) > 1e-9:
            shares = {
                name: float(np.corrcoef(values, column)[0, 1] ** 2)
                for name, column in drawn.items()
                if np.ptp(column) > 0
            }
            out[key] = {name: round(share, 3) for name, share in shares.items() if share > 1.0 / n}
    return out


def told(
    fit: Fit, before: Mapping[str, Samples], after: Mapping[str, Samples], seed: int
) -> tuple[dict[str, Samples], dict[str, Samples]]:
    """Draws of now and then, set on what was recorded.

    What the model is asked for is the change; where the present was measured, then is that and the change: as a factor
    for what can't be negative and starts at nothing (volumes, flows, power), as a difference for pressures and times.
    What the model misses of the present, and a share of the change itself, add to the doubt.
    """
    rng = np.random.default_rng([seed, 11])
    measured = fit.recorded
    now, then = dict(before), dict(after)
    for key, draws in before.items():
        value = measured.get(key)
        if value is None or not np.isfinite(draws).any() or not np.isfinite(after[key]).any():
            continue
        own = WANDERING if fit.drive is not None else TIMED
        resolution = own if key == "rate_per_min" else RELATIVE_RESOLUTION
        error = np.hypot(spread_of(fit, key), RESOLUTION.get(key, resolution * abs(value)))
        factor = key in FACTORS and value > 0 and (draws[np.isfinite(draws)] > 0).all()
        moved = value * after[key] / draws if factor else value + after[key] - draws
        missed = abs(value - draws[0])
        doubt = np.sqrt(error**2 + (MISSED_NOW * missed) ** 2 + (MISSED_CHANGE * (moved[0] - value)) ** 2)
        noise = rng.standard_normal(len(draws))
        noise[0] = 0.0
        now[key] = value + error * noise
        then[key] = moved + doubt * noise
    then = doubted(fit, then, before, rng)
    for side in (now, then):
        side.update({key: np.maximum(side[key], 0.0) for key in NEVER_BELOW_ZERO if key in side})
    return now, then


def doubted(
    fit: Fit, then: dict[str, Samples], before: Mapping[str, Samples], rng: np.random.Generator
) -> dict[str, Samples]:
    """Draws with what no parameter's doubt holds: lungs that empty unevenly, dead space that is not known."""
    if uneven(fit) or fit.drive is not None:
        own = rng.standard_normal(len(then["total_peep_cmh2o"]))
        own[0] = 0.0
        for key in ("total_peep_cmh2o", "intrinsic_peep_cmh2o"):
            trapped = max(0.0, float(then["intrinsic_peep_cmh2o"][0]))
            then[key] = then[key] + (UNEVEN_FLOOR + UNEVEN_SHARE * trapped) * own
    if "paco2_mmhg" in then:
        own = rng.standard_normal(len(then["paco2_mmhg"]))
        own[0] = 0.0
        moved = abs(np.log(float(then["paco2_mmhg"][0]) / float(before["paco2_mmhg"][0])))
        then["paco2_mmhg"] = then["paco2_mmhg"] * np.exp((CO2_FLOOR + CO2_SHARE * moved) * own)
        if "ph" in then:
            then["ph"] = np.asarray(fit.exchange.ph(then["paco2_mmhg"]), np.float64)
    return then


def uneven(fit: Fit) -> bool:
    """True where one compartment does not describe the lung, or expiration may be limited by flow: by the review, or
    since gas leaves against much more resistance than it enters.
    """
    review = fit.window.review
    limited = (review.findings["kind"] == "expiratory-flow-limitation").any()
    theta = fit.mechanics.theta
    narrow = theta[EXPIRATION] > NARROW * theta[INSPIRATION]
    return bool(limited or narrow or (review.mechanics["uneven"][fit.window.breaths] == 1).any())


def spread_of(fit: Fit, key: str) -> float:
    """Standard error of a recorded median."""
    column = fit.window.review.breaths[fit.window.breaths.tolist()][key].drop_nulls().to_numpy()
    if len(column) < 2:
        return 0.0
    off = 1.4826 * float(np.median(np.abs(column - np.median(column))))
    return 1.2533 * off / float(np.sqrt(len(column)))


def edges(draws: Samples) -> tuple[float, float, float]:
    """Estimate (the first draw) and 90 % interval; NaN throughout where nothing is known."""
    known = draws[np.isfinite(draws)]
    if not len(known):
        return (np.nan, np.nan, np.nan)
    first = float(draws[0]) if np.isfinite(draws[0]) else float(np.median(known))
    return (first, *interval(known))


def widened(draws: Samples, by: float) -> Samples:
    """Draws further from the estimate; what was positive stays so."""
    if by == 1.0 or not np.isfinite(draws[0]):
        return draws
    further = draws[0] + by * (draws - draws[0])
    return np.asarray(np.maximum(further, 0.0) if np.nanmin(draws) >= 0 else further, np.float64)


def with_gases(fit: Fit, now: Prediction, then: Prediction, seed: int) -> dict[str, Samples]:
    """Quantities of a prediction, and what blood gases would become."""
    out = dict(then.quantities)
    paco2 = fit.exchange.paco2(now.ventilation_l_min, then.ventilation_l_min)
    if paco2 is None:
        return out
    out["paco2_mmhg"] = paco2
    ph = fit.exchange.ph(paco2)
    if ph is not None:
        out["ph"] = ph
    gas = fit.exchange.draw(np.random.default_rng([seed, 7]), len(paco2))
    oxygen = fit.exchange.oxygen(float(then.setting.get("fio2") or fit.exchange.fio2 or 0.21), paco2, gas[:, 2])
    if oxygen is not None:
        out["pao2_mmhg"], out["sao2"] = oxygen
    return out


def extrapolated(fit: Fit, then: Prediction) -> tuple[list[str], float]:
    """What leaves the recorded range of volume and pressure, in words, and by how much intervals widen for it."""
    table = fit.window.review.breaths[fit.window.breaths.tolist()]
    said, most = [], 0.0
    for key, unit, below in (("vti_ml", "mL", True), ("peak_pressure_cmh2o", "cmH2O", False)):
        known = table[key].drop_nulls().to_numpy()
        value = float(then.quantities[key][0])
        if not len(known) or not np.isfinite(value):
            continue
        low, high = float(known.min()), float(known.max())
        span = max(high - low, 0.2 * high)
        off = max(value - high, low - value if below else 0.0, 0.0) / span
        if off > BEYOND:
            said.append(f"{key} would be {value:.0f} {unit}; {low:.0f} to {high:.0f} were recorded")
            most = max(most, off)
    return said, 1.0 + (WIDER - 1.0) * min(most, 2.0)


def against(fit: Fit, before: Mapping[str, Samples], after: Mapping[str, Samples]) -> list[Against]:
    """How the patient's limits are met or crossed."""
    review = fit.window.review
    out = []
    for limit in limits_for(review.case.patient, policy=review.policy):
        if limit.key not in KEYS and limit.key not in GAS_KEYS:
            continue
        if limit.key in before:
            pair = [
                (judge(limit, edges(side[limit.key])[0]), share_beyond(limit, side[limit.key]))
                for side in (before, after)
            ]
            out.append(Against(limit, pair[0][0], pair[1][0], pair[0][1], pair[1][1]))
    return out


def share_beyond(limit: Limit, draws: Samples) -> float:
    """Share of drawn patients beyond a limit; NaN where none is known."""
    known = draws[np.isfinite(draws)]
    if not len(known):
        return float("nan")
    beyond = np.zeros(len(known), bool)
    if limit.high is not None:
        beyond |= known > limit.high
    if limit.low is not None:
        beyond |= known < limit.low
    return float(beyond.mean())


def exchange_words(fit: Fit) -> list[str]:
    """What stands behind the blood gases, or why there are none."""
    exchange = fit.exchange
    if exchange.paco2_mmhg is None:
        return [f"no carbon dioxide is told: {exchange.reason}"]
    said = [
        f"airway dead space {exchange.dead_space_ml:.0f} mL and an alveolar one of 15 % are assumed, with their "
        "spread; PaCO2 moves inversely with what ventilation is left",
    ]
    if exchange.pao2_mmhg is None:
        said.append("no oxygen is told: the blood gas has no pao2_mmhg")
    else:
        said.append("shunt stays as it is, tissues take 5 mL of oxygen from a dL of blood (assumed, with its spread)")
    return said
