"""The bench in the library: sentences that fit every mode, the true pressure account, lines, what is refused."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

from tidebench.bench import BANDS, Bench, measured
from tidebench.bench.bench import LONGEST_S
from tidebench.case import load_case
from tidebench.errors import CaseError, OptionError
from tidebench.readers import open_recording
from tidebench.simulation import patient_names, scenario_from, simulate
from tidebench.simulation.doubts import TYPES_WITH
from tidebench.simulation.layout import HELD, OCCLUDED, OPEN
from tidebench.views.sentences import MODES, Blank, Choice, settings_sentences


def blanks(bench: Bench) -> dict[str, Blank]:
    """The places of the sentences, by key."""
    parts = itertools.chain.from_iterable(settings_sentences(bench.setting))
    return {part.quantity.key: part for part in parts if isinstance(part, Blank)}


def spoken(bench: Bench) -> str:
    """The sentences as text."""
    told = []
    for part in itertools.chain.from_iterable(settings_sentences(bench.setting)):
        said = part if isinstance(part, str) else dict(part.options)[part.value] if isinstance(part, Choice) else None
        told.append(said if said is not None else f"{part.value:g} {part.unit}".strip())  # type: ignore[union-attr]
    return " ".join(told).replace(" .", ".").replace(" ,", ",").replace(" ;", ";")


def test_settings_are_said_in_sentences() -> None:
    assert spoken(Bench({"who": "ards-mild"})) == (
        "Ventilation is assist/control, volume control. At least 20 breaths a minute, each of 420 mL at 50 L/min. "
        "An effort is answered once it draws 2 L/min. "
        "Between breaths pressure stays at 10 cmH2O; the oxygen fraction is 0.45."
    )


@pytest.mark.parametrize("who", patient_names())
def test_every_mode_can_follow_every_other_and_says_what_it_needs(who: str) -> None:
    bench = Bench({"who": who}, 8.0)
    for mode in (*MODES, *reversed(MODES)):
        bench.set({"mode": mode})
        bench.step(0.5)
        kinds = {bench.setting.mandatory_type, bench.setting.support_type}
        assert bench.setting.mode == mode
        useless = [key for key in blanks(bench) if key in TYPES_WITH and not TYPES_WITH[key] & kinds]
        assert not useless
        for key, blank in blanks(bench).items():
            assert getattr(bench.setting, key) == pytest.approx(blank.value, rel=1e-3)
            bench.set({key: blank.value})


@pytest.mark.parametrize("who", ["ards-severe", "copd", "hard-to-wean", "preterm-800g"])
def test_account_is_the_equation_of_motion_of_the_virtual_patient(who: str) -> None:
    """Paw = P0 + E·V + R·V' − Pmus (equation of motion): nothing but heartbeat and gas between units is left over."""
    bench = Bench({"who": who}, 30.0)
    for breath in range(2, bench.breaths - 1):
        account = bench.account(breath)
        assert account is not None
        told = account.start + account.elastic + account.resistive - account.muscle + account.residual
        assert np.allclose(account.airway_pressure, told, atol=1e-9)
        assert account.elastic[0] == pytest.approx(0.0, abs=0.6)  # a sample after the start at most
        still = np.abs(account.flow) < 0.002
        assert np.all(np.abs(account.resistive[still]) < 1.0)
    assert bench.account(bench.breaths - 1) is None
    assert bench.account(-1) is None


def test_account_of_a_hold_is_elastic_alone() -> None:
    """With the airway closed and no effort nothing is resistive: pressure is total PEEP and elastance."""
    bench = Bench({"who": "adult-healthy"}, 10.0)
    bench.do("inspiratory hold")
    phases = [bench.step(0.01).phase]
    while HELD not in phases or phases[-1] == HELD:
        phases.append(bench.step(0.05).phase)
    first, last = (round((bench.time_s - ago) * bench.rate_hz) for ago in (1.0, 0.6))
    parts = dict(zip(BANDS, bench.frame(first, last).bands, strict=True))
    assert np.all(np.abs(parts["flow"]) < 0.01)  # heartbeats move gas into the tubing, which gives way
    assert np.all(np.abs(parts["resistive"]) < 0.2)
    assert np.allclose(parts["pressure"], parts["start"] + parts["elastic"], atol=0.3)


def test_phases_tell_when_the_airway_is_closed_or_open() -> None:
    bench = Bench({"who": "copd"}, 10.0)
    bench.do("expiratory hold", 2.0)
    assert OCCLUDED in {bench.step(0.1).phase for _ in range(60)}
    bench.do("disconnection", 2.0)
    assert bench.step(0.1).phase == OPEN


