"""Closed forms of one passive compartment against printed numbers and against stepwise integration.

All numbers are computed from the equation of motion unless a source is named.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from tidebench.errors import OptionError
from tidebench.formulas.mechanics import emptied_fraction, phase_times_s, time_to_empty_s
from tidebench.formulas.steady_state import (
    SteadyState,
    descending_ramp_pressure,
    minute_volume_ceiling_l_min,
    pressure_control_steady_state,
    volume_control_steady_state,
)

EMPTIED = (
    (0.5, 0.393469),
    (1.0, 0.632121),
    (2.0, 0.864665),
    (3.0, 0.950213),
    (4.0, 0.981684),
    (5.0, 0.993262),
    (6.0, 0.997521),
    (7.0, 0.999088),
)


@pytest.mark.parametrize(("constants", "gone"), EMPTIED)
def test_emptying(constants: float, gone: float) -> None:
    assert emptied_fraction(constants * 0.6, 0.6) == pytest.approx(gone, abs=6e-7)
    assert time_to_empty_s(emptied_fraction(constants * 0.6, 0.6), 0.6) == pytest.approx(constants * 0.6)


@pytest.mark.parametrize(("part", "time"), [(0.95, 1.79744), (0.98, 2.34721), (0.99, 2.76310), (0.0, 0.0)])
def test_time_to_empty(part: float, time: float) -> None:
    assert time_to_empty_s(part, 0.6) == pytest.approx(time, rel=1e-5)


def test_phase_times() -> None:
    assert phase_times_s(15.0, 0.5) == pytest.approx((1.33333, 2.66667), rel=1e-5)


@dataclass(frozen=True)
class _VolumeCase:
    """Compliance, resistances, volume, times, PEEP; then what they lead to."""

    compliance: float
    inspiratory: float
    expiratory: float
    volume: float
    time: float
    pause: float
    out: float
    peep: float
    intrinsic: float
    plateau: float
    peak: float
    mean: float
    mean_alveolar: float
    peak_flow: float
    end_flow: float

    def state(self) -> SteadyState[float]:
        return volume_control_steady_state(
            compliance_l_cmh2o=self.compliance,
            inspiratory_resistance_cmh2o_s_l=self.inspiratory,
            expiratory_resistance_cmh2o_s_l=self.expiratory,
            volume_l=self.volume,
            inspiratory_time_s=self.time,
            pause_s=self.pause,
            expiratory_time_s=self.out,
            peep_cmh2o=self.peep,
        )


VOLUME_CASES = {
    "normal": _VolumeCase(
        0.05, 10, 10, 0.5, 1, 0, 3, 5, 0.0248491, 15.0248, 20.0248, 7.50621, 7.50621, 1.00248, 0.00248491
    ),
    "normal with pause": _VolumeCase(
        0.05, 10, 10, 0.5, 1, 0.3, 2.7, 5, 0.0453707, 15.0454, 20.0454, 8.26475, 8.26475, 1.00454, 0.00453707
    ),
    "obstructive": _VolumeCase(
        0.06, 20, 20, 0.5, 1, 0, 2, 0, 1.94047, 10.2738, 20.2738, 5.36905, 5.36905, 0.513690, 0.0970235
    ),
    "slower out than in": _VolumeCase(
        0.06, 15, 25, 0.5, 0.8, 0, 2.2, 5, 2.49893, 15.8323, 25.2073, 9.27749, 10.9442, 0.433290, 0.0999572
    ),
    "ARDS": _VolumeCase(
        0.03, 12, 12, 0.4, 0.8, 0, 1.6, 10, 0.158442, 23.4918, 29.4918, 14.2750, 14.2750, 1.12431, 0.0132035
    ),
    "newborn": _VolumeCase(
        0.001, 100, 100, 0.006, 0.3, 0, 0.7, 5, 0.00547629, 11.0055, 13.0055, 6.50164, 6.50164, 0.0600548, 5.47629e-5
    ),
}


@pytest.mark.parametrize("case", VOLUME_CASES.values(), ids=VOLUME_CASES.keys())
def test_volume_control(case: _VolumeCase) -> None:
    state = case.state()
    found = (
        state.intrinsic_peep_cmh2o,
        state.plateau_pressure_cmh2o,
        state.peak_pressure_cmh2o,
        state.mean_pressure_cmh2o,
        state.mean_alveolar_pressure_cmh2o,
        state.peak_expiratory_flow_l_s,
        state.end_expiratory_flow_l_s,
    )
    assert found == pytest.approx(astuple(case)[8:], rel=1e-5)


# Status: verified (Crit Care 2013, doi 10.1186/cc12561, Table 1): plateau 13 and 9.78 cmH2O, tolerance 0.01.
@pytest.mark.parametrize(
    ("resistance", "compliance", "plateau"), [(5.0, 0.050, 13.0), (21.0, 0.095, 9.78)], ids=["patient A", "patient B"]
)
def test_volume_control_against_a_published_table(resistance: float, compliance: float, plateau: float) -> None:
    state = volume_control_steady_state(
        compliance_l_cmh2o=compliance,
        inspiratory_resistance_cmh2o_s_l=resistance,
        expiratory_resistance_cmh2o_s_l=resistance,
        volume_l=0.65,
        inspiratory_time_s=1.3,
        pause_s=0.3,
        expiratory_time_s=2.4,
        peep_cmh2o=0.0,
    )
    assert state.plateau_pressure_cmh2o == pytest.approx(plateau, abs=0.01)
    # Whoever leaves intrinsic PEEP out takes the plateau for the recoil of the volume alone.
    blind = 0.65 / (state.plateau_pressure_cmh2o - state.intrinsic_peep_cmh2o)
    assert blind == pytest.approx(compliance, rel=1e-9)


@dataclass(frozen=True)
class _PressureCase:
    """Pressure above PEEP, PEEP, times, compliance, resistances; then what they lead to."""

    pressure: float
    peep: float
    time: float
    out: float
    compliance: float
    inspiratory: float
    expiratory: float
    volume_ml: float
    minute_volume: float
    intrinsic: float
    recoil: float
    mean: float
    mean_alveolar: float
    first_flow: float
    last_flow: float
    end_flow: float

    def state(self) -> SteadyState[float]:
        return pressure_control_steady_state(
            compliance_l_cmh2o=self.compliance,
            inspiratory_resistance_cmh2o_s_l=self.inspiratory,
            expiratory_resistance_cmh2o_s_l=self.expiratory,
            inspiratory_pressure_cmh2o=self.pressure,
            inspiratory_time_s=self.time,
            expiratory_time_s=self.out,
            peep_cmh2o=self.peep,
        )


# Model: Marini, J Appl Physiol 1989;67:1081; Burke, J Appl Physiol 1993;74:922 (its first page seen). Numbers computed.
PRESSURE_CASES = {
    "even": _PressureCase(
        15, 5, 1, 2, 0.04, 15, 15, 472.497, 9.44993, 0.436985, 17.2494, 10, 10, 0.970868, 0.183373, 0.0291323
    ),
    "slower out than in": _PressureCase(
        15, 5, 1, 2, 0.04, 10, 20, 508.970, 10.1794, 1.13787, 18.8621, 10, 11.6966, 1.38621, 0.113787, 0.0568936
    ),
    "obstructive": _PressureCase(
        20, 0, 1, 2, 0.06, 25, 25, 497.286, 9.94571, 2.96674, 11.2548, 6.66667, 6.66667, 0.681330, 0.349807, 0.118670
    ),
    "newborn": _PressureCase(
        12,
        5,
        0.3,
        0.7,
        0.001,
        100,
        100,
        11.3927,
        0.683560,
        0.0103983,
        16.4031,
        8.6,
        8.6,
        0.119896,
        0.00596927,
        0.000103983,
    ),
}


@pytest.mark.parametrize("case", PRESSURE_CASES.values(), ids=PRESSURE_CASES.keys())
def test_pressure_control(case: _PressureCase) -> None:
    state = case.state()
    found = (
        1000 * state.volume_l,
        60 / (case.time + case.out) * state.volume_l,
        state.intrinsic_peep_cmh2o,
        state.plateau_pressure_cmh2o,
        state.mean_pressure_cmh2o,
        state.mean_alveolar_pressure_cmh2o,
        state.start_flow_l_s,
        state.end_inspiratory_flow_l_s,
        state.end_expiratory_flow_l_s,
    )
    assert found == pytest.approx(astuple(case)[7:], rel=1e-5)
    assert state.peak_pressure_cmh2o == case.pressure + case.peep


# ΔP 15, PEEP 5, C 0.05, R 10, half the cycle inspiration: minute volume rises with the rate up to 22.5 L/min.
@pytest.mark.parametrize(
    ("rate", "minute_volume"),
    [(10, 7.46291), (20, 13.5772), (30, 17.1359), (60, 20.7953), (120, 22.0427), (600, 22.4813)],
)
def test_the_ceiling_of_pressure_control(rate: int, minute_volume: float) -> None:
    half = 30 / rate
    state = pressure_control_steady_state(
        compliance_l_cmh2o=0.05,
        inspiratory_resistance_cmh2o_s_l=10.0,
        expiratory_resistance_cmh2o_s_l=10.0,
        inspiratory_pressure_cmh2o=15.0,
        inspiratory_time_s=half,
        expiratory_time_s=half,
        peep_cmh2o=5.0,
    )
    ceiling = minute_volume_ceiling_l_min(
        inspiratory_pressure_cmh2o=15.0,
        inspiratory_resistance_cmh2o_s_l=10.0,
        expiratory_resistance_cmh2o_s_l=10.0,
        duty=0.5,
    )
    assert rate * state.volume_l == pytest.approx(minute_volume, rel=1e-5)
    assert ceiling == pytest.approx(22.5)
    assert rate * state.volume_l < ceiling


def _last_breath(case: _VolumeCase | _PressureCase) -> tuple[float, float, float]:
    """Volume at start and end of inflation and mean airway pressure, integrated breath after breath until steady."""
    constant_flow = isinstance(case, _VolumeCase)
    pause = case.pause if isinstance(case, _VolumeCase) else 0.0

    def inflate(_: float, y: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
        recoil = y[0] / case.compliance
        if isinstance(case, _VolumeCase):
            flow = case.volume / case.time
            return [flow, case.peep + recoil + case.inspiratory * flow]
        return [(case.pressure - recoil) / case.inspiratory, case.peep + case.pressure]

    def empty(_: float, y: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
        return [-y[0] / case.compliance / case.expiratory, case.peep]

    volume = start = end = area = 0.0
    for _ in range(60):
        start = volume
        inflated = solve_ivp(inflate, (0, case.time), [start, 0.0], rtol=1e-9, atol=1e-12).y[:, -1]
        end, area = float(inflated[0]), float(inflated[1])
        area += pause * (case.peep + end / case.compliance) if constant_flow else 0.0
        emptied = solve_ivp(empty, (0, case.out), [end, area], rtol=1e-9, atol=1e-12).y[:, -1]
        volume, area = float(emptied[0]), float(emptied[1])
        if abs(volume - start) < 1e-11:
            break
    return start, end, area / (case.time + pause + case.out)


@pytest.mark.parametrize(
    "case",
    [*VOLUME_CASES.values(), *PRESSURE_CASES.values()],
    ids=[f"volume {name}" for name in VOLUME_CASES] + [f"pressure {name}" for name in PRESSURE_CASES],
)
def test_stepwise_integration_agrees(case: _VolumeCase | _PressureCase) -> None:
    state = case.state()
    start, end, mean = _last_breath(case)
    assert start / case.compliance == pytest.approx(state.intrinsic_peep_cmh2o, rel=1e-5, abs=1e-7)
    assert end / case.compliance + case.peep == pytest.approx(state.plateau_pressure_cmh2o, rel=1e-6)
    assert mean == pytest.approx(state.mean_pressure_cmh2o, rel=1e-6)


@settings(max_examples=50, deadline=None)
@given(
    st.floats(0.0003, 0.15),
    st.floats(2.0, 150.0),
    st.floats(2.0, 150.0),
    st.floats(0.1, 3.0),
    st.floats(0.2, 6.0),
)
def test_the_two_controls_meet_in_the_same_volume(
    compliance: float, inspiratory: float, expiratory: float, time: float, out: float
) -> None:
    """Volume control with the volume of pressure control traps the same gas: emptying does not know what filled it."""
    pressed = _PressureCase(15, 5, time, out, compliance, inspiratory, expiratory, *([0.0] * 9)).state()
    pushed = _VolumeCase(compliance, inspiratory, expiratory, pressed.volume_l, time, 0, out, 5, *([0.0] * 7)).state()
    assert pushed.intrinsic_peep_cmh2o == pytest.approx(pressed.intrinsic_peep_cmh2o, rel=1e-6, abs=1e-9)
    assert pushed.plateau_pressure_cmh2o == pytest.approx(pressed.plateau_pressure_cmh2o, rel=1e-9)
    assert pushed.mean_alveolar_pressure_cmh2o - pushed.mean_pressure_cmh2o == pytest.approx(
        pressed.mean_alveolar_pressure_cmh2o - pressed.mean_pressure_cmh2o, rel=1e-6, abs=1e-9
    )


def _ramp(resistance: float = 10.0) -> tuple[float, ...]:
    return astuple(
        descending_ramp_pressure(
            volume_l=0.5,
            inspiratory_time_s=1.0,
            compliance_l_cmh2o=0.05,
            resistance_cmh2o_s_l=resistance,
            total_peep_cmh2o=5.0,
        )
    )


# VT 0.5, TI 1, C 0.05, R 10, PEEP 5: first flow 1 L/s, pressure 15.0 at the start, 17.5 at 0.5 s, 15.0 at the end.
def test_descending_ramp() -> None:
    assert _ramp() == pytest.approx((15.0, 17.5, 15.0, 0.5))
    time = np.linspace(0.0, 1.0, 2001)
    pressure = 5.0 + 10.0 * (1.0 - time) + (time - time**2 / 2) / 0.05
    assert pressure.max() == pytest.approx(17.5, abs=1e-5)
    assert _ramp(30.0) == pytest.approx((35.0, 35.0, 15.0, 0.0))


def test_arguments_outside_are_refused_and_arrays_keep_their_shape() -> None:
    with pytest.raises(OptionError, match=r"compliance_l_cmh2o: 0 .*above 0 L/cmH2O"):
        VOLUME_CASES["normal"].__class__(0.0, *astuple(VOLUME_CASES["normal"])[1:]).state()
    with pytest.raises(OptionError, match=r"pause_s: -0\.1 "):
        _VolumeCase(0.05, 10, 10, 0.5, 1, -0.1, 3, 5, *([0.0] * 7)).state()
    with pytest.raises(OptionError, match="fraction: 1 "):
        time_to_empty_s(1.0, 0.6)
    with pytest.raises(OptionError, match=r"duty: 1\.5 .*0 to 1"):
        minute_volume_ceiling_l_min(
            inspiratory_pressure_cmh2o=15.0,
            inspiratory_resistance_cmh2o_s_l=10.0,
            expiratory_resistance_cmh2o_s_l=10.0,
            duty=1.5,
        )
    ones = np.ones(3)
    state = pressure_control_steady_state(
        compliance_l_cmh2o=np.array([0.04, 0.0, np.nan]),
        inspiratory_resistance_cmh2o_s_l=15.0 * ones,
        expiratory_resistance_cmh2o_s_l=15.0 * ones,
        inspiratory_pressure_cmh2o=15.0 * ones,
        inspiratory_time_s=ones,
        expiratory_time_s=2.0 * ones,
        peep_cmh2o=5.0 * ones,
    )
    assert np.isnan(state.volume_l).tolist() == [False, True, True]
    assert state.volume_l[0] == pytest.approx(0.472497, rel=1e-5)
