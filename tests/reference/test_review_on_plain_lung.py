"""What the review measures on lungs whose truth is known, against closed forms, published tables and the plain model.

Lungs: :mod:`tests.reference.exact_lung` (exact steps, any inflation) and :mod:`tests.reference.plain_lung` (a circuit,
Runge and Kutta). Expectations for steady states come from neither: they are :func:`volume_control` and
:func:`pressure_control` below, or printed in a paper.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from scipy.integrate import solve_ivp

from tests.reference.demo_case import MACHINE, PATIENT, efforts
from tests.reference.exact_lung import Breath, Lung, Truth, falling, half_sines, square, ventilate, with_holds
from tests.reference.plain_lung import breathe
from tidebench.case import Case
from tidebench.recording import Recording
from tidebench.review import Review, review

NEWBORN = Case.model_validate({"patient": {"age_days": 3, "weight_kg": 1.2}})


def setting(**keys: float | str) -> Case:
    """A case in which one setting is known."""
    return Case.model_validate({"settings": [keys]})


def value(done: Review, key: str) -> float:
    """The median that the summary gives."""
    return float(done.summary["quantities"][key]["median"])


def column(done: Review, key: str) -> npt.NDArray[np.float64]:
    """A column of the breath table, NaN for null."""
    return done.breaths[key].cast(pl.Float64).fill_null(math.nan).to_numpy()


@dataclass(frozen=True)
class Steady:
    """What a steady state is, from a closed form."""

    volume_ml: float
    total_peep: float
    recoil: float


def volume_control(lung: Lung, breath: Breath, peep: float, volume: float) -> Steady:
    """Marini's model with constant flow: V0 = VT·k/(1 − k), k = e^(−TE/(RE·C)), recoil (V0 + VT)/C at the end."""
    outward = lung.resistance if lung.outward is None else lung.outward
    left = math.exp(-(breath.period_s - breath.inflation_s - breath.pause_s) / (outward * lung.compliance))
    trapped = volume * left / (1 - left)
    return Steady(1000 * volume, peep + trapped / lung.compliance, peep + (trapped + volume) / lung.compliance)


def pressure_control(lung: Lung, breath: Breath, peep: float) -> Steady:
    """Marini, Crooke & Truwit, J Appl Physiol 1989;67:1081: p1 = ΔP(1 − ki)/(1 − ki·ke), VT = C·p1·(1 − ke)."""
    outward = lung.resistance if lung.outward is None else lung.outward
    inward = math.exp(-breath.inflation_s / (lung.resistance * lung.compliance))
    left = math.exp(-(breath.period_s - breath.inflation_s) / (outward * lung.compliance))
    top = breath.above * (1 - inward) / (1 - inward * left)
    return Steady(1000 * lung.compliance * top * (1 - left), peep + top * left, peep + top)


# name: lung, breath, PEEP, volume set (None: pressure), case
Row = tuple[Lung, Breath, float, float | None, Case]
ADULTS: dict[str, Row] = {
    "normal": (Lung(0.05, 10), Breath(4, 1, square(0.5, 1)), 5, 0.5, Case()),
    "normal with pause": (Lung(0.05, 10), Breath(4, 1, square(0.5, 1), pause_s=0.3), 5, 0.5, Case()),
    "falling flow": (Lung(0.05, 10), Breath(4, 1, falling(0.5, 1)), 5, 0.5, setting(mode="A/C-VC")),
    "falling flow with pause": (
        Lung(0.05, 10),
        Breath(4, 1, falling(0.5, 1), pause_s=0.3),
        5,
        0.5,
        setting(mode="A/C-VC"),
    ),
    "obstructive": (Lung(0.06, 20), Breath(3, 1, square(0.5, 1)), 0, 0.5, Case()),
    "harder out than in": (Lung(0.06, 15, 25), Breath(3, 0.8, square(0.5, 0.8)), 5, 0.5, Case()),
    "stiff": (Lung(0.03, 12), Breath(2.4, 0.8, square(0.4, 0.8)), 10, 0.4, Case()),
    "one and a half litres": (Lung(0.1, 8), Breath(6, 1.5, square(1.5, 1.5)), 5, 1.5, Case()),
    "pressure": (Lung(0.04, 15), Breath(3, 1, above=15), 5, None, Case()),
    "pressure, harder out": (Lung(0.04, 10, 20), Breath(3, 1, above=15), 5, None, Case()),
    "pressure, trapped gas": (Lung(0.06, 25), Breath(3, 1, above=20), 0, None, Case()),
}


