"""The shipped case is what its scenario makes, and holds what is said of it."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from tests.reference import demo_case
from tests.reference.plain_lung import Sample
from tidebench.cli.demo import CASE


@pytest.fixture(scope="module")
def case() -> dict[str, Any]:
    return tomllib.loads((CASE / "case.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def truth() -> list[Sample]:
    return demo_case.truth()


def starts(truth: list[Sample]) -> list[float]:
    """When the machine begins to inflate."""
    return [now.time for before, now in pairwise(truth) if now.phase == "inflation" != before.phase]


def test_signals_are_made_anew_byte_for_byte() -> None:
    shipped = (CASE / "signals.csv").read_bytes()
    assert demo_case.signals().encode() == shipped
    assert len(shipped) < 800_000


def test_case_says_what_the_scenario_does(case: dict[str, Any]) -> None:
    machine, first = demo_case.MACHINE, case["settings"][0]
    assert {s["at_s"]: s["peep_cmh2o"] for s in case["settings"]} == demo_case.PEEP
    assert first["inspiratory_flow_l_min"] == pytest.approx(machine.flow * 60)
    assert first["tidal_volume_ml"] == pytest.approx(machine.flow * machine.inflation_s * 1000)
    assert first["pause_s"] == machine.pause_s
    assert 60 / first["rate_per_min"] == pytest.approx(machine.inflation_s + machine.pause_s + machine.expiration_s)
    assert first["trigger_flow_l_min"] == pytest.approx(machine.trigger * 60)
    assert case["circuit"]["compliance_ml_cmh2o"] == machine.circuit_compliance * 1000


def test_gases_fit_henderson_and_hasselbalch(case: dict[str, Any]) -> None:
    for gas in case["blood_gases"]:
        assert gas["hco3_mmol_l"] == pytest.approx(24 * gas["paco2_mmhg"] / 10 ** (9 - gas["ph"]), abs=0.1)
        assert 100 < gas["pao2_mmhg"] / gas["fio2"] < 200  # moderate, in the words of the Berlin definition


def test_events_stand_at_the_holds(case: dict[str, Any], truth: list[Sample]) -> None:
    held = [[s.time for s in truth if s.phase == f"{phase} hold"] for phase in ("pause", "expiration")]
    told = [event["at_s"] for event in case["events"] if event["kind"] == "manoeuvre"]
    assert len(told) == len(held)
    assert all(times[0] < at < times[-1] for at, times in zip(told, held, strict=True))


def test_passive_breaths_are_those_of_stiff_lungs(truth: list[Sample]) -> None:
    before, after = starts(truth)[4:6]
    breath = [s for s in truth if before <= s.time < after]
    inhaled = sum(max(s.flow, 0) for s in breath)  # mL at 1 ms a step
    plateau = next(a.pressure for a, b in pairwise(breath) if b.phase == "expiration" != a.phase)
    assert inhaled == pytest.approx(385, abs=10)
    assert (inhaled / 1000) / (plateau - 8.05) == pytest.approx(demo_case.COMPLIANCE[0.0], rel=0.02)
    assert max(s.pressure for s in truth) < 40


def test_most_efforts_bring_a_breath_and_the_short_ones_bring_none(truth: list[Sample]) -> None:
    begun = np.array(starts(truth))
    long = [e for e in demo_case.efforts() if e.rise_s > 0.5]
    short = [e for e in demo_case.efforts() if e.rise_s < 0.5]

    def brings(effort: demo_case.Effort) -> bool:
        return bool(np.any((begun > effort.onset_s) & (begun < effort.onset_s + effort.rise_s)))

    assert len(long) > 35
    assert len(short) >= 5
    assert all(brings(effort) for effort in long)
    assert not any(brings(effort) for effort in short)


def test_she_is_passive_before_four_minutes(truth: list[Sample]) -> None:
    pull = demo_case.muscle()
    assert all(pull(s.time) == 0 for s in truth[::50] if s.time < 240)
    assert max(pull(s.time) for s in truth[::5]) > 4
