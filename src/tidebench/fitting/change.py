"""What a change of settings would do: now against then, quantity by quantity, with doubt, limits and assumptions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from tidebench.fitting.changed import bi_level
from tidebench.fitting.compare import GAS_KEYS, TOLD, Compared, compared, edges
from tidebench.fitting.fit import Fit
from tidebench.fitting.measured import RATE_HZ
from tidebench.fitting.mechanics import ELASTANCE, EXPIRATION, RELAXATION
from tidebench.fitting.overlay import Band, Curves, Overlay, band, mean_breath, of_prediction, overlay
from tidebench.fitting.predict import SAMPLES, Prediction, predict
from tidebench.fitting.records import FitError, Samples
from tidebench.fitting.told import NAMES
from tidebench.fitting.unlived import PACO2, one_sided
from tidebench.limits import Limit, criteria, judge, limits_of_case, population
from tidebench.limits.record import Condition
from tidebench.mode import parse_mode
from tidebench.quantities import quantity

LEANING, FEWEST_DRAWS = ("vti_ml", "peak_pressure_cmh2o", "plateau_pressure_cmh2o", "total_peep_cmh2o"), 20
LEAST_LEANING = 0.02  # of a value: a smaller doubt leans on nothing that matters
KEPT = "effort is kept as it was: size, time and rate do not follow carbon dioxide or load"
RESTS = "nobody was seen to breathe, and nobody begins to"
TWICE = 1.25  # breaths for each effort, or each set one, from where some come in pairs (this house's choice)
TWO_KINDS = (
    "some breaths are mandatory and some supported: each number is the median of both kinds, and may leap from one to "
    "the other"
)
TWO_COMPLIANCES = 0.03  # by which the fit's differs from the breath table's before both are told
TWO_EFFORTS = 0.2  # by which the fitted effort differs from the measured one before it is said
RISEN_MMHG = 1.0  # of PaO2, from where its rise is explained
ANSWERED_MMHG = 5.0
"""A move of PaCO2 that a drive which is awake does not leave unanswered (common practice, no source)."""
GAIN_PER_MMHG, DRIVES, SETTLED = 0.08, (0.2, 3.0), 0.01
"""How much stronger drive is for each mmHg of PaCO2 (common practice, no source; patients differ widely), between which
bounds it is sought, and how near.
"""
LOAD_GAIN = 0.5
"""How much stronger drive is for each share of tidal volume that is lost: some of the volume is defended within a few
breaths (common practice, no source; patients differ widely)."""
SICK: tuple[Condition, ...] = ("ARDS", "paediatric ARDS", "respiratory distress syndrome")
TOLD_BY = {"spo2": "sao2"}
"""Quantities that a limit bounds, and what a rehearsal holds against it instead."""
WATCHED = ("peak_pressure_cmh2o", "total_peep_cmh2o", *GAS_KEYS)
AT_LIMIT = 1.0  # cmH2O
ENDED_BY_TIME = 0.98  # of the longest inflation of support: time ended it, and not flow
TWO_PARTS = (
    "the lung fills and empties as two compartments do: plateau, driving pressure and total PEEP of now are the fit's, "
    "those of the breath table are by one compartment; the plateau is recoil as flow stops, which a longer hold would "
    "let fall while gas moves between the two"
)
EVERY_RISE = "at two levels a breath is every rise of the lung's volume, whoever began it: the patient or the change"
BUFFERING = (
    "bicarbonate stays as it was; what is buffered within hours, 1 mmol/L up or 2 down for 10 mmHg of carbon dioxide, "
    "is in the doubt of pH, and what kidneys do over days is not"
)
UNCHANGED = "lung, airways and leak stay as they are: nothing opens, closes, dries or swells"
STEADY = (
    "carbon dioxide is that of the new steady state, which takes hours where ventilation falls; "
    "production stays as it is"
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
        """The mean breath to come: pressure, flow, volume; cut as late as that of now, so that both begin together."""
        curves = of_prediction(self.then, self.overlay.shift)
        return mean_breath(curves, int(np.median([len(p) for p, _, _ in curves]))) if curves else self.overlay.simulated

    @cached_property
    def bands(self) -> tuple[Band | None, Band | None]:
        """Where nine tenths of the drawn patients' mean breaths lie, now and then; None where too few breathe."""
        shown = self.overlay
        return band(self.now, shown.simulated, shown.shift), band(self.then, self.waves_then, shown.shift)


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
        Let drive follow carbon dioxide (:data:`GAIN_PER_MMHG`) and load (:data:`LOAD_GAIN`) instead of keeping effort
        as it was.

    Raises
    ------
    CaseError, SimulationError
        As :func:`predict`.
    """
    later, words = driven(fit, settings) if reacting else (fit, RESTS if fit.drive is None else KEPT)
    now, then = predict(fit, n=n, seed=seed), predict(later, settings, n, seed)
    found = compared(fit, now, then, seed)
    changes = tuple(
        changed_of(key, found)
        for key, draws in found.now.items()
        if not (key == "effort_cmh2o" and fit.drive is None)  # nobody was seen to breathe: not a measured nothing
        if np.isfinite(draws).any() or np.isfinite(found.then[key]).any()
    )
    limits = tuple(against(fit, found.now, found.then))
    limited = tuple(one.words for one in (fit.limitation, fit.bend, fit.steps) if one is not None)
    limited += (TWO_PARTS,) if fit.mechanics.uneven else ()
    built = then.estimate.scenario.ventilator.pressure_limit_cmh2o
    if then.quantities["peak_pressure_cmh2o"][0] > built - AT_LIMIT:
        limited += (f"pressure is cut at {built:g} cmH2O, a limit that is assumed: what is set does not all arrive",)
    limited += ended_by_time(then)
    counted = (EVERY_RISE,) if bi_level(then.setting) and fit.drive is not None else ()
    assumptions = (
        *fit.assumptions,
        words,
        *(() if reacting or fit.drive is None else unanswered(found)),
        *limited,
        *counted,
        *two_compliances(fit),
        *two_efforts(fit),
        *in_pairs(later, then),
        UNCHANGED,
        *exchange_words(fit),
        *shifted_oxygen(found),
        *unjudged(fit, found.then),
    )
    shown = overlay(fit, now)
    return WhatIf(fit, now, then, changes, limits, shown, assumptions, found.beyond, leaning(later, then, seed))


def changed_of(key: str, found: Compared) -> Change:
    """One quantity now and then; where carbon dioxide stops at what nobody lives with, the change ends there too."""
    now, then = edges(found.now[key]), edges(found.then[key])
    moves = edges(found.then[key] - found.now[key])
    if PACO2 not in found.then:
        return Change(key, now, then, moves)
    then = one_sided(key, then, edges(found.then[PACO2]))
    ends = [move if np.isfinite(end) else end for move, end in zip(moves, then, strict=True)]
    return Change(key, now, then, (ends[0], ends[1], ends[2]))


def in_pairs(fit: Fit, then: Prediction) -> tuple[str, ...]:
    """In words, that breaths are of two kinds, or come in pairs; nothing where they are alike."""
    mode, rate = parse_mode(then.setting["mode"]), float(then.quantities["rate_per_min"][0])
    if fit.drive is None or bi_level(then.setting):
        return ()
    kinds = (TWO_KINDS,) if mode.mandatory is not None and mode.support is not None else ()
    if not rate > TWICE * max(fit.drive.rate_per_min, float(then.setting.get("rate_per_min") or 0.0)):
        return kinds
    return (
        *kinds,
        f"{fit.drive.rate_per_min:.0f} efforts per minute begin breaths at {rate:.0f} per minute: efforts outlast "
        "their inflations and begin a second one, or breaths begin without one; rate and volumes are medians of "
        "breaths that differ",
    )


def two_compliances(fit: Fit) -> tuple[str, ...]:
    """In words, that the fit's compliance is not that of the breath table, and why; nothing where it is."""
    measured, own = fit.recorded.get("compliance_ml_cmh2o", np.nan), 1000.0 / float(fit.mechanics.theta[ELASTANCE])
    if not fit.identifiable or not abs(own - measured) > TWO_COMPLIANCES * measured:
        return ()
    why = (
        "the fit tells slow pressure apart, so that its compliance is that of a lung in which it has faded"
        if fit.mechanics.theta[RELAXATION] > 0
        else "the breath table's may allow for parts that fill slowly, read off the average breath, which the fit, for "
        "want of proof, leaves in its one compartment"
    )
    return (
        f"compliance of the breath table is {measured:.3g} mL/cmH2O, the fit's {own:.3g}: {why}; what is rehearsed has "
        "the fit's",
    )


