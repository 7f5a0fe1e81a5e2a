"""What is no breath is not read as one: disconnection, suction, holds and PEEP steps, by the truth of a simulation."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from tidebench.case import case_from
from tidebench.review import Review, review
from tidebench.simulation import Solution, scenario_from, simulate
from tidebench.simulation.write import case_tables
from tidebench.views.matters import first_three
from tidebench.views.verdicts import verdicts

NOISE = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.3}
INTERRUPTED = [
    {"at_s": 60, "kind": "disconnection"}, {"at_s": 100, "kind": "suction"}, {"at_s": 140, "kind": "inspiratory hold"},
    {"at_s": 180, "kind": "expiratory hold"},
]  # fmt: skip


def reviewed(who: str, **tables: Any) -> tuple[Review, Solution]:
    """Some minutes of a patient of the library, and their review, which is told the settings and no events."""
    told = scenario_from({"who": who, "duration_s": 210, "sensors": NOISE, **tables})
    done = simulate(told)
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    return review(case_from(said), done.recording), done


@pytest.mark.parametrize("who", ["ards-severe", "copd"])
def test_open_circuit_is_a_gap(who: str) -> None:
    found, done = reviewed(who, manoeuvres=INTERRUPTED)
    assert [hold.kind for hold in found.holds] == ["inspiratory", "expiratory"]
    held = done.breaths["exp_hold_cmh2o"].drop_nulls().to_list()
    assert found.holds[1].total_peep_cmh2o == pytest.approx(held[0], abs=0.3)
    lost = found.findings.filter(pl.col("kind") == "disconnection")
    assert lost["start_s"].to_list() == pytest.approx([60, 100], abs=0.1)
    assert lost["end_s"].to_list() == pytest.approx([65, 108], abs=0.1)
    assert not found.efforts.height
    assert not found.breaths["start_s"].is_between(60, 65).any()
    assert found.breaths["end_s"].is_between(60, 65).sum() <= 1
    assert not found.findings["kind"].is_in(["flow-starvation", "auto-trigger", "ineffective-effort"]).any()


def test_no_effort_reaches_through_an_open_circuit() -> None:
    found, _ = reviewed("hard-to-wean", manoeuvres=INTERRUPTED[:2])
    assert (found.efforts["end_s"] - found.efforts["start_s"]).to_numpy().max() < 2.5
    assert not found.efforts["start_s"].is_between(60, 64.75).any()  # a true one begins at 65.1, told within 0.25 s


UNAIDED = {"pressure_support_cmh2o": 0, "peep_cmh2o": 0}
AIDED = {"pressure_support_cmh2o": 12, "peep_cmh2o": 8}
TRIAL = [
    {"mode": "CSV-PS", **AIDED}, {"at_s": 60, "mode": "CSV-PS", **UNAIDED}, {"at_s": 140, "mode": "CSV-PS", **AIDED},
]  # fmt: skip


def of_trial(settings: list[dict[str, Any]], told: list[dict[str, Any]]) -> tuple[Review, Solution]:
    """Support, then none and no PEEP, as in a breathing trial; the review is told ``told`` of the settings.

    Drive stays as it is, whatever carbon dioxide does.
    """
    told_of = {"who": "hard-to-wean", "duration_s": 200, "sensors": NOISE, "effort": {"co2_gain_per_mmhg": 0.0}}
    scenario = scenario_from({**told_of, "settings": settings})
    done = simulate(scenario)
    said = {key: table for key, table in case_tables(scenario, "").items() if key not in ("recording", "events")}
    return review(case_from({**said, "settings": told}), done.recording), done


@pytest.mark.parametrize("settings", [TRIAL, TRIAL[:2]], ids=["back on support", "to the end of the recording"])
@pytest.mark.parametrize("stated", [True, False], ids=["settings stated", "settings not known"])
def test_breathing_without_pressure_is_no_disconnection(settings: list[dict[str, Any]], stated: bool) -> None:
    """A trial at PEEP 0 without support keeps its breaths: rate and volume by the truth of the simulation."""
    found, done = of_trial(settings, settings if stated else [])
    within = pl.col("start_s").is_between(62, 138)
    true, seen = done.breaths.filter(within), found.breaths.filter(within)
    assert seen.height == pytest.approx(true.height, abs=2)
    assert seen["vte_ml"].median() == pytest.approx(true["vte_ml"].median(), rel=0.05)
    assert "disconnection" not in found.findings["kind"].to_list()
    assert not [line for line in found.summary["warnings"] if "was lost" in line]


def test_pressure_that_was_asked_for_and_is_not_there_is_lost_however_long() -> None:
    """The settings go on asking for PEEP: what flows for 80 s is lost, and how to say a trial is told."""
    found, _ = of_trial(TRIAL, TRIAL[:1])
    lost = found.findings.filter(pl.col("kind") == "disconnection")
    assert (lost["start_s"][0], lost["end_s"][0]) == pytest.approx((60, 140), abs=1)
    assert any("peep_cmh2o = 0 at its start" in line for line in found.summary["warnings"])


@pytest.mark.parametrize("who", ["ards-severe", "copd"])
def test_disconnection_without_breaths_is_found_whatever_is_set(who: str) -> None:
    """Nobody breathes: pressure is lost for 40 s, also where the case doesn't say what was set."""
    told = scenario_from(
        {
            "who": who, "duration_s": 150, "sensors": NOISE,
            "manoeuvres": [{"at_s": 60, "kind": "disconnection", "duration_s": 40}],
        }
    )  # fmt: skip
    done = simulate(told)
    said = {
        key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events", "settings")
    }
    found = review(case_from(said), done.recording).findings.filter(pl.col("kind") == "disconnection")
    assert found["start_s"].to_list() == pytest.approx([60], abs=0.1)
    assert found["end_s"].to_list() == pytest.approx([100], abs=0.1)


