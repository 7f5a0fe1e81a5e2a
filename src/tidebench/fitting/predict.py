"""Prediction: the fitted patient, drawn within the doubt, on settings of now or of then, to the steady breath."""

from __future__ import annotations

import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import polars as pl

from tidebench.errors import CaseError, OptionError
from tidebench.fitting.changed import bi_level, changed
from tidebench.fitting.compartments import LEAST_RESISTANCE, LEAST_SLOW, parallel
from tidebench.fitting.fit import Fit, rescaled
from tidebench.fitting.measured import KEYS, RATE_HZ, measured
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
from tidebench.fitting.records import FitError, Samples
from tidebench.fitting.told import LEAK_DOUBT
from tidebench.mode import parse_mode
from tidebench.simulation.patient import Compartment, Sigmoid
from tidebench.simulation.scenario import Scenario, scenario_from
from tidebench.simulation.setup import start_of
from tidebench.simulation.solution import Solution, simulate

SAMPLES = 200
WITH_WAVES = 60  # drawn patients whose signals are kept, from which bands of curves are drawn
EMPTIED, LEAST_SETTLE_S, MEASURED = 8.0, 6.0, 3  # time constants; s; breaths
BREATHING_SETTLE_S, BREATHING_S = 15.0, 45.0
LONGEST_S = 240.0
STEP_MS = 2.5
"""Of the solver, longer than a scenario's: an implicit midpoint rule whose events fall on steps' ends moves volumes by
less than 0.1 % and pressures by less than 0.01 cmH2O with it."""
USUAL_BASE_L_MIN, BASE_OVER_TRIGGER, MOST_BASE_L_MIN = 3.0, 1.5, 40.0  # common practice, no source
PART = {"compliance_ml_cmh2o": 50.0, "resistance_cmh2o_s_l": 5.0}  # stands for the lung until one is drawn
POORLY, HARDLY = 0.1, 0.3  # of the recorded volume that the fitted patient misses: said, and refused
CHANNELS = ("airway_pressure", "flow", "lung_volume")
LEAST_REACHING = 0.05  # of a breath, where it is hardly larger than the dead space
ROUNDS = 4
NAME = "what-if"
ONLY_SETTING = f"{NAME}: [[settings]] no. 1"
"""Where the scenario's reader says that a rehearsed setting stands."""
UNANSWERED = 0.15  # of efforts, from where breaths of several kinds take turns (this house's choice)


@dataclass(frozen=True)
class Prediction:
    """What a fitted patient does on some settings.

    Attributes
    ----------
    setting : dict
        Keys of a case's ``[[settings]]``.
    quantities : mapping of str to ndarray, shape (n,)
        Medians over the breaths of each drawn patient, by key of the breath table; the first is the estimate's. NaN
        where a quantity does not apply.
    ventilation_l_min : ndarray, shape (n,)
        Alveolar ventilation, BTPS.
    simulated : tuple of (Solution, float)
        The simulations of the first drawn patients, at most :data:`WITH_WAVES`, and from when on the breaths of each
        count, s; the first is the estimate's.
    """

    setting: dict[str, Any]
    quantities: Mapping[str, Samples]
    ventilation_l_min: Samples
    simulated: tuple[tuple[Solution, float], ...]

    @property
    def estimate(self) -> Solution:
        """The simulation of the estimate."""
        return self.simulated[0][0]