def two_efforts(fit: Fit) -> tuple[str, ...]:
    """In words, that the effort of the breath table is not the one that the fitted lung needs; nothing where it is."""
    measured = fit.recorded.get("effort_cmh2o", np.nan)
    if fit.drive is None or not abs(fit.drive.size_cmh2o - measured) > TWO_EFFORTS * measured:
        return ()
    return (
        f"the effort of now is that of the breath table, {measured:.1f} cmH2O; with the fitted lung it takes "
        f"{fit.drive.size_cmh2o:.1f} cmH2O to breathe what was recorded, and that is what is rehearsed",
    )


def unanswered(found: Compared) -> tuple[str, ...]:
    """In words, that carbon dioxide moves so far that a drive would answer; nothing where it doesn't, or isn't told."""
    if "paco2_mmhg" not in found.now:
        return ()
    moves = float(found.then["paco2_mmhg"][0] - found.now["paco2_mmhg"][0])
    if abs(moves) < ANSWERED_MMHG:
        return ()
    way = ("rise", "more") if moves > 0 else ("fall", "less")
    return (
        f"PaCO2 would {way[0]} by {abs(moves):.0f} mmHg while effort stays: most patients would breathe {way[1]}, "
        "which a rehearsal with a drive that reacts follows",
    )


def shifted_oxygen(found: Compared) -> tuple[str, ...]:
    """In words, why PaO2 rises where ventilation falls; nothing where it doesn't."""
    if "pao2_mmhg" not in found.then or "ph" not in found.then:
        return ()
    more, acid = (float(found.then[key][0] - found.now[key][0]) for key in ("pao2_mmhg", "ph"))
    if not (more > RISEN_MMHG and acid < 0):
        return ()
    return (
        "PaO2 rises though ventilation falls: the shunt stays, so that blood arrives with nearly the oxygen it had, "
        "and more acid blood holds it less tightly (Bohr); saturation tells more of the oxygen that is carried",
    )


