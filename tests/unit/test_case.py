"""What a case may say, what is refused, and in which words."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
from pydantic import BaseModel

from tidebench import case as models
from tidebench.case import Case, case_from, load_case
from tidebench.entries import Within
from tidebench.errors import CaseError, TidebenchError
from tidebench.readers import open_recording

FULL = r"""
title = "Stiff lungs"
notes = "invented"

[patient]
sex = "female"
age_years = 61
height_cm = 165
height_method = "tape"
weight_kg = 70

[airway]
interface = "endotracheal tube"
tube_inner_diameter_mm = 7.5
tube_length_cm = 26
cuff = "inflated"

[circuit]
compliance_ml_cmh2o = 1.6
volume_compensated = true
humidification = "heated humidifier"
dead_space_ml = 30
limb = "double"
intentional_leak = false
base_flow_l_min = 3

[recording]
file = "signals/one.csv"
start = 2031-05-04T13:20:00
flow_measured_at = "ventilator"
flow_conditions = "ATPD"
temperature_c = 24
barometric_pressure_mmhg = 745
gas = "air/oxygen"

[recording.columns]
"channel 3" = "flow [mL/s]"

[[settings]]
at_s = 600
mode = 'simv-vc\ps'
peep_cmh2o = 8

[[settings]]
mode = "A/C-PC"
peep_cmh2o = 6
inspiratory_pressure_cmh2o = 20
fio2 = 0.4
trigger_pressure_cmh2o = -2

[[blood_gases]]
at_s = 300
site = "arterial"
fio2 = 0.4
ph = 7.31
paco2_mmhg = 51
pao2_mmhg = 74

[[events]]
at_s = 120
kind = "alarm"
priority = "high"
text = "peak pressure"

