"""The library of invented patients: every value has range and source, every patient breathes as such patients do."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tidebench.errors import CaseError
from tidebench.simulation import sample, sample_population, scenario_from, simulate
from tidebench.simulation.parameters import patient_names, patient_tables, sources, title_of
from tidebench.simulation.setup import weight_kg

NAMES = patient_names()

# mL/kg of (predicted) weight, peak and total PEEP in cmH2O: common practice, no source.
PLAUSIBLE = {"vte_ml": (3.0, 10.0), "peak_pressure_cmh2o": (8.0, 60.0), "total_peep_cmh2o": (0.0, 20.0)}


def test_library_reaches_from_preterm_to_adult() -> None:
    weights = [patient_tables(name)["patient"]["weight_kg"] for name in NAMES]
    assert len(NAMES) >= 14
    for low, high in ((0, 1), (2, 5), (5, 10), (15, 40), (50, 100)):
        assert any(low < weight < high for weight in weights)
    assert all(title_of(name) for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_value_has_a_source_and_every_number_a_range(name: str) -> None:
    rows = sources(name)
    assert len(rows) > 20
    for row in rows:
        assert row.source, row.key
        number = isinstance(row.value, float) and not isinstance(row.value, bool)
        assert number == (row.low is not None), row.key
        assert row.low is None or row.low <= row.value <= (row.high or 0.0), row.key


@pytest.mark.parametrize("name", NAMES)
def test_patient_breathes_plausibly_with_the_suggested_settings(name: str) -> None:
    scenario = scenario_from({"who": name, "duration_s": 60})
    breaths = simulate(scenario).breaths[2:]
    assert breaths.height >= 8
    for column, (low, high) in PLAUSIBLE.items():
        per = weight_kg(scenario) if column == "vte_ml" else 1.0
        assert low < float(breaths[column].median() or 0.0) / per < high, column  # type: ignore[arg-type]
    assert 25 < breaths["paco2_mmhg"][-1] < 70
    assert breaths["sao2"][-1] > 0.85


def test_narrow_airways_trap_gas_and_healthy_ones_do_not() -> None:
    trapped = {}
    for name in ("adult-healthy", "copd", "asthma-severe"):
        scenario = scenario_from(
            {"who": name, "duration_s": 60, "manoeuvres": [{"at_s": 40, "kind": "expiratory hold"}]}
        )
        held = simulate(scenario).breaths["exp_hold_cmh2o"].drop_nulls().item()
        trapped[name] = held - scenario.settings[0].peep_cmh2o
    assert abs(trapped["adult-healthy"]) < 0.3
    assert trapped["copd"] > 1
    assert trapped["asthma-severe"] > 2


def test_unknown_patient_is_met_with_the_nearest_names() -> None:
    with pytest.raises(CaseError, match=r"no patient 'cop'.*Nearest: copd"):
        patient_tables("cop")


def test_drawn_patients_lie_within_their_ranges_and_can_be() -> None:
    ranges = {name: {row.key: row for row in sources(name)} for name in NAMES}
    for name, tables in sample_population(90, seed=7):
        assert scenario_from(tables)
        row = ranges[name]["lung.compartments[0].compliance_ml_cmh2o"]
        assert row.low is not None
        assert row.high is not None
        assert row.low <= tables["lung"]["compartments"][0]["compliance_ml_cmh2o"] <= row.high


def test_draws_fill_the_range() -> None:
    row = next(row for row in sources("copd") if row.key == "patient.weight_kg")
    drawn = np.array([sample("copd", seed)["patient"]["weight_kg"] for seed in range(200)])
    assert drawn.min() < row.low + 2 < row.high - 2 < drawn.max()  # type: ignore[operator]


def test_population_depends_on_its_seed_alone_and_grows_at_its_end() -> None:
    small, large = sample_population(5, seed=3), sample_population(40, seed=3)
    assert large[:5] == small
    assert sample_population(5, seed=4) != small
    assert [name for name, _ in sample_population(4, 1, ["copd", "child"])] == ["copd", "child", "copd", "child"]


@pytest.mark.parametrize(
    ("asked", "problem"),
    [
        ({"n": 0, "seed": 1}, "a population of 0"),
        ({"n": 1.5, "seed": 1}, r"a population of 1\.5"),
        ({"n": 1, "seed": -1}, "seed is -1"),
        ({"n": 1, "seed": 0.5}, r"seed is 0\.5"),
        ({"n": 1, "seed": 1, "names": "copd"}, "names is 'copd'"),
        ({"n": 1, "seed": 1, "names": []}, r"names is \[\]"),
    ],
)
def test_populations_that_cant_be_are_refused(asked: dict[str, Any], problem: str) -> None:
    with pytest.raises(CaseError, match=problem):
        sample_population(**asked)


def test_tables_given_amend_those_of_the_library() -> None:
    scenario = scenario_from({"who": "copd", "lung": {"heart_amplitude_cmh2o": 1}, "leak": {"flow_l_min": 3}})
    assert scenario.lung.heart_amplitude_cmh2o == 1
    assert len(scenario.lung.compartments) == 2
    assert scenario.settings[0].tidal_volume_ml == 480
