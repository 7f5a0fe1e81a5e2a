"""The stress index against curves of known bend and against SciPy's least squares."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from tidebench.errors import OptionError
from tidebench.formulas.stress_index import StressIndexFit, fit_stress_index

TIME = np.arange(1, 101) / 100.0


def _curve(time: npt.NDArray[np.float64], a: float, b: float, c: float) -> npt.NDArray[np.float64]:
    return np.asarray(a * time**b + c)


# Status: computed: a 10, b 0.8, 1.0, 1.2, c 5 over 0 to 1 s are returned exactly. Form: Ranieri, Anesthesiology
# 2000;93:1320; Grasso, Crit Care Med 2004;32:1018 (from memory).
@pytest.mark.parametrize("index", [0.8, 1.0, 1.2, 0.35, 3.5])
def test_a_known_bend_is_returned(index: float) -> None:
    found = fit_stress_index(TIME, _curve(TIME, 10.0, index, 5.0))
    assert found.index == pytest.approx(index, abs=2e-6)
    assert (found.slope, found.offset) == pytest.approx((10.0, 5.0), abs=1e-4)
    assert found.residual_cmh2o < 1e-5
    assert found.r_squared == pytest.approx(1.0)
    assert found.samples == 100


@settings(max_examples=40, deadline=None)
@given(
    st.floats(3.0, 30.0),
    st.floats(0.6, 1.6),
    st.floats(0.0, 20.0),
    st.floats(0.4, 2.0),
    st.integers(0, 10_000),
)
def test_scipy_finds_the_same(a: float, b: float, c: float, duration: float, seed: int) -> None:
    time = np.linspace(0.05, duration, 60)
    pressure = _curve(time, a, b, c) + 0.05 * np.random.default_rng(seed).standard_normal(60)
    found = fit_stress_index(time, pressure)
    expected, covariance = curve_fit(_curve, time, pressure, p0=(a, b, c), method="trf", x_scale="jac")
    assert found.index == pytest.approx(expected[1], rel=1e-4)
    assert (found.slope, found.offset) == pytest.approx((expected[0], expected[2]), rel=1e-3, abs=1e-2)
    assert found.index_se == pytest.approx(np.sqrt(covariance[1, 1]), rel=2e-3)


def test_the_error_is_what_repetition_shows() -> None:
    noise = np.random.default_rng(4)
    found = [fit_stress_index(TIME, _curve(TIME, 12.0, 1.1, 8.0) + noise.normal(0, 0.1, 100)) for _ in range(300)]
    assert np.std([fit.index for fit in found]) == pytest.approx(np.mean([fit.index_se for fit in found]), rel=0.15)
    assert np.mean([fit.residual_cmh2o for fit in found]) == pytest.approx(0.1, rel=0.05)


def _all_nan(fit: StressIndexFit) -> bool:
    numbers = (fit.index, fit.index_se, fit.slope, fit.offset, fit.residual_cmh2o, fit.r_squared)
    return all(np.isnan(number) for number in numbers)


@pytest.mark.parametrize(
    "pressure",
    [
        np.full(100, 12.0),
        _curve(TIME, -10.0, 1.1, 20.0),
        _curve(TIME, 10.0, 7.0, 5.0),
        _curve(TIME, -3.0, -0.6, 20.0),
        np.where(np.arange(100) == 40, np.nan, _curve(TIME, 10.0, 1.0, 5.0)),
    ],
    ids=["level", "falling", "bent beyond 5", "bent below 0.2", "a missing sample"],
)
def test_what_pressure_does_not_tell_is_nan(pressure: npt.NDArray[np.float64]) -> None:
    assert _all_nan(fit_stress_index(TIME, pressure))


def test_arguments_outside_are_refused() -> None:
    with pytest.raises(OptionError, match=r"shapes \(100,\), \(99,\)"):
        fit_stress_index(TIME, TIME[:-1])
    with pytest.raises(OptionError, match="n ≥ 8"):
        fit_stress_index(TIME[:7], TIME[:7])
    for clock in (TIME - 0.01, TIME[::-1], np.full(100, 0.5), np.full(100, np.nan)):
        with pytest.raises(OptionError, match="above zero and rising"):
            fit_stress_index(clock, TIME)