@pytest.mark.parametrize("who", ["preterm-800g", "newborn-term", "infant", "ards-severe", "mask-leak", "neuromuscular"])
def test_breaths_between_two_open_stretches_are_all_there(who: str) -> None:
    twice = [
        {"at_s": 60, "kind": "disconnection", "duration_s": 10}, {"at_s": 80, "kind": "suction", "duration_s": 5},
    ]  # fmt: skip
    found, done = reviewed(who, manoeuvres=twice, duration_s=150, sensors={})
    true = done.breaths.filter(pl.col("start_s").is_between(71, 77))["start_s"].to_numpy()
    seen = found.breaths["start_s"].to_numpy()
    assert len(true)
    assert np.abs(seen[None, :] - true[:, None]).min(axis=1).max() < 0.1


def test_peep_steps_of_a_patient_who_breathes_can_be_read() -> None:
    """There is no passive breath, so no compliance to compare; the rest of the page stands."""
    steps = {"at_s": 60, "kind": "peep steps", "levels_cmh2o": [12, 16, 12], "each_s": 20}
    effort = {"rate_per_min": 22, "size_cmh2o": 8, "neural_time_s": 0.9}
    found, _ = reviewed("ards-mild", duration_s=150, procedures=[steps], effort=effort)
    assert not found.breaths["passive"].fill_null(value=False).all()
    assert len(first_three(found, verdicts(found)))


@pytest.mark.parametrize("mode", ["SIMV-PC", "SIMV-VC", "IMV-PC", "IMV-VC"])
@pytest.mark.parametrize("seed", [0, 1])
def test_breaths_of_ones_own_between_mandatory_ones_are_found(mode: str, seed: int) -> None:
    """In IMV mandatory inflations stack on some of them: those are one breath, which begins where gas is pushed in."""
    setting = {"mode": mode, "rate_per_min": 8, "peep_cmh2o": 5, "inspiratory_time_s": 1, "pressure_control_cmh2o": 12}
    setting |= {"tidal_volume_ml": 450} if mode.endswith("VC") else {}
    lung = {"compartments": [{"compliance_ml_cmh2o": 50, "resistance_cmh2o_s_l": 10}]}
    told = scenario_from(
        {
            "lung": lung, "settings": [setting], "duration_s": 180, "seed": seed,
            "effort": {"rate_per_min": 18, "size_cmh2o": 8},
            "sensors": {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.2},
        }
    )  # fmt: skip
    done = simulate(told)
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    found = review(case_from(said), done.recording)
    at, true = found.breaths["start_s"].to_numpy(), done.breaths["start_s"].to_numpy()
    apart = np.abs(at[None, :] - true[:, None]).min(axis=1)
    assert np.mean(apart < 0.5) >= 0.96
    assert np.mean(apart < 0.2) >= 0.9
    assert abs(len(at) - len(true)) <= 1
    assert (found.efforts["outcome"] == "ineffective").sum() <= 2
