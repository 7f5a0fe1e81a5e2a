"""A patient fitted to a stretch of a review: lung, tube, leak, drive, and the ventilator as it behaved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tidebench.errors import OptionError
from tidebench.fitting.anchors import anchored_by_holds
from tidebench.fitting.behaviour import Behaviour, behaviour_of, threshold_l_min
from tidebench.fitting.effort import Drive, drive_by, drive_of
from tidebench.fitting.exchange import USUAL_KG, Exchange, exchange_of
from tidebench.fitting.limitation import Limitation, limitation_of
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
    Mechanics,
    fit_mechanics,
)
from tidebench.fitting.recoil import Bend, bend_of
from tidebench.fitting.records import FitError, Parameter, Samples, interval
from tidebench.fitting.ventilator import complete, some_waves, valve_resistance
from tidebench.fitting.window import FEWEST, Window, choose
from tidebench.limits import volume_weight_kg
from tidebench.review import Review
from tidebench.simulation.tube import tube_loss

MOSTLY = 0.8  # of the breaths are passive: nobody breathes
LEAST_AIRWAY = 0.3  # cmH2O·s/L beside the tube
FROM_PASSIVE, FROM_EDGES, ASSUMED = 0.05, 0.15, 0.2
"""Relative error of a lung that is borrowed from passive breaths elsewhere, read from edges of flow, or assumed."""
WALL_ML_CMH2O_KG, WALL_DOUBT = 2.9, 0.6
"""Chest wall, 4 % of a vital capacity of 70 mL/kg for each cmH2O (common practice, no source); its relative error."""
ASSUMABLE = {"compliance_ml_cmh2o": (0.05, 300.0), "inspiratory_resistance_cmh2o_s_l": (0.1, 500.0)}
PARAMETERS = 2000  # draws for intervals and correlations
NAMES = (
    ("elastance_cmh2o_l", "cmH2O/L"), ("inspiratory_resistance_cmh2o_s_l", "cmH2O·s/L"),
    ("expiratory_resistance_cmh2o_s_l", "cmH2O·s/L"), ("relaxation_elastance_cmh2o_l", "cmH2O/L"),
    ("turbulent_resistance_cmh2o_s2_l2", "cmH2O·s²/L²"), ("limiting_resistance_cmh2o_s_l", "cmH2O·s/L"),
    ("closing_pressure_cmh2o", "cmH2O"), ("sigmoid_span_l", "L"), ("sigmoid_middle_cmh2o", "cmH2O"),
    ("sigmoid_width_cmh2o", "cmH2O"),
)  # fmt: skip


@dataclass(frozen=True)
class Fit:
    """A fitted patient.

    Attributes
    ----------
    window : Window
    setting : dict
        Keys of a case's ``[[settings]]``, those that nobody gave read from the breaths.
    mechanics : Mechanics
    drive : Drive or None
        None where nobody breathes.
    exchange : Exchange
    tube : (float, float)
        k1 and k2 of the tube by its published law; zeros where there is none.
    valve_cmh2o_s_l : float
        Resistance of the expiratory valve.
    volume_gain : float
        Volume that reached the patient over the volume set, where one is set.
    peep_cmh2o : float
        What PEEP was beyond the set one, cmH2O.
    assumptions : tuple of str
        What was taken for granted, a sentence each.
    limitation : Limitation or None
        A limit of expiratory flow that the lung may have; None where nothing points to one.
    behaviour : Behaviour
        How the ventilator answered efforts: its trigger's delay, where it cycled.
    bend : Bend or None
        How recoil bends; None where it is taken for straight.
    """

    window: Window
    setting: dict[str, Any]
    mechanics: Mechanics
    drive: Drive | None
    exchange: Exchange
    tube: tuple[float, float]
    valve_cmh2o_s_l: float
    volume_gain: float = 1.0
    peep_cmh2o: float = 0.0
    assumptions: tuple[str, ...] = ()
    origin: str = ""
    identifiable: bool = True
    leak: Mapping[str, float | str] = field(default_factory=dict)
    ventilation_l_min: float = float("nan")
    limitation: Limitation | None = None
    behaviour: Behaviour = field(default_factory=Behaviour)
    bend: Bend | None = None

    @property
    def recorded(self) -> dict[str, float]:
        """Medians over the window's breaths, by key of the breath table."""
        table = self.window.review.breaths[self.window.breaths.tolist()]
        known = {key: table[key].median() for key, kind in table.schema.items() if kind.is_float()}
        told = {key: float(value) for key, value in known.items() if isinstance(value, float) and np.isfinite(value)}
        if "vte_ml" in told and "rate_per_min" in told:
            told["minute_volume_l_min"] = told["vte_ml"] * told["rate_per_min"] / 1000
        return told

    def draws(self, n: int, seed: int = 0) -> tuple[Samples, Samples]:
        """``n`` patients within the doubt: lungs, shape (n, 10), and efforts (size, time, rate, the trigger's
        delay, the share of peak flow at the turn over the one set), shape (n, 5).

        The first is the estimate itself. A stiffer or narrower lung needs a larger effort for the volume that was
        recorded, so sizes follow lungs.
        """
        rng = np.random.default_rng([seed, 5])
        lungs = self.mechanics.draw(rng, n)
        lungs[0] = self.mechanics.theta
        off = lungs - self.mechanics.theta
        limits = np.zeros((n, 2)) if self.limitation is None else self.limitation.draw(rng, lungs)
        bends = np.zeros((n, 3)) if self.bend is None else self.bend.draw(rng, lungs)
        lungs = np.concatenate([lungs, limits, bends], axis=1)
        if self.drive is None:
            return lungs, np.zeros((n, 5))
        efforts = self.drive.draw(rng, n)
        efforts[0] = (self.drive.size_cmh2o, self.drive.neural_time_s, self.drive.rate_per_min)
        told = self.recorded
        volume = told.get("vti_ml", 0.0) / 1000
        flow = volume / max(0.2, told.get("inspiratory_time_s", 1.0))
        efforts[:, 0] = np.maximum(efforts[:, 0] + off[:, ELASTANCE] * volume + off[:, INSPIRATION] * flow, 0.5)
        return lungs, np.concatenate([efforts, self.behaviour.draw(rng, n)], axis=1)

    def parameters(self) -> list[Parameter]:
        """Every parameter with its doubt, and why some can't be told."""
        lungs, efforts = self.draws(PARAMETERS)
        ok, why = self.identifiable, self.origin
        compliance = 1000.0 / lungs[:, ELASTANCE]
        out = [_parameter("compliance_ml_cmh2o", compliance, "mL/cmH2O", ok, why)]
        for k in (INSPIRATION, EXPIRATION):
            out.append(
                _parameter(NAMES[k][0], lungs[:, k], NAMES[k][1], ok, f"{why}; beside what grows with flow squared")
            )
        if self.mechanics.theta[RELAXATION] > 0:
            out.append(
                _parameter(
                    *_named(lungs, RELAXATION),
                    ok,
                    "slow pressure in the passive breaths: tissue, or parts that fill unevenly",
                )
            )
            tau = self.mechanics.relaxation_s
            out.append(
                Parameter("relaxation_time_s", tau, None, None, "s", ok, "the best of twelve between 0.12 and 2.5 s")
            )
        else:
            out.append(
                Parameter(
                    NAMES[RELAXATION][0], None, None, None, "cmH2O/L", False, "no slow pressure shows beyond its error"
                )
            )
        law = "the tube's, by its published law" if self.mechanics.known_square else "of passive breaths"
        out.append(
            _parameter(
                *_named(lungs, TURBULENCE),
                self.mechanics.known_square or bool(self.mechanics.theta[TURBULENCE] > 0),
                law,
            )
        )
        out += self._limit(lungs)
        if self.bend is not None:
            why = f"chords of {self.bend.levels} levels of PEEP"
            out += [_parameter(*_named(lungs, k), True, why) for k in (SPAN, MIDDLE, WIDTH)]
        out.append(self._total_peep())
        out += self._effort(efforts)
        return out + self.exchange.parameters(self.ventilation_l_min)

    def _limit(self, lungs: Samples) -> list[Parameter]:
        """The limit of expiratory flow, where there may be one."""
        if self.limitation is None:
            return []
        why = self.limitation.why
        if self.limitation.share < 1.0:
            return [Parameter(NAMES[k][0], None, None, None, NAMES[k][1], False, why) for k in (LIMIT, AGAINST)]
        return [_parameter(*_named(lungs, k), True, why) for k in (LIMIT, AGAINST)]

    def _total_peep(self) -> Parameter:
        peep = self.mechanics.total_peep
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

    def _effort(self, efforts: Samples) -> list[Parameter]:
        if self.drive is None:
            return [Parameter("effort_cmh2o", 0.0, 0.0, 0.0, "cmH2O", True, "no effort was seen")]
        why = f"{self.drive.count} efforts, {self.drive.source}"
        names = (("effort_cmh2o", "cmH2O"), ("neural_time_s", "s"), ("effort_rate_per_min", "/min"))
        own = [_parameter(key, efforts[:, k], unit, True, why) for k, (key, unit) in enumerate(names)]
        return own + self.behaviour.parameters(efforts[:, 3:], self.setting)

    def correlations(self) -> dict[str, dict[str, float]]:
        """Correlation of each pair of parameters that vary, by key."""
        lungs, efforts = self.draws(PARAMETERS)
        columns = {NAMES[k][0]: lungs[:, k] for k in range(lungs.shape[1])}
        if self.drive is not None:
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


