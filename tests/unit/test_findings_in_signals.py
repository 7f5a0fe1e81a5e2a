"""Findings that look at several columns or at the signals: each just where it must speak, and just where it must not.

Constructed breaths; limits are those that the rules state, this house's or common practice, no source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.unit.test_disagreement import breaths, efforts
from tests.unit.test_findings import NO_EFFORTS, WHOLE, by_rules, table
from tidebench.findings.flat_line import still
from tidebench.findings.flow_starvation import FALL
from tidebench.findings.mechanics_change import BREATHS, SHARE, words_for
from tidebench.findings.secretions import parabola
from tidebench.findings.seen import Seen
from tidebench.findings.trigger_delay import LONGEST_S
from tidebench.inflations.lost import LEAST_S, ROOM
from tidebench.recording import Recording

RATE = 100


def of(kind: str, found: pl.DataFrame) -> list[dict[str, Any]]:
    """The findings of one kind."""
    return found.filter(pl.col("kind") == kind).to_dicts()


@pytest.mark.parametrize(("leaving", "found"), [(5.0, 1), (4.9, 0)])
def test_incomplete_expiration_is_a_tenth_of_peak_flow(leaving: float, found: int) -> None:
    rows = table(end_expiratory_flow_l_min=[leaving] * 8, peak_expiratory_flow_l_min=[50.0] * 8)
    assert len(of("incomplete-expiration", by_rules(Seen(rows, NO_EFFORTS, WHOLE)))) == found


@pytest.mark.parametrize(
    ("delivery", "trigger", "effort", "found"),
    [
        ("pressure-support", "patient", 2.9, 1),
        ("pressure-support", "patient", 3.0, 0),
        ("pressure-support", "machine", 2.9, 0),
        ("volume-control", "patient", 2.9, 0),
    ],
)
def test_over_assistance_is_support_with_next_to_no_effort(
    delivery: str, trigger: str, effort: float, found: int
) -> None:
    rows = table(effort_cmh2o=[effort] * 8).with_columns(delivery=pl.lit(delivery), trigger=pl.lit(trigger))
    assert len(of("over-assistance", by_rules(Seen(rows, NO_EFFORTS, WHOLE)))) == found


@pytest.mark.parametrize(("late", "found"), [(LONGEST_S + 0.01, 1), (LONGEST_S - 0.01, 0)])
def test_trigger_delay_runs_from_onset_to_inflation(late: float, found: int) -> None:
    rows = breaths([3.0, 6.0, 9.0], ["patient"] * 3)
    seen = efforts((6.0 - late, 6.9, 0, "triggered"))
    kinds = of("trigger-delay", by_rules(Seen(rows, seen, WHOLE)))
    assert len(kinds) == found
    if found:
        assert kinds[0]["breath"] == 1
        assert kinds[0]["values"][0]["value"] == pytest.approx(late)


def volume_controlled(fall: float, passive: bool, flowing: int = 100) -> tuple[pl.DataFrame, Recording]:
    """One inflation of a second at 3 s, whose pressure rises to 14, falls by so much, rises again; flow at first."""
    pressure = np.full(900, 5.0)
    shape = np.interp(np.arange(100), [0, 5, 30, 60, 100], [5, 10, 14, 14 - fall, 18])
    pressure[300:400] = shape
    flow = np.zeros(900)
    flow[300 : 300 + flowing] = 0.6
    rows = breaths([3.0], ["patient"], delivery=["volume-control"], passive=[passive])
    return rows, Recording(RATE, {"airway_pressure": pressure, "flow": flow})


def test_fall_to_a_plateau_is_no_flow_starvation() -> None:
    rows, recording = volume_controlled(3.0, passive=False, flowing=32)
    assert not of("flow-starvation", by_rules(Seen(rows, NO_EFFORTS, recording)))


@pytest.mark.parametrize(
    ("fall", "passive", "found"), [(FALL + 0.3, False, 1), (FALL - 0.1, False, 0), (0.0, False, 0), (3.0, True, 0)]
)
def test_flow_starvation_is_a_fall_that_no_filling_lung_makes(fall: float, passive: bool, found: int) -> None:
    rows, recording = volume_controlled(fall, passive)
    kinds = of("flow-starvation", by_rules(Seen(rows, NO_EFFORTS, recording)))
    assert len(kinds) == found
    if found:
        assert kinds[0]["values"][0]["value"] == pytest.approx(fall, abs=0.35)  # smoothing rounds peak and trough


@pytest.mark.parametrize(
    ("compliance", "resistance", "peep", "found"),
    [
        (40 / (1 + SHARE) - 0.1, 10.0, 5.0, 1),
        (40 / (1 + SHARE) + 0.1, 10.0, 5.0, 0),
        (40.0, 10 * (1 + SHARE) + 0.1, 5.0, 1),
        (25.0, 10.0, 9.0, 0),
    ],
)
def test_a_quarter_at_the_same_peep_is_a_change_of_mechanics(
    compliance: float, resistance: float, peep: float, found: int
) -> None:
    n = 2 * BREATHS
    rows = table(
        compliance_ml_cmh2o=[40.0] * n + [compliance] * n,
        resistance_cmh2o_s_l=[10.0] * n + [resistance] * n,
        peep_cmh2o=[5.0] * n + [peep] * n,
        peak_pressure_cmh2o=[5.0 + 400 / 40 + 10 * 0.5] * n + [peep + 400 / compliance + resistance * 0.5] * n,
        vti_ml=[400.0] * 2 * n,
        passive=[True] * 2 * n,
    )
    kinds = of("mechanics-change", by_rules(Seen(rows, NO_EFFORTS, WHOLE)))
    assert [kind["breath"] for kind in kinds] == [n] * found


def test_the_place_follows_from_what_changed() -> None:
    assert words_for(0.0, 80.0).endswith("tube or airway.")
    assert words_for(-40.0, 5.0).endswith("lung or chest wall.")
    assert words_for(-40.0, 80.0).endswith("tube, airway or lung.")


@pytest.mark.parametrize(
    ("pressure", "lasts", "found"),
    [(ROOM - 0.1, LEAST_S, 1), (ROOM + 0.1, LEAST_S, 0), (0.0, LEAST_S - 0.02, 0)],
)
def test_disconnection_is_lost_pressure_for_a_while(pressure: float, lasts: float, found: int) -> None:
    signal = np.full(1000, 6.0)
    signal[200 : 200 + round(lasts * RATE)] = pressure
    recording = Recording(RATE, {"airway_pressure": signal, "flow": np.zeros(1000)})
    kinds = of("disconnection", by_rules(Seen(table(peep_cmh2o=[6.0] * 3), NO_EFFORTS, recording)))
    assert len(kinds) == found
    if found:
        assert (kinds[0]["start_s"], kinds[0]["end_s"]) == (2.0, 2.0 + lasts)


@pytest.mark.parametrize(
    ("kind", "indices", "found"),
    [
        ("overdistension", [1.11] * 12, 1), ("overdistension", [1.1] * 12, 0), ("overdistension", [1.6, 0.9] * 12, 0),
        ("recruitment", [0.89] * 12, 1), ("recruitment", [0.9] * 12, 0), ("recruitment", [0.4, 1.3] * 12, 0),
        ("recruitment", [0.8, 0.8, 1.0] * 6, 0), ("recruitment", [0.8] * 4, 0),
    ],
)  # fmt: skip
def test_stress_index_counts_where_neighbours_agree(kind: str, indices: list[float], found: int) -> None:
    assert len(of(kind, by_rules(Seen(table(stress_index=indices), NO_EFFORTS, WHOLE)))) == found


def expirations(fast: float, slow: float) -> tuple[pl.DataFrame, Recording]:
    """Twelve breaths of 3 s whose expiratory flow decays from 1 L/s, rough by shares of its peak."""
    rng = np.random.default_rng(5)
    one = np.concatenate([np.full(100, 0.5), -np.exp(-np.arange(200) / 60)])
    flow = np.tile(one, 12)
    rough = np.where(flow < -0.5, fast, np.where(flow < 0, slow, 0.0)) * rng.standard_normal(len(flow))
    rows = table(expiration_s=(3.0 * np.arange(12) + 1.0).tolist())
    return rows, Recording(RATE, {"airway_pressure": np.full(len(flow), 5.0), "flow": flow + rough})


@pytest.mark.parametrize(("fast", "slow", "found"), [(0.05, 0.005, 1), (0.01, 0.001, 0), (0.05, 0.05, 0)])
def test_secretions_rattle_where_flow_is_fast(fast: float, slow: float, found: int) -> None:
    assert (
        len(of("secretions", by_rules(Seen(*(expirations(fast, slow)[0], NO_EFFORTS, expirations(fast, slow)[1])))))
        == found
    )


@pytest.mark.parametrize(("limit", "found"), [(20.0, 1), (40.0, 0)])
def test_a_sensor_at_the_end_of_its_range_is_found(limit: float, found: int) -> None:
    rng = np.random.default_rng(6)
    signal = 15 + 12 * np.sin(np.arange(3000) / 40) + 0.2 * rng.standard_normal(3000)
    recording = Recording(RATE, {"airway_pressure": np.minimum(signal, limit), "flow": rng.standard_normal(3000)})
    assert len(of("clipped-signal", by_rules(Seen(table(leak_fraction=[0.0] * 3), NO_EFFORTS, recording)))) == found


def test_a_parabola_is_fitted_with_the_weights_of_savitzky_and_golay() -> None:
    """SciPy's savgol_coeffs of order 2 are the reference."""
    from scipy.signal import savgol_coeffs

    for half in (1, 2, 5, 10):
        assert parabola(half) == pytest.approx(savgol_coeffs(2 * half + 1, 2))


