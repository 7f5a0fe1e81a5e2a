"""A lung whose parts trap unequally: what breaths alone leave open of elastance and total PEEP, and what holds close.

Where the review tells no total PEEP because of unequal parts, one compartment fitted to the whole breath knows no more:
a slow resistance stands for elastance and the other way round. With an inspiratory and an expiratory hold both are
measured. Without, elastance lies between that of the whole breath and that of the inflation, whose rise at a constant
flow is the parts' own with gas shared by their resistances, and never less than that of all together:

    Σ gᵢ²/Cᵢ ≥ 1/ΣCᵢ    where Σ gᵢ = 1    (Cauchy and Schwarz)

Trapped pressure is between what flow at the end of expiration costs above PEEP and above nothing: a limited expiration
follows recoil above what closes the airways, and not PEEP. Expiration is then as slow as trapped pressure asks:

    R_ex = E·t_ex / ln(1 + E·V/P_trapped)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from tidebench.fitting.limitation import LEAST_TRAPPED, TRAPPED_DOUBT, UNDECIDED, Limitation, evidence
from tidebench.fitting.mechanics import ELASTANCE, EXPIRATION, INSPIRATION, TURBULENCE, Mechanics
from tidebench.fitting.records import FitError, Samples
from tidebench.fitting.ventilator import some_waves
from tidebench.fitting.waves import Wave
from tidebench.fitting.window import Window, setting_at
from tidebench.measures.manoeuvres import STEADY, lent
from tidebench.measures.stretch import UNTOLD

if TYPE_CHECKING:
    from tidebench.fitting.fit import Fit

HELD_DOUBT = 0.1  # of elastance by one steady inspiratory hold, whose pressure tissue has let down
BOUNDS_APART = 3.0  # standard errors between the two elastances (this house's choice)
RANGE = 3.0  # times the estimate's elastance, either way, that a draw may be
MOSTLY = 0.5  # of the passive breaths
FULL = 0.8  # of an inflation's highest flow: constant
CONSTANT = 0.1  # by which it may vary (this house's choice)
SLOWER, NEAR = (0.05, 8.0), 0.01  # over the closed form's, between which expiratory resistance is sought; how near
HOLDS = "an inspiratory and an expiratory hold"


class Trapped(NamedTuple):
    """PEEP, what is trapped above it with its standard error, cmH2O; volume, L; how long gas leaves, s."""

    peep: float
    pressure: float
    error: float
    volume: float
    seconds: float
    scale: float = 1.0
    """Expiratory resistance over the closed form's, which leaves out valve and turbulence."""
    held: bool = False
    """True where holds have told it."""

    def draw(self, rng: np.random.Generator, lungs: Samples) -> Samples:
        """Trapped pressure of every lung, shape (n,); their elastance is kept a lung's, expiration goes with both."""
        pressure = np.maximum(self.pressure + self.error * rng.standard_normal(len(lungs)), 0.5 * LEAST_TRAPPED)
        pressure[0] = self.pressure
        lungs[:, ELASTANCE] = np.clip(lungs[:, ELASTANCE], lungs[0, ELASTANCE] / RANGE, lungs[0, ELASTANCE] * RANGE)
        lungs[:, EXPIRATION] = self.scale * self.resistance(lungs[:, ELASTANCE], pressure)
        return np.asarray(pressure, np.float64)

    def resistance(self, elastance: Samples, pressure: Samples) -> Samples:
        """Expiratory resistance by the closed form, cmH2O·s/L."""
        return np.asarray(elastance * self.seconds / np.log1p(elastance * self.volume / pressure), np.float64)