def reviewed(row: Row, noise: float, rate_hz: float = 100, seconds: float = 100) -> tuple[Truth, Review]:
    """A row ventilated and reviewed."""
    lung, breath, peep, _, case = row
    truth = ventilate(lung, breath, seconds, peep=peep, rate_hz=rate_hz)
    return truth, review(case, truth.recording(noise=noise, pressure_noise=0.05))


def check_times(truth: Truth, done: Review, within_s: float) -> None:
    """Every inflation that the recording holds whole is found once, and nothing else; starts and turns are right."""
    start, turn = column(done, "start_s"), column(done, "expiration_s")
    whole = len(truth.turn)
    assert whole - 2 <= len(start) <= whole
    np.testing.assert_allclose(start, truth.start_s[: len(start)], atol=within_s)
    np.testing.assert_allclose(turn, truth.turn_s[: len(start)], atol=within_s)


@pytest.mark.parametrize("noise", [0.002, 0.02], ids=["quiet", "noisy"])
@pytest.mark.parametrize("name", ADULTS)
def test_passive_adult_is_measured(name: str, noise: float) -> None:
    """Starts within 25 ms, volumes within 1 %, compliance within 1.5 %, total PEEP within 0.1 cmH2O."""
    row = ADULTS[name]
    lung, breath, peep, volume, _ = row
    steady = pressure_control(lung, breath, peep) if volume is None else volume_control(lung, breath, peep, volume)
    truth, done = reviewed(row, noise)
    check_times(truth, done, 0.025)
    assert done.breaths["passive"].all()
    assert value(done, "vti_ml") == pytest.approx(steady.volume_ml, rel=0.01)
    assert value(done, "vte_ml") == pytest.approx(steady.volume_ml, rel=0.01)
    assert value(done, "compliance_ml_cmh2o") == pytest.approx(1000 * lung.compliance, rel=0.015)
    assert value(done, "resistance_cmh2o_s_l") == pytest.approx(lung.resistance, rel=0.03)
    outward = lung.resistance if lung.outward is None else lung.outward
    assert value(done, "expiratory_resistance_cmh2o_s_l") == pytest.approx(outward, rel=0.05)
    assert value(done, "total_peep_cmh2o") == pytest.approx(steady.total_peep, abs=0.1)
    assert value(done, "peep_cmh2o") == pytest.approx(peep, abs=0.1)
    if breath.pause_s:
        assert value(done, "plateau_pressure_cmh2o") == pytest.approx(steady.recoil, abs=0.1)
    else:
        assert done.breaths["plateau_pressure_cmh2o"].null_count() == done.breaths.height
    delivered = "pressure-control" if volume is None else "volume-control"
    assert set(done.breaths["delivery"].drop_nulls()) == {delivered}
    assert set(done.breaths["trigger"].drop_nulls()) == {"machine"}
    assert not done.holds


# Crit Care 2013, doi 10.1186/cc12561, table: VT 0.65 L, 15 a minute, TI 1.3 s, pause 0.3 s, TE 2.4 s, PEEP 0.
PUBLISHED = {"A": (0.050, 5.0, 13.0), "B": (0.095, 21.0, 9.78)}