@pytest.mark.parametrize(("held_s", "others_s", "found"), [(6.1, 2.0, 1), (5.9, 2.0, 0), (2.1, 0.1, 1), (1.9, 0.1, 0)])
def test_a_flat_line_is_three_times_as_long_as_the_channel_stands_still_otherwise(
    held_s: float, others_s: float, found: int
) -> None:
    rng = np.random.default_rng(1)
    pressure, flow = rng.normal(size=6000), np.sin(np.arange(6000) / 30)
    for begin in (*range(0, 2000, 400), *range(4000, 6000, 400)):
        pressure[begin : begin + round(100 * others_s)] = pressure[begin]
    pressure[2500 : 2500 + round(100 * held_s)] = pressure[2500]
    assert len(still(pressure, flow, 100.0)) == found


def test_a_lung_whose_equation_was_solved_another_way_has_not_changed() -> None:
    """Compliance and resistance both halve, and the same volume needs the same pressure."""
    n = 2 * BREATHS
    rows = table(
        compliance_ml_cmh2o=[40.0] * n + [20.0] * n, resistance_cmh2o_s_l=[40.0] * n + [20.0] * n,
        peep_cmh2o=[5.0] * 2 * n, peak_pressure_cmh2o=[35.0] * 2 * n, vti_ml=[400.0] * 2 * n, passive=[True] * 2 * n,
    )  # fmt: skip
    assert not of("mechanics-change", by_rules(Seen(rows, NO_EFFORTS, WHOLE)))