def test_line_is_the_simulation_of_what_was_said(tmp_path: Path) -> None:
    bench = Bench({"who": "copd", "seed": 4}, 12.0)
    bench.set({"peep_cmh2o": 8.0})
    bench.happen("bronchospasm", 0.5, 3.0)
    bench.step(9.0)
    bench.do("expiratory hold")
    bench.step(9.0)
    bench.set({"fio2": 0.5})  # of this very moment, so not yet part of what has been
    said = {**bench.said, "duration_s": bench.time_s, "settings": bench.said["settings"][:-1]}
    whole = simulate(scenario_from(said))
    assert bench.solution().raw_breaths.equals(whole.raw_breaths, null_equal=True)
    bench.save(tmp_path / "case", "Tried")
    case = load_case(tmp_path / "case")
    recording = open_recording(case)
    assert np.allclose(recording["airway_pressure"], whole.channels["airway_pressure"], atol=1e-4)
    assert [(setting.at_s, setting.peep_cmh2o) for setting in case.settings] == [(0.0, 5.0), (12.0, 8.0)]
    assert [(event.at_s, event.kind) for event in case.events] == [(21.0, "expiratory hold")]


def test_going_back_keeps_every_line_and_each_goes_on_where_it_was_left() -> None:
    bench = Bench({"who": "ards-mild"}, 10.0)
    bench.happen("pneumothorax")
    first = bench.step(5.0).bands
    bench.go_back(10.0)
    assert (bench.number, bench.time_s, bench.happened) == (2, 10.0, ())
    bench.step(2.0)
    bench.go_back(11.0)
    assert [(line.number, line.from_s, line.until_s, line.parent) for line in bench.lines] == [
        (1, 0.0, 15.0, 0), (2, 10.0, 12.0, 1),
    ]  # fmt: skip
    bench.follow(1)
    assert np.array_equal(bench.frame(1000, 1500).bands, first)
    assert (bench.here.number, bench.here.until_s) == (1, 15.0)
    assert 3 not in [line.number for line in bench.lines]  # nothing ever happened in it
    with pytest.raises(OptionError, match="no line 3"):
        bench.follow(3)


def test_setting_changed_twice_at_one_moment_is_one_change() -> None:
    bench = Bench({"who": "ards-mild"}, 5.0)
    bench.set({"trigger_pressure_cmh2o": 2.0})
    bench.set({"trigger_flow_l_min": 3.0})
    before = bench.set({"peep_cmh2o": 12.0})
    assert len(bench.scenario.settings) == 2
    assert (bench.setting.trigger_pressure_cmh2o, bench.setting.trigger_flow_l_min) == (None, 3.0)
    bench.set(before)
    assert bench.setting.peep_cmh2o == 10.0


def test_what_is_said_before_time_passes_holds_from_the_start() -> None:
    bench = Bench({"who": "ards-mild"})
    bench.set({"peep_cmh2o": 15.0})
    bench.happen("bronchospasm")
    bands = dict(zip(BANDS, bench.step(6.0).bands, strict=True))
    whole = simulate(scenario_from({**bench.said, "duration_s": 6.0}))
    assert np.array_equal(bands["pressure"], whole.channels["airway_pressure"])
    assert bands["pressure"][0] == pytest.approx(15.0, abs=0.1)
    bench.go_back(0.0)
    assert (bench.setting.peep_cmh2o, bench.happened) == (15.0, ())


def test_refused_changes_leave_the_bench_as_it_was() -> None:
    bench = Bench({"who": "ards-mild"}, 5.0)
    said = bench.said
    with pytest.raises(CaseError, match="does not fit into a breath"):
        bench.set({"rate_per_min": 60.0, "inspiratory_time_s": 2.0})
    with pytest.raises(OptionError, match="no mode 'A/C-XX'"):
        bench.set({"mode": "A/C-XX"})
    with pytest.raises(CaseError, match="size"):
        bench.happen("apnoea", 2.0)
    with pytest.raises(OptionError, match="has not been yet"):
        bench.go_back(6.0)
    assert bench.said is said
    assert bench.step(0.1).bands.shape == (len(BANDS), 10)


def test_line_ends_and_short_ones_are_not_saved(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="at least 2 s"):
        Bench({"who": "copd"}).save(tmp_path / "x")
    with pytest.raises(CaseError, match=r"title: has the character U\+001B"):
        Bench({"who": "copd"}, 5.0).save(tmp_path / "x", "a\x1b[31m")
    assert not (tmp_path / "x").exists()
    bench = Bench({"who": "copd"}, LONGEST_S)
    with pytest.raises(OptionError, match="ends here"):
        bench.step(1.0)


def test_breath_under_way_is_not_told() -> None:
    bench = Bench({"who": "ards-mild"}, 21.3)
    told = measured(*bench.recorded())
    assert told.breaths[0].start_s < bench.time_s - 2.5
    assert [number.quantity.key for number in told.breaths[0].numbers][:2] == ["vti_ml", "vte_ml"]
