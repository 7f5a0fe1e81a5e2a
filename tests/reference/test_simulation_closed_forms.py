"""The simulation at its default step against closed forms of the passive lung.

Volume control: V0 = VT·k/(1 − k), k = e^(−TE/(RE·C)), and the equation of motion. Pressure control: Marini, J Appl
Physiol 1989;67:1081; Burke, J Appl Physiol 1993;74:922. Numbers computed from those equations; two patients are printed
in a paper (Crit Care 2013, doi 10.1186/cc12561). Asked: 0.1 %.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.reference.simulated import IDEAL, compartment, pressure_control, scenario, steady_breath, volume_control
from tidebench.formulas.steady_state import pressure_control_steady_state, volume_control_steady_state
from tidebench.simulation import Scenario, simulate

PERMILLE = 1e-3
TRAPPED_CMH2O = 2e-4
"""What a valve of 0.001 cmH2O·s/L may still hold back, where next to nothing is trapped."""

VOLUME_CONTROL = {
    # C, RI, RE, VT, TI, pause, TE, PEEP -> PEEPi, plateau, peak, mean, mean alveolar
    "normal": ((50, 10, 10, 500, 1, 0, 3, 5), (0.0248491, 15.0248, 20.0248, 7.50621, 7.50621)),
    "pause": ((50, 10, 10, 500, 1, 0.3, 2.7, 5), (0.0453707, 15.0454, 20.0454, 8.26475, 8.26475)),
    "obstructive": ((60, 20, 20, 500, 1, 0, 2, 0), (1.94047, 10.2738, 20.2738, 5.36905, 5.36905)),
    "slow out": ((60, 15, 25, 500, 0.8, 0, 2.2, 5), (2.49893, 15.8323, 25.2073, 9.27749, 10.9442)),
    "stiff": ((30, 12, 12, 400, 0.8, 0, 1.6, 10), (0.158442, 23.4918, 29.4918, 14.2750, 14.2750)),
    "newborn": ((1, 100, 100, 6, 0.3, 0, 0.7, 5), (0.00547629, 11.0055, 13.0055, 6.50164, 6.50164)),
}
PRESSURE_CONTROL = {
    # above PEEP, PEEP, TI, TE, C, RI, RE -> VT, PEEPi, alveolar at the end, mean, mean alveolar
    "even": ((15, 5, 1, 2, 40, 15, 15), (472.497, 0.436985, 17.2494, 10, 10)),
    "slow out": ((15, 5, 1, 2, 40, 10, 20), (508.970, 1.13787, 18.8621, 10, 11.6966)),
    "obstructive": ((20, 0, 1, 2, 60, 25, 25), (497.286, 2.96674, 11.2548, 6.66667, 6.66667)),
    "newborn": ((12, 5, 0.3, 0.7, 1, 100, 100), (11.3927, 0.0103983, 16.4031, 8.6, 8.6)),
}


def ventilated(parts: list[dict[str, float | None]], setting: dict[str, object], breaths: int = 40) -> Scenario:
    """Enough breaths for a steady state, with ideal valves."""
    return scenario(parts, setting, breaths * 60 / float(str(setting["rate_per_min"])), ventilator=IDEAL)


@pytest.mark.parametrize("case", VOLUME_CONTROL)
def test_volume_control(case: str) -> None:
    (c, inward, outward, volume, seconds, pause, rest, peep), wanted = VOLUME_CONTROL[case]
    setting = volume_control(volume, seconds, seconds + pause + rest, peep, pause_s=pause)
    told = ventilated([compartment(c, inward, outward)], setting)
    breath = steady_breath(told)
    trapped, _, peak, mean, alveolar = wanted
    assert breath["vti_ml"] == pytest.approx(volume, rel=1e-9)
    assert breath["vte_ml"] == pytest.approx(volume, rel=PERMILLE)
    assert breath["total_peep_cmh2o"] - peep == pytest.approx(trapped, rel=PERMILLE, abs=TRAPPED_CMH2O)
    assert breath["peak_pressure_cmh2o"] == pytest.approx(peak, rel=PERMILLE)
    assert breath["mean_pressure_cmh2o"] == pytest.approx(mean, rel=PERMILLE)
    assert breath["mean_alveolar_pressure_cmh2o"] == pytest.approx(alveolar, rel=PERMILLE)


@pytest.mark.parametrize("case", VOLUME_CONTROL)
def test_plateau_of_a_hold(case: str) -> None:
    (c, inward, outward, volume, seconds, pause, rest, peep), wanted = VOLUME_CONTROL[case]
    period = seconds + pause + rest
    told = scenario(
        [compartment(c, inward, outward)], volume_control(volume, seconds, period, peep, pause_s=pause), 45 * period,
        ventilator=IDEAL, manoeuvres=[{"at_s": 40 * period, "kind": "inspiratory hold", "duration_s": 2.0}],
    )  # fmt: skip
    plateau = simulate(told).breaths["plateau_cmh2o"].drop_nulls().to_list()
    assert plateau == pytest.approx([wanted[1]], rel=PERMILLE)


@pytest.mark.parametrize("case", PRESSURE_CONTROL)
def test_pressure_control(case: str) -> None:
    (above, peep, seconds, rest, c, inward, outward), wanted = PRESSURE_CONTROL[case]
    told = ventilated([compartment(c, inward, outward)], pressure_control(above, seconds, seconds + rest, peep))
    breath = steady_breath(told)
    volume, trapped, high, mean, alveolar = wanted
    assert breath["vti_ml"] == pytest.approx(volume, rel=PERMILLE)
    assert breath["vte_ml"] == pytest.approx(volume, rel=PERMILLE)
    assert breath["total_peep_cmh2o"] - peep == pytest.approx(trapped, rel=PERMILLE)
    assert breath["peak_pressure_cmh2o"] == pytest.approx(peep + above, rel=PERMILLE)
    assert breath["alveolar_peak_cmh2o"] == pytest.approx(high, rel=PERMILLE)
    assert breath["mean_pressure_cmh2o"] == pytest.approx(mean, rel=PERMILLE)
    assert breath["mean_alveolar_pressure_cmh2o"] == pytest.approx(alveolar, rel=PERMILLE)


def test_a_valve_with_resistance_adds_to_expiration() -> None:
    """Seen from the valve's far side, its resistance and the airway's are one: the same closed form with their sum."""
    valve = 4.0
    built = {**IDEAL, "valve_resistance_cmh2o_s_l": valve}
    told = scenario([compartment(60, 15, 25)], volume_control(500, 0.8, 3, 5), 120, ventilator=built)
    form = volume_control_steady_state(
        compliance_l_cmh2o=0.06, inspiratory_resistance_cmh2o_s_l=15.0, expiratory_resistance_cmh2o_s_l=25 + valve,
        volume_l=0.5, inspiratory_time_s=0.8, pause_s=0.0, expiratory_time_s=2.2, peep_cmh2o=5.0,
    )  # fmt: skip
    breath = steady_breath(told)
    assert breath["total_peep_cmh2o"] - 5 == pytest.approx(form.intrinsic_peep_cmh2o, rel=PERMILLE)
    assert breath["peak_pressure_cmh2o"] == pytest.approx(form.peak_pressure_cmh2o, rel=PERMILLE)
    at_the_wye = form.mean_pressure_cmh2o + valve * 0.5 / 3
    assert breath["mean_pressure_cmh2o"] == pytest.approx(at_the_wye, rel=PERMILLE)
    assert breath["mean_alveolar_pressure_cmh2o"] == pytest.approx(form.mean_alveolar_pressure_cmh2o, rel=PERMILLE)


def test_a_source_with_resistance_adds_to_inspiration() -> None:
    source, valve = 2.0, 3.0
    built = {**IDEAL, "valve_resistance_cmh2o_s_l": valve, "source_resistance_cmh2o_s_l": source}
    told = scenario([compartment(40, 10, 20)], pressure_control(15, 1, 3, 5), 120, ventilator=built)
    form = pressure_control_steady_state(
        compliance_l_cmh2o=0.04, inspiratory_resistance_cmh2o_s_l=10 + source,
        expiratory_resistance_cmh2o_s_l=20 + valve, inspiratory_pressure_cmh2o=15.0, inspiratory_time_s=1.0,
        expiratory_time_s=2.0, peep_cmh2o=5.0,
    )  # fmt: skip
    breath = steady_breath(told)
    assert breath["vti_ml"] == pytest.approx(1000 * form.volume_l, rel=PERMILLE)
    assert breath["total_peep_cmh2o"] - 5 == pytest.approx(form.intrinsic_peep_cmh2o, rel=PERMILLE)
    assert breath["mean_alveolar_pressure_cmh2o"] == pytest.approx(form.mean_alveolar_pressure_cmh2o, rel=PERMILLE)


@pytest.mark.parametrize(
    ("compliance", "resistance", "plateau"), [(50, 5, 13.0), (95, 21, 9.78)], ids=["short", "long time constant"]
)
def test_patients_of_a_paper(compliance: float, resistance: float, plateau: float) -> None:
    """VT 0.65, f 15, TI 1.3, pause 0.3, TE 2.4, no PEEP: the plateaus that the paper prints, to its digits."""
    told = ventilated([compartment(compliance, resistance)], volume_control(650, 1.3, 4.0, 0, pause_s=0.3))
    solution = simulate(told, channels=["alveolar_pressure", "airway_pressure", "flow"])
    highest = solution.channels["alveolar_pressure"][-400:].max()
    assert highest == pytest.approx(plateau, abs=0.01)


def test_descending_flow_peaks_a_time_constant_before_its_end() -> None:
    """Paw = PEEP + R·V' + V/C with V' falling to zero: highest at TI − R·C, here 17.5 cmH2O at 0.5 s."""
    setting = volume_control(500, 1, 6, 5, flow_pattern="decelerating")
    told = scenario([compartment(50, 10)], setting, 11, ventilator=IDEAL, sampling_hz=1000)
    solution = simulate(told)
    (start, *_), paw = solution.breaths["start_s"], solution.channels["airway_pressure"]
    inflation = paw[round(1000 * start) + 2 : round(1000 * (start + 1))]
    assert inflation.max() == pytest.approx(17.5, rel=PERMILLE)
    assert (np.argmax(inflation) + 2) / 1000 == pytest.approx(0.5, abs=0.02)
    assert inflation[[0, -1]] == pytest.approx([15, 15], abs=0.03)


@pytest.mark.parametrize(
    ("rate", "ventilation"), [(10, 7.46291), (20, 13.5772), (30, 17.1359), (60, 20.7953), (120, 22.0427)]
)
def test_ceiling_of_ventilation(rate: float, ventilation: float) -> None:
    """15 above 5, C 50, R 10, half the time in: ventilation nears 60·ΔP·D(1−D)/(D·RE + (1−D)·RI) = 22.5 L/min."""
    setting = pressure_control(15, 30 / rate, 60 / rate, 5)
    breath = steady_breath(ventilated([compartment(50, 10)], setting, 60))
    assert breath["vti_ml"] * rate / 1000 == pytest.approx(ventilation, rel=PERMILLE)
