"""Dead space and CO2 production of a stretch whose capnogram was recorded with flow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.fitting.records import Samples
from tidebench.fitting.ventilator import some_waves
from tidebench.fitting.waves import Wave
from tidebench.fitting.window import FEWEST, Window
from tidebench.formulas.capnogram import expired_co2
from tidebench.formulas.gas_exchange import CO2_CONSTANT

LATEST_S = 0.6  # by which CO2 may lag flow: a side stream's cell is later, and smears the front
FALLEN = 0.5  # of the end-tidal tension: the front of fresh gas has come
LEAST_MMHG = 5.0
SEEN_DOUBT = 0.05  # relative error of volumes and tensions beyond their spread (this house's choice)


@dataclass(frozen=True)
class Capnogram:
    """Medians over a stretch's breaths, and the standard error of dead space, mL, and of production, mL/min STPD."""

    dead_space_ml: float
    dead_space_error_ml: float
    production_ml_min: float
    production_error_ml_min: float
    alveolar_mmhg: float
    delay_s: float
    breaths: int


def capnogram_of(window: Window) -> tuple[Capnogram | None, str]:
    """What CO2 and flow show of a window; where they show nothing, why."""
    channels = window.review.recording.channels
    if "co2" not in channels:
        return None, "no capnogram was recorded"
    waves = some_waves(window, window.breaths)
    tension = [_co2(window, each) for each in waves]
    delays = [delay for each, co2 in zip(waves, tension, strict=True) if (delay := lag_s(each, co2)) is not None]
    if len(delays) < FEWEST:
        return None, "the capnogram does not rise and fall with the breaths"
    delay = float(np.median(delays))
    if not delay <= LATEST_S:
        return None, f"CO2 lags flow by {delay:.1f} s, as a side stream does: the two can't be joined"
    tension = [_co2(window, each, delay) for each in waves]
    pairs = [(each, co2, expired_co2(each.flow[each.turn :], co2[each.turn :], each.dt)) for each, co2 in zip(
        waves, tension, strict=True)]  # fmt: skip
    found = [(one, inhaled_co2(each, co2)) for each, co2, one in pairs if one is not None]
    if len(found) < FEWEST:
        return None, "CO2 reaches no alveolar plateau in these breaths"
    dead = 1000 * np.array([one.airway_dead_space_l for one, _ in found])
    given = np.array([one.volume_l * one.mixed_pco2_mmhg - back for one, back in found])
    reached = np.array([one.volume_l - one.airway_dead_space_l for one, _ in found])
    made = float(np.median(window.review.breaths["rate_per_min"].to_numpy()[window.breaths] * np.mean(given)))
    share = _error(given) / float(np.median(given))
    return Capnogram(
        float(np.median(dead)), _error(dead), made / CO2_CONSTANT, made / CO2_CONSTANT * share,
        float(np.median(given / reached)), delay, len(found),
    ), ""  # fmt: skip


def _error(values: Samples) -> float:
    middle = float(np.median(values))
    off = 1.4826 * float(np.median(np.abs(values - middle)))
    return float(np.hypot(off / np.sqrt(len(values)), SEEN_DOUBT * middle))


def _co2(window: Window, each: Wave, delay_s: float = 0.0) -> Samples:
    """CO2 over a breath, taken a delay later."""
    samples = window.review.recording["co2"]
    first = int(window.review.mechanics["start"][each.breath]) + round(delay_s / each.dt)
    part = np.asarray(samples[first : first + len(each.flow)], np.float64)
    return np.pad(part, (0, len(each.flow) - len(part)), mode="edge") if len(part) else np.full(len(each.flow), np.nan)


def lag_s(each: Wave, co2: Samples) -> float | None:
    """From when inspiration begins until CO2 has fallen to half of what it was then; None where it was never up."""
    begins = int(np.argmax(each.flow > 0.0))
    inspiration = co2[begins : each.turn]
    if not len(inspiration) or not np.isfinite(inspiration).all():
        return None
    was = float(np.max(inspiration[: max(1, round(LATEST_S / each.dt))]))
    top = float(np.nanmax(co2))
    if top < LEAST_MMHG:
        return None
    if was < FALLEN * top:
        return 0.0
    low = np.flatnonzero(inspiration < FALLEN * top)
    return float(low[0]) * each.dt if len(low) else None


def inhaled_co2(each: Wave, co2: Samples) -> float:
    """CO2 that is breathed in again, L·mmHg."""
    return float(np.sum(np.maximum(each.flow, 0.0)[: each.turn] * co2[: each.turn]) * each.dt)