def tables_of(fit: Fit, changes: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The scenario's tables without the lung's draws, and the settings as a person would write them."""
    case = fit.window.review.case
    setting = changed(fit.setting, changes)
    if fit.drive is None and setting.get("rate_per_min") == 0:
        raise CaseError(
            "is 0, and nobody was seen to breathe", where="rate_per_min", expected="above 0 for a passive patient"
        )
    if fit.drive is None and changes and alone(setting):
        raise CaseError(
            f"in {setting['mode']} every breath is the patient's, and nobody was seen to breathe", where="what-if",
            expected="a mode with breaths of its own, such as A/C-VC or A/C-PC",
        )  # fmt: skip
    as_said = {"lung": {"compartments": [PART]}, "effort": {"rate_per_min": 10.0}, "settings": [setting]}
    try:
        scenario_from(as_said, name=NAME)  # before it is moved to what was recorded
    except CaseError as refusal:
        raise of_setting(refusal) from None
    applied = dict(setting)
    if fit.peep_cmh2o and "peep_cmh2o" in applied:
        applied["peep_cmh2o"] = max(0.0, applied["peep_cmh2o"] + fit.peep_cmh2o)
        if bi_level(applied):
            applied["pressure_low_cmh2o"] = applied["peep_cmh2o"]
        if (
            "inspiratory_pressure_cmh2o" in applied
            and {"pressure_control_cmh2o", "pressure_support_cmh2o"} & applied.keys()
        ):
            del applied["inspiratory_pressure_cmh2o"]
    if "tidal_volume_ml" in applied:
        applied["tidal_volume_ml"] *= fit.volume_gain
    tables: dict[str, Any] = {
        "title": "what-if",
        "duration_s": LONGEST_S,
        "sampling_hz": RATE_HZ,
        "patient": case.patient.model_dump(mode="json", exclude_none=True),
        "circuit": case.circuit.model_dump(mode="json", exclude_none=True, exclude={"dead_space_ml"}),
        "lung": {"compartments": [PART]},
        "ventilator": {
            "valve_resistance_cmh2o_s_l": fit.valve_cmh2o_s_l,
            "base_flow_l_min": base_flow_l_min(case.circuit.base_flow_l_min, fit.setting, setting),
        },
        "settings": [applied],
    }
    if fit.leak:
        tables["leak"] = dict(fit.leak)
    if fit.drive is not None:
        tables["effort"] = {"rate_per_min": min(fit.drive.rate_per_min, 110.0), "size_cmh2o": 5.0, "neural_time_s": 0.2}
        tables["effort"] |= {
            "rate_cv": fit.drive.rate_cv,
            "size_cv": fit.drive.size_cv,
            "neural_time_cv": fit.drive.neural_time_cv,
        }
        tables["effort"] |= {"relaxing_time_s": fit.drive.relaxing_time_s}
    return tables, setting


def of_setting(refusal: CaseError) -> CaseError:
    """A refusal of the one setting that is rehearsed, which stands at its key and not in a list of settings."""
    key = refusal.where.removeprefix(ONLY_SETTING).removeprefix(", ")
    return CaseError(refusal.problem, where=key or NAME, expected=refusal.expected, remedy=refusal.remedy)


def alone(setting: Mapping[str, Any]) -> bool:
    """True where no breath comes unless the patient begins it."""
    try:
        return not bi_level(setting) and parse_mode(setting["mode"]).mandatory is None
    except ValueError:
        return False  # the scenario says what a mode is


def base_flow_l_min(told: float | None, *settings: Mapping[str, Any]) -> float:
    """Base flow as the case tells it, or usual; more than any trigger of flow, which could not be met else."""
    asked = max(float(each.get("trigger_flow_l_min") or 0.0) for each in settings)
    return min(max(USUAL_BASE_L_MIN if told is None else told, BASE_OVER_TRIGGER * asked), MOST_BASE_L_MIN)


def drawn(scenario: Scenario, fit: Fit, lung: Samples, effort: Samples, seed: int) -> tuple[Scenario, float]:
    """The scenario of one drawn patient, and from when on its breaths count, s."""
    rest = {"pleural_pressure_cmh2o": lung[AGAINST]}
    tissue = {"relaxation_elastance_cmh2o_l": lung[RELAXATION], "relaxation_time_s": fit.mechanics.relaxation_s}
    if fit.mechanics.uneven:
        tissue = {"relaxation_elastance_cmh2o_l": 0.0}
    parts = two_parts(fit, lung) if fit.mechanics.uneven else (one_part(fit, lung),)
    update: dict[str, Any] = {
        "lung": scenario.lung.model_copy(update={"compartments": parts, **tissue, **rest}),
        "seed": seed,
        "leak": scenario.leak.model_copy(update={"flow_l_min": scenario.leak.flow_l_min * leak_share(seed)}),
    }
    if fit.drive is not None:
        rate = min(float(effort[2]), 0.95 * 60.0 / (effort[1] + 1.4 * fit.drive.relaxing_time_s))
        told = {"size_cmh2o": float(effort[0]), "neural_time_s": float(effort[1]), "rate_per_min": rate}
        update["effort"] = scenario.effort.model_copy(update=told)
        update["duration_s"] = BREATHING_SETTLE_S + BREATHING_S
        return scenario.model_copy(update=update), BREATHING_SETTLE_S
    settle, whole = time_needed(scenario, fit, lung)
    update["duration_s"] = whole
    return scenario.model_copy(update=update), settle


def leak_share(k: int) -> float:
    """The ``k``-th patient's leak over the estimate's; 1 for the estimate."""
    return 1.0 if k == 0 else float(np.exp(LEAK_DOUBT * np.random.default_rng([k, 17]).standard_normal()))


def one_part(fit: Fit, lung: Samples) -> Compartment:
    """The one compartment of a drawn lung."""
    k1 = fit.tube[0] if fit.mechanics.known_square else 0.0
    bent = lung[SPAN] > 0
    return Compartment.model_construct(
        compliance_ml_cmh2o=None if bent else 1000.0 / lung[ELASTANCE],
        sigmoid=curve(lung) if bent else None,
        resistance_cmh2o_s_l=max(LEAST_RESISTANCE, lung[INSPIRATION] - k1),
        expiratory_resistance_cmh2o_s_l=max(LEAST_RESISTANCE, lung[EXPIRATION] - k1),
        limiting_resistance_cmh2o_s_l=lung[LIMIT] or None,
        recruitment=None,
    )


def two_parts(fit: Fit, lung: Samples) -> tuple[Compartment, ...]:
    """The two compartments of a drawn lung that is uneven; expiration meets as much more in both as in the whole."""
    k1 = fit.tube[0] if fit.mechanics.known_square else 0.0
    into, out = (max(LEAST_RESISTANCE, lung[k] - k1) for k in (INSPIRATION, EXPIRATION))
    slow = max(lung[RELAXATION], LEAST_SLOW)
    told = parallel(*(np.array(value) for value in (lung[ELASTANCE], into, slow, fit.mechanics.relaxation_s)))
    return tuple(
        Compartment.model_construct(
            compliance_ml_cmh2o=1000.0 / float(stiff), sigmoid=None, resistance_cmh2o_s_l=float(narrow),
            expiratory_resistance_cmh2o_s_l=float(narrow) * out / into, limiting_resistance_cmh2o_s_l=None,
            recruitment=None,
        )
        for stiff, narrow in ((told.fast_elastance, told.fast_resistance), (told.slow_elastance, told.slow_resistance))
    )  # fmt: skip


def curve(lung: Samples) -> Sigmoid:
    """The sigmoid of a drawn lung."""
    return Sigmoid.model_construct(
        low_ml=0.0, span_ml=1000.0 * lung[SPAN], middle_cmh2o=lung[MIDDLE], width_cmh2o=lung[WIDTH]
    )


def time_needed(scenario: Scenario, fit: Fit, lung: Samples) -> tuple[float, float]:
    """How long a passive patient takes to the steady breath, and with the breaths that are measured, s."""
    setting = scenario.settings[0]
    period = 60.0 / setting.rate_per_min if setting.rate_per_min else 5.0
    if setting.bi_level:
        period = (setting.time_high_s or 0.0) + (setting.time_low_s or 0.0)
    slowest = (max(lung[EXPIRATION], lung[LIMIT]) + fit.valve_cmh2o_s_l + 0.5 * lung[TURBULENCE]) / lung[ELASTANCE]
    if fit.mechanics.uneven:
        slowest = max(
            (part.expiratory_resistance_cmh2o_s_l or 0.0) * (part.compliance_ml_cmh2o or 0.0) / 1000
            for part in two_parts(fit, lung)
        )
    settle = max(LEAST_SETTLE_S, EMPTIED * slowest + 2 * period, 4 * fit.mechanics.relaxation_s)
    if setting.mandatory_type == "vtPC":
        settle += 12 * period
    settle = min(settle, LONGEST_S - (MEASURED + 1) * period - 1.0)
    return settle, settle + (MEASURED + 1.2) * period + 1.0


def run_one(scenario: Scenario, fit: Fit, lung: Samples, effort: Samples, seed: int) -> tuple[Solution, float]:
    """Simulate one drawn patient."""
    told, settle = drawn(scenario, fit, lung, effort, seed)
    start = start_of(told)
    patient = start.memory.patient[0]
    patient["tube_k1"] = fit.tube[0] if fit.mechanics.known_square else 0.0
    patient["tube_k2"] = lung[TURBULENCE]
    if fit.drive is not None:
        machine = start.memory.machine[0]
        machine["trigger_delay"] = effort[3]
        machine["cycling"] = min(machine["cycling"] * effort[4], 0.95)
    return simulate(told, CHANNELS, start=start), settle


def predict(fit: Fit, changes: Mapping[str, Any] | None = None, n: int = SAMPLES, seed: int = 0) -> Prediction:
    """Simulate ``n`` patients within the doubt of a fit on its settings with some changed.

    Parameters
    ----------
    fit : Fit
    changes : mapping, optional
        Keys of a case's ``[[settings]]`` and their new values.
    n : int
        Patients drawn; the first is the estimate.
    seed : int
        The same seed draws the same patients, for now and for then.

    Raises
    ------
    CaseError
        A key that no setting has, a value outside its range, a setting that the mode does not take.
    OptionError
        Nobody to draw, or a seed that draws nothing.
    SimulationError
        A patient for whom the simulation can't go on.
    """
    if n < 1 or seed < 0:
        raise OptionError(
            f"{n} patients and seed {seed}", where="what-if", expected="at least 1 patient, a seed from 0"
        )
    tables, setting = tables_of(fit, changes or {})
    scenario = scenario_from(tables, name=NAME).model_copy(update={"step_ms": STEP_MS})
    lungs, efforts = fit.draws(n, seed)
    lungs[:, [ELASTANCE, SPAN]] *= np.stack([stiff := fit.stiffer(setting, n, seed), 1.0 / stiff], axis=1)
    one = partial(_one, scenario, fit)
    if n < 4:
        rows = [one(lungs[k], efforts[k], k) for k in range(n)]
    else:
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            rows = list(pool.map(one, lungs, efforts, range(n)))
    quantities = {key: np.array([values[key] for values, _, _ in rows]) for key in KEYS}
    gas = fit.exchange.draw(np.random.default_rng([seed, 7]), n)
    volume = np.array([values.get("mean_vte_ml", np.nan) for values, _, _ in rows])
    reaching = np.maximum(volume - gas[:, 0], LEAST_REACHING * volume)
    ventilation = quantities["rate_per_min"] * reaching * (1.0 - gas[:, 1]) / 1000
    kept = tuple((done, settle) for _, done, settle in rows if done is not None)
    return Prediction(setting, quantities, ventilation, kept)


def _one(
    scenario: Scenario, fit: Fit, lung: Samples, effort: Samples, k: int
) -> tuple[dict[str, float], Solution | None, float]:
    """The quantities of the ``k``-th patient; the simulations of the first ones are kept."""
    done, settle = run_one(scenario, fit, lung, effort, k)
    return measured(done, settle, fit), done if k < WITH_WAVES else None, settle


def anchored(fit: Fit) -> Fit:
    """The fit with what its settings leave open moved until the present is reproduced.

    Delivered volume, PEEP, effort size and neural time follow what was recorded: a difference of volume asks for its
    elastic pressure of muscle, a difference of inspiratory time for as much neural time.
    """
    told = fit.recorded
    for _ in range(ROUNDS):
        now = predict(fit, n=1).quantities
        peep = told.get("peep_cmh2o", np.nan) - float(now["peep_cmh2o"][0])
        volume, had = told.get("vti_ml", np.nan), float(now["vti_ml"][0])
        if not np.isfinite(volume + had) or had <= 0:
            raise _no_breath(fit)
        gain = volume / had if "tidal_volume_ml" in fit.setting else 1.0
        size = time = 1.0
        if fit.drive is not None and "tidal_volume_ml" not in fit.setting and fit.rises is None:
            asked = fit.mechanics.theta[ELASTANCE] * (volume - had) / 1000
            size = float(np.clip(1 + asked / fit.drive.size_cmh2o, 0.5, 2.0))
            lasts = told.get("inspiratory_time_s", np.nan) - float(now["inspiratory_time_s"][0])
            if fit.setting["mode"].startswith("CSV") and np.isfinite(lasts):
                time = float(np.clip(1 + 0.7 * lasts / fit.drive.neural_time_s, 0.6, 1.6))
        fit = rescaled(fit, size, time, gain, float(np.clip(peep if np.isfinite(peep) else 0.0, -3, 3)))
    last = predict(fit, n=1)
    key = "vti_ml" if fit.rises is None else "minute_volume_l_min"  # at two levels breaths are of several sizes
    off = abs(float(last.quantities[key][0]) / told[key] - 1.0)
    if not np.isfinite(off):
        raise _no_breath(fit)
    if off > HARDLY:
        raise FitError(
            f"the volume that the fitted patient breathes is {100 * off:.0f} % off the recorded one",
            where="not identifiable from this stretch", **helps(fit),
        )  # fmt: skip
    poorly = (f"the present is reproduced poorly: volume {100 * off:.0f} % off",) if off > POORLY else ()
    return replace(fit, assumptions=(*fit.assumptions, *poorly), ventilation_l_min=float(last.ventilation_l_min[0]))


def helps(fit: Fit) -> dict[str, str]:
    """What would show a patient whose volume can't be reproduced, and why, where many efforts go unanswered."""
    window = fit.window
    efforts = window.review.efforts.filter(pl.col("start_s").is_between(window.from_s, window.to_s))
    share = float((efforts["outcome"] == "ineffective").sum()) / max(1, efforts.height)
    if fit.drive is None or share < UNANSWERED:
        return {"expected": "another stretch, a hold, or a lung by --assume"}
    return {
        "expected": "a stretch in which the ventilator answers most efforts, as with less support or earlier cycling",
        "remedy": f"{100 * share:.0f} % of efforts go unanswered: breaths of several kinds take turns, and which comes "
        "next hangs on the smallest difference, with a named lung too.",
    }


def _no_breath(fit: Fit) -> FitError:
    return FitError(
        "the fitted patient makes no breath on the settings of now", where="not identifiable from this stretch",
        **helps(fit),
    )  # fmt: skip
