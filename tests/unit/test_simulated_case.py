"""A simulation as a case folder: as a recorded one, the truth beside it, whole or not at all; many at once."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tidebench.case import case_from, load_case
from tidebench.cli import main
from tidebench.errors import CaseError, OptionError, OutputError
from tidebench.readers import open_recording
from tidebench.review import review
from tidebench.simulation import patient_names, scenario_from, simulate, simulate_case, simulate_many, write
from tidebench.simulation.doubts import run_doubts, scenario_doubts
from tidebench.simulation.truth import truth_of

FILES = {"case.toml", "signals.csv", "truth.json", "truth_breaths.csv", "truth_efforts.csv", "manifest.json"}

# Columns of the open set, in its order; further ones stand after them.
BREATHS = (
    "start_s,insp_end_s,end_s,patient_triggered,pressure_supported,flow_cycled,vti_ml,vte_ml,peak_pressure_cmh2o,"
    "total_peep_cmh2o,cycling_margin,passive,plateau_cmh2o,exp_hold_cmh2o,labels"
)
EFFORTS = "onset_s,end_s,amplitude_cmh2o,outcome"
TRUTH = {
    "sensor_delay_s", "viscoelastic", "two_compartments", "flow_limited", "fs", "seconds", "gaps", "holds",
    "compliance_ml_cmh2o", "airway_resistance_cmh2o_s_l", "tube_k1", "tube_k2", "expiratory_resistance_factor",
    "sigmoid", "leak_l_s_per_cmh2o_to_exponent", "leak_exponent", "effort",
}  # fmt: skip

SCENARIO = """title = "after surgery"
who = "adult-healthy"
duration_s = 60
oesophageal = true
capnogram = true

[sensors]
flow_noise_l_min = 0.3

[[manoeuvres]]
at_s = 30
kind = "inspiratory hold"

[[procedures]]
at_s = 40
kind = "peep steps"
levels_cmh2o = [9]
each_s = 10
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The case that the scenario becomes."""
    folder = tmp_path_factory.mktemp("made")
    (folder / "scenario.toml").write_text(SCENARIO, encoding="utf-8")
    simulate_case(folder / "scenario.toml", folder / "case")
    return folder / "case"


def test_folder_holds_a_case_and_its_truth(made: Path) -> None:
    assert {path.name for path in made.iterdir()} == FILES
    truth = json.loads((made / "truth.json").read_text(encoding="utf-8"))
    assert truth.keys() >= TRUTH
    assert truth["effort"].keys() >= {"rate_per_min", "amplitude_cmh2o", "neural_ti_s"}
    assert truth["holds"] == [{"at_s": 30.0, "kind": "inspiratory", "duration_s": 3.0}]
    assert (made / "truth_breaths.csv").read_text(encoding="utf-8").startswith(BREATHS)
    assert (made / "truth_efforts.csv").read_text(encoding="utf-8").startswith(EFFORTS)
    assert "nan" not in (made / "truth_breaths.csv").read_text(encoding="utf-8").lower()


def test_case_says_what_a_user_would_know(made: Path) -> None:
    case = load_case(made)
    assert "invented" in case.notes
    assert case.airway.tube_inner_diameter_mm == 7.5
    assert [(row.at_s, row.peep_cmh2o) for row in case.settings] == [(0, 5), (40, 9), (50, 5)]
    assert [(event.at_s, event.kind) for event in case.events] == [(30, "inspiratory hold")]
    said = tomllib.loads((made / "case.toml").read_text(encoding="utf-8"))
    assert said.keys() <= {"title", "notes", "patient", "airway", "circuit", "recording", "settings", "events"}


def test_signals_come_back_as_the_sensors_gave_them(made: Path) -> None:
    recording = open_recording(load_case(made))
    solution = simulate(scenario_from(tomllib.loads(SCENARIO)))
    assert recording.rate_hz == solution.recording.rate_hz
    for name, values in solution.recording.channels.items():
        assert np.allclose(recording[name], values, atol=1e-4), name


def test_review_of_a_clean_recording_finds_the_truth() -> None:
    scenario = scenario_from({"who": "adult-healthy", "lung": {"pleural_pressure_cmh2o": 0}})
    done = simulate(scenario)
    found = review(write_case(scenario), done.recording).breaths
    truth = done.breaths
    assert found.height == truth.height + 1  # of the last breath less than four seconds are there
    compliance = found["compliance_ml_cmh2o"].drop_nulls().median()
    assert compliance == pytest.approx(1 / (1 / 80 + 1 / 150), rel=0.03)
    both = found[: truth.height]
    assert np.abs((both["total_peep_cmh2o"] - truth["total_peep_cmh2o"]).drop_nulls().to_numpy()).max() < 0.5


def write_case(scenario: Any) -> Any:
    """The case that a scenario's folder would hold, without its file."""
    said = write.case_tables(scenario, "signals.csv")
    del said["recording"]
    return case_from(said)