def ended_by_time(then: Prediction) -> tuple[str, ...]:
    """In words, that flow does not end the inflations of some drawn patients; nothing where it does."""
    if parse_mode(then.setting["mode"]).mandatory is not None:
        return ()
    longest = then.estimate.scenario.ventilator.longest_support_s
    share = float(np.mean(then.quantities["inspiratory_time_s"] > ENDED_BY_TIME * longest))
    if not share:
        return ()
    return (
        f"in {100 * share:.0f} % of drawn patients flow no longer ends most inflations: time does, after {longest:g} s "
        f"(assumed)",
    )


def driven(fit: Fit, settings: Mapping[str, Any]) -> tuple[Fit, str]:
    """The fit with the drive that the new load and carbon dioxide call for, and what that assumes.

    Size follows drive, rate its square root, as in the simulator. Without a blood gas load alone is followed.

    Raises
    ------
    FitError
        Nobody breathes.
    """
    if fit.drive is None:
        raise FitError("drive can't react", where="what-if", expected="a patient who breathes")
    from scipy.optimize import brentq

    now = predict(fit, n=1)

    def lacking(strength: float) -> float:
        """How much more drive is called for than there is, where it is so strong: it falls as drive rises."""
        then = predict(stronger(fit, strength), settings, n=1)
        asked = 1.0 + LOAD_GAIN * (1.0 - float(then.quantities["vti_ml"][0] / now.quantities["vti_ml"][0]))
        paco2 = fit.exchange.paco2(now.ventilation_l_min, then.ventilation_l_min)
        if paco2 is not None and fit.exchange.paco2_mmhg is not None:
            asked *= 1.0 + GAIN_PER_MMHG * (float(paco2[0]) - fit.exchange.paco2_mmhg)
        return float(np.clip(np.nan_to_num(asked, nan=strength), *DRIVES)) - strength

    low, high = (lacking(end) for end in DRIVES)
    strength = DRIVES[int(high > 0)] if low * high >= 0 else float(brentq(lacking, *DRIVES, xtol=SETTLED))
    gas = "" if fit.exchange.paco2_mmhg is not None else f"; not carbon dioxide: {fit.exchange.reason}"
    words = (
        f"drive follows load, by {100 * LOAD_GAIN:g} % of the volume that is lost, and carbon dioxide, by "
        f"{100 * GAIN_PER_MMHG:g} % for each mmHg (assumed; patients differ widely): {strength:.2f} times as strong as "
        f"it was{gas}"
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
    if fit.limitation is not None:
        del drawn[NAMES[EXPIRATION][0]]  # moves with the limit
    drawn |= {"effort_cmh2o": efforts[:, 0], "neural_time_s": efforts[:, 1]}
    out = {}
    for key in LEANING:
        values = then.quantities[key]
        if n > FEWEST_DRAWS and np.isfinite(values).all() and np.ptp(values) > LEAST_LEANING * abs(values[0]):
            shares = {
                name: float(np.corrcoef(values, column)[0, 1] ** 2)
                for name, column in drawn.items()
                if np.ptp(column) > 0
            }
            out[key] = {name: round(share, 3) for name, share in shares.items() if share > 1.0 / n}
    return out


def against(fit: Fit, before: Mapping[str, Samples], after: Mapping[str, Samples]) -> list[Against]:
    """How the patient's limits are met or crossed."""
    out = []
    for limit in limits_of(fit):
        key = TOLD_BY.get(limit.key, limit.key)
        unseen = key == "effort_cmh2o" and fit.drive is None
        if key in TOLD and key in before and not unseen:
            pair = [(judge(limit, edges(side[key])[0]), share_beyond(limit, side[key])) for side in (before, after)]
            out.append(Against(limit, pair[0][0], pair[1][0], pair[0][1], pair[1][1]))
    return out


def limits_of(fit: Fit) -> list[Limit]:
    """The patient's limits under the condition that the case states; of a quantity that has none, one that is made for
    a sick lung (it carries its condition, and nobody says that this patient is in it)."""
    review = fit.window.review
    patient, policy = review.case.patient, review.policy
    chosen = {limit.key: limit for limit in limits_of_case(review.case, policy=policy)}
    for condition in SICK:
        for key, limit in criteria(patient, condition, policy=policy).items():
            chosen.setdefault(key, limit)
    return list(chosen.values())


def unjudged(fit: Fit, after: Mapping[str, Samples]) -> list[str]:
    """What no limit covers, in words."""
    group, reason = population(fit.window.review.case.patient)
    if group is None:
        return [f"nothing is held against published limits: {reason}"]
    covered = {TOLD_BY.get(limit.key, limit.key) for limit in limits_of(fit)}
    bare = [quantity(key).label for key in WATCHED if key in after and key not in covered]
    return [f"no limit here covers {', '.join(bare)}: within no limits does not mean safe"] if bare else []


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
    where = "measured by the capnogram" if exchange.capnogram else "assumed, with their spread"
    said = [
        STEADY,
        f"airway dead space {exchange.dead_space_ml:.0f} mL and an alveolar one of "
        f"{100 * exchange.alveolar_dead:.0f} % are {where}; PaCO2 moves inversely with what ventilation is left",
        exchange.drawn,
    ]
    if exchange.bicarbonate_mmol_l is not None:
        said.append(BUFFERING)
    if exchange.pao2_mmhg is None:
        said.append("no oxygen is told: the blood gas has no pao2_mmhg")
    else:
        said.append("shunt stays as it is, tissues take 5 mL of oxygen from a dL of blood (assumed, with its spread)")
    return said
