"""The plain model against closed forms: it stands as the second opinion, so it needs one itself."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from scipy.linalg import expm

from tests.reference.plain_lung import Machine, OfTime, Patient, Sample, breathe
from tidebench.formulas.mechanics import circuit_corrected_volume_ml, emptied_fraction
from tidebench.formulas.steady_state import volume_control_steady_state

COMPLIANCE, RESISTANCE, VALVE, CIRCUIT, PEEP, FLOW = 0.032, 8.0, 3.0, 0.0015, 10.0, 0.6
PATIENT = Patient(compliance=lambda _: COMPLIANCE, resistance=RESISTANCE)
MACHINE = Machine(
    peep=lambda _: PEEP,
    flow=FLOW,
    inflation_s=0.6,
    pause_s=0.2,
    expiration_s=1.2,
    valve_resistance=VALVE,
    circuit_compliance=CIRCUIT,
)


def closed_form(phases: list[tuple[str, float]]) -> npt.NDArray[np.float64]:
    """Recoil and wye pressure after phases, by the matrix exponential of each linear system.

    ``[recoil, pressure]' = A [recoil, pressure] + b``, solved with the constant as a third state.
    """
    state = np.array([PEEP, PEEP, 1.0])
    for phase, duration in phases:
        leaving = 1 / VALVE if phase == "expiration" else 0.0
        source = FLOW if phase == "inflation" else 0.0
        system = np.array(
            [
                [-1 / (RESISTANCE * COMPLIANCE), 1 / (RESISTANCE * COMPLIANCE), 0],
                [
                    1 / (RESISTANCE * CIRCUIT),
                    -(1 / RESISTANCE + leaving) / CIRCUIT,
                    (source + leaving * PEEP) / CIRCUIT,
                ],
                [0, 0, 0],
            ]
        )
        state = expm(system * duration) @ state
    return state[:2]


def at(time_s: float, dt: float, patient: Patient = PATIENT, machine: Machine = MACHINE) -> Sample:
    """The sample at a time."""
    return list(breathe(patient, machine, time_s + dt, dt))[round(time_s / dt)]


PHASES = [("expiration", 1.2), ("inflation", 0.6), ("pause", 0.2), ("expiration", 0.4)]


@pytest.mark.parametrize("phases", [PHASES[:count] for count in (2, 3, 4)], ids=["inflated", "paused", "exhaling"])
def test_linear_lung_follows_the_matrix_exponential(phases: list[tuple[str, float]]) -> None:
    sample = at(sum(duration for _, duration in phases), 0.001)
    np.testing.assert_allclose([sample.recoil, sample.pressure], closed_form(phases), atol=2e-4)


def test_error_falls_with_the_fourth_power_of_the_step() -> None:
    exact = closed_form(PHASES)[0]
    coarse, fine = (abs(at(2.4, dt).recoil - exact) for dt in (0.002, 0.001))
    assert np.log2(coarse / fine) == pytest.approx(4, abs=0.3)


def test_constant_flow_gives_the_equation_of_motion() -> None:
    """With hardly any circuit, Paw = PEEP + E·V + R·V' + K·V'²."""
    patient = replace(PATIENT, quadratic=6.0)
    machine = replace(MACHINE, circuit_compliance=1e-5, expiration_s=0.01)
    sample = at(0.11, 2e-5, patient, machine)
    volume = FLOW * 0.1
    expected = PEEP + volume / COMPLIANCE + RESISTANCE * FLOW + 6.0 * FLOW**2
    assert sample.pressure == pytest.approx(expected, abs=0.02)
    assert sample.flow == pytest.approx(FLOW, rel=1e-3)


def test_expiration_is_exponential_with_all_resistance_that_it_passes() -> None:
    samples = list(breathe(PATIENT, replace(MACHINE, expiration_s=3.0), 6.0))
    above = [s.recoil - PEEP for s in samples if s.time > 3.0 and s.phase == "expiration"]
    # The circuit empties through the valve beside the lung: a little slower than R·C alone.
    gone = emptied_fraction(0.4, (RESISTANCE + VALVE) * COMPLIANCE)
    assert 1 - above[500] / above[100] == pytest.approx(gone, abs=0.01)


def test_gas_is_neither_made_nor_lost() -> None:
    samples = list(breathe(PATIENT, MACHINE, 2.0))
    first = next(s for s in samples if s.phase == "inflation")
    last = samples[-1]
    delivered = FLOW * MACHINE.inflation_s
    held = COMPLIANCE * (last.recoil - first.recoil) + CIRCUIT * (last.pressure - first.pressure)
    assert last.phase == "pause"
    assert held == pytest.approx(delivered, rel=1e-9)


def test_tubing_takes_its_part_of_the_set_volume() -> None:
    samples = list(breathe(PATIENT, replace(MACHINE, holds={"pause": (0.0, 3.0)}), 4.9))
    plateau, start = samples[-1].pressure, next(s for s in samples if s.phase == "inflation").recoil
    taken = COMPLIANCE * (plateau - start) * 1000
    left = circuit_corrected_volume_ml(FLOW * MACHINE.inflation_s * 1000, CIRCUIT * 1000, plateau, start)
    assert samples[-1].phase == "pause hold"
    assert left == pytest.approx(taken, rel=1e-6)


def test_flow_at_the_wye_is_what_the_lung_takes() -> None:
    samples = list(breathe(replace(PATIENT, quadratic=6.0), MACHINE, 2.0))
    flow = np.array([s.flow for s in samples])
    taken = COMPLIANCE * (samples[-1].recoil - samples[0].recoil)
    assert np.trapezoid(flow, dx=0.001) == pytest.approx(taken, rel=1e-3)


def test_trapped_gas_settles_at_the_closed_form() -> None:
    """Hardly any circuit, an obstructed lung: intrinsic PEEP, plateau and peak once every breath is like the last."""
    patient = Patient(compliance=lambda _: 0.06, resistance=12.0)
    machine = replace(MACHINE, circuit_compliance=2e-4, expiration_s=1.0)
    samples = list(breathe(patient, machine, 16.2, 2.5e-4))[-7200:]
    steady = volume_control_steady_state(
        compliance_l_cmh2o=0.06,
        inspiratory_resistance_cmh2o_s_l=12.0,
        expiratory_resistance_cmh2o_s_l=12.0 + VALVE,
        volume_l=FLOW * machine.inflation_s,
        inspiratory_time_s=machine.inflation_s,
        pause_s=machine.pause_s,
        expiratory_time_s=machine.expiration_s,
        peep_cmh2o=PEEP,
    )
    assert steady.intrinsic_peep_cmh2o > 2
    assert min(s.recoil for s in samples) - PEEP == pytest.approx(steady.intrinsic_peep_cmh2o, abs=0.05)
    assert max(s.recoil for s in samples) == pytest.approx(steady.plateau_pressure_cmh2o, abs=0.05)
    assert max(s.pressure for s in samples) == pytest.approx(steady.peak_pressure_cmh2o, abs=0.1)


@pytest.mark.parametrize("phase", ["pause", "expiration"])
def test_hold_ends_with_wye_and_lung_at_one_pressure(phase: str) -> None:
    samples = list(breathe(PATIENT, replace(MACHINE, holds={phase: (2.0, 3.0)}), 12.0))
    hold = [s for s in samples if s.phase == f"{phase} hold"]
    shared = (COMPLIANCE * hold[0].recoil + CIRCUIT * hold[0].pressure) / (COMPLIANCE + CIRCUIT)
    assert len(hold) == 3000
    assert hold[-1].pressure == pytest.approx(shared, abs=1e-9)
    assert hold[-1].recoil == pytest.approx(shared, abs=1e-9)


def test_recoil_does_not_jump_when_compliance_changes() -> None:
    patient = replace(PATIENT, compliance=lambda time: 0.03 if time < 1.5 else 0.04)
    recoil = np.array([s.recoil for s in breathe(patient, MACHINE, 3.0)])
    assert np.abs(np.diff(recoil)).max() < 1.2 * FLOW / 0.03 * 0.001


def pull(onset: float, peak: float, duration: float) -> OfTime:
    """A triangular effort."""
    return lambda time: max(0.0, peak * (1 - abs(2 * (time - onset) / duration - 1)))


@pytest.mark.parametrize(
    ("onset", "peak", "brings"),
    [(3.0, 5.0, True), (3.0, 0.3, False), (2.15, 2.0, False)],
    ids=["late and strong", "late and faint", "early, against the recoil"],
)
def test_effort_brings_a_breath_where_it_turns_the_flow(onset: float, peak: float, brings: bool) -> None:
    machine = replace(MACHINE, expiration_s=2.0, trigger=0.05)
    patient = replace(PATIENT, muscle=pull(onset, peak, 0.6))
    samples = list(breathe(patient, machine, onset + 0.6))
    begun = [a.time for b, a in pairwise(samples) if a.phase == "inflation" != b.phase]
    assert any(onset < time < onset + 0.6 for time in begun) is brings
