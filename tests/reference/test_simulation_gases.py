"""Gas exchange of the simulation against the equations and tables of respiratory physiology.

Alveolar ventilation PaCO2 = 863·V'CO2/V'A and alveolar gas PAO2 = FiO2·(PB − 47) − PaCO2/R (textbooks; 863 computed as
760·310.15/273.15); saturation: Severinghaus, J Appl Physiol 1979;46:599; pH: Henderson and Hasselbalch with 0.0307.

Alveolar gas is one well-mixed store, so its PCO2 swings within a breath, and arterial PCO2 averages above what is
exhaled (which leaves early, when it is dilute). The equations hold exactly where the swing is small: fast shallow
breaths into much gas.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.reference.simulated import REGULAR, Values, compartment, scenario, volume_control
from tidebench.simulation import gases, scenario_from, simulate
from tidebench.simulation.setup import TISSUE_L_KG

BODY = 760 * 310.15 / 273.15
LITTLE = {"weight_kg": 3}
"""Stores of a small body, so that minutes are enough for a steady state; everything else is an adult's."""


def steady(volume_ml: float, rate: float, dead_ml: float, fio2: float = 0.4, **exchange: Any) -> dict[str, float]:
    """Means over the last breaths."""
    told = scenario(
        [compartment(50, 10)], volume_control(volume_ml, 18 / rate, 60 / rate, 5, fio2=fio2), 1500, patient=LITTLE,
        exchange={
            "co2_production_ml_min": 200, "o2_uptake_ml_min": 250, "shunt": 0, "alveolar_dead_space": 0,
            "cardiac_output_l_min": 5.25, "airway_dead_space_ml": dead_ml, "residual_volume_ml": 6000, **exchange,
        },
    )  # fmt: skip
    names = ["arterial_co2", "arterial_o2", "arterial_saturation", "arterial_ph"]
    last = round(20 * 6000 / rate)
    channels = simulate(told, ["airway_pressure", "flow", *names]).channels
    return {name: float(channels[name][-last:].mean()) for name in names}


@pytest.mark.parametrize(
    ("volume", "rate", "dead", "alveolar"), [(200, 50, 60, 0.0), (200, 50, 60, 0.2), (150, 60, 60, 0)]
)
def test_alveolar_ventilation_equation(volume: float, rate: float, dead: float, alveolar: float) -> None:
    """With series and alveolar dead space: VD = VD,airway + share·(VT − VD,airway)."""
    ventilation = rate * (volume - dead) * (1 - alveolar) / 1000
    found = steady(volume, rate, dead, alveolar_dead_space=alveolar)
    assert found["arterial_co2"] == pytest.approx(BODY * 0.2 / ventilation, rel=0.01)


@pytest.mark.parametrize("fio2", [0.21, 0.4, 1.0])
def test_alveolar_gas_equation(fio2: float) -> None:
    found = steady(200, 50, 60, fio2)
    carbon_dioxide = BODY * 0.2 / (50 * 0.14)
    assert found["arterial_o2"] == pytest.approx(fio2 * 713 - carbon_dioxide / (200 / 250), rel=0.01)


ADULT = {
    "co2_production_ml_min": 200, "o2_uptake_ml_min": 250, "shunt": 0, "alveolar_dead_space": 0,
    "cardiac_output_l_min": 5.25, "residual_volume_ml": 2500,
}  # fmt: skip


@pytest.mark.parametrize(("volume", "rate"), [(450, 14), (500, 12), (400, 16), (300, 24)])
def test_an_adult_s_usual_breaths_are_within_6_percent_of_the_equation(volume: float, rate: float) -> None:
    """Five hours, that stores are filled; the capnogram gives up what is produced."""
    told = scenario(
        [compartment(50, 10)], volume_control(volume, 18 / rate, 60 / rate, 5, fio2=0.4), 5 * 3600,
        patient={"weight_kg": 70}, exchange={**ADULT, "airway_dead_space_ml": 120},
    )  # fmt: skip
    solution = simulate(told, ["airway_pressure", "flow", "co2"])
    equation = BODY * 0.2 / (rate * (volume - 120) / 1000)
    assert 1.0 < solution.breaths["paco2_mmhg"][-2] / equation < 1.06
    last = round(20 * 6000 / rate)
    flow, tension = (solution.channels[name][-last:] for name in ("flow", "co2"))
    given_off = float(-np.sum(np.minimum(flow, 0) * tension)) / last * 60 / BODY
    assert given_off == pytest.approx(0.2, rel=0.01)


