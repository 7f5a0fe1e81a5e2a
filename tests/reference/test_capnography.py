"""Volumetric capnography beside closed-form curves, worked examples and the truth of simulations.

Constructions: Fowler, Am J Physiol 1948;154:405; Bohr 1891; what Tang, Br J Anaesth 2007;98:828 compares (Fowler's
equal areas are nearly unbiased where the alveolar part slopes). Worked numbers: reference-values.md, sections 7.1 and
10.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reference.simulated import compartment, scenario, volume_control
from tidebench.errors import OptionError
from tidebench.formulas.capnography import (
    bohr_dead_space_fraction,
    co2_volume_ml,
    expected_dead_space_ml,
    fowler_dead_space_l,
    mean_alveolar_pco2_mmhg,
)
from tidebench.formulas.gas_exchange import dead_space_fraction
from tidebench.measures.capnography import (
    GAP,
    INSPIRED,
    LEAKS,
    NONE_COMES,
    Capnogram,
    capnogram_of,
    expirations,
)
from tidebench.recording import Recording
from tidebench.simulation import simulate

RATE = 100.0


# --- formulas -----------------------------------------------------------------------------------------------------


def test_bohr_and_enghoff_of_the_table() -> None:
    """Section 7.1: Bohr 36, 26 gives 0.277778; Enghoff 40, 28 gives 0.3 and 50, 25 gives 0.5."""
    assert bohr_dead_space_fraction(36.0, 26.0) == pytest.approx(0.277778, rel=2e-6)
    assert dead_space_fraction(40.0, 28.0) == pytest.approx(0.3)
    assert dead_space_fraction(50.0, 25.0) == pytest.approx(0.5)


def test_carbon_dioxide_of_a_breath_is_that_of_its_minute() -> None:
    """0.5 L at a mixed 27.6 mmHg, twelve times a minute: 6 L/min·27.6/0.863 = 191.9 mL/min (section 7.1)."""
    assert 12 * co2_volume_ml(0.5 * 27.6) == pytest.approx(6 * 27.6 / 0.863)


@pytest.mark.parametrize(
    ("height", "dead"), [(100, 40.3604), (150, 105.211), (160, 122.544), (175, 151.445), (190, 183.929)]
)
def test_dead_space_of_the_healthy_by_height(height: float, dead: float) -> None:
    """Section 10: Hart, J Appl Physiol 1963;18:519. 70 kg at 2.2 mL/kg is 154 mL, of 6 mL/kg the part 0.367."""
    assert expected_dead_space_ml(float(height)) == pytest.approx(dead, rel=1e-5)
    assert pytest.approx(154) == 2.2 * 70
    assert pytest.approx(0.366667, rel=1e-5) == 2.2 * 70 / (6 * 70)


def test_a_step_is_where_it_is() -> None:
    """A curve of nothing and then 38 mmHg from 0.15 L on: the upright is the step, Bohr's dead space is it too."""
    dead = fowler_dead_space_l(38.0 * (0.5 - 0.15), 0.5, 38.0, 0.0)
    assert dead == pytest.approx(0.15)
    alveolar = mean_alveolar_pco2_mmhg(dead, 0.5, 38.0, 0.0)
    assert bohr_dead_space_fraction(alveolar, 38.0 * 0.35 / 0.5) == pytest.approx(0.15 / 0.5)


@given(st.floats(0.005, 0.4), st.floats(0.1, 2.0), st.floats(5.0, 90.0), st.floats(-8.0, 60.0))
def test_an_upright_in_a_sloping_curve_is_found(share: float, volume: float, level: float, slope: float) -> None:
    """The area of the line from any upright on gives that upright back: the construction's definition, inverted."""
    dead = share * volume
    if level + slope * volume <= 0.5 or level + slope * dead <= 0.5:
        return
    area = level * (volume - dead) + 0.5 * slope * (volume**2 - dead**2)
    assert fowler_dead_space_l(area, volume, level, slope) == pytest.approx(dead, rel=1e-6, abs=1e-9)