[[observed]]
at_s = 200
peak_pressure_cmh2o = 31
spo2 = 0.93
sedation = "RASS -4"
"""


def written(tmp_path: Path, text: str) -> Path:
    """A case folder that says ``text``."""
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    return tmp_path


def refused(said: dict[str, Any]) -> str:
    """The message with which a case is refused."""
    with pytest.raises(CaseError) as refusal:
        case_from(said)
    assert "\n" not in str(refusal.value)
    return str(refusal.value)


def test_every_table_is_read(tmp_path: Path) -> None:
    case = load_case(written(tmp_path, FULL))
    assert (case.title, case.patient.sex, case.airway.tube_inner_diameter_mm) == ("Stiff lungs", "female", 7.5)
    assert case.circuit.volume_compensated
    assert case.recording.start == datetime(2031, 5, 4, 13, 20)
    assert case.recording.columns == {"channel 3": "flow [mL/s]"}
    assert case.path_of(case.recording) == tmp_path / "signals" / "one.csv"
    assert [setting.at_s for setting in case.settings] == [0, 600]
    assert case.blood_gases[0].site == "arterial"
    assert case.events[0].priority == "high"
    assert case.observed[0].numbers == {"peak_pressure_cmh2o": 31, "spo2": 0.93}


def test_file_and_folder_are_the_same_case(tmp_path: Path) -> None:
    folder = written(tmp_path, FULL)
    assert load_case(folder) == load_case(folder / "case.toml")


def test_empty_case_is_a_case(tmp_path: Path) -> None:
    case = load_case(written(tmp_path, ""))
    assert case.recordings == ()
    assert case.recording.file is None
    assert case.setting_at(0) is None
    assert case.recording.flow_measured_at == "wye"
    assert case.recording.flow_conditions == "BTPS"


def test_byte_order_mark_does_not_matter(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_bytes(b"\xef\xbb\xbftitle = 'D\xc3\xbcne'\r\n")
    assert load_case(tmp_path).title == "Düne"


def test_same_statements_have_the_same_hash_in_any_layout() -> None:
    one = case_from({"title": "a", "patient": {"sex": "male", "height_cm": 180}})
    two = case_from({"patient": {"height_cm": 180.0, "sex": "male"}, "title": "a"})
    assert one.case_hash == two.case_hash != case_from({"title": "b"}).case_hash


def test_setting_in_force_is_the_last_one_begun() -> None:
    case = case_from({"settings": [{"at_s": 60, "peep_cmh2o": 10}, {"at_s": 10, "peep_cmh2o": 5}]})
    in_force = [case.setting_at(time) for time in (0, 10, 59.9, 60, 1e6)]
    assert [setting and setting.peep_cmh2o for setting in in_force] == [None, 5, 5, 10, 10]


def test_pressure_above_peep_and_absolute_are_both_told() -> None:
    case = case_from(
        {
            "settings": [
                {"mode": "A/C-PC", "peep_cmh2o": 6, "inspiratory_pressure_cmh2o": 20},
                {"at_s": 1, "mode": "CSV-PS", "peep_cmh2o": 6, "pressure_support_cmh2o": 8},
            ]
        }
    )
    control, support = case.settings
    assert control.pressure_control_cmh2o == 14
    assert support.inspiratory_pressure_cmh2o == 14


def test_low_level_of_two_is_the_peep() -> None:
    (setting,) = case_from(
        {"settings": {"pressure_high_cmh2o": 25, "pressure_low_cmh2o": 5, "time_high_s": 4}}
    ).settings
    assert setting.bi_level
    assert setting.peep_cmh2o == 5


def test_pressure_trigger_is_taken_either_way_round() -> None:
    (setting,) = case_from({"settings": {"trigger_pressure_cmh2o": -2}}).settings
    assert setting.trigger_pressure_cmh2o == 2


def test_mode_is_spelled_in_its_usual_way() -> None:
    (setting,) = case_from({"settings": {"mode": " simv-vc\\ps "}}).settings
    assert (setting.mode, setting.pattern, setting.mandatory_type, setting.support_type) == (
        "SIMV-VC\\PS",
        "SIMV",
        "VC",
        "PS",
    )


def test_observed_takes_every_number_of_the_breath_table_and_more() -> None:
    keys = models.Observed.model_fields
    for key in ("vte_ml", "plateau_pressure_cmh2o", "minute_volume_l_min", "p01_cmh2o", "cuff_pressure_cmh2o"):
        assert key in keys


@pytest.mark.parametrize(
    ("said", "says"),
    [
        ({"patient": {"heigth_cm": 170}}, "[patient], heigth_cm: there is no such key. Nearest: height_cm"),
        ({"patients": {}}, "[patients]: there is no such key. Nearest: patient."),
        ({"patient": {"peep_cmh2o": 5}}, "It belongs in [settings]."),
        ({"patient": {"sex": "femal"}}, "is 'femal'. Expected: 'female' or 'male'. Nearest: 'female'."),
        ({"patient": {"weight_kg": 3500}}, "0.2 to 400 kg. Is that in grams? Then write 3.5."),
        ({"patient": {"height_cm": 1.75}}, "Is that in metres? Then write 175."),
        ({"patient": {"weight_kg": "70"}}, "is '70'. Expected: a number, without quotes."),
        ({"patient": {"weight_kg": True}}, "a number, without quotes"),
        ({"patient": {"weight_kg": float("nan")}}, "is nan. Expected: 0.2 to 400 kg."),
        ({"patient": {"weight_kg": float("inf")}}, "is inf. Expected: 0.2 to 400 kg."),
        ({"patient": {"age_years": 3, "age_days": 1100}}, "has both age_years and age_days. Expected: one of them."),
        ({"patient": 7}, "patient: is 7. Expected: a table."),
        ({"settings": [{}, {"fio2": 40}]}, "[[settings]] no. 2, fio2: is 40. Expected: 0.21 to 1"),
        ({"settings": [{"fio2": 40}]}, "Is that in per cent? Then write 0.4."),
        ({"settings": {"tidal_volume_ml": 0.45}}, "Is that in litres? Then write 450."),
        ({"settings": {"inspiratory_time_s": 900}}, "Is that in milliseconds? Then write 0.9."),
        ({"settings": {"mode": "AC-VC"}}, "Nearest: A/C-VC."),
        ({"settings": {"mode": "CSV-VC"}}, "is 'CSV-VC'"),
        ({"settings": {"trigger_flow_l_min": 2, "trigger_pressure_cmh2o": 1}}, "has both"),
        ({"settings": {"pressure_high_cmh2o": 5, "pressure_low_cmh2o": 10}}, "not above"),
        ({"settings": {"mode": "A/C-PC", "peep_cmh2o": 10, "inspiratory_pressure_cmh2o": 8}}, "both absolute"),
        (
            {
                "settings": {
                    "mode": "A/C-PC",
                    "peep_cmh2o": 5,
                    "pressure_control_cmh2o": 15,
                    "inspiratory_pressure_cmh2o": 15,
                }
            },
            "pressures that agree",
        ),
        ({"settings": {"at_s": -1}}, "0 to 1e+08 s"),
        ({"blood_gases": {"paco2_mmhg": 5.6}}, "Is that in kPa? Then write 42."),
        ({"blood_gases": {"at_s": 1, "time": "2031-05-04T13:20:00"}}, "has both at_s and time"),
        ({"blood_gases": {"time": 5}}, "a date and time, ISO 8601"),
        ({"events": {"kind": "alarm"}}, "[events], at_s: "),
        ({"recording": {"start": "soon", "file": "a.csv"}}, "a date and time, ISO 8601"),
        ({"recording": {}}, "no file"),
        (
            {"recording": [{"file": "a.csv"}, {"file": "b.csv", "gas": "heliox"}]},
            "[[recording]]: no. 2 differs from the first in gas",
        ),
        ({"observed": {"spo2": 93}}, "Is that in per cent? Then write 0.93."),
        ({"title": 5}, "title: is 5. Expected: text in quotes."),
    ],
)
def test_refusals_name_the_key_and_what_is_allowed(said: dict[str, Any], says: str) -> None:
    message = refused(said)
    assert message.startswith("case.toml: ")
    assert says in message


@pytest.mark.parametrize(
    "file",
    ["../a.csv", "a/../../b.csv", "/etc/passwd", "C:\\a.csv", "\\\\host\\a.csv", "..\\a.csv", "", ".", "a\n.csv"],
)
def test_recording_outside_the_folder_is_refused(file: str) -> None:
    assert "a file inside the case folder" in refused({"recording": {"file": file}})


def test_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    inside, outside = tmp_path / "case", tmp_path / "other.csv"
    inside.mkdir()
    outside.touch()
    (inside / "signals.csv").symlink_to(outside)
    with pytest.raises(CaseError, match="leads out of the case folder"):
        load_case(written(inside, '[recording]\nfile = "signals.csv"\n'))


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"[recording\n", "this is not TOML"),
        (b"title = 'x'\ntitle = 'y'\n", "this is not TOML"),
        (b'[[settings]]\nmode = "SIMV-VC\\PS"\n', r"Write a mode's backslash in single quotes"),
        ("title = 'x'".encode("utf-16"), "this is not text in UTF-8"),
        (b"#" * (1 << 20) + b"#", "larger than 1 MiB"),
    ],
)
def test_file_that_is_no_case_is_refused(tmp_path: Path, data: bytes, says: str) -> None:
    (tmp_path / "case.toml").write_bytes(data)
    with pytest.raises(CaseError, match=says):
        load_case(tmp_path)


def test_nothing_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CaseError, match=r"there is no such file. Expected: a case folder or a case.toml"):
        load_case(tmp_path / "nonesuch")
    with pytest.raises(CaseError, match="there is no such file"):
        load_case(tmp_path)


def test_other_problems_are_counted() -> None:
    assert refused({"patient": {"sex": "x", "weight_kg": 0}}).endswith("After this one there is 1 more.")


def bounded(model: type[BaseModel]) -> list[tuple[str, Within]]:
    """The keys of a model that take a number within bounds."""
    hints = get_type_hints(model, include_extras=True)
    return [(key, bound) for key, hint in hints.items() for bound in bounds(hint)]


def bounds(hint: Any) -> list[Within]:
    """The bounds that a type carries."""
    own = [mark for mark in getattr(hint, "__metadata__", ()) if isinstance(mark, Within)]
    return own + [bound for inner in get_args(hint) for bound in bounds(inner)]


TABLES: dict[str, type[BaseModel]] = {
    "patient": models.Patient,
    "airway": models.Airway,
    "circuit": models.Circuit,
    "settings": models.Setting,
    "blood_gases": models.BloodGas,
    "observed": models.Observed,
}
EVERY = [(table, key, bound) for table, model in TABLES.items() for key, bound in bounded(model)]


def test_bounds_are_found_on_every_table() -> None:
    assert {table for table, _, _ in EVERY} == TABLES.keys()
    assert len(EVERY) > 60


@pytest.mark.parametrize(("table", "key", "bound"), EVERY, ids=[f"{table}.{key}" for table, key, _ in EVERY])
def test_every_bound_lets_its_ends_in_and_nothing_beyond(table: str, key: str, bound: Within) -> None:
    span = bound.high - bound.low
    for value in (bound.low, bound.high):
        case = case_from({table: {key: value}})
        assert isinstance(case, Case)
    for value in (bound.low - span, bound.high + span, float("nan"), float("-inf")):
        assert f"{bound.low:g} to {bound.high:g}" in refused({table: {key: value}})


def test_what_cannot_be_read_is_refused_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "case.toml").write_text(FULL, encoding="utf-8")

    def deny(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "read_bytes", deny)
    with pytest.raises(CaseError, match=r"case\.toml: this can't be read \(Permission denied\)"):
        load_case(tmp_path)


def test_folder_in_place_of_the_case_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "case.toml").mkdir()
    with pytest.raises(CaseError, match="not an ordinary file"):
        load_case(tmp_path)


def test_links_that_go_round_are_refused(tmp_path: Path) -> None:
    for name in ("case", "signals.csv"):
        (tmp_path / name).symlink_to(tmp_path / name)
    (tmp_path / "case.toml").write_text('[recording]\nfile = "signals.csv"', encoding="utf-8")
    with pytest.raises(CaseError, match="case: there is no such file"):
        load_case(tmp_path / "case")
    with pytest.raises(TidebenchError, match=r"signals\.csv"):
        open_recording(load_case(tmp_path))


def test_a_house_names_its_modes() -> None:
    """Practice notes: a dictionary that the user supplies maps local names to codes; none is shipped."""
    said = {
        "modes": {"Volume, assisted": "a/c-vc", "Patient alone": "CSV-PS"},
        "settings": [
            {"mode": " volume, ASSISTED"},
            {"at_s": 60, "mode": "Patient alone"},
            {"at_s": 90, "mode": "CPAP"},
        ],
    }
    case = case_from(said)
    assert [setting.mode for setting in case.settings] == ["A/C-VC", "CSV-PS", "CPAP"]
    assert case.modes == {"Volume, assisted": "A/C-VC", "Patient alone": "CSV-PS"}
    with pytest.raises(CaseError, match="of pattern and inflation type"):
        case_from({"modes": {"Ours": "whatever"}})
    with pytest.raises(CaseError, match="is 'Theirs'"):
        case_from({"modes": {"Ours": "A/C-VC"}, "settings": [{"mode": "Theirs"}]})