@pytest.mark.parametrize("volume", [10, 80, 140])
def test_below_the_dead_space_no_carbon_dioxide_reaches_the_wye(volume: float) -> None:
    told = scenario(
        [compartment(50, 10)], volume_control(volume, 1.0, 4.0, 5), 120, exchange={**ADULT, "airway_dead_space_ml": 150}
    )
    assert simulate(told).breaths["etco2_mmhg"][1:].null_count() == simulate(told).breaths.height - 1


def test_deep_breaths_into_little_gas_raise_the_mean_above_the_equation() -> None:
    """The swing's price, which more gas in the lungs lowers."""
    wanted = BODY * 0.2 / (14 * 0.35)
    little, much = (
        steady(500, 14, 150, residual_volume_ml=volume)["arterial_co2"] / wanted - 1 for volume in (3000, 6000)
    )
    assert 0.01 < much < 0.6 * little


TABLE = {
    10: 9.6525, 20: 31.977, 27: 50.353, 30: 57.377, 40: 74.946, 50: 84.990, 60: 90.580, 70: 93.791, 80: 95.725,
    90: 96.945, 100: 97.747, 120: 98.678, 150: 99.316, 300: 99.914,
}  # fmt: skip
OTHER_CURVES = {20: (33.831, 32.068), 40: (74.116, 74.981), 60: (91.057, 90.528), 100: (97.490, 97.536)}
"""Kelman, J Appl Physiol 1966;21:1375, and Siggaard-Andersen, Clin Chem 1984;30:1646."""


@pytest.mark.parametrize("po2", TABLE)
def test_saturation_of_the_table(po2: int) -> None:
    assert 100 * gases.saturation(float(po2)) == pytest.approx(TABLE[po2], abs=6e-4)


@pytest.mark.parametrize("po2", OTHER_CURVES)
def test_saturation_is_near_other_curves(po2: int) -> None:
    for other in OTHER_CURVES[po2]:
        assert 100 * gases.saturation(float(po2)) == pytest.approx(other, abs=2.0)


@pytest.mark.parametrize("bicarbonate", [14, 24, 36])
def test_saturation_of_a_run_lies_on_the_table(bicarbonate: float) -> None:
    """Where FiO2 and shunt put PaO2, SaO2 is the table's, read between its lines at the PO2 that pH makes of it.

    d(log10 PO2)/d(pH) = 0.48 (Severinghaus, J Appl Physiol 1979;46:599).
    """
    for shunt in (0.1, 0.2):
        found = steady(200, 50, 60, 0.3, shunt=shunt, bicarbonate_mmol_l=bicarbonate)
        ph = 6.1 + np.log10(bicarbonate / (0.0307 * found["arterial_co2"]))
        assert found["arterial_ph"] == pytest.approx(ph, abs=0.002)
        seen = found["arterial_o2"] * 10 ** (0.48 * (ph - 7.4))
        between = np.interp(seen, list(TABLE), list(TABLE.values()))
        assert 100 * found["arterial_saturation"] == pytest.approx(between, abs=1.0)


def test_shunt_equation() -> None:
    """Qs/Qt = (Cc' − Ca)/(Cc' − Cv), with venous content by Fick: Cv = Ca − V'O2/Q'."""
    output, haemoglobin, shunt = 5.25, 12.0, 0.2
    found = steady(200, 50, 60, 0.4, shunt=shunt)

    def content(po2: float) -> float:
        seen = po2 * 10 ** (0.48 * (found["arterial_ph"] - 7.4))
        return 1.34 * haemoglobin / (23400 / (seen**3 + 150 * seen) + 1) + 0.003 * po2

    arterial = content(found["arterial_o2"])
    venous = arterial - 250 / output / 10
    capillary = content(0.4 * 713 - BODY * 0.25 / (50 * 0.14))
    assert (capillary - arterial) / (capillary - venous) == pytest.approx(shunt, rel=0.03)


@pytest.mark.parametrize(
    ("pco2", "bicarbonate", "ph"),
    [(40, 24, 7.3910), (60, 25, 7.2327), (80, 30, 7.1869), (20, 19, 7.5906), (25, 12, 7.2941)],
)
def test_acidity(pco2: float, bicarbonate: float, ph: float) -> None:
    assert gases.acidity(float(pco2), float(bicarbonate)) == pytest.approx(ph, abs=6e-5)