@given(st.floats(1.0, 80.0), st.floats(0.0, 1.0), st.floats(0.05, 20.0))
def test_bohr_does_not_know_the_unit_and_falls_with_what_is_expired(alveolar: float, part: float, unit: float) -> None:
    fraction = bohr_dead_space_fraction(alveolar, part * alveolar)
    assert bohr_dead_space_fraction(unit * alveolar, unit * part * alveolar) == pytest.approx(fraction, abs=1e-9)
    assert bohr_dead_space_fraction(alveolar, 0.9 * part * alveolar) >= fraction


def test_what_no_capnogram_can_be_is_refused() -> None:
    for area, at_zero in ((30.0, 38.0), (1.0, -3.0), (-1.0, 38.0)):
        with pytest.raises(OptionError):
            fowler_dead_space_l(area, 0.5, at_zero, 0.0)
    for alveolar, mixed in ((30.0, 31.0), (0.0, 0.0), (30.0, -1.0)):
        with pytest.raises(OptionError):
            bohr_dead_space_fraction(alveolar, mixed)
    assert np.isnan(fowler_dead_space_l(np.array([30.0]), np.array([0.5]), np.array([38.0]), np.array([0.0])))[0]
    assert np.isnan(bohr_dead_space_fraction(np.array([30.0, np.nan]), np.array([31.0, 20.0]))).all()


# --- an independent closed-form capnogram -------------------------------------------------------------------------


def made(
    *, dead: float = 0.15, smear: float = 0.02, level: float = 34.0, slope: float = 6.0, volume: float = 0.5,
    delay: float = 0.0, inspired: float = 0.0, breaths: int = 12, rate: float = RATE, noise: float = 0.0,
    period: float = 4.0,
) -> tuple[Recording, dict[str, Any]]:  # fmt: skip
    """Breaths by formula: constant flow in for a second, exponential flow out, PCO2 a logistic rise to a line.

    Around an upright at ``dead`` the rise is symmetrical, so that equal areas stand there up to what the line slopes
    within it.
    """
    tau = 0.5
    per = round(period * rate)
    time = np.arange(breaths * per) / rate

    def flow_and_gas(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        within = np.mod(t, period)
        out = within - 1.0
        left = volume / (1 - np.exp(-(period - 1.0) / tau))
        flow = np.where(within < 1.0, volume / 1.0, -left / tau * np.exp(-np.maximum(out, 0) / tau))
        gone = left * (1 - np.exp(-np.maximum(out, 0) / tau))
        rise = 1 / (1 + np.exp(-(gone - dead) / (smear / 4)))
        return flow, np.where(within < 1.0, inspired, rise * (level + slope * gone) + inspired * (1 - rise))

    flow = flow_and_gas(time + 0.5 / rate)[0]
    gas = flow_and_gas(time + 0.5 / rate - delay)[1]
    gas = gas + noise * np.random.default_rng(7).standard_normal(len(gas))
    start = np.arange(breaths) * per
    columns = {
        "start": start, "turn": start + round(rate), "end": start + per, "offset": np.zeros(breaths),
        "leak_fraction": np.zeros(breaths),
    }  # fmt: skip
    pressure = np.where(np.mod(time, period) < 1.0, 20.0, 5.0)
    return Recording(rate, {"airway_pressure": pressure, "flow": flow, "co2": gas}), columns


def middle(values: pl.Series) -> float:
    """The median."""
    return float(np.nanmedian(values.to_numpy()))


def told(recording: Recording, columns: dict[str, Any], **how: bool) -> Capnogram:
    found = capnogram_of(recording, columns, **how)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("dead", "volume", "slope"), [(0.15, 0.5, 0.0), (0.15, 0.5, 6.0), (0.15, 0.5, 25.0), (0.16, 0.36, 10.0),
                                  (0.06, 0.6, 6.0), (0.005, 0.02, 200.0)]
)  # fmt: skip
def test_closed_form_curve_is_read_back(dead: float, volume: float, slope: float) -> None:
    """Every number against the formula that made the curve; dead space from a tenth to nearly half of the breath."""
    capnogram = told(*made(dead=dead, volume=volume, slope=slope, smear=0.13 * dead))
    row = capnogram.breaths.row(5, named=True)
    assert capnogram.delay_s == 0.0
    assert row["why"] is None
    sample_ml = 1000 * volume / 0.5 / RATE  # at peak flow
    assert row["airway_dead_space_ml"] == pytest.approx(1000 * dead, rel=0.01, abs=0.1 * sample_ml)
    assert row["alveolar_slope_mmhg_l"] == pytest.approx(slope, rel=0.01, abs=0.05)
    assert row["alveolar_pco2_mmhg"] == pytest.approx(34 + slope * 0.5 * (dead + volume), rel=0.002)
    assert row["etco2_mmhg"] == pytest.approx(34 + slope * 0.975 * volume, rel=0.005)
    area = 34 * (volume - dead) + 0.5 * slope * (volume**2 - dead**2)
    assert row["mixed_expired_pco2_mmhg"] == pytest.approx(area / volume, rel=0.005)
    assert row["bohr_dead_space_fraction"] == pytest.approx(dead / volume, rel=0.02)
    assert row["co2_elimination_ml_min"] == pytest.approx(15 * area / 0.863, rel=0.01)


