"""Pressure lost in tubes against published coefficients and the laws of smooth tubes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from tidebench.errors import OptionError
from tidebench.formulas.tube import (
    GUTTMANN_POWER_LAW_8_0,
    Origin,
    PowerLaw,
    Rohrer,
    SmoothTube,
    bend_factor,
    blasius_pressure_drop,
    laminar_resistance,
    reynolds_number,
    smooth_tube_pressure_drop,
    tube_coefficients,
    tube_pressure_drop,
)

FLOWS = (0.25, 0.5, 1.0, 1.5)
ETT, TRACHEOSTOMY = "endotracheal tube", "tracheostomy tube"

# Coefficients: verified secondary (Guttmann, Anesthesiology 1993;79:503 refitted by a third party; Flevari, Anaesth
# Intensive Care 2011;39:410). Pressure drops: computed from them, cmH2O at FLOWS.
FITS = (
    (ETT, 7.0, "Flevari", 0.97, 9.17, (0.81563, 2.7775, 10.140, 22.087)),
    (ETT, 7.5, "Flevari", 0.92, 6.01, (0.60562, 1.9625, 6.930, 14.903)),
    (ETT, 8.0, "Flevari", 0.83, 4.65, (0.49813, 1.5775, 5.480, 11.707)),
    (ETT, 7.0, "Guttmann", 0.10, 11.01, (0.71313, 2.8025, 11.110, 24.922)),
    (ETT, 7.5, "Guttmann", 0.30, 8.09, (0.58062, 2.1725, 8.390, 18.652)),
    (ETT, 8.0, "Guttmann", 0.36, 6.19, (0.47688, 1.7275, 6.550, 14.468)),
    (TRACHEOSTOMY, 8.0, "Guttmann", 0.0, 4.63, (0.28937, 1.1575, 4.630, 10.418)),
)


@pytest.mark.parametrize(("interface", "size", "bench", "k1", "k2", "drops"), FITS)
def test_published_fits(
    *, interface: str, size: float, bench: str, k1: float, k2: float, drops: tuple[float, ...]
) -> None:
    law, reason = tube_coefficients(interface, size, bench=bench)
    assert isinstance(law, Rohrer)
    assert reason == ""
    assert (law.k1, law.k2) == (k1, k2)
    assert tube_pressure_drop(np.array(FLOWS), law) == pytest.approx(drops, rel=5e-5)
    assert tube_pressure_drop(-np.array(FLOWS), law) == pytest.approx(-np.array(drops), rel=5e-5)
    assert tube_pressure_drop(0.0, law) == 0.0


# Status: verified secondary, about 6.55 to 6.57 cmH2O at 1 L/s for 8.0 mm, a tracheostomy tube about 70 % of it;
# the power law's own coefficients are from memory. The refit's residual is below 0.12 cmH2O from 0.05 to 1.5 L/s.
def test_power_law_and_its_refit_agree() -> None:
    refit, _ = tube_coefficients(ETT, 8.0)
    tracheostomy, _ = tube_coefficients(TRACHEOSTOMY, 8.0)
    assert refit is not None
    assert tracheostomy is not None
    flows = np.linspace(0.05, 1.5, 100)
    difference = tube_pressure_drop(flows, refit) - tube_pressure_drop(flows, GUTTMANN_POWER_LAW_8_0)
    assert np.sqrt(np.mean(difference**2)) < 0.12
    assert tube_pressure_drop(1.0, GUTTMANN_POWER_LAW_8_0) == pytest.approx(6.56, abs=0.02)
    assert tube_pressure_drop(1.0, tracheostomy) / tube_pressure_drop(1.0, refit) == pytest.approx(0.7, abs=0.01)


def test_an_exponent_is_not_a_second_coefficient() -> None:
    power = PowerLaw(6.57, 1.94, Origin("test"))
    rohrer = Rohrer(6.57, 1.94, Origin("test"))
    assert tube_pressure_drop(2.0, power) == pytest.approx(6.57 * 2**1.94)
    assert tube_pressure_drop(2.0, rohrer) == pytest.approx(6.57 * 2 + 1.94 * 4)
    assert tube_pressure_drop(-2.0, power) == -tube_pressure_drop(2.0, power)


# Status: computed from both sets. Flevari's linear term is the greater at low flow, Guttmann's square at high.
@pytest.mark.parametrize(
    ("size", "at_quarter", "at_one_and_half"), [(7.0, 0.874, 1.128), (7.5, 0.959, 1.252), (8.0, 0.957, 1.236)]
)
def test_how_much_the_benches_differ(size: float, at_quarter: float, at_one_and_half: float) -> None:
    guttmann, flevari = (tube_coefficients(ETT, size, bench=bench).law for bench in ("Guttmann", "Flevari"))
    assert guttmann is not None
    assert flevari is not None
    flows = np.array([0.25, 1.5])
    ratio = tube_pressure_drop(flows, guttmann) / tube_pressure_drop(flows, flevari)
    assert ratio == pytest.approx((at_quarter, at_one_and_half), abs=1e-3)


# Status: computed. Darcy friction, density 1.20 kg/m³, viscosity 1.8e-5 Pa·s; cmH2O at 0.5, 1.0, 1.5 L/s.
SMOOTH = (
    (6.0, 26, 14147, (2.8605, 9.6214, 19.561)),
    (7.0, 28, 12126, (1.4812, 4.9822, 10.129)),
    (7.5, 29, 11318, (1.1054, 3.7183, 7.5596)),
    (8.0, 30, 10610, (0.84164, 2.8309, 5.7555)),
    (9.0, 32, 9431.4, (0.51307, 1.7258, 3.5087)),
)


@pytest.mark.parametrize(("size", "length", "reynolds", "drops"), SMOOTH)
def test_blasius(size: float, length: float, reynolds: float, drops: tuple[float, ...]) -> None:
    assert reynolds_number(1.0, size) == pytest.approx(reynolds, rel=5e-5)
    assert blasius_pressure_drop(np.array(FLOWS[1:]), size, length) == pytest.approx(drops, rel=5e-5)


def test_blasius_scales_as_its_exponents_say() -> None:
    assert blasius_pressure_drop(2.0, 8.0, 30) / blasius_pressure_drop(1.0, 8.0, 30) == pytest.approx(2**1.75)
    ratio = blasius_pressure_drop(1.0, 7.0, 30) / blasius_pressure_drop(1.0, 8.0, 30)
    assert ratio == pytest.approx((8 / 7) ** 4.75)
    assert blasius_pressure_drop(0.0, 7.0, 30) == 0.0


# Status: verified secondary (fits) over computed (Blasius): measured tubes lose 1.9 to 2.3 times as much.
@pytest.mark.parametrize(("size", "length"), [(7.0, 28), (7.5, 29), (8.0, 30)])
def test_measured_tubes_lose_about_twice_as_much(size: float, length: float) -> None:
    law, _ = tube_coefficients(ETT, size)
    assert law is not None
    assert 1.85 < tube_pressure_drop(1.0, law) / blasius_pressure_drop(1.0, size, length) < 2.35


# Status: computed; Ito's factor from memory. Bend radius 14 cm; cmH2O at 3 and 6 L/min.
NEWBORN = (
    (2.5, 11, 21.0593, 1.8231, 4.6931),
    (3.0, 12, 11.0792, 0.93020, 2.3839),
    (3.5, 13, 6.47863, 0.53032, 1.3538),
)


@pytest.mark.parametrize(("size", "length", "resistance", "at_3", "at_6"), NEWBORN)
def test_newborn_tubes(size: float, length: float, resistance: float, at_3: float, at_6: float) -> None:
    assert laminar_resistance(size, length) == pytest.approx(resistance, rel=1e-5)
    law, reason = tube_coefficients(ETT, size)
    assert isinstance(law, SmoothTube)
    assert reason == ""
    assert law.length_cm == length
    assert "assumed" in law.origin.note
    assert tube_pressure_drop(np.array([0.05, 0.1]), law) == pytest.approx((at_3, at_6), rel=5e-5)
    assert tube_pressure_drop(-0.1, law) == pytest.approx(-at_6, rel=5e-5)


def test_bend_factor() -> None:
    assert bend_factor(np.array([160.41, 320.83])) == pytest.approx((1.7314, 2.2285), rel=5e-5)
    assert bend_factor(0.0) == pytest.approx(1.0, abs=2e-4)
    assert bend_factor(13.5) == pytest.approx(1.0, abs=2e-4)
    assert np.isnan(bend_factor(float("nan")))


def test_a_straight_tube_is_poiseuilles_until_turbulence_takes_more() -> None:
    assert smooth_tube_pressure_drop(0.01, 3.0, 12, bend_radius_cm=None) == pytest.approx(0.110792, rel=1e-5)
    assert smooth_tube_pressure_drop(1.0, 6.0, 26) == blasius_pressure_drop(1.0, 6.0, 26)


# Ito's critical Reynolds number, 20000·(r/R)^0.32 (from memory): the house's crossover lies near it.
@pytest.mark.parametrize("size", [2.5, 3.5, 5.0, 6.5])
def test_crossover_lies_near_itos_critical_reynolds_number(size: float) -> None:
    ratio = size / 20.0 / 14.0

    def excess(flow: float) -> float:
        bent = laminar_resistance(size, 15) * flow * bend_factor(reynolds_number(flow, size) * np.sqrt(ratio))
        return float(bent - blasius_pressure_drop(flow, size, 15))

    crossover = reynolds_number(brentq(excess, 0.02, 3.0), size)
    assert crossover == pytest.approx(20000 * ratio**0.32, rel=0.25)
    assert smooth_tube_pressure_drop(0.02, size, 15) > blasius_pressure_drop(0.02, size, 15)


def test_loss_rises_with_flow_and_is_odd() -> None:
    flows = np.linspace(-2.0, 2.0, 801)
    for law in (
        tube_coefficients(ETT, 3.0).law,
        tube_coefficients(ETT, 5.0, 18).law,
        tube_coefficients(ETT, 7.25).law,
        GUTTMANN_POWER_LAW_8_0,
    ):
        assert law is not None
        drops = tube_pressure_drop(flows, law)
        assert np.all(np.diff(drops) > 0)
        np.testing.assert_allclose(drops, -drops[::-1], atol=1e-12)


def test_between_published_sizes_coefficients_are_interpolated() -> None:
    law, _ = tube_coefficients(ETT, 7.25)
    assert isinstance(law, Rohrer)
    assert (law.k1, law.k2) == pytest.approx((0.20, 9.55))
    assert "interpolated" in law.origin.note


@pytest.mark.parametrize(
    ("interface", "size", "length", "bench", "gas", "reason"),
    [
        (ETT, 8.5, None, "Guttmann", "air/oxygen", "8.5 mm endotracheal tube: Guttmann covers 7.0, 7.5, 8.0 mm"),
        (ETT, 6.8, 25.0, "Guttmann", "air/oxygen", "6.8 mm"),
        (ETT, 2.0, 10.0, "Guttmann", "air/oxygen", "2.0 mm"),
        (ETT, 5.0, None, "Guttmann", "air/oxygen", "needs its length"),
        (ETT, None, None, "Guttmann", "air/oxygen", "diameter of the tube is not known"),
        (ETT, 8.0, None, "Guttmann", "heliox", "not for heliox"),
        (TRACHEOSTOMY, 7.0, None, "Guttmann", "air/oxygen", "covers 8.0 mm"),
        (TRACHEOSTOMY, 3.5, 4.0, "Guttmann", "air/oxygen", "covers 8.0 mm"),
        (TRACHEOSTOMY, 8.0, None, "Flevari", "air/oxygen", "Flevari has none"),
        ("mask", 8.0, None, "Guttmann", "air/oxygen", "'mask'"),
        (None, 8.0, None, "Guttmann", "air/oxygen", "not known"),
    ],
)
def test_where_nothing_is_published_the_reason_is_the_answer(
    *, interface: str | None, size: float | None, length: float | None, bench: str, gas: str, reason: str
) -> None:
    choice = tube_coefficients(interface, size, length, bench=bench, gas=gas)
    assert choice.law is None
    assert reason in choice.reason


def test_values_outside_are_refused() -> None:
    with pytest.raises(OptionError, match=r"inner_diameter_mm: 75 .*2 to 12 mm"):
        tube_coefficients(ETT, 75)
    with pytest.raises(OptionError, match=r"length_cm: 300 .*3 to 45 cm"):
        tube_coefficients(ETT, 3.0, 300)
    with pytest.raises(OptionError, match="'Guttmann', 'Flevari'"):
        tube_coefficients(ETT, 8.0, bench="another")
    with pytest.raises(OptionError, match="'air/oxygen', 'heliox'"):
        tube_coefficients(ETT, 8.0, gas="xenon")
    with pytest.raises(OptionError, match=r"flow_l_s: 30 .*L/s"):
        tube_pressure_drop(30.0, GUTTMANN_POWER_LAW_8_0)
    with pytest.raises(OptionError, match="own radius"):
        smooth_tube_pressure_drop(0.1, 3.0, 12, bend_radius_cm=0.1)
    for law in (GUTTMANN_POWER_LAW_8_0, tube_coefficients(ETT, 7.0).law, tube_coefficients(ETT, 3.0).law):
        assert law is not None
        drops = tube_pressure_drop(np.array([0.1, 30.0, np.nan]), law)
        assert np.isnan(drops).tolist() == [False, True, True]