def apnoea() -> Values:
    """PaCO2 of an adult at every second from the last breath on, oxygenated."""
    told = scenario_from({
        "duration_s": 1500, "patient": {"weight_kg": 70}, "lung": {"compartments": [compartment(60, 8)]},
        "settings": [{"mode": "CPAP", "peep_cmh2o": 5, "fio2": 1}],
        "effort": {"rate_per_min": 14, "size_cmh2o": 7, **REGULAR}, "exchange": {"shunt": 0},
        "events": [{"at_s": 1200, "kind": "apnoea"}],
    })  # fmt: skip
    solution = simulate(told, ["airway_pressure", "flow", "arterial_co2"])
    return solution.channels["arterial_co2"][round(100 * float(solution.efforts["onset_s"][-1])) :: 100]


def test_apnoea_raises_carbon_dioxide_fast_and_then_slowly() -> None:
    """Eger and Severinghaus 1961 (from memory): some 12 mmHg in the first minute, 3 to 4 in each one after.

    The order of it is held: at first by the difference to mixed venous blood, then by production into the stores.
    """
    rising = apnoea()
    first, later = rising[60] - rising[0], rising[240] - rising[180]
    assert 5 < first < 15
    assert 1 < later < 5
    assert first > 2 * later


def mean_in_one_store(
    volume: float, inspired: float, period: float, tau: float, gas: float, dead: float, made: float, blood: float
) -> float:
    """Mean PCO2 (mmHg) of one well-mixed store of ``gas`` litres over a repeating breath; SciPy alone.

    Constant flow in, first what came out last and stands in the dead space (a plug; its mean), then fresh gas;
    exponential flow out. Of CO2 ``made`` L/s (BTPS) come in on average, less by ``blood`` for each mmHg above the mean.
    """
    flow, out = volume / inspired, volume / tau / (1 - np.exp(-(period - inspired) / tau))
    back, returned = dead / flow, made * period / (volume - dead)
    store, mean = returned * gas, 713 * returned
    stays = inspired - tau * np.log(dead / (out * tau) + np.exp(-(period - inspired) / tau))

    def moving(t: float) -> tuple[float, float, float]:
        """Volume of gas (L), what comes back, and what leaves (L/s)."""
        if t < inspired:
            return gas + flow * t, flow if t < back else 0.0, 0.0
        late = t - inspired
        return gas + volume - out * tau * (1 - np.exp(-late / tau)), 0.0, out * np.exp(-late / tau)

    def change(t: float, y: Any, came: float, middle: float) -> list[float]:
        held, returns, leaves = moving(t)
        share = y[0] / held
        return [made + blood * (middle - 713 * share) + returns * came - leaves * share, share, leaves * share]

    for _ in range(80):
        state, before = [store, 0.0, 0.0], 0.0
        for first, until in ((0.0, back), (back, inspired), (inspired, stays), (stays, period)):
            before, span = state[2], (first + 1e-9, until - 1e-9)
            state = list(solve_ivp(change, span, state, args=(returned, mean), rtol=1e-8, atol=1e-11).y[:, -1])
        store, returned, mean = state[0], (state[2] - before) / dead, 713 * state[1] / period
    return mean


@pytest.mark.parametrize(
    ("volume", "rate", "rest", "dead", "kg", "compliance"),
    [
        (500, 12, 2500, 120, 70, 50),
        (450, 14, 2500, 120, 70, 50),
        (300, 24, 2500, 120, 70, 50),
        (160, 22, 600, 40, 20, 20),
    ],
)
def test_what_lies_above_the_equation_is_the_swing_within_the_breath(
    volume: float, rate: float, rest: float, dead: float, kg: float, compliance: float
) -> None:
    """PaCO2 averages above the alveolar ventilation equation by as much as in one mixed store, by SciPy: 2 to 6 %."""
    period, made = 60 / rate, 3.0 * kg
    told = scenario(
        [compartment(compliance, 10)], volume_control(volume, 0.3 * period, period, 5), 5 * 3600,
        patient={"weight_kg": kg},
        exchange={"co2_production_ml_min": made, "shunt": 0, "alveolar_dead_space": 0, "airway_dead_space_ml": dead,
                  "residual_volume_ml": rest, "cardiac_output_l_min": 0.075 * kg},
    )  # fmt: skip
    found = float(np.mean(simulate(told).breaths["paco2_mmhg"].to_numpy()[-20:-1]))
    gas = (rest + 5 * compliance) / 1000 + TISSUE_L_KG * kg
    comes, blood = (BODY / 713 * each / 60 for each in (made / 1000, 0.075 * kg * gases.CO2_SLOPE))
    plain = mean_in_one_store(
        volume / 1000, 0.3 * period, period, compliance / 100, gas, dead / 1000, comes, blood
    )  # fmt: skip
    equation = BODY * made / 1000 / (rate * (volume - dead) / 1000)
    assert found == pytest.approx(plain, rel=0.01)
    assert 1.015 < plain / equation < 1.06