@pytest.mark.parametrize("delay", [0.03, 0.12, 0.4, -0.1])
def test_a_delay_of_the_sensor_is_told_and_taken_off(delay: float) -> None:
    capnogram = told(*made(delay=delay))
    assert capnogram.delay_s == pytest.approx(delay, abs=0.006)
    assert "taken off" in capnogram.warnings[0]
    assert capnogram.breaths["airway_dead_space_ml"][5] == pytest.approx(150, abs=4)


def test_without_taking_it_off_a_delay_would_count_as_dead_space() -> None:
    """0.1 s at the flow of that moment: what a reading without alignment would be wrong by."""
    recording, columns = made(delay=0.1)
    late = Recording(RATE, {**recording.channels, "co2": np.roll(recording["co2"], -10)})
    assert told(late, columns).breaths["airway_dead_space_ml"][5] == pytest.approx(150, abs=3)
    start, turn, end, offset = (columns[key] for key in ("start", "turn", "end", "offset"))
    halved = expirations(recording["flow"], recording["co2"], start, turn, end, offset, 1 / RATE)[2]
    assert halved[5] > 0.2


def test_a_delay_beyond_a_second_is_refused() -> None:
    capnogram = told(*made(delay=1.4, period=5.0))
    assert capnogram.breaths.is_empty()
    assert "too far" in capnogram.warnings[0]


def test_a_slow_sensor_is_refused() -> None:
    """A sensor that smooths over 0.4 s would read 119 mL of 150; over 0.1 s it reads what is there."""
    recording, columns = made()
    for seconds, refused in ((0.4, True), (0.1, False)):
        width = round(seconds * RATE)
        smooth = np.convolve(recording["co2"], np.ones(width) / width)[: len(recording)]
        found = told(Recording(RATE, {**recording.channels, "co2": smooth}), columns)
        assert ("too slow" in found.reason) is refused
        if not refused:
            assert found.delay_s == pytest.approx(seconds / 2, abs=0.01)
            assert middle(found.breaths["airway_dead_space_ml"]) == pytest.approx(150, rel=0.04)


def test_noise_blurs_and_does_not_shift() -> None:
    """Tang 2007: equal areas are sensitive to noise, hence a median over breaths."""
    seen = told(*made(noise=0.5, breaths=60)).breaths["airway_dead_space_ml"]
    assert middle(seen) == pytest.approx(150, abs=2)


