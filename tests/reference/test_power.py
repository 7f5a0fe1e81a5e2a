"""Mechanical power and work against published formulas and the area under simulated curves."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import solve_ivp

from tidebench.errors import OptionError
from tidebench.formulas import power
from tidebench.formulas.work import (
    CUSTOMARY_J_PER_CMH2O_L,
    J_PER_CMH2O_L,
    pressure_volume_work_j,
    work_per_litre_j_l,
    work_rate_j_min,
)

CUSTOMARY = CUSTOMARY_J_PER_CMH2O_L


def _gattinoni(constant: float) -> power.PowerParts[float]:
    return power.gattinoni(
        rate_per_min=15.0,
        volume_l=0.5,
        elastance_cmh2o_l=20.0,
        resistance_cmh2o_s_l=10.0,
        ie_ratio=0.5,
        peep_cmh2o=5.0,
        j_per_cmh2o_l=constant,
    )


# Status: equation verified (abstract of Gattinoni, Intensive Care Med 2016;42:1567); numbers computed.
def test_gattinoni() -> None:
    parts = _gattinoni(CUSTOMARY)
    assert parts.total == pytest.approx(10.10625, rel=1e-6)
    assert tuple(parts) == pytest.approx((3.675, 3.675, 2.75625), rel=1e-6)
    assert _gattinoni(J_PER_CMH2O_L).total == pytest.approx(10.1131, rel=1e-5)
    assert parts.total / 66.016 == pytest.approx(0.153088, rel=1e-5)


# Status: equation verified secondary, numbers computed. The first is the patient of test_gattinoni.
@pytest.mark.parametrize(
    ("rate", "volume", "peak", "plateau", "peep", "expected"),
    [(15.0, 0.5, 18.75, 15.0, 5.0, 10.10625), (25.0, 0.42, 34.0, 26.0, 12.0, 27.7830)],
)
def test_gattinoni_from_pressures(
    *, rate: float, volume: float, peak: float, plateau: float, peep: float, expected: float
) -> None:
    found = power.gattinoni_from_pressures(
        rate_per_min=rate,
        volume_l=volume,
        peak_pressure_cmh2o=peak,
        plateau_pressure_cmh2o=plateau,
        peep_cmh2o=peep,
        j_per_cmh2o_l=CUSTOMARY,
    )
    assert found == pytest.approx(expected, rel=1e-6)


# Status: equation verified (Giosa, Intensive Care Med Exp 2019;7:61), numbers computed.
@pytest.mark.parametrize(
    ("minute_volume", "peak", "peep", "flow", "expected"),
    [(7.5, 18.75, 5.0, 22.5, 10.3125), (10.5, 34.0, 12.0, 60.0, 29.4)],
)
def test_giosa(minute_volume: float, peak: float, peep: float, flow: float, expected: float) -> None:
    found = power.giosa(
        minute_volume_l_min=minute_volume,
        peak_pressure_cmh2o=peak,
        peep_cmh2o=peep,
        inspiratory_flow_l_min=flow,
    )
    assert found == pytest.approx(expected, rel=1e-6)


@dataclass(frozen=True)
class _PressureControl:
    """A passive single-compartment breath from rest, its pressure rising in a ramp."""

    pressure: float = 15.0
    peep: float = 5.0
    compliance: float = 0.040
    resistance: float = 15.0
    time: float = 1.0

    def breath(self, rise: float) -> tuple[float, float]:
        """Volume [L] and ∫P dV [cmH2O·L], stepwise by an independent solver."""

        def above_peep(t: float) -> float:
            return self.pressure * min(t / rise, 1.0) if rise else self.pressure

        def slope(t: float, state: npt.NDArray[np.float64]) -> list[float]:
            flow = (above_peep(t) - state[0] / self.compliance) / self.resistance
            return [flow, (self.peep + above_peep(t)) * flow]

        state = [0.0, 0.0]
        for start, end in ((0.0, rise), (rise, self.time)):
            if end > start:
                state = solve_ivp(slope, (start, end), state, rtol=1e-10, atol=1e-12).y[:, -1]
        return float(state[0]), float(state[1])


# Status: equation verified (Becher, Intensive Care Med 2019;45:1321), numbers computed.
def test_becher() -> None:
    simple = power.becher(
        rate_per_min=20.0, volume_l=0.45, inspiratory_pressure_cmh2o=15.0, peep_cmh2o=5.0, j_per_cmh2o_l=CUSTOMARY
    )
    assert simple == pytest.approx(17.64, rel=1e-6)
    assert _slope(0.45, 0.2, CUSTOMARY) == pytest.approx(16.7365, rel=1e-5)


def _slope(volume: float, rise: float, constant: float = J_PER_CMH2O_L) -> float:
    return power.becher_slope(
        rate_per_min=20.0,
        volume_l=volume,
        inspiratory_pressure_cmh2o=15.0,
        peep_cmh2o=5.0,
        compliance_l_cmh2o=0.040,
        resistance_cmh2o_s_l=15.0,
        rise_s=rise,
        j_per_cmh2o_l=constant,
    )


# Status: computed: 17.3441 J/min (with 0.098) for a rise of 0.2 s and 0.465499 L, where the simple form says 18.2476.
def test_becher_with_rise_is_the_area_under_the_curve() -> None:
    volume, area = _PressureControl().breath(0.2)
    assert volume == pytest.approx(0.465499, rel=1e-5)
    assert 20 * area * CUSTOMARY == pytest.approx(17.3441, rel=1e-5)
    assert _slope(volume, 0.2, CUSTOMARY) == pytest.approx(17.3441, rel=1e-5)
    assert _slope(volume, 0.0, CUSTOMARY) == pytest.approx(18.2476, rel=1e-5)


@pytest.mark.parametrize("rise", [0.0, 1e-4, 5e-4, 7e-4, 0.05, 0.4, 0.9])
def test_becher_with_rise_holds_for_any_rise(rise: float) -> None:
    volume, area = _PressureControl().breath(rise)
    assert _slope(volume, rise) == pytest.approx(20 * area * J_PER_CMH2O_L, rel=1e-6)


def test_the_series_for_short_rises_meets_the_formula() -> None:
    constant = 0.040 * 15.0
    below, above = (_slope(0.45, factor * 1e-3 * constant) for factor in (0.999999, 1.000001))
    assert below == pytest.approx(above, rel=1e-8)


# Status: from memory, number computed (van der Meijden, Intensive Care Med 2019;45:1495).
def test_van_der_meijden_counts_less_than_the_area() -> None:
    found = power.van_der_meijden(
        rate_per_min=20.0,
        volume_l=0.45,
        inspiratory_pressure_cmh2o=15.0,
        peep_cmh2o=5.0,
        compliance_l_cmh2o=0.040,
        resistance_cmh2o_s_l=15.0,
        inspiratory_time_s=1.0,
        j_per_cmh2o_l=CUSTOMARY,
    )
    assert found == pytest.approx(15.1412, rel=1e-5)
    assert found == pytest.approx(CUSTOMARY * 20 * 0.45 * (5 + 15 * (1 - exp(-1 / 0.6))))


def test_constant_flow_is_the_area_under_its_curve() -> None:
    time = np.linspace(0.0, 4 / 3, 401)
    flow = np.full_like(time, 0.5 / (4 / 3))
    pressure = 5.0 + 10.0 * flow + 20.0 * flow * time
    work = pressure_volume_work_j(pressure, flow, float(time[1]))
    assert work_rate_j_min(work, 15.0) == pytest.approx(_gattinoni(J_PER_CMH2O_L).total, rel=1e-6)


# Status: computed: muscle pressure from 0 to 10 cmH2O over 0.5 L is 0.245166 J, 0.490333 J/L, 4.90333 J/min at 20 /min.
def test_work() -> None:
    flow = np.full(101, 0.5)
    work = pressure_volume_work_j(np.linspace(0.0, 10.0, 101), flow, 0.01)
    assert work == pytest.approx(0.245166, rel=1e-5)
    assert work_per_litre_j_l(work, 0.5) == pytest.approx(0.490333, rel=1e-5)
    assert work_rate_j_min(work, 20.0) == pytest.approx(4.90333, rel=1e-5)


def test_a_closed_loop_is_what_resistance_takes() -> None:
    time = np.arange(4001) / 1000.0
    flow = 0.5 * np.sin(2 * np.pi * time / 4.0)
    volume = 0.5 * 4.0 / (2 * np.pi) * (1 - np.cos(2 * np.pi * time / 4.0))
    loop = pressure_volume_work_j(5.0 + 12.0 * flow + volume / 0.05, flow, 0.001)
    assert loop == pytest.approx(12.0 * 0.5**2 / 2 * 4.0 * J_PER_CMH2O_L, rel=1e-6)


def test_arrays_keep_their_shape_and_odd_elements_become_nan() -> None:
    found = power.gattinoni_from_pressures(
        rate_per_min=np.full(4, 15.0),
        volume_l=np.full(4, 0.5),
        peak_pressure_cmh2o=np.array([18.75, 14.0, np.nan, 18.75]),
        plateau_pressure_cmh2o=np.array([15.0, 15.0, 15.0, 4.0]),
        peep_cmh2o=np.full(4, 5.0),
        j_per_cmh2o_l=CUSTOMARY,
    )
    assert found[0] == pytest.approx(10.10625)
    assert np.isnan(found).tolist() == [False, True, True, True]
    rises = power.becher_slope(
        rate_per_min=np.full(3, 20.0),
        volume_l=np.full(3, 0.45),
        inspiratory_pressure_cmh2o=np.full(3, 15.0),
        peep_cmh2o=np.full(3, 5.0),
        compliance_l_cmh2o=np.full(3, 0.04),
        resistance_cmh2o_s_l=np.array([15.0, 15.0, 0.0]),
        rise_s=np.array([0.2, np.nan, 0.2]),
    )
    assert np.isnan(rises).tolist() == [False, True, True]


def test_numbers_outside_are_refused() -> None:
    with pytest.raises(OptionError, match=r"peak_pressure_cmh2o: 14 .*at least the plateau"):
        power.gattinoni_from_pressures(
            rate_per_min=15.0, volume_l=0.5, peak_pressure_cmh2o=14.0, plateau_pressure_cmh2o=15.0, peep_cmh2o=5.0
        )
    with pytest.raises(OptionError, match=r"plateau_pressure_cmh2o: 4 .*at least PEEP"):
        power.gattinoni_from_pressures(
            rate_per_min=15.0, volume_l=0.5, peak_pressure_cmh2o=14.0, plateau_pressure_cmh2o=4.0, peep_cmh2o=5.0
        )
    with pytest.raises(OptionError, match=r"volume_l: -0\.5 "):
        power.becher(rate_per_min=20.0, volume_l=-0.5, inspiratory_pressure_cmh2o=15.0, peep_cmh2o=5.0)
    with pytest.raises(OptionError, match="at least PEEP"):
        power.giosa(minute_volume_l_min=7.5, peak_pressure_cmh2o=4.0, peep_cmh2o=5.0, inspiratory_flow_l_min=30.0)
    with pytest.raises(OptionError, match=r"rise_s: -0\.1 "):
        _slope(0.45, -0.1)
    with pytest.raises(OptionError, match=r"shapes \(3,\), \(2,\)"):
        pressure_volume_work_j(np.zeros(3), np.zeros(2), 0.01)
    with pytest.raises(OptionError, match="interval_s: 0 "):
        pressure_volume_work_j(np.zeros(3), np.zeros(3), 0.0)
    with pytest.raises(OptionError, match="volume_l: 0 "):
        work_per_litre_j_l(1.0, 0.0)
    assert np.isnan(_slope(float("nan"), 0.2))
