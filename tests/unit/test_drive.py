"""Drive and effort in occlusions and trigger phases: the published limits, at, just under and just over each.

P0.1 of at most 1.0 cmH2O found low effort (Telias, Am J Respir Crit Care Med 2020;201:1086), above 4.0 (3.5 by some)
drive is high; 15 cmH2O of muscle pressure and 17 across the lung are Bertoni's alarms (Crit Care 2019;23:346; limits
from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.unit.test_findings import NO_EFFORTS, WHOLE, by_rules, table
from tidebench.findings.seen import Known, Seen
from tidebench.inflations.occlusions import closed_runs, early_fall, pulls_in, trigger_phases
from tidebench.records import Hold

RATE = 100.0


def occlusion(**numbers: float) -> Hold:
    """An occlusion with these numbers."""
    return Hold(kind="expiratory", breath=2, at_s=8.0, duration_s=1.2, quality=("effort",), **numbers)


def kinds(*holds: Hold, p01: list[float] | None = None) -> list[str]:
    """Kinds found on an empty table with some holds, or trigger phases."""
    breaths = table(vte_ml=[400.0] * (len(p01) if p01 else 6))
    known = Known(holds=holds, line={"p01": np.array(p01 or [])})
    return by_rules(Seen(breaths, NO_EFFORTS, WHOLE, known))["kind"].to_list()


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [
        ({"p01_cmh2o": 1.0}, ["weak-effort"]),
        ({"p01_cmh2o": 1.01}, []),
        ({"p01_cmh2o": 4.0}, []),
        ({"p01_cmh2o": 4.01}, ["strong-effort"]),
        ({"occlusion_effort_cmh2o": 15.0, "occlusion_swing_cmh2o": -20.0}, ["strong-effort"]),
        ({"occlusion_effort_cmh2o": 14.9, "occlusion_swing_cmh2o": -19.9}, []),
        ({"dynamic_transpulmonary_pressure_cmh2o": 17.0}, []),
        ({"dynamic_transpulmonary_pressure_cmh2o": 17.1}, ["strong-effort"]),
        ({}, []),
    ],
)
def test_limits_of_an_occlusion(numbers: dict[str, float], expected: list[str]) -> None:
    assert kinds(occlusion(**numbers)) == expected


def test_an_occlusions_finding_says_what_was_measured_and_whose_it_is() -> None:
    numbers = {"p01_cmh2o": 5.0, "occlusion_swing_cmh2o": -12.0, "occlusion_effort_cmh2o": 9.0}
    row = by_rules(Seen(table(vte_ml=[400.0] * 6), NO_EFFORTS, WHOLE, Known(holds=(occlusion(**numbers),)))).row(
        0, named=True
    )
    assert (row["breath"], row["start_s"], row["end_s"]) == (2, pytest.approx(6.8), 8.0)
    assert row["evidence"] == (
        "Against the closed airway pressure fell by 5.0 cmH2O in 0.1 s; it fell by 12.0 cmH2O in all, which stands for "
        "a muscle pressure of 9.0 cmH2O."
    )
    assert {value["quantity"]: value["value"] for value in row["values"]} == numbers


@pytest.mark.parametrize(
    ("p01", "expected"),
    [
        ([1.0] * 5, ["weak-effort"]),
        ([1.0] * 4, []),
        ([1.1] * 6, []),
        ([4.1] * 6, ["strong-effort"]),
        ([4.0] * 6, []),
        ([np.nan] * 9, []),
    ],
)
def test_trigger_phases_count_in_runs(p01: list[float], expected: list[str]) -> None:
    assert kinds(p01=p01) == expected


def expiration(pull: float, gives: float, back: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """Three seconds: a second of outflow, one at rest, a pull of half a second in which the circuit gives gas."""
    p, f = np.full(300, 5.0), np.zeros(300)
    f[:100] = -0.5 * np.exp(-np.arange(100) / 20)
    down = pull * np.sin(0.5 * np.pi * np.arange(51) / 50)
    p[200:251] -= down
    p[251:] -= pull * np.exp(-np.arange(49) / 10) if back else pull
    f[1:] -= gives * np.diff(p) * RATE
    return p, f


@pytest.mark.parametrize(
    ("pull", "gives", "back", "found"),
    [
        (6.0, 0.002, True, True),
        (2.1, 0.002, True, True),
        (1.9, 0.002, True, False),  # a trigger's phase
        (6.0, 0.05, True, False),  # an open airway gives gas
        (6.0, 0.002, False, False),  # pressure that does not come back: a level, or a disconnection
    ],
)
def test_a_closed_airway_shows_in_pressure_that_comes_back_without_flow(
    pull: float, gives: float, back: bool, found: bool
) -> None:
    p, f = expiration(pull, gives, back)
    ends = np.array([0], np.int64), np.array([300], np.int64)
    limit, circuit, none = np.array([0.02]), np.array([0.006 * RATE]), np.zeros(1)
    first, last = closed_runs(p, f, *ends, limit, circuit, none)
    assert (first[0] < 300) == found
    if found:
        (seen,) = pulls_in(p[first[0] : last[0]])
        assert seen.swing == pytest.approx(-pull)
        assert first[0] + seen.onset == pytest.approx(200, abs=1.5)


def test_p01_of_a_ramp_is_its_slope() -> None:
    p = np.concatenate([np.full(60, 8.0), 8.0 - 0.3 * np.arange(1, 26)])  # 30 cmH2O/s
    assert early_fall(p, RATE) == pytest.approx(3.0, abs=0.05)
    assert np.isnan(early_fall(p[:68], RATE))
    ends = np.array([0], np.int64), np.array([len(p)], np.int64)
    first, fall = trigger_phases(p, np.zeros(len(p)), *ends, np.array([0.02]), np.array([1.0]), np.zeros(1), 2)
    assert (first[0], fall[0]) == (1, pytest.approx(6.9))