def fit_patient(
    review: Review,
    from_s: float | None = None,
    to_s: float | None = None,
    *,
    assume: Mapping[str, float] | None = None,
) -> Fit:
    """Fit a patient to a stretch of a review.

    Parameters
    ----------
    review : Review
    from_s, to_s : float, optional
        The stretch; the best one is proposed where neither is given.
    assume : mapping of str to float, optional
        A lung that a person names (:data:`ASSUMABLE`) where the stretch shows none; it widens every interval.

    Raises
    ------
    FitError
        Too few breaths, settings that changed, or a patient who can't be told from this stretch, with the reason.
    """
    window = choose(review, from_s, to_s)
    waves = some_waves(window, window.breaths)
    setting, said = complete(window, waves)
    tube = tube_loss(review.case.airway)
    mechanics, origin, identifiable, notes = _mechanics(window, tube, assume or {})
    if window.setting.bi_level and len(window.passive) <= MOSTLY * len(window.breaths):
        raise FitError(
            "the patient breathes at two pressure levels, or may", where="not identifiable from this stretch",
            expected="a stretch of passive breaths, or in another mode",
        )  # fmt: skip
    drive = _drive(window, mechanics, bool(assume))
    said += notes
    if len(window.passive) < FEWEST and not assume:
        mechanics, drive, held = anchored_by_holds(window, mechanics, drive)
        said += [held] if held else []
    if drive is not None:
        said += with_trigger(window, setting)
    resting = drive is None and identifiable
    limitation = limitation_of(window, mechanics) if resting else None
    fit = Fit(
        window, setting, mechanics, drive, exchange_of(window), tube, valve_resistance(waves), assumptions=tuple(said),
        origin=origin, identifiable=identifiable, leak=_leak(window), limitation=limitation,
        behaviour=behaviour_of(window, setting) if drive is not None else Behaviour(),
        bend=bend_of(window, mechanics) if resting and limitation is None else None,
    )  # fmt: skip
    from tidebench.fitting.predict import anchored

    return anchored(fit)


