"""Dead space and CO2 production of a stretch whose capnogram was recorded with flow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.fitting.records import Samples
from tidebench.fitting.ventilator import some_waves, spread_of_median
from tidebench.fitting.waves import Wave
from tidebench.fitting.window import FEWEST, Window
from tidebench.formulas.capnogram import Expired, expired_co2
from tidebench.formulas.gas_exchange import CO2_CONSTANT

LATEST_S = 0.6  # by which CO2 may lag flow: a side stream's cell is later, and smears the front
FRESH = 0.03  # of the highest tension, mean over inspiration: fresh gas
SAME = 0.005  # of the highest tension: no more than the least
JOINED_S = 0.1  # by which a delay that had to be taken off may be wrong
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
    delays = [delay for each in waves if (delay := lag_s(window, each)) is not None]
    if len(delays) < max(FEWEST, len(waves) // 2):
        return None, f"CO2 does not fall within {LATEST_S:g} s of each inspiration (a side stream lags more)"
    delay = float(np.median(delays))
    found = [one for each in waves if (one := read(window, each, delay)) is not None]
    if len(found) < FEWEST:
        return None, "CO2 reaches no alveolar plateau in these breaths"
    dead = 1000 * np.array([one.airway_dead_space_l for one, _ in found])
    given = np.array([one.volume_l * one.mixed_pco2_mmhg - back for one, back in found])
    reached = np.array([one.volume_l - one.airway_dead_space_l for one, _ in found])
    fastest = float(np.median([-each.flow[each.turn :].min() for each in waves]))
    slipped = 1000 * JOINED_S * fastest if delay > 2 * waves[0].dt else 0.0
    rate = np.nanmedian(window.review.breaths["rate_per_min"].to_numpy()[window.breaths])  # a last breath has none
    made = float(rate * np.mean(given))
    share = _error(given) / float(np.median(given))
    return Capnogram(
        float(np.median(dead)), float(np.hypot(_error(dead), slipped)),
        made / CO2_CONSTANT, made / CO2_CONSTANT * share,
        float(np.median(given / reached)), delay, len(found),
    ), ""  # fmt: skip


def _error(values: Samples) -> float:
    return float(np.hypot(spread_of_median(values), SEEN_DOUBT * np.median(values)))


def read(window: Window, each: Wave, delay_s: float) -> tuple[Expired, float] | None:
    """What one breath gives out, and the CO2 that it had breathed in, L·mmHg."""
    co2 = _co2(window, each, delay_s)
    out = expired_co2(each.flow[each.turn :], co2[each.turn :], each.dt)
    back = np.sum(np.maximum(each.flow, 0.0)[: each.turn] * co2[: each.turn]) * each.dt
    return None if out is None else (out, float(back))


def _co2(window: Window, each: Wave, delay_s: float = 0.0) -> Samples:
    """CO2 over a breath, taken a delay later."""
    samples = window.review.recording["co2"]
    first = int(window.review.mechanics["start"][each.breath]) + round(delay_s / each.dt)
    part = np.asarray(samples[first : first + len(each.flow)], np.float64)
    return np.pad(part, (0, len(each.flow) - len(part)), mode="edge") if len(part) else np.full(len(each.flow), np.nan)


def lag_s(window: Window, each: Wave) -> float | None:
    """The shortest delay after which a breath's inspiration is free of CO2; None where none is, or CO2 was never up."""
    whole = _co2(window, each)
    if not each.turn or not np.isfinite(whole).all() or whole.max() < LEAST_MMHG:
        return None
    delays = np.arange(round(LATEST_S / each.dt) + 1) * each.dt
    inspired = np.array([np.mean(_co2(window, each, float(late))[: each.turn]) for late in delays])
    if not inspired.min() < FRESH * whole.max():
        return None
    return float(delays[np.argmax(inspired <= inspired.min() + SAME * whole.max())])