@pytest.mark.parametrize("patient", PUBLISHED)
def test_published_patients_show_their_printed_plateau(patient: str) -> None:
    compliance, resistance, plateau = PUBLISHED[patient]
    breath = Breath(4, 1.3, square(0.65, 1.3), pause_s=0.3)
    truth = ventilate(Lung(compliance, resistance), breath, 120, peep=0)
    done = review(Case(), truth.recording(noise=0.005, pressure_noise=0.05))
    assert value(done, "plateau_pressure_cmh2o") == pytest.approx(plateau, abs=0.05)
    assert value(done, "compliance_ml_cmh2o") == pytest.approx(1000 * compliance, rel=0.01)
    assert value(done, "resistance_cmh2o_s_l") == pytest.approx(resistance, rel=0.01)
    static = 650 / (value(done, "plateau_pressure_cmh2o") - value(done, "total_peep_cmh2o"))
    assert static == pytest.approx(1000 * compliance, rel=0.02), "without trapped gas B would pass for 81 mL/cmH2O"


@pytest.mark.parametrize(
    "breath", [Breath(1, 0.3, square(0.006, 0.3)), Breath(1, 0.3, above=12)], ids=["volume", "pressure"]
)
def test_newborn_is_measured_by_the_same_rules(breath: Breath) -> None:
    lung = Lung(0.001, 100)
    truth = ventilate(lung, breath, 60, rate_hz=200)
    done = review(NEWBORN, truth.recording(noise=0.0003, pressure_noise=0.05))
    steady = volume_control(lung, breath, 5, 0.006) if breath.flow else pressure_control(lung, breath, 5)
    check_times(truth, done, 0.015)
    assert done.breaths["passive"].all()
    assert value(done, "vti_ml") == pytest.approx(steady.volume_ml, rel=0.01)
    assert value(done, "compliance_ml_cmh2o") == pytest.approx(1, rel=0.02)
    assert value(done, "resistance_cmh2o_s_l") == pytest.approx(100, rel=0.06)


@pytest.mark.parametrize(("exponent", "within"), [(0.5, 0.02), (0.7, 0.02), (1.0, 0.04)])
def test_leak_that_follows_the_pressure_is_taken_off(exponent: float, within: float) -> None:
    """A leak of a quarter of the volume, from a hole (0.5) to a slit (1).

    Two pressures hardly tell exponents apart, so that a slit is taken for something between; compliance shows it.
    """
    lung = Lung(0.04, 12, leak=0.05 / 8**exponent, exponent=exponent)
    breath = Breath(3, 1, above=12)
    truth = ventilate(lung, breath, 100)
    done = review(Case(), truth.recording(noise=0.005, pressure_noise=0.05))
    steady = pressure_control(replace(lung, leak=0.0), breath, 5)
    assert done.breaths["passive"].all()
    assert value(done, "compliance_ml_cmh2o") == pytest.approx(40, rel=within)
    assert value(done, "vte_ml") == pytest.approx(steady.volume_ml, rel=within)
    flow, pressure = np.array(truth.flow), np.array(truth.pressure)
    lost = float(np.sum(lung.leak * pressure[truth.start[2] : truth.start[30]] ** exponent))
    inhaled = float(np.sum(np.maximum(flow[truth.start[2] : truth.start[30]], 0)))
    assert value(done, "leak_fraction") == pytest.approx(lost / inhaled, abs=0.02)
    assert "leak" in done.findings["kind"].to_list()


@pytest.mark.parametrize("breath", [Breath(4, 1, square(0.5, 1)), Breath(4, 1, above=12)], ids=["volume", "pressure"])
def test_offset_and_drift_of_the_sensor_are_no_leak(breath: Breath) -> None:
    """0.03 L/s at the start and 0.06 at the end: over a breath 120 to 240 mL that were never there."""
    lung = Lung(0.05, 10)
    done = review(Case(), ventilate(lung, breath, 150).recording(noise=0.005, offset=lambda t: 0.03 + 0.0002 * t))
    steady = volume_control(lung, breath, 5, 0.5) if breath.flow else pressure_control(lung, breath, 5)
    assert value(done, "vti_ml") == pytest.approx(steady.volume_ml, rel=0.01)
    assert value(done, "vte_ml") == pytest.approx(steady.volume_ml, rel=0.01)
    assert value(done, "compliance_ml_cmh2o") == pytest.approx(50, rel=0.02)
    assert value(done, "leak_fraction") == pytest.approx(0, abs=0.02)
    assert any("sensor reads" in warning for warning in done.summary["warnings"])
    assert "leak" not in done.findings["kind"].to_list()