def _mechanics(
    window: Window, tube: tuple[float, float], assume: Mapping[str, float]
) -> tuple[Mechanics, str, bool, list[str]]:
    square = tube[1] or None
    if assume:
        return _assumed(assume, square)
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
        return found, f"{len(window.passive)} passive breaths", True, []
    if "oesophageal_pressure" in window.review.recording:
        return _by_oesophagus(window, square)
    return _borrowed(window, square)


def _by_oesophagus(window: Window, square: float | None) -> tuple[Mechanics, str, bool, list[str]]:
    """The lung between airway and oesophageal pressure, from breaths with effort, and a chest wall that is assumed."""
    case, pleural = window.review.case, window.review.recording["oesophageal_pressure"]
    start = window.review.mechanics["start"]
    waves = []
    for each in some_waves(window, window.breaths):
        first = int(start[each.breath])
        across = each.pressure - pleural[first : first + len(each.pressure)]
        waves.append(replace(each, pressure=across, clear=each.clear & np.isfinite(across)))
    lung = fit_mechanics(waves, square)
    kg = volume_weight_kg(case.patient) or case.patient.weight_kg or USUAL_KG
    wall = 1000.0 / (WALL_ML_CMH2O_KG * kg)
    theta, covariance = lung.theta.copy(), lung.covariance.copy()
    theta[ELASTANCE] += wall
    covariance[ELASTANCE, ELASTANCE] += (WALL_DOUBT * wall) ** 2
    said = [
        f"the lung is that between airway and oesophageal pressure; the chest wall's {1000 / wall:.0f} mL/cmH2O are "
        f"assumed, within {100 * WALL_DOUBT:.0f} %"
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
            f"no breath was passive: the lung is read from edges of flow, and believed within {100 * doubt:.0f} % only"
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
        f"lung assumed, not measured: {', '.join(f'{key} {value:g}' for key, value in assume.items())}, "
        f"believed within {100 * ASSUMED:.0f} %; effort and every answer lean on it"
    ]
    return Mechanics(theta, covariance, 1.0, float("nan"), np.zeros(0), square is not None), "assumed", False, said