def test_long_recordings_are_written_as_parquet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "MOST_ROWS_AS_TEXT", 1000)
    done = simulate_case(scenario_from({"who": "copd", "duration_s": 20}), tmp_path / "case")
    recording = open_recording(load_case(tmp_path / "case"))
    assert (tmp_path / "case" / "signals.parquet").exists()
    assert np.allclose(recording["flow"], done.recording["flow"], atol=1e-4)


def test_earlier_simulation_is_replaced_and_nothing_else_is(tmp_path: Path, made: Path) -> None:
    scenario = scenario_from({"who": "copd", "duration_s": 20})
    simulate_case(scenario, tmp_path / "case")
    simulate_case(scenario, tmp_path / "case")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="isn't a result"):
        simulate_case(scenario, tmp_path / "mine")
    (tmp_path / "review").mkdir()
    manifest = json.loads((made / "manifest.json").read_text(encoding="utf-8")) | {"options": {"report": True}}
    (tmp_path / "review" / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    with pytest.raises(OutputError, match="the result of another command"):
        simulate_case(scenario, tmp_path / "review")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["case", "mine", "review"]


def test_nothing_is_left_of_a_simulation_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(write, "truth_of", fail)
    with pytest.raises(KeyboardInterrupt):
        simulate_case(scenario_from({"who": "copd", "duration_s": 20}), tmp_path / "deep" / "case")
    assert list(tmp_path.iterdir()) == []


# --- many at once ---


def crowd() -> list[Any]:
    """Scenarios in which efforts and noise are drawn."""
    said = {"who": "hard-to-wean", "duration_s": 40, "sensors": {"flow_noise_l_min": 0.5}}
    return [scenario_from({**said, "seed": seed}) for seed in (5, 6, 5, 7, 8, 9)]


def same(one: Any, other: Any) -> bool:
    """True where two solutions are equal to the last bit."""
    channels = all(np.array_equal(one.recording[name], other.recording[name]) for name in one.recording.channels)
    return channels and one.breaths.equals(other.breaths) and one.efforts.equals(other.efforts)


def test_many_are_as_one_by_one_on_any_number_of_threads() -> None:
    alone = [simulate(scenario) for scenario in crowd()]
    for workers in (1, 2, 5):
        together = simulate_many(crowd(), workers)
        assert all(same(one, other) for one, other in zip(alone, together, strict=True))
    assert same(alone[0], alone[2])
    assert not same(alone[0], alone[1])


def test_a_scenario_of_many_that_cant_be_is_named_by_its_place() -> None:
    with pytest.raises(CaseError, match=r"scenario no\. 2: duration_s: is 0"):
        simulate_many([{"who": "copd", "duration_s": 20}, {"who": "copd", "duration_s": 0}])


def test_whole_numbers_of_arrays_are_whole_numbers() -> None:
    seeds = np.array([3, 2])
    told = scenario_from({"who": "copd", "seed": seeds[0], "effort": {"entrained_every": seeds[1]}})
    assert (told.seed, told.effort.entrained_every) == (3, 2)
    with pytest.raises(CaseError, match="seed: is True"):
        scenario_from({"who": "copd", "seed": True})


def test_channels_are_a_list_and_a_recording_needs_pressure_and_flow() -> None:
    told = scenario_from({"who": "copd", "duration_s": 5})
    with pytest.raises(OptionError, match=r'is the text .flow.*\["flow"\]'):
        simulate(told, "flow")
    with pytest.raises(OptionError, match="airway_pressure is not among them"):
        _ = simulate(told, ["flow"]).recording


# --- the command line ---


def test_command_writes_the_case_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.toml").write_text('who = "copd"\nduration_s = 20\n', encoding="utf-8")
    main(["simulate", str(tmp_path / "a.toml"), "--out", str(tmp_path / "case")])
    said = capsys.readouterr().out
    assert "an invented patient, 20 s" in said
    assert "Not a medical device" in said
    assert load_case(tmp_path / "case").settings


@pytest.mark.parametrize(
    ("row", "warning"),
    [
        ('mode = "A/C-PC"\npressure_control_cmh2o = 30', "pressure_control_cmh2o on PEEP reaches 38 cmH2O, above"),
        ('mode = "A/C-VC"\ntidal_volume_ml = 3000', "tidal_volume_ml 3000 is 60 mL/kg at 50 kg. Meant so?"),
        ('mode = "A/C-PC"\npressure_control_cmh2o = 20', ""),
        ('mode = "A/C-PC"\npressure_control_cmh2o = 20\npressure_support_cmh2o = 5', "has no use in A/C-PC. Meant so?"),
        (
            'mode = "A/C-VC"\ntidal_volume_ml = 300\ninspiratory_flow_l_min = 60\ninspiratory_time_s = 1',
            "inspiratory_flow_l_min 60 takes 0.3 s; inspiratory_time_s 1 is what holds. Meant so?",
        ),
        (
            'mode = "A/C-VC"\ntidal_volume_ml = 300\n[[settings]]\nat_s = 10\nmode = "CPAP"',
            "[[settings]] at 10 s: no effort and no back-up, so nobody breathes. Meant so?",
        ),
        (
            'mode = "A/C-VC"\ntidal_volume_ml = 300\n[[manoeuvres]]\nat_s = 19\nkind = "expiratory hold"',
            "The expiratory hold at 19 s outlasts the recording of 20 s.",
        ),
        (
            'mode = "A/C-VC"\ntidal_volume_ml = 300\n[[procedures]]\nat_s = 9\nkind = "breathing trial"',
            "The breathing trial at 9 s finds nobody who breathes",
        ),
    ],
)
def test_command_warns_of_what_is_probably_not_meant(
    row: str, warning: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        "duration_s = 20\n[patient]\nweight_kg = 50\n[ventilator]\npressure_limit_cmh2o = 35\n[[lung.compartments]]\n"
        f"compliance_ml_cmh2o = 50\nresistance_cmh2o_s_l = 8\n[[settings]]\npeep_cmh2o = 8\nrate_per_min = 12\n{row}\n"
    )
    (tmp_path / "a.toml").write_text(text, encoding="utf-8")
    main(["simulate", str(tmp_path / "a.toml"), "--out", str(tmp_path / "case")])
    said = capsys.readouterr().out
    assert ("Warning: " in said) == bool(warning)
    assert warning in said


TUBED = {"interface": "endotracheal tube", "tube_inner_diameter_mm": 7.5}
LEVELS = {
    "mode": "IMV-PC", "pressure_high_cmh2o": 20, "pressure_low_cmh2o": 5, "time_high_s": 2, "time_low_s": 2,
}  # fmt: skip
CONTROL = {"mode": "A/C-VC", "peep_cmh2o": 5, "rate_per_min": 15, "tidal_volume_ml": 450, "inspiratory_flow_l_min": 45}


@pytest.mark.parametrize(
    ("said", "doubt"),
    [
        ({}, None),
        (
            {"airway": {"interface": "mask"}, "leak": {"flow_l_min": 6}},
            "[leak] leaks past a cuff, and the interface is 'mask'. Meant so?",
        ),
        (
            {"airway": {"interface": "nasal mask"}, "events": [{"at_s": 9, "kind": "cuff leak"}]},
            "[[events]] at 9 s leaks past a cuff, and the interface is 'nasal mask'. Meant so?",
        ),
        ({"airway": {"interface": "mask"}, "leak": {"at": "mask", "flow_l_min": 6}}, None),
        ({"leak": {"flow_l_min": 6}, "events": [{"at_s": 9, "kind": "cuff leak"}]}, None),
        (
            {"airway": {"interface": "high-flow cannula"}},
            "A high-flow cannula holds no pressure and gives no inflations; set is A/C-VC. Meant so?",
        ),
        (
            {"patient": {"age_days": 1, "weight_kg": 400}},
            "[patient] weighs 400 kg, and 4.6 kg is usual at that age. Meant so?",
        ),
        ({"patient": {"age_years": 6, "weight_kg": 80}}, "[patient] weighs 80 kg, and 25 kg is usual at that age."),
        ({"patient": {"age_days": 1, "weight_kg": 5.5}, "settings": [{**CONTROL, "tidal_volume_ml": 30}]}, None),
        ({"patient": {"age_years": 40, "weight_kg": 300}}, None),
        (
            {"leak": {"flow_l_min": 120}},
            "[[settings]] at 0 s: [leak] takes 120 L/min at 10 cmH2O, and 45 L/min is set. Meant so?",
        ),
        (
            {
                "leak": {"flow_l_min": 120, "exponent": 1},
                "settings": [{"mode": "A/C-PC", "peep_cmh2o": 5, "rate_per_min": 15, "pressure_control_cmh2o": 15}],
            },
            "[[settings]] at 0 s: [leak] takes 240 L/min at 20 cmH2O, above highest_flow_l_min 180. Meant so?",
        ),
        (
            {"settings": [{**LEVELS, "rate_per_min": 30}]},
            "[[settings]] at 0 s: rate_per_min 30 has no use on two levels, whose times give 15. Meant so?",
        ),
        ({"settings": [{**LEVELS, "rate_per_min": 15}]}, None),
        (
            {"settings": [{**CONTROL, "trigger_pressure_cmh2o": 0}]},
            "[[settings]] at 0 s: trigger_pressure_cmh2o 0 is no trigger; 2 L/min is taken. Meant so?",
        ),
        (
            {"lung": {"compartments": [{"compliance_ml_cmh2o": 0.05, "resistance_cmh2o_s_l": 8}]}},
            "[lung] has a compliance of 0.05 mL/cmH2O at 70 kg; that in L/cmH2O would be 50. Meant so?",
        ),
        (
            {"circuit": {"humidification": "heat and moisture exchanger"}},
            "[circuit] has a heat and moisture exchanger and no dead_space_ml; 50 mL is taken.",
        ),
        ({"circuit": {"humidification": "heat and moisture exchanger", "dead_space_ml": 40}}, None),
        (
            {"settings": [{**CONTROL, "trigger_flow_l_min": 20}], "effort": {"rate_per_min": 12, "size_cmh2o": 2}},
            "[[settings]] at 0 s: an effort of 2 cmH2O draws at most 13 L/min, and the trigger asks for 20 L/min: no ",
        ),
        (
            {"airway": {**TUBED, "tube_inner_diameter_mm": 2.5}},
            "[[settings]] at 0 s: 45 L/min through tube and airways alone takes ",
        ),
    ],
)
def test_doubts_of_what_can_be_and_is_hardly_meant(said: dict[str, Any], doubt: str | None) -> None:
    part = {"compliance_ml_cmh2o": 50, "resistance_cmh2o_s_l": 8}
    whole = {"lung": {"compartments": [part]}, "airway": TUBED, "settings": [CONTROL], **said}
    told = list(scenario_doubts(scenario_from(whole)))
    assert len(told) == (doubt is not None), told
    assert all(doubt in one for one in told if doubt)


@pytest.mark.parametrize(
    ("kind", "compliance", "effort"),
    [("bronchospasm", 1 / (1 / 80 + 1 / 150), 0), ("pneumothorax", None, 0), ("sedation wearing off", 0, 5)],
)
def test_truth_is_of_the_whole_run_where_events_change_the_patient(
    kind: str, compliance: float | None, effort: float
) -> None:
    scenario = scenario_from({"who": "adult-healthy", "events": [{"at_s": 40, "kind": kind, "over_s": 20}]})
    truth = truth_of(scenario)
    assert truth["effort"]["amplitude_cmh2o"] == effort
    if compliance != 0:
        assert truth["compliance_ml_cmh2o"] == (compliance and pytest.approx(compliance))
    told = simulate(scenario).breaths["compliance_ml_cmh2o"].to_list()
    assert (told[0] > told[-1]) == (kind == "pneumothorax")


APNOEA = {"events": [{"at_s": 0, "kind": "apnoea"}]}
LATER = {"events": [{"at_s": 30, "kind": "apnoea"}, {"at_s": 80, "kind": "relief"}]}
OFF = {"manoeuvres": [{"at_s": 0, "kind": "disconnection", "duration_s": 59}]}


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"who": "neuromuscular", **APNOEA}, "Nothing was breathed in all of 100 s: no inflation, and no breath"),
        ({"who": "neuromuscular", **APNOEA, "settings": [{"mode": "CPAP", "peep_cmh2o": 5}]}, "in all of 100 s"),
        ({"who": "neuromuscular", **LATER}, r"Nothing was breathed from (29|30) to 8\d s\."),
        ({"who": "copd", **OFF}, r"Nothing was breathed from 0 to (59|60) s\."),
        ({"who": "copd", "duration_s": 1}, r"No whole breath fits into 1 s\."),
        ({"who": "copd"}, None),
        ({"who": "neuromuscular", **LATER, "ventilator": {"backup_rate_per_min": 12, "apnoea_s": 10}}, None),
    ],
    ids=["apnoea", "CPAP", "for a while", "off", "too short", "ventilated", "back-up"],
)
def test_stretches_without_a_breath_are_told(said: dict[str, Any], told: str | None) -> None:
    doubts = list(run_doubts(simulate(scenario_from({"duration_s": 100, **said}))))
    assert len(doubts) == (told is not None), doubts
    assert told is None or re.search(told, doubts[0])