def test_holds_are_found_and_show_recoil() -> None:
    """An obstructed lung traps gas; the holds show plateau and total PEEP of the closed form, and the resistance."""
    lung, breath = Lung(0.05, 20), Breath(3, 1, square(0.5, 1), pause_s=0.2)
    truth = ventilate(lung, with_holds(breath, inspiratory=12, expiratory=20), 120)
    done = review(Case(), truth.recording(noise=0.005, pressure_noise=0.05))
    steady = volume_control(lung, breath, 5, 0.5)
    inspiratory, expiratory = done.holds
    assert (inspiratory.kind, inspiratory.breath) == ("inspiratory", 12)
    assert (expiratory.kind, expiratory.breath) == ("expiratory", 20)
    assert inspiratory.plateau_pressure_cmh2o == pytest.approx(steady.recoil, abs=0.1)
    assert expiratory.total_peep_cmh2o == pytest.approx(steady.total_peep, abs=0.1)
    assert expiratory.intrinsic_peep_cmh2o == pytest.approx(steady.total_peep - 5, abs=0.15)
    assert inspiratory.static_compliance_ml_cmh2o == pytest.approx(50, rel=0.01)
    assert inspiratory.inspiratory_resistance_max_cmh2o_s_l == pytest.approx(20, rel=0.03)
    assert inspiratory.quality == ("steady",)
    assert inspiratory.duration_s == pytest.approx(3.2, abs=0.06)


@pytest.mark.parametrize(("rate_hz", "within"), [(20.0, 0.03), (50.0, 0.015), (1000.0, 0.01)])
@pytest.mark.parametrize("name", ["normal", "pressure"])
def test_any_sampling_rate_will_do(name: str, rate_hz: float, within: float) -> None:
    """Volume loses half a sample of flow at each edge: 2.5 % of a square breath of 1 s at 20 Hz, and no more."""
    row = ADULTS[name]
    truth, done = reviewed(row, 0.005, rate_hz, seconds=40)
    check_times(truth, done, max(0.02, 1 / rate_hz))
    assert value(done, "compliance_ml_cmh2o") == pytest.approx(1000 * row[0].compliance, rel=within)
    assert value(done, "vti_ml") == pytest.approx(float(np.median(truth.vti_ml)), rel=within)


def test_a_recording_that_ends_within_an_inflation_keeps_its_last_breath_apart() -> None:
    """The breath before the cut ends where the cut inflation starts; the volume of that inflation is nobody's."""
    truth = ventilate(Lung(0.05, 10), Breath(4, 1, square(0.5, 1)), 30.0)
    done = review(Case(), truth.recording(noise=0.005))
    assert len(truth.start) == 8
    assert len(truth.turn) == 7
    assert column(done, "end_s")[-1] == pytest.approx(truth.start_s[-1], abs=0.02)
    assert column(done, "vte_ml") == pytest.approx(500, rel=0.01)
    assert done.breaths["passive"].all()


# --- breathing ---


def check_silence(done: Review) -> None:
    """No measure of the passive lung stands on a breath with effort, and the reason does."""
    helped = done.breaths.filter(~pl.col("passive"))
    for key in ("compliance_ml_cmh2o", "resistance_cmh2o_s_l", "stress_index", "expiratory_time_constant_s"):
        assert helped[key].null_count() == helped.height
        reasons = helped["not_measured"].list.eval(
            pl.element().struct["code"].filter(pl.element().struct["quantity"] == key)
        )
        assert set(reasons.explode()) == {"effort"}