def _drive(window: Window, mechanics: Mechanics, assumed: bool) -> Drive | None:
    """The drive over the window; None where nearly every breath is passive.

    Raises
    ------
    FitError
        Too many breaths of which it can't be told whether the patient breathes.
    """
    if len(window.passive) > MOSTLY * len(window.breaths):
        return None
    if assumed:
        return drive_by(window, mechanics)
    drive = drive_of(window)
    if drive is None:
        raise FitError(
            f"whether the patient breathes can't be told of {len(window.breaths) - len(window.passive)} of "
            f"{len(window.breaths)} breaths", where="not identifiable from this stretch",
            expected="passive breaths, or efforts that show", remedy="A lung by --assume names one instead.",
        )  # fmt: skip
    return drive


def with_trigger(window: Window, setting: dict[str, Any]) -> list[str]:
    """Give a setting without a trigger the flow that was met before inflations, where one is seen, and say so."""
    if setting.get("trigger_flow_l_min") or setting.get("trigger_pressure_cmh2o"):
        return []
    met = threshold_l_min(window)
    if met is None:
        return []
    setting["trigger_flow_l_min"] = met
    return [f"no trigger was given; {met:.2g} L/min is the flow that was met 0.05 s before inflations"]


def _leak(window: Window) -> dict[str, float | str]:
    """The leak that the review took off, as a scenario's ``[leak]``; empty where there is none."""
    c = window.review.mechanics
    size, exponent = float(np.median(c["leak"][window.breaths])), float(np.median(c["exponent"][window.breaths]))
    if size <= 0:
        return {}
    mask = window.review.case.airway.interface not in ("endotracheal tube", "tracheostomy tube")
    return {
        "at": "mask" if mask else "cuff",
        "flow_l_min": min(60 * size * 10**exponent, 120.0),
        "exponent": min(max(exponent, 0.4), 1.2),
    }


def rescaled(fit: Fit, size: float, time: float, gain: float, peep: float) -> Fit:
    """The fit with effort size, neural time, delivered volume and PEEP moved by these factors and this offset."""
    drive = fit.drive
    if drive is not None:
        drive = replace(drive, size_cmh2o=drive.size_cmh2o * size, neural_time_s=drive.neural_time_s * time)
    return replace(fit, drive=drive, volume_gain=fit.volume_gain * gain, peep_cmh2o=fit.peep_cmh2o + peep)