def test_command_warns_where_nothing_was_breathed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scenario = 'who = "neuromuscular"\nduration_s = 30\n[[events]]\nat_s = 0\nkind = "apnoea"\n'
    (tmp_path / "a.toml").write_text(scenario, encoding="utf-8")
    main(["simulate", str(tmp_path / "a.toml"), "--out", str(tmp_path / "case")])
    assert "Warning: Nothing was breathed in all of 30 s" in capsys.readouterr().out


@pytest.mark.parametrize("name", patient_names())
def test_patients_of_the_library_raise_no_doubt(name: str) -> None:
    assert list(scenario_doubts(scenario_from({"who": name}))) == []


def test_help_shows_how_a_scenario_begins(capsys: pytest.CaptureFixture[str]) -> None:
    main(["simulate", "--help"])
    assert 'who = "copd"' in capsys.readouterr().out


def test_command_refuses_with_one_message(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.toml").write_text('who = "copd"\nduration_s = 0\n', encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["simulate", str(tmp_path / "a.toml"), "--out", str(tmp_path / "case")])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert said == "tidebench: a.toml: duration_s: is 0. Expected: 1 to 1e+06 s.\n"
    assert [path.name for path in tmp_path.iterdir()] == ["a.toml"]


def test_command_lists_the_library_and_its_sources(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    main(["patients"])
    assert "preterm-800g" in capsys.readouterr().out
    main(["patients", "copd"])
    said = capsys.readouterr().out
    assert "Arnal, Respir Care 2018;63:158" in said
    assert "Invented patients." in said
    with pytest.raises(SystemExit):
        main(["patients", "cop"])