@pytest.mark.parametrize("case", [Case(), setting(mode="CPAP", peep_cmh2o=5.0)], ids=["unsaid", "CPAP"])
@pytest.mark.parametrize("valve", [0.0, 3.0], ids=["ideal valve", "3 cmH2O·s/L"])
def test_unassisted_breaths_are_found_and_not_measured_as_lungs(case: Case, valve: float) -> None:
    """Half sine efforts on a constant pressure; the volume by a general solver of R·V′ = p + pmus − V/C."""
    compliance, resistance, muscle = 0.06, 8.0, half_sines(7, 1.2, 3.5, 2)
    truth = ventilate(Lung(compliance, resistance + valve, muscle=muscle), Breath(1e6, 0), 120)
    flow = np.array(truth.flow)
    pressure = 5 - valve * flow + 0.03 * np.random.default_rng(1).standard_normal(len(flow))
    done = review(case, Recording(100, {"airway_pressure": pressure, "flow": flow}))
    assert done.breaths.height == pytest.approx(34, abs=1)
    assert set(done.breaths["delivery"]) == {"unassisted"}
    assert set(done.breaths["trigger"]) == {"patient"}
    assert not done.breaths["mandatory"].any()
    assert not done.breaths["passive"].any()
    check_silence(done)
    assert column(done, "start_s")[1:] - 2 - 3.5 * np.arange(1, done.breaths.height) == pytest.approx(0.05, abs=0.25)

    def slope(t: float, v: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.array((5 + muscle(t) - v / compliance) / (resistance + valve))

    solved = solve_ivp(slope, (0, 12), [compliance * 5], max_step=0.01, rtol=1e-8)
    late = solved.y[0][solved.t > 5.5]
    assert value(done, "vti_ml") == pytest.approx(1000 * float(np.ptp(late)), rel=0.05)


def mixed() -> Iterator[Breath]:
    """A mandatory breath and a supported one in turn, each triggered."""
    while True:
        yield Breath(3.0, 1, square(0.5, 1), trigger=0.05)
        yield Breath(6.0, 1.5, above=10, cycling=0.25, trigger=0.05)


def test_mandatory_and_supported_breaths_are_told_apart() -> None:
    truth = ventilate(Lung(0.05, 10, muscle=half_sines(6, 1.0, 3.1, 2)), mixed(), 120)
    keys: dict[str, float | str] = {"mode": r"SIMV-VC\PS", "rate_per_min": 10, "pressure_support_cmh2o": 10}
    done = review(
        setting(peep_cmh2o=5, inspiratory_time_s=1, tidal_volume_ml=500, **keys), truth.recording(noise=0.005)
    )
    check_times(truth, done, 0.025)
    kinds = done.breaths["delivery"].to_list()
    assert kinds == ["volume-control", "pressure-support"] * (len(kinds) // 2) + ["volume-control"] * (len(kinds) % 2)
    assert done.breaths["mandatory"].to_list() == [kind == "volume-control" for kind in kinds]
    assert done.breaths["cycling"].to_list() == ["machine" if kind == "volume-control" else "patient" for kind in kinds]
    assert set(done.breaths["trigger"]) == {"patient"}
    check_silence(done)


def test_efforts_on_volume_control_take_the_lung_from_the_quiet_breaths() -> None:
    """Passive for 90 s, then efforts of 6 cmH2O: those breaths show effort, the others still show the lung."""
    muscle = half_sines(6, 1.0, 4.3, 90)
    truth = ventilate(Lung(0.05, 10, muscle=muscle), Breath(4, 1, square(0.5, 1), pause_s=0.2, trigger=0.05), 180)
    done = review(Case(), truth.recording(noise=0.005, pressure_noise=0.05))
    check_times(truth, done, 0.025)
    quiet = done.breaths.filter(pl.col("end_s") < 89.8)
    helped = done.breaths.filter((pl.col("start_s") > 90) & (pl.col("start_s") < 175))
    assert quiet["passive"].all()
    assert not helped["passive"].any()
    assert quiet["compliance_ml_cmh2o"].to_numpy() == pytest.approx(50, rel=0.02)
    check_silence(done)
    assert done.efforts.height == pytest.approx(21, abs=1)
    within = done.efforts.filter(pl.col("outcome") == "effort-in-inflation")
    assert within["peak_cmh2o"].to_numpy() == pytest.approx(6, abs=0.3)
    assert (
        within.height == 14
    )  # those that begin 0.26 to 1.18 s after a start; at −0.04 s the effort is met or triggers
    onsets = done.efforts["start_s"].to_numpy()
    assert (onsets - 90 + 0.1) % 4.3 == pytest.approx(0.1, abs=0.15)


def test_an_effort_that_gets_no_breath_is_no_breath() -> None:
    truth = ventilate(Lung(0.05, 10, muscle=half_sines(3, 0.6, 8.0, 62.7)), Breath(4, 1, above=12), 150)
    done = review(Case(), truth.recording(noise=0.005, pressure_noise=0.05))
    check_times(truth, done, 0.025)
    lost = done.efforts.filter(pl.col("outcome") == "ineffective")
    assert lost.height == pytest.approx(11, abs=1)
    np.testing.assert_allclose((lost["start_s"].to_numpy() - 62.7 + 0.2) % 8.0, 0.2, atol=0.1)
    helped = set(done.breaths.filter(~pl.col("passive"))["breath"])
    assert set(lost["breath"]) <= helped
    assert value(done, "compliance_ml_cmh2o") == pytest.approx(50, rel=0.02)


# --- the plain model: circuit, tube, holds, efforts ---


@pytest.fixture(scope="module")
def bedside() -> Review:
    """The shipped patient on the plain model, without noise on paper: 330 s with steps of PEEP, holds and efforts."""
    samples = list(breathe(PATIENT, MACHINE, 330.0, 0.002))[::5]
    pressure, flow = (np.array([getattr(sample, name) for sample in samples]) for name in ("pressure", "flow"))
    return review(Case(), Recording(100, {"airway_pressure": pressure, "flow": flow}))


@pytest.mark.parametrize(
    ("from_s", "to_s", "compliance", "peep"),
    [(5, 70, 29, 8), (80, 140, 33, 12), (150, 205, 30, 16), (210, 239, 32, 12)],
)
def test_plain_model_gives_its_compliance_at_every_peep(
    bedside: Review, from_s: float, to_s: float, compliance: float, peep: float
) -> None:
    part = bedside.breaths.filter((pl.col("start_s") > from_s) & (pl.col("end_s") < to_s))
    assert part["passive"].all()
    assert part["compliance_ml_cmh2o"].median() == pytest.approx(compliance, rel=0.02)
    assert part["resistance_cmh2o_s_l"].median() == pytest.approx(6 + 6.5 * 0.5, rel=0.03)
    assert part["peep_cmh2o"].median() == pytest.approx(peep, abs=0.2)


def test_plain_model_shows_its_holds_and_its_breathing(bedside: Review) -> None:
    assert [hold.kind for hold in bedside.holds] == ["inspiratory", "expiratory"]
    breathing = bedside.breaths.filter((pl.col("start_s") > 241) & (pl.col("end_s") < 325))
    assert not breathing["passive"].any()
    check_silence(bedside)
    assert bedside.efforts.filter(pl.col("start_s") < 239.5).height == 0
    onsets = np.array([effort.onset_s for effort in efforts()])
    nearest: Callable[[float], float] = lambda t: float(np.min(np.abs(onsets - t)))  # noqa: E731
    assert float(np.mean([nearest(t) < 0.15 for t in bedside.efforts["start_s"]])) > 0.9