def untold(window: Window, mechanics: Mechanics) -> bool:
    """True where one compartment must not know better than the review or a hold: most passive breaths tell no total
    PEEP since parts trap unequally, the elastance that the review tells of parts excludes the compartment's, or holds
    contradict it. Pauses show what recoil is at the top, and the fit goes by them.
    """
    c, own = window.review.mechanics, window.passive
    elastance, held = float(mechanics.theta[ELASTANCE]), by_holds(window)
    plateau = window.review.breaths[own.tolist()]["plateau_pressure_cmh2o"]
    if held is None and plateau.null_count() < (1.0 - MOSTLY) * len(plateau):
        return False
    if np.mean(c["total_peep_from"][own] == UNTOLD) > MOSTLY:
        return True
    if held is not None:
        off = abs(elastance / held[0] - 1.0) > 2.0 * held[1]
        return bool(off or abs(float(np.median(mechanics.total_peep)) - held[2]) > STEADY)
    low, high = (c[name][own] for name in ("elastance_low", "elastance_high"))
    known = np.isfinite(low) & np.isfinite(high)
    if not known.any() or not np.mean(c["uneven"][own] == 1) > MOSTLY:
        return False
    return not np.median(low[known]) <= elastance <= np.median(high[known])


def trapping_of(window: Window, mechanics: Mechanics) -> tuple[Mechanics, Trapped | None, list[str]]:
    """The lung of breaths that trap unequally, what is trapped, and both in words: by holds, else within bounds. The
    same lung and None where breaths tell both.

    Raises
    ------
    FitError
        No holds, and no inflation at a constant flow that would bound elastance.
    """
    if not untold(window, mechanics):
        return mechanics, None, []
    table = window.review.breaths[window.passive.tolist()]
    keys = ("peep_cmh2o", "vti_ml", "expiratory_time_s")
    told = [float(value) for key in keys if isinstance(value := table[key].median(), float)]
    waves = some_waves(window, window.passive)
    held = by_holds(window)
    bounds = None if held else inflating(waves)
    if len(told) < len(keys) or (held is None and bounds is None):
        raise FitError(
            "parts of the lung trap unequally: breaths tell neither compliance nor total PEEP",
            where="not identifiable from this stretch", expected=HOLDS,
            remedy="A lung by --assume names one instead.",
        )  # fmt: skip
    peep, volume, seconds = told[0], told[1] / 1000, told[2]
    if held is not None:
        elastance, relative, total = held
        trapped = max(total - peep, LEAST_TRAPPED)
        found = Trapped(peep, trapped, TRAPPED_DOUBT * trapped, volume, seconds, held=True)
        words = (
            f"compliance {1000 / elastance:.0f} mL/cmH2O and total PEEP {total:.1f} cmH2O are those of the holds, "
            "which tell more than breaths where parts of the lung trap unequally"
        )
        return anchored_at(mechanics, waves, found, elastance, relative), found, [words]
    assert bounds is not None
    ends = float(mechanics.theta[ELASTANCE]), max(bounds, 1e-3)
    elastance = float(np.sqrt(ends[0] * ends[1]))
    relative = max(abs(float(np.log(ends[1] / ends[0]))) / BOUNDS_APART, HELD_DOUBT)
    most = max(elastance * leaving(waves), LEAST_TRAPPED)
    least = max(0.5 * LEAST_TRAPPED, most - max(peep, 0.0))
    found = Trapped(peep, 0.5 * (least + most), 0.5 * (most - least), volume, seconds)
    found = found._replace(error=float(np.hypot(found.error, TRAPPED_DOUBT * found.pressure)))
    said = (
        f"compliance lies between {1000 / max(ends):.0f} mL/cmH2O, of the inflation, and {1000 / min(ends):.0f}, "
        f"of the whole breath, total PEEP between {peep + least:.1f} and {peep + most:.1f} cmH2O; {HOLDS} would "
        "measure both"
    )
    words = f"parts of the lung trap unequally, so that breaths tell neither compliance nor total PEEP: {said}"
    return anchored_at(mechanics, waves, found, elastance, relative), found, [words]


def by_holds(window: Window) -> tuple[float, float, float] | None:
    """Elastance (cmH2O/L), its relative error and total PEEP by steady holds under the window's setting; None where
    one of both is missing."""
    review, rate_hz = window.review, float(window.review.recording.rate_hz)
    occlusions = [hold for hold in review.holds if hold.kind == "expiratory"]
    totals = [lent(int(j), review.mechanics, occlusions, rate_hz) for j in window.passive]
    known = [total for total in totals if total is not None]
    stiff = [
        1000.0 / hold.static_compliance_ml_cmh2o
        for hold in review.holds
        if hold.static_compliance_ml_cmh2o
        and hold.quality == ("steady",)
        and setting_at(review, hold.at_s) == window.setting
    ]
    if not known or not stiff:
        return None
    return float(np.median(stiff)), HELD_DOUBT / float(np.sqrt(len(stiff))), float(np.median(known))