@pytest.mark.parametrize(
    ("change", "why"),
    [({"inspired": 6.0}, INSPIRED), ({"leak": 0.2}, LEAKS), ({"gap": True}, GAP), ({"dead": 0.6}, NONE_COMES)],
)
def test_a_curve_that_does_not_bear_it_has_its_reason(change: dict[str, Any], why: str) -> None:
    recording, columns = made(**{key: value for key, value in change.items() if key not in ("leak", "gap")})
    if "leak" in change:
        columns["leak_fraction"] = np.full(12, change["leak"])
    if "gap" in change:
        holed = recording["co2"].copy()
        holed[5 * 400 + 150 : 5 * 400 + 160] = np.nan
        recording = Recording(RATE, {**recording.channels, "co2": holed})
    capnogram = told(recording, columns)
    if why == NONE_COMES:
        assert "does not fall" in capnogram.reason
        return
    row = capnogram.breaths.row(5, named=True)
    assert row["why"] == why
    assert row["airway_dead_space_ml"] is None
    assert row["bohr_dead_space_fraction"] is None


def test_flow_of_another_place_or_gas_is_not_joined() -> None:
    assert "ventilator" in told(*made(), at_ventilator=True).reason
    assert "heliox" in told(*made(), heliox=True).reason
    recording, columns = made()
    bare = Recording(RATE, {name: recording[name] for name in ("airway_pressure", "flow")})
    assert capnogram_of(bare, columns) is None


def test_kernel_is_its_plain_twin() -> None:
    recording, columns = made(breaths=3)
    start, turn, end, offset = (columns[key] for key in ("start", "turn", "end", "offset"))
    found = expirations(recording["flow"], recording["co2"], start, turn, end, offset, 1 / RATE)
    for k in range(3):
        flow, gas = (recording[name][turn[k] : end[k]] for name in ("flow", "co2"))
        moved = np.maximum(-flow, 0) / RATE
        assert found[0, k] == pytest.approx(moved.sum())
        assert found[1, k] == pytest.approx((moved * gas).sum())


# --- the simulation's truth ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("airway", "alveolar", "volume"), [(130, 0.0, 450), (130, 0.25, 450), (160, 0.1, 380),
                                                            (80, 0.4, 500)])  # fmt: skip
def test_dead_spaces_of_a_simulated_patient(airway: float, alveolar: float, volume: float, tmp_path: Path) -> None:
    """Airway dead space in mL; Bohr's holds it alone, since unperfused alveoli dilute what comes to the mouth;
    Enghoff's, by the true PaCO2, holds alveolar dead space too."""
    from tidebench.case import case_from
    from tidebench.review import review

    made_of = scenario(
        [compartment(50, 8)], volume_control(volume, 1.0, 4.0, 8, fio2=0.5), 600, capnogram=True,
        patient={"sex": "male", "age_years": 50, "height_cm": 175, "weight_kg": 3},
        exchange={"airway_dead_space_ml": airway, "alveolar_dead_space": alveolar, "shunt": 0,
                  "co2_production_ml_min": 200, "o2_uptake_ml_min": 250, "cardiac_output_l_min": 5.25,
                  "residual_volume_ml": 2500},
    )  # fmt: skip
    solution = simulate(made_of)
    done = review(case_from({}), solution.recording)
    assert done.capnogram is not None
    last = done.capnogram.breaths.slice(-30, 29)
    assert middle(last["airway_dead_space_ml"]) == pytest.approx(airway, rel=0.02)
    assert middle(last["bohr_dead_space_fraction"]) == pytest.approx(airway / volume, abs=0.015)
    arterial = float(solution.breaths["paco2_mmhg"][-5])
    enghoff = dead_space_fraction(arterial, middle(last["mixed_expired_pco2_mmhg"]))
    whole = airway + alveolar * (volume - airway)
    assert enghoff == pytest.approx(whole / volume, abs=0.03)
    given_off = arterial * 15 * (volume - whole) / 1000 / 0.863  # alveolar ventilation equation, true PaCO2
    assert middle(last["co2_elimination_ml_min"]) == pytest.approx(given_off, rel=0.05)
    assert done.summary["quantities"]["airway_dead_space_ml"]["median"] == pytest.approx(airway, rel=0.02)
