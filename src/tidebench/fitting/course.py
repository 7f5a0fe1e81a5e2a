"""Blood gases over the minutes after a change: the simulator's stores, started from the gas that was drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tidebench.errors import OptionError
from tidebench.fitting.compare import compared, edges
from tidebench.fitting.fit import Fit
from tidebench.fitting.mechanics import TURBULENCE
from tidebench.fitting.predict import drawn, predict, tables_of
from tidebench.fitting.records import FitError, Samples
from tidebench.simulation.scenario import Scenario, scenario_from
from tidebench.simulation.setup import start_of
from tidebench.simulation.solution import simulate

SETTLED_S, EVERY_S, RATE_HZ = 2400.0, 30.0, 20.0
LONGEST_MIN = 240.0
GASES = ("arterial_co2", "arterial_ph", "arterial_o2", "arterial_saturation")
KEYS = ("paco2_mmhg", "ph", "pao2_mmhg", "sao2")
ROUNDS, DRAWS = 2, 60
BY_DIFFERENCE = 10.0  # pH and saturations
MOST = {"sao2": 1.0}
LEAST_ML_MIN, MOST_ML_MIN, MOST_SHUNT = 1.0, 1000.0, 0.7


@dataclass(frozen=True)
class Course:
    """Blood gases from the change on: minutes, and each gas by key with its 90 % interval, shape (n,)."""

    minutes: Samples
    gases: Mapping[str, Samples]
    low: Mapping[str, Samples]
    high: Mapping[str, Samples]


def course(fit: Fit, settings: Mapping[str, Any], minutes: float) -> Course:
    """How blood gases would move after the change, from what they are now.

    The simulator runs the same patient with the change and without; what the change makes of the gases, minute by
    minute, is put on the gases of now, so that the course begins with them and holds no drift of its own. CO2
    production is moved until the present gives the PaCO2 that was drawn. Stores are the simulator's, scaled by weight;
    dead space and shunt are those of the fit. The band goes from the doubt of now to that of the new steady state as
    the change comes about, and holds that state's closed form.

    Raises
    ------
    FitError
        No arterial blood gas.
    OptionError
        Fewer minutes than one, or more than four hours.
    """
    known = fit.exchange
    if known.paco2_mmhg is None:
        raise FitError("the course of gases can't be told", where="--minutes", remedy=f"{known.reason}.".capitalize())
    if not 1 <= minutes <= LONGEST_MIN:
        raise OptionError(f"{minutes:g} minutes", where="--minutes", expected=f"1 to {LONGEST_MIN:g}")
    now = predict(fit, n=1)
    production = known.production(float(now.ventilation_l_min[0])) or 200.0
    first = round(SETTLED_S / EVERY_S) - 1
    for _ in range(ROUNDS):
        without = _run(fit, _scenario(fit, {}, production, minutes))
        production *= known.paco2_mmhg / float(without["paco2_mmhg"][first])
    found, without = (_run(fit, _scenario(fit, one, production, minutes)) for one in (settings, {}))
    here, there = predict(fit, n=DRAWS), predict(fit, settings, DRAWS)
    ends = compared(fit, here, there)
    gases, low, high = {}, {}, {}
    for key, values in found.items():
        if key in ends.now:
            moved = values[first:] - without[key][first:], values[first:] / without[key][first:]
            told = _anchored(
                moved[0] - moved[0][0], moved[1] / moved[1][0], edges(ends.now[key]), edges(ends.then[key])
            )
            gases[key], low[key], high[key] = (np.clip(each, 0.0, MOST.get(key, np.inf)) for each in told)
    return Course(np.arange(len(gases["paco2_mmhg"])) * EVERY_S / 60, gases, low, high)


def _anchored(
    difference: Samples, factor: Samples, now: tuple[float, float, float], then: tuple[float, float, float]
) -> tuple[Samples, Samples, Samples]:
    """A course from the value of now, and its band; tensions move by factors, pH and saturation by differences."""
    middle = now[0] + difference if now[0] < BY_DIFFERENCE else now[0] * factor
    way = abs(then[0] - now[0])
    share = np.clip(np.abs(middle - now[0]) / way, 0.0, 1.0) if way > 0 else np.zeros(len(middle))
    share = np.maximum.accumulate(share)
    off = share * (then[0] - middle)  # what the closed form says otherwise
    low = middle + np.minimum(off, 0.0) - (now[0] - now[1]) * (1 - share) - (then[0] - then[1]) * share
    high = middle + np.maximum(off, 0.0) + (now[2] - now[0]) * (1 - share) + (then[2] - then[0]) * share
    return middle, low, high


def _scenario(fit: Fit, settings: Mapping[str, Any], production: float, minutes: float) -> Scenario:
    tables, _ = tables_of(fit, {})
    later, _ = tables_of(fit, settings)
    known = fit.exchange
    circuit = fit.window.review.case.circuit.dead_space_ml or 0.0
    exchange: dict[str, Any] = {
        "co2_production_ml_min": min(max(production, LEAST_ML_MIN), MOST_ML_MIN),
        "alveolar_dead_space": known.alveolar_dead,
        "airway_dead_space_ml": max(0.1, known.dead_space_ml - circuit), "haemoglobin_g_dl": known.haemoglobin_g_dl,
    }  # fmt: skip
    if known.bicarbonate_mmol_l is not None:
        exchange["bicarbonate_mmol_l"] = known.bicarbonate_mmol_l
    shunt = known.shunt()
    if shunt is not None:
        exchange["shunt"] = min(shunt, MOST_SHUNT)
    if circuit:
        tables["circuit"]["dead_space_ml"] = circuit
    rows = [*tables["settings"], {**later["settings"][0], "at_s": SETTLED_S}]
    whole = {**tables, "duration_s": SETTLED_S + 60 * minutes, "sampling_hz": RATE_HZ, "exchange": exchange}
    return scenario_from({**whole, "settings": rows}, name="what-if")


def _run(fit: Fit, scenario: Scenario) -> dict[str, Samples]:
    """Gases of the estimate, means over half a minute."""
    lungs, efforts = fit.draws(1)
    told, _ = drawn(scenario, fit, lungs[0], efforts[0], 0)
    told = told.model_copy(update={"duration_s": scenario.duration_s})
    start = start_of(told)
    start.memory.patient[0]["tube_k1"] = fit.tube[0] if fit.mechanics.known_square else 0.0
    start.memory.patient[0]["tube_k2"] = lungs[0][TURBULENCE]
    channels = simulate(told, GASES, start=start).channels
    width = round(EVERY_S * RATE_HZ)
    out = {}
    for key, name in zip(KEYS, GASES, strict=True):
        values = channels[name]
        out[key] = values[: len(values) // width * width].reshape(-1, width).mean(axis=1)
    return out