def inflating(waves: Sequence[Wave]) -> float | None:
    """Elastance by the rise of pressure while flow is constant, cmH2O/L; None where it is not."""
    slopes = []
    for each in waves:
        flow = each.flow[: each.turn]
        full = each.clear[: each.turn] & (flow > FULL * np.nanmax(flow, initial=0.0))
        if full.sum() < 10 or np.std(flow[full]) > CONSTANT * np.mean(flow[full]):
            return None
        slopes.append(float(np.polyfit(each.volume[: each.turn][full], each.pressure[: each.turn][full], 1)[0]))
    return float(np.median(slopes)) if slopes else None


def leaving(waves: Sequence[Wave]) -> float:
    """Volume that the flow at the end of expiration would still let out, L: its time constant in the later half of
    expiration times that flow."""
    out = []
    for each in waves:
        later = np.arange((each.turn + len(each.flow)) // 2, len(each.flow))
        later = later[each.clear[later]]
        slope, _ = np.polyfit(each.flow[later], each.volume[later], 1)
        out.append(float(slope) * float(np.median(each.flow[later][-10:])))
    return max(0.0, float(np.median(out)))


def anchored_at(
    mechanics: Mechanics, waves: Sequence[Wave], trapped: Trapped, elastance: float, relative: float
) -> Mechanics:
    """Mechanics with elastance and total PEEP put there, inspiratory resistance fitted again beside them."""
    theta, covariance = mechanics.theta.copy(), mechanics.covariance.copy()
    total = trapped.peep + trapped.pressure
    resisted = []
    for each in waves:
        inward = each.clear & (each.flow > 0)
        flow = each.flow[inward]
        left = each.pressure[inward] - total - elastance * each.volume[inward] - theta[TURBULENCE] * flow**2
        resisted.append(float(left @ flow / (flow @ flow)))
    theta[ELASTANCE], theta[INSPIRATION] = elastance, max(float(np.median(resisted)), 0.05)
    theta[EXPIRATION] = trapped.resistance(np.array(elastance), np.array(trapped.pressure))
    for k, error in ((ELASTANCE, relative * elastance), (EXPIRATION, 0.0)):
        covariance[k, :] = covariance[:, k] = 0.0
        covariance[k, k] = error**2
    peeps = np.full(len(mechanics.total_peep), total)
    return replace(mechanics, theta=theta, covariance=covariance, total_peep=peeps, relaxation_s=1.0)


def limit_of(window: Window, trapped: Trapped, elastance: float) -> Limitation | None:
    """A limit that may be behind what is trapped; None where a change of PEEP has refuted it."""
    unfelt, why = evidence(window)
    if unfelt == np.inf:
        return None
    total = trapped.peep + trapped.pressure
    share = UNDECIDED if unfelt is None else 1.0
    return Limitation(share, why, trapped.peep, total, total + elastance * trapped.volume, trapped.seconds)


def emptied(fit: Fit) -> Fit:
    """The fit whose expiration leaves what is trapped, with valve and turbulence; as it is where nothing does."""
    from scipy.optimize import brentq

    from tidebench.fitting.predict import predict

    told = fit.trapped
    if told is None or (fit.limitation is not None and fit.limitation.share > UNDECIDED):
        return fit

    def beyond(log_scale: float) -> float:
        moved = replace(fit, trapped=told._replace(scale=float(np.exp(log_scale))))
        here = predict(moved, n=1).quantities
        return float(here["total_peep_cmh2o"][0]) - told.peep - told.pressure

    low, high = np.log(SLOWER)
    if not beyond(low) < 0 < beyond(high):
        return fit
    scale = float(np.exp(brentq(beyond, low, high, xtol=NEAR)))
    theta = fit.mechanics.theta.copy()
    theta[EXPIRATION] *= scale
    return replace(fit, mechanics=replace(fit.mechanics, theta=theta), trapped=told._replace(scale=scale))
