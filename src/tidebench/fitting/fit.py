"""A patient fitted to a stretch of a review: lung, tube, leak, drive, and the ventilator as it behaved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from tidebench.fitting.anchors import anchored_by_holds
from tidebench.fitting.behaviour import Behaviour, behaviour_of, threshold_l_min
from tidebench.fitting.effort import Drive, drive_by, drive_of
from tidebench.fitting.exchange import Exchange, exchange_of
from tidebench.fitting.levels import Rises, drive_on_levels, recorded_rises
from tidebench.fitting.limitation import Limitation, limitation_of
from tidebench.fitting.lung import lung_of
from tidebench.fitting.mechanics import ELASTANCE, INSPIRATION, Mechanics
from tidebench.fitting.recoil import Bend, Steps, bend_of, steps_of
from tidebench.fitting.records import FitError, Parameter, Samples
from tidebench.fitting.told import correlations, parameters
from tidebench.fitting.trapping import Trapped, emptied, limit_of, trapping_of
from tidebench.fitting.unseen import slope_of, stiffer_unseen
from tidebench.fitting.ventilator import complete, some_waves, spread_of_median, valve_resistance
from tidebench.fitting.window import FEWEST, Window, choose
from tidebench.review import Review
from tidebench.simulation.tube import tube_loss

LEAK_AT_CMH2O = 10.0  # at which a leak's size is told
LEAST_SWING_CMH2O = 1.0  # of a breath's recoil
LEVELS_BETWEEN = 60  # a bend tells every PEEP between its levels
MOSTLY = 0.8  # of the breaths are passive: nobody breathes


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
    steps : Steps or None
        Compliance by level of PEEP, where several were seen and no bend explains them.
    trapped : Trapped or None
        What unequal parts trap, by holds or within bounds; None where breaths tell total PEEP.
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
    steps: Steps | None = None
    trapped: Trapped | None = None

    @cached_property
    def breaths(self) -> pl.DataFrame:
        """The window's rows of the breath table."""
        rows: pl.DataFrame = self.window.review.breaths[self.window.breaths.tolist()]
        return rows

    @cached_property
    def recorded(self) -> Mapping[str, float]:
        """Medians over the window's breaths, by key of the breath table."""
        table = self.breaths
        known = {key: table[key].median() for key, kind in table.schema.items() if kind.is_float()}
        told = {key: float(value) for key, value in known.items() if isinstance(value, float) and np.isfinite(value)}
        whole = table.drop_nulls(["vte_ml", "start_s", "end_s"])
        seconds = float((whole["end_s"] - whole["start_s"]).sum())
        if "rate_per_min" in told and seconds > 0:
            told["rate_per_min"] = 60.0 * whole.height / seconds  # breaths may come in pairs
            told["minute_volume_l_min"] = 0.06 * float(whole["vte_ml"].sum()) / seconds
        if self.rises is None:
            return told
        told.pop("effort_cmh2o", None)  # of changes of level, and not of breaths
        return told | self.rises.medians

    @cached_property
    def rises(self) -> Rises | None:
        """Breaths by the lung's volume, of a patient who breathes at two levels; None of others."""
        return recorded_rises(self.window) if self.window.setting.bi_level and self.drive is not None else None

    def seen(self, key: str) -> Samples:
        """What each breath of the window showed of a quantity, shape (n,); empty where none did."""
        own = {} if self.rises is None else {"vti_ml": self.rises.rise_ml, "vte_ml": self.rises.fall_ml}
        if key == "minute_volume_l_min" and not own:
            return self.seen("vte_ml") * self.recorded["rate_per_min"] / 1000
        if key in own or key not in self.breaths.columns:
            return own.get(key, np.zeros(0))
        return np.asarray(self.breaths[key].drop_nulls().to_numpy(), np.float64)

    @cached_property
    def spreads(self) -> Mapping[str, float]:
        """Standard errors of the medians of :attr:`recorded`; 0 where fewer than two breaths show one."""
        columns = {key: self.seen(key) for key in self.recorded}
        return {key: spread_of_median(column) if len(column) > 1 else 0.0 for key, column in columns.items()}

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
        trapped = None if self.trapped is None else self.trapped.draw(rng, lungs)
        limits = np.zeros((n, 2)) if self.limitation is None else self.limitation.draw(rng, lungs, trapped)
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

    @property
    def leaked_ml(self) -> float:
        """What leaks during an inflation by the leak's law at the mean of peak pressure and PEEP; 0 without one."""
        told = self.recorded
        level = 0.5 * (told.get("peak_pressure_cmh2o", np.nan) + told.get("peep_cmh2o", np.nan))
        if not self.leak or not np.isfinite(level):
            return 0.0
        size, exponent = float(self.leak["flow_l_min"]), float(self.leak["exponent"])
        flow = size * (max(level, 0.0) / LEAK_AT_CMH2O) ** exponent
        return float(1000.0 * flow / 60.0 * told.get("inspiratory_time_s", 0.0))

    def peeps(self) -> Samples:
        """Levels of PEEP at which the lung was seen, cmH2O, rising."""
        own = self.setting.get("peep_cmh2o") or 0.0
        if self.bend is not None:
            return np.linspace(*self.bend.levels_seen, LEVELS_BETWEEN)
        return np.array([own]) if self.steps is None else np.append(self.steps.bottom, own)

    def stiffer(self, setting: Mapping[str, Any], n: int, seed: int) -> Samples:
        """Elastance on a setting's PEEP over that on the recorded one, shape (n,); the first is the estimate's.

        Between levels as they were seen; away from them, as recoil may bend and lung may open or close.
        """
        here, there = (float(told.get("peep_cmh2o") or 0.0) for told in (self.setting, setting))
        if here == there:
            return np.ones(n)
        middle = 1.0 if self.steps is None else self.steps.factor(here, there)
        levels = self.peeps()
        nearest = float(levels[np.argmin(np.abs(levels - there))])
        swing = float(self.mechanics.theta[ELASTANCE]) * self.recorded.get("vti_ml", 0.0) / 1000
        rng = np.random.default_rng([seed, 13])
        return middle * stiffer_unseen(nearest, there, max(swing, LEAST_SWING_CMH2O), self.slope, rng, n)

    @cached_property
    def slope(self) -> tuple[float, float]:
        """How elastance goes within the stretch's passive breaths, relative for each cmH2O, with its error."""
        waves = some_waves(self.window, self.window.passive) if self.drive is None and self.identifiable else []
        return slope_of(waves, self.mechanics)

    def parameters(self) -> list[Parameter]:
        """Every parameter with its doubt, and why some can't be told."""
        return parameters(self)

    def correlations(self) -> dict[str, dict[str, float]]:
        """Correlation of each pair of parameters that vary, by key."""
        return correlations(self)


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
    mechanics, origin, identifiable, notes = lung_of(window, tube, assume or {})
    mechanics, marked = with_marks(review, mechanics)
    notes = [*notes, *marked]
    drive = _drive(window, mechanics, bool(assume))
    said += notes
    if len(window.passive) < FEWEST and not assume:
        mechanics, drive, held = anchored_by_holds(window, mechanics, drive)
        said += [held] if held else []
    if drive is not None:
        said += with_trigger(window, setting)
    resting = drive is None and identifiable
    limitation = limitation_of(window, mechanics) if resting else None
    bend = bend_of(window, mechanics) if resting and limitation is None and not mechanics.uneven else None
    trapped = None
    if resting and not assume and bend is None and len(window.passive) >= FEWEST and not mechanics.uneven:
        mechanics, trapped, noted = trapping_of(window, mechanics)
        said += noted
        limitation = limitation if trapped is None else limit_of(window, trapped, float(mechanics.theta[ELASTANCE]))
    alike = limitation is None and trapped is None
    mechanics = mechanics if bend is None else bend.of(mechanics)
    fit = Fit(
        window, setting, mechanics, drive, exchange_of(window), tube, valve_resistance(waves), assumptions=tuple(said),
        origin=origin, identifiable=identifiable, leak=_leak(window), limitation=limitation,
        behaviour=behaviour_of(window, setting) if drive is not None else Behaviour(),
        bend=bend, steps=steps_of(window, bend) if resting and alike else None, trapped=trapped,
    )  # fmt: skip
    from tidebench.fitting.predict import anchored

    return anchored(emptied(anchored(fit)) if fit.trapped else fit)


def with_marks(review: Review, mechanics: Mechanics) -> tuple[Mechanics, list[str]]:
    """Mechanics in whose doubt is how well the marks of a picture were read: every term scales with pressure over flow.

    As they are where the recording was not traced.
    """
    scale = review.summary.get("intervals", {}).get("scale", {})
    share = float(np.hypot(scale.get("airway_pressure", 0.0), scale.get("flow", 0.0)))
    if not share:
        return mechanics, []
    wider = mechanics.covariance + share**2 * np.outer(mechanics.theta, mechanics.theta)
    words = (
        "The recording was traced from a picture: how well its marks were read is in the doubt of the lung "
        f"({100 * share:.1f} %)."
    )
    return replace(mechanics, covariance=wider), [words]


def _drive(window: Window, mechanics: Mechanics, assumed: bool) -> Drive | None:
    """The drive over the window; None where nearly every breath is passive.

    Raises
    ------
    FitError
        Too many breaths of which it can't be told whether the patient breathes.
    """
    if len(window.passive) > MOSTLY * len(window.breaths):
        return None
    if window.setting.bi_level:
        return drive_on_levels(window, mechanics)
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
