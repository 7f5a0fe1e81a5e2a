"""Ventilation patterns and inflation types do what ISO 19223 (from memory) means by their names.

What a pattern lets begin an inflation, what ends it, what it delivers. Numbers are asked of the settings.
"""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from tidebench.errors import SimulationError
from tidebench.simulation import Solution, scenario_from, simulate
from tidebench.simulation.layout import BY_PRESSURE
from tidebench.simulation.parameters import patient_tables
from tidebench.simulation.setup import start_of

EFFORT = {"rate_per_min": 14.0, "size_cmh2o": 8.0}
TRUE = ["airway_pressure", "flow", "muscle_pressure", "lung_volume", "alveolar_pressure"]


def run(setting: dict[str, Any], **tables: Any) -> Solution:
    """Two minutes of an invented adult on one setting."""
    whole = {
        "duration_s": 120.0,
        "lung": {"compartments": [{"compliance_ml_cmh2o": 50.0, "resistance_cmh2o_s_l": 8.0}]},
        "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 8.0},
        "circuit": {"compliance_ml_cmh2o": 1.5},
        "settings": [{"peep_cmh2o": 5.0, "inspiratory_time_s": 1.0, **setting}],
        **tables,
    }
    return simulate(scenario_from(whole), TRUE)


def volume(**more: Any) -> dict[str, Any]:
    """Volume control at 15 a minute, amended."""
    return {"mode": "A/C-VC", "rate_per_min": 15.0, "tidal_volume_ml": 450.0, **more}


def test_mandatory_pattern_hears_no_effort() -> None:
    breaths = run(volume(mode="CMV-VC"), effort=EFFORT).breaths
    assert breaths["patient_triggered"].sum() == 0
    assert np.diff(breaths["start_s"]) == pytest.approx(4.0, abs=1e-6)


def test_occlusion_of_a_patient_who_breathes_alone_is_followed_by_his_own_breath() -> None:
    support = {"mode": "CSV-PS", "pressure_support_cmh2o": 8.0}
    held = [{"at_s": at, "kind": kind} for at, kind in ((30, "occlusion"), (60, "expiratory hold"))]
    breaths = run(support, effort=EFFORT, manoeuvres=held).breaths
    assert breaths["exp_hold_cmh2o"].is_not_null().sum() == 2
    assert (breaths["patient_triggered"] == 1).all()
    assert (breaths["mandatory"] == 0).all()
    assert (breaths["insp_end_s"] - breaths["start_s"]).to_numpy().min() > 0.2


@pytest.mark.parametrize("mode", ["SIMV-VC\\PS", "SIMV-VC", "IMV-VC"])
@pytest.mark.parametrize("kind", ["expiratory hold", "disconnection"])
@pytest.mark.parametrize("effort", [{}, EFFORT], ids=["passive", "effort"])
def test_the_mandatory_clock_starts_anew_after_an_interruption(mode: str, kind: str, effort: dict[str, float]) -> None:
    support = {"pressure_support_cmh2o": 8.0} if mode.endswith("PS") else {}
    held = [{"at_s": 40.0, "kind": kind, "duration_s": 9.0}]
    breaths = run(volume(mode=mode, **support), effort=effort, manoeuvres=held).breaths
    mandatory = breaths.filter(breaths["mandatory"] == 1)["start_s"].to_numpy()
    assert np.diff(mandatory).min() > 2.5
    assert np.diff(mandatory[mandatory > 55]).mean() == pytest.approx(4.0, abs=0.2)
    if not (mode.startswith("IMV") and effort):  # which may stack one on an effort's
        assert (breaths["end_s"] - breaths["insp_end_s"]).to_numpy().min() > 0.1


def test_inflation_that_a_disconnection_cuts_short_stays_in_the_truth() -> None:
    """At 61 s an inflation is half done; efforts meanwhile meet no ventilator."""
    cut = [{"at_s": 61.0, "kind": "disconnection", "duration_s": 8}]
    done = run(volume(mode="CMV-VC"), effort=EFFORT, manoeuvres=cut)
    row = done.breaths.filter(done.breaths["start_s"].is_between(60.0, 60.9)).row(0, named=True)
    assert row["insp_end_s"] == pytest.approx(61.0, abs=1e-6)
    assert row["end_s"] == pytest.approx(69.0, abs=1e-2)
    inside = done.efforts.filter(done.efforts["onset_s"].is_between(61.1, 68.5))
    assert inside.height
    assert set(inside["outcome"]) == {"unassisted"}
    starts, at = done.breaths["start_s"].to_numpy(), done.efforts.filter(done.efforts["breath"] >= 0)
    owner = np.searchsorted(starts, at["onset_s"].to_numpy(), side="right") - 1
    assert at["breath"].to_numpy() == pytest.approx(owner)


@pytest.mark.parametrize("who", ["adult-healthy", "copd", "asthma-severe", "ards-severe", "child", "newborn-term"])
@pytest.mark.parametrize("rise", [3.0, 9.0])
def test_gas_that_moves_with_peep_triggers_nothing(who: str, rise: float) -> None:
    """At twelve moments of the breath, by the library's own triggers, without effort and heartbeat."""
    quiet = {"lung": {**patient_tables(who)["lung"], "heart_amplitude_cmh2o": 0.0}, "effort": {"rate_per_min": 0.0}}
    usual = {**patient_tables(who)["settings"][0], "at_s": 0.0, "peep_cmh2o": 5.0}
    mode = usual["mode"].replace("CMV", "A/C").replace("SIMV", "A/C").partition("\\")[0]
    if mode.startswith("CSV"):
        mode = "A/C-PC"
        usual |= {"rate_per_min": 16.0, "pressure_control_cmh2o": 12.0, "inspiratory_time_s": 1.0}
    usual = {key: value for key, value in usual.items() if key not in ("pressure_support_cmh2o", "cycling_percent")}
    period = 60.0 / usual["rate_per_min"]
    for phase in range(12):
        later = {"at_s": 20.0 + period * phase / 12, "peep_cmh2o": 5.0 + rise}
        told = scenario_from({"who": who, "duration_s": 40, **quiet, "settings": [{**usual, "mode": mode}, later]})
        assert simulate(told).breaths["patient_triggered"].sum() == 0


@pytest.mark.parametrize("who", ["adult-healthy", "copd", "asthma-severe"])
@pytest.mark.parametrize("rate", [5.0, 7.0])
@pytest.mark.parametrize("rise", [5.0, 9.0])
def test_a_slow_lung_fills_to_its_new_level_before_anything_triggers(who: str, rate: float, rise: float) -> None:
    quiet = {"lung": {**patient_tables(who)["lung"], "heart_amplitude_cmh2o": 0.0}, "effort": {"rate_per_min": 0.0}}
    slow = {"mode": "A/C-VC", "tidal_volume_ml": 300.0, "rate_per_min": rate, "peep_cmh2o": 5.0}
    for phase in range(12):
        later = {"at_s": 30.0 + 60 / rate * phase / 12, "peep_cmh2o": 5.0 + rise}
        told = scenario_from({"who": who, "duration_s": 70, **quiet, "settings": [slow, later]})
        assert simulate(told).breaths["patient_triggered"].sum() == 0


@pytest.mark.parametrize("kind", ["expiratory hold", "occlusion", "disconnection", "suction"])
@pytest.mark.parametrize("lasts", [1.0, 1.3, 2.4])
def test_a_short_interruption_starts_the_clock_anew_too(kind: str, lasts: float) -> None:
    fast = volume(mode="SIMV-VC", rate_per_min=20.0, tidal_volume_ml=350.0, inspiratory_time_s=1.4)
    held = [{"at_s": 30.2, "kind": kind, "duration_s": lasts}]
    breaths = run(fast, manoeuvres=held).breaths
    after = breaths["start_s"].to_numpy()
    assert np.diff(after).min() == pytest.approx(3.0, abs=2e-3)


def test_an_inflation_that_a_slow_one_interrupts_stays_in_the_truth() -> None:
    slow = {"at_s": 61.0, "kind": "slow inflation", "volume_ml": 800, "flow_l_min": 8}
    breaths = run(volume(), procedures=[slow]).breaths
    cut = breaths.filter(breaths["start_s"].is_between(60.0, 60.9))
    assert cut["insp_end_s"].to_list() == pytest.approx([61.0], abs=2e-3)
    assert np.array_equal(breaths["end_s"].to_numpy()[:-1], breaths["start_s"].to_numpy()[1:])


@pytest.mark.parametrize(
    "tables",
    [
        {"heart": 3.0}, {"leak": {"at": "cuff", "flow_l_min": 10}, "ventilator": {"leak_compensation": 0.0}},
        {"wet": 8.0, "ventilator": {"condensate": 0.7}},
    ],
    ids=["heartbeat", "leak", "water"],
)  # fmt: skip
@pytest.mark.parametrize("change", ["peep", "disconnection"])
def test_nobody_stays_unheard_after_a_change(tables: dict[str, Any], change: str) -> None:
    """Heartbeat, an uncompensated leak or water never let flow come to rest; after eight seconds triggers are heard."""
    part = {"compliance_ml_cmh2o": 50.0, "resistance_cmh2o_s_l": 8.0}
    lung = {
        "compartments": [part], "heart_amplitude_cmh2o": tables.get("heart", 0.0), "heart_rate_per_min": 130.0,
        "secretions": tables.get("wet", 0.0),
    }  # fmt: skip
    support = {"mode": "CSV-PS", "peep_cmh2o": 5.0, "pressure_support_cmh2o": 10.0, "trigger_flow_l_min": 2.0}
    settings = [support, {"at_s": 60.0, "peep_cmh2o": 10.0}] if change == "peep" else [support]
    held = [] if change == "peep" else [{"at_s": 60.0, "kind": "disconnection"}]
    others = {key: table for key, table in tables.items() if key in ("leak", "ventilator")}
    drive = {"rate_per_min": 20.0, "size_cmh2o": 8.0}
    breaths = run({}, lung=lung, settings=settings, manoeuvres=held, effort=drive, **others).breaths
    after = breaths.filter(breaths["start_s"] > 60.0)["start_s"].to_numpy()
    assert after[after > 66.0].min() < 75.0
    assert len(after) > 12


def test_a_supported_inflation_can_be_held() -> None:
    support = {"mode": "CSV-PS", "pressure_support_cmh2o": 8.0}
    breaths = run(support, effort=EFFORT, manoeuvres=[{"at_s": 60, "kind": "inspiratory hold"}]).breaths
    held = breaths.filter(breaths["plateau_cmh2o"].is_not_null())
    assert held.height == 1
    assert held["insp_end_s"][0] - held["start_s"][0] > 3.0


def test_inspiratory_time_holds_the_pause() -> None:
    breaths = run(volume(pause_s=0.4)).breaths
    assert (breaths["insp_end_s"] - breaths["start_s"]).to_numpy() == pytest.approx(1.0, abs=1e-6)


def test_a_cough_leaves_gas_in_the_smallest_lung() -> None:
    told = scenario_from({"who": "preterm-800g", "duration_s": 60, "manoeuvres": [{"at_s": 30, "kind": "cough"}]})
    rest = 25.0 * 0.8 / 1000
    assert simulate(told, ["airway_pressure", "flow", "lung_volume"]).channels["lung_volume"].min() > -0.55 * rest


def test_a_narrower_tube_takes_more_pressure_at_every_size() -> None:
    peaks = [
        float(np.median(run(volume(), airway={"interface": "endotracheal tube", "tube_inner_diameter_mm": mm})
                        .breaths["peak_pressure_cmh2o"].to_numpy()))
        for mm in (4.0, 5.0, 6.0, 6.8, 7.0, 8.0, 9.0, 10.0)
    ]  # fmt: skip
    assert all(wide < narrow for narrow, wide in itertools.pairwise(peaks))


def test_levels_change_by_time_alone_through_supported_inflations() -> None:
    levels = {"pressure_high_cmh2o": 20, "pressure_low_cmh2o": 6, "time_high_s": 2.0, "time_low_s": 3.0}
    setting = {"mode": "IMV-PC\\PS", "pressure_support_cmh2o": 6, "peep_cmh2o": 6, "fio2": 0.4, **levels}
    breaths = run(setting, effort=EFFORT).breaths
    assert np.diff(breaths["start_s"]) == pytest.approx(5.0, abs=1e-6)
    assert (breaths["insp_end_s"] - breaths["start_s"]).to_numpy() == pytest.approx(2.0, abs=1e-6)


def test_no_carbon_dioxide_at_the_wye_is_no_end_tidal_value() -> None:
    """All that is exhaled leaves by the mask: the sensor sees fresh gas alone."""
    breaths = run(volume(peep_cmh2o=10.0), leak={"at": "mask", "flow_l_min": 100}).breaths
    assert breaths["etco2_mmhg"][1:].null_count() == breaths.height - 1


def test_breath_with_a_cough_is_not_passive() -> None:
    breaths = run(volume(), manoeuvres=[{"at_s": 61.5, "kind": "cough"}]).breaths
    coughed = breaths.filter(breaths["passive"] == 0)
    assert coughed["start_s"].len() == 1
    assert coughed["start_s"][0] < 61.5 < coughed["end_s"][0]
    assert coughed["muscle_least_cmh2o"][0] < -50


def test_assist_control_gives_every_effort_the_same_inflation() -> None:
    breaths = run(volume(rate_per_min=8.0), effort=EFFORT).breaths
    asked = breaths.filter(breaths["patient_triggered"] == 1)
    assert asked.height > 20
    assert (asked["mandatory"] == 1).all()
    assert (asked["insp_end_s"] - asked["start_s"]).to_numpy() == pytest.approx(1.0, abs=1e-6)


def test_set_volume_less_what_the_circuit_takes_reaches_the_patient() -> None:
    """Reference values, section 3.2: VT − C_circuit·(P_end − PEEP)."""
    breath = run(volume()).breaths.row(-2, named=True)
    taken = 1.5 * (breath["peak_pressure_cmh2o"] - breath["total_peep_cmh2o"])
    assert breath["vti_ml"] == pytest.approx(450.0 - taken, abs=3.0)


def test_compensated_volume_reaches_the_patient_whole() -> None:
    breath = run(volume(), circuit={"compliance_ml_cmh2o": 1.5, "volume_compensated": True}).breaths.row(-2, named=True)
    assert breath["vti_ml"] == pytest.approx(450.0, rel=0.005)


@pytest.mark.parametrize("percent", [10.0, 25.0, 50.0])
def test_support_ends_at_the_share_of_peak_flow_that_is_set(percent: float) -> None:
    setting = {"mode": "CSV-PS", "pressure_support_cmh2o": 10.0, "cycling_percent": percent}
    solution = run(setting, effort={**EFFORT, "rate_cv": 0.0}, sampling_hz=1000.0)
    flow = solution.channels["flow"]
    shares = []
    for breath in solution.breaths.tail(10).iter_rows(named=True):
        first, turn = round(breath["start_s"] * 1000), int(breath["insp_end_s"] * 1000)
        shares.append(flow[turn] / flow[first : turn + 1].max())
    assert np.median(shares) == pytest.approx(percent / 100, abs=0.01)
    assert (solution.breaths["flow_cycled"] == 1).all()


def test_more_support_gives_more_volume() -> None:
    volumes = [
        float(np.median(run({"mode": "CSV-PS", "pressure_support_cmh2o": above}, effort=EFFORT).breaths["vti_ml"]))
        for above in (4.0, 8.0, 12.0)
    ]
    assert np.all(np.diff(volumes) > 10.0)


def test_volume_targeted_inflations_find_their_volume() -> None:
    breaths = run({"mode": "A/C-vtPC", "rate_per_min": 15.0, "tidal_volume_ml": 420.0}).breaths
    assert breaths["vti_ml"][-2] == pytest.approx(420.0, rel=0.02)
    assert np.abs(np.diff(breaths["peak_pressure_cmh2o"])).max() <= 3.0 + 0.2


def test_synchronised_pattern_keeps_its_number_of_mandatory_inflations() -> None:
    setting = {
        "mode": "SIMV-VC\\PS", "rate_per_min": 6.0, "tidal_volume_ml": 450.0, "pressure_support_cmh2o": 8.0,
    }  # fmt: skip
    breaths = run(setting, effort=EFFORT).breaths
    mandatory = breaths.filter(breaths["mandatory"] == 1)
    assert abs(mandatory.height - 12) <= 1
    assert (mandatory["patient_triggered"] == 1).any()
    assert (breaths.filter(breaths["mandatory"] == 0)["pressure_supported"] == 1).all()


def test_apnoea_brings_the_back_up() -> None:
    setting = {"mode": "CSV-PS", "pressure_support_cmh2o": 8.0}
    quiet = run(setting, ventilator={"backup_rate_per_min": 12.0, "apnoea_s": 15.0}).breaths
    assert quiet["start_s"][0] == pytest.approx(15.0, abs=0.6)
    assert np.diff(quiet["start_s"]) == pytest.approx(5.0, abs=1e-6)
    assert np.median(quiet["vti_ml"]) > 200


def test_two_levels_let_the_patient_breathe_at_both() -> None:
    setting = {
        "mode": "IMV-PC", "pressure_high_cmh2o": 20.0, "pressure_low_cmh2o": 5.0, "time_high_s": 4.0, "time_low_s": 1.0,
        "rate_per_min": 12.0,
    }  # fmt: skip
    solution = run(setting, effort=EFFORT)
    breaths = solution.breaths
    assert (breaths["insp_end_s"] - breaths["start_s"]).to_numpy() == pytest.approx(4.0, abs=1e-6)
    assert set(solution.efforts["outcome"]) <= {"unassisted", "outside"}
    at_high = solution.channels["flow"][(solution.channels["airway_pressure"] > 17)]
    assert at_high.max() > 0.2  # breathes in at the high level


def test_change_of_level_calls_for_no_support() -> None:
    setting = {
        "mode": "IMV-PC\\PS", "pressure_high_cmh2o": 20.0, "pressure_low_cmh2o": 5.0, "time_high_s": 3.0,
        "time_low_s": 3.0, "pressure_support_cmh2o": 8.0, "rate_per_min": 10.0,
    }  # fmt: skip
    assert run(setting).channels["airway_pressure"].max() < 21.0
    assert run(setting, effort=EFFORT).channels["airway_pressure"].max() > 24.0


def test_continuous_pressure_leaves_every_breath_to_the_patient() -> None:
    solution = run({"mode": "CPAP"}, effort=EFFORT)
    assert set(solution.efforts["outcome"]) <= {"unassisted", "outside"}
    assert np.ptp(solution.channels["airway_pressure"]) < 4.0


@pytest.mark.parametrize("who", ["preterm-800g", "newborn-term", "adult-healthy", "obesity", "strong-heartbeat"])
def test_every_effort_that_draws_gas_is_a_breath_of_the_truth_whatever_the_trigger(who: str) -> None:
    """Counted in the lung's volume alone: a rise within an effort. No trigger is that numb."""
    setting = {"mode": "CPAP", "peep_cmh2o": 5.0, "trigger_flow_l_min": 20.0}
    told: dict[str, Any] = {"who": who, "duration_s": 120.0, "settings": [setting]}
    if not patient_tables(who).get("effort", {}).get("rate_per_min"):
        told["effort"] = {"rate_per_min": 14.0, "size_cmh2o": 7.0}
    solution = simulate(scenario_from(told), ["lung_volume", *TRUE[:2]])
    breaths, efforts, volume = solution.breaths, solution.efforts, solution.channels["lung_volume"]
    drawn = [
        bool((np.diff(volume[round(100 * a) : round(100 * b)]) > 0).any())
        for a, b in efforts["onset_s", "over_s"].rows()
    ]
    assert len(breaths) > 20
    assert abs(sum(drawn) - len(breaths)) <= 1  # the last one is not whole
    first = np.searchsorted(efforts["onset_s"].to_numpy(), breaths["start_s"].to_numpy(), side="right") - 1
    assert len(set(first)) == len(first)
    assert (breaths["insp_end_s"].to_numpy() >= efforts["end_s"].to_numpy()[first] - 1e-6).all()
    at = np.arange(len(volume)) / 100
    moved = 1000 * np.diff(
        [np.interp(breaths[key].to_numpy(), at, volume) for key in ("start_s", "insp_end_s")], axis=0
    )
    assert breaths["vti_ml"].to_numpy() == pytest.approx(moved[0], rel=0.02, abs=0.05)


@pytest.mark.parametrize("mode", ["SIMV-VC", "IMV-VC"])
def test_between_mandatory_inflations_efforts_draw_their_own_breaths(mode: str) -> None:
    solution = run(volume(mode=mode, rate_per_min=4.0), effort=EFFORT)
    own = solution.breaths.filter(mandatory=0)
    assert len(own) > 12
    assert (own["peak_pressure_cmh2o"] < 7).all()
    outcomes = dict(solution.efforts["outcome"].value_counts().rows())
    assert outcomes["unassisted"] >= len(own) - 1
    assert outcomes.get("triggered", 0) == (solution.breaths.filter(mandatory=1)["patient_triggered"] == 1).sum()


@pytest.mark.parametrize("trigger", [2.0, 30.0])
@pytest.mark.parametrize("mode", ["IMV-PC", "IMV-VC"])
def test_a_breath_of_ones_own_does_not_stop_the_clock(mode: str, trigger: float) -> None:
    """Long efforts are under way at every second due time; the mandatory inflation comes nevertheless."""
    setting = volume(mode=mode, rate_per_min=10.0, pressure_control_cmh2o=12.0, trigger_flow_l_min=trigger)
    breaths = run(setting, effort={"rate_per_min": 18.0, "size_cmh2o": 3.0, "neural_time_s": 1.5}).breaths
    mandatory = breaths.filter(mandatory=1)["start_s"].to_numpy()
    assert np.diff(mandatory) == pytest.approx(6.0, abs=1e-6)
    assert len(breaths.filter(mandatory=0)) > 10


@pytest.mark.parametrize("mode", ["IMV-PC", "SIMV-PC"])
def test_an_effort_that_outlasts_a_mandatory_inflation_is_not_starved(mode: str) -> None:
    """It draws the pressure no lower than the same effort does on CPAP, by the source's resistance and flow."""
    effort = {"rate_per_min": 20.0, "size_cmh2o": 10.0, "neural_time_s": 0.9}
    setting = {"mode": mode, "rate_per_min": 12.0, "inspiratory_time_s": 0.8, "pressure_control_cmh2o": 8.0}
    lowest = [run(told, effort=effort).channels["airway_pressure"].min() for told in (setting, {"mode": "CPAP"})]
    assert lowest[0] > lowest[1] - 1.0


def test_a_long_breath_of_ones_own_ends_with_its_flow() -> None:
    slow = {"rate_per_min": 8.0, "size_cmh2o": 8.0, "neural_time_s": 3.0}
    solution = run({"mode": "CPAP"}, effort=slow, ventilator={"longest_support_s": 1.0})
    assert ((solution.breaths["insp_end_s"] - solution.breaths["start_s"]).to_numpy() > 2.5).all()
    assert (solution.breaths["flow_cycled"] == 1).all()


def test_back_up_comes_where_the_trigger_hears_nothing() -> None:
    """On CPAP breaths are the patient's, and the back-up knows of those alone that meet the trigger."""
    weak = {"rate_per_min": 14.0, "size_cmh2o": 3.0}
    for trigger, timed in ((1.0, False), (30.0, True)):
        setting = {"mode": "CPAP", "trigger_flow_l_min": trigger}
        breaths = run(setting, effort=weak, ventilator={"backup_rate_per_min": 12.0}).breaths
        assert (breaths["patient_triggered"] == 0).any() == timed
        assert (breaths["patient_triggered"] == 1).sum() > 10


def test_pressure_limit_ends_an_inflation() -> None:
    breaths = run(volume(tidal_volume_ml=900.0), ventilator={"pressure_limit_cmh2o": 20.0}).breaths
    assert np.max(breaths["peak_pressure_cmh2o"].to_numpy()) < 21.0
    assert np.max((breaths["insp_end_s"] - breaths["start_s"]).to_numpy()) < 0.9


def test_trigger_waits_for_its_criterion_and_its_delay() -> None:
    early, late = (
        run(volume(rate_per_min=8.0), effort=EFFORT, ventilator={"trigger_delay_s": delay}) for delay in (0.0, 0.15)
    )
    latency = []
    for solution in (early, late):
        effort = solution.efforts.filter(solution.efforts["outcome"] == "triggered")["onset_s"].to_numpy()
        start = solution.breaths["start_s"].to_numpy()
        latency.append(np.median(start[np.searchsorted(start, effort)] - effort))
    assert latency[1] - latency[0] == pytest.approx(0.15, abs=0.02)


def test_uncompensated_leak_triggers_by_itself() -> None:
    setting = {"mode": "A/C-PC", "rate_per_min": 12.0, "pressure_control_cmh2o": 12.0}
    leak = {"leak": {"flow_l_min": 15.0}}
    blind = run(setting, ventilator={"leak_compensation": 0.0, "base_flow_l_min": 20.0}, **leak).breaths
    seeing = run(setting, **leak).breaths
    assert np.mean(blind["labels"].str.contains("auto-trigger").to_numpy()) > 0.9
    assert not seeing["labels"].str.contains("auto-trigger").any()


def test_entrained_efforts_follow_the_clock_and_stack_breaths() -> None:
    solution = run(volume(rate_per_min=16.0), effort={"entrained_every": 1, "entrained_size_cmh2o": 10.0})
    assert set(solution.efforts["outcome"]) - {"outside"} == {"reverse-trigger"}
    assert solution.breaths["labels"].str.contains("double-trigger").any()


def test_holds_close_the_valves_until_pressure_is_the_lungs() -> None:
    """Reference values, section 3.2: at rest pressure is PEEP + V/C."""
    solution = run(
        volume(),
        manoeuvres=[
            {"at_s": 30.0, "kind": "inspiratory hold", "duration_s": 3.0},
            {"at_s": 60.0, "kind": "expiratory hold", "duration_s": 4.0},
        ],
    )
    held = solution.breaths.filter(solution.breaths["plateau_cmh2o"].is_not_null()).row(0, named=True)
    assert held["insp_end_s"] - held["start_s"] == pytest.approx(4.0, abs=1e-6)
    assert held["plateau_cmh2o"] == pytest.approx(held["total_peep_cmh2o"] + held["vti_ml"] / 50.0, abs=0.02)
    occluded = solution.breaths.filter(solution.breaths["exp_hold_cmh2o"].is_not_null()).row(0, named=True)
    assert occluded["end_s"] - occluded["insp_end_s"] == pytest.approx(3.0 + 4.0, abs=1e-6)


def test_same_seed_same_signals_another_seed_others() -> None:
    one, same, other = (run(volume(), effort=EFFORT, seed=seed).channels["airway_pressure"] for seed in (3, 3, 4))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_a_breath_that_an_inflation_stacks_on_belongs_to_the_breath_before() -> None:
    """Every breath ends where the next begins, and work and pressure are lost nowhere."""
    done = run(volume(mode="IMV-VC", rate_per_min=8.0), effort={"rate_per_min": 18.0, "size_cmh2o": 8.0})
    breaths = done.breaths
    assert breaths["end_s"].to_numpy()[:-1] == pytest.approx(breaths["start_s"].to_numpy()[1:])
    own = breaths.filter(breaths["mandatory"] == 0)
    assert (own["end_s"] - own["insp_end_s"]).to_numpy().min() > 0.0
    met = done.efforts.filter(done.efforts["outcome"] == "met-by-machine")
    assert met.height
    pressure = done.channels["airway_pressure"]
    first, last = breaths["start_s"][0], breaths["end_s"][-1]
    seconds = (breaths["end_s"] - breaths["start_s"]).to_numpy()
    whole = pressure[round(100 * first) : round(100 * last)].mean()
    assert np.average(breaths["mean_pressure_cmh2o"].to_numpy(), weights=seconds) == pytest.approx(whole, rel=0.005)


# --- pressure limit ---

NARROW = {"interface": "endotracheal tube", "tube_inner_diameter_mm": 2.5}


@pytest.mark.parametrize("compliance", [0.0, 0.01, 1.5])
@pytest.mark.parametrize("shape", ["constant", "decelerating", "sine"])
@pytest.mark.parametrize("limit", [30.0, 60.0])
def test_pressure_limit_holds_at_every_instant(compliance: float, shape: str, limit: float) -> None:
    """A blocked tube takes thousands of cmH2O at a set flow: what is beyond the limit is let out, within the step."""
    lung = {"compartments": [{"compliance_ml_cmh2o": 45.0, "resistance_cmh2o_s_l": 10.0}], "tube_blocked": 0.8}
    told = run(
        volume(flow_pattern=shape), lung=lung, airway=NARROW, circuit={"compliance_ml_cmh2o": compliance},
        ventilator={"pressure_limit_cmh2o": limit}, sampling_hz=1000.0, duration_s=20.0,
    )  # fmt: skip
    assert told.breaths["peak_pressure_cmh2o"].to_numpy() == pytest.approx(limit, abs=0.01)
    assert told.channels["airway_pressure"].max() <= limit + 0.01
    assert (told.raw_breaths["cycled_by"] == BY_PRESSURE).all()


def test_inflation_that_the_limit_ends_has_no_pause() -> None:
    told = run(volume(tidal_volume_ml=900.0, pause_s=0.4), ventilator={"pressure_limit_cmh2o": 20.0})
    assert (told.raw_breaths["cycled_by"] == BY_PRESSURE).all()
    assert (told.breaths["insp_end_s"] - told.breaths["start_s"]).to_numpy().max() < 0.55
    whole = run(volume(pause_s=0.4))
    assert (whole.breaths["insp_end_s"] - whole.breaths["start_s"]).to_numpy() == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("sampling", [10.0, 100.0, 1000.0])
def test_pressure_that_runs_away_between_samples_stops_the_run_with_time_and_cause(sampling: float) -> None:
    """Were there no limit, the first inflation, 0.5 s from the start, would begin with thousands of cmH2O."""
    scenario = scenario_from({
        "title": "narrow", "lung": {"compartments": [{"compliance_ml_cmh2o": 45.0, "resistance_cmh2o_s_l": 10.0}],
                                    "tube_blocked": 0.8},
        "airway": NARROW, "settings": [volume(peep_cmh2o=5.0, inspiratory_time_s=1.0)], "sampling_hz": sampling,
    })  # fmt: skip
    start = start_of(scenario)
    start.memory.machine["pressure_limit"] = 2000.0
    with pytest.raises(SimulationError, match=r"narrow, 0\.50[01] s: pressure at the wye ran away, beyond 500 cmH2O"):
        simulate(scenario, start=start)


# --- labels ---


def test_inflation_that_letting_go_of_a_push_triggers_is_an_auto_trigger() -> None:
    """README of the open set: a patient-triggered breath with no effort under way; an effort is over at a quarter."""
    pushing = {"rate_per_min": 12.0, "size_cmh2o": 8.0, "expiratory_cmh2o": 8.0, "rate_cv": 0.0}
    still, pushed = (
        run(volume(rate_per_min=8.0), effort=effort)
        for effort in ({**pushing, "expiratory_cmh2o": 0.0}, pushing)
    )  # fmt: skip
    assert not still.breaths["labels"].fill_null("").str.contains("auto-trigger").any()
    found = pushed.breaths.filter(pushed.breaths["labels"].fill_null("").str.contains("auto-trigger"))
    assert found.height > 10
    assert (found["patient_triggered"] == 1).all()
    onset, over = (pushed.efforts[name].to_numpy() for name in ("onset_s", "over_s"))
    for start in found["start_s"]:
        k = int(np.searchsorted(onset, start)) - 1
        muscle = pushed.channels["muscle_pressure"][round(100 * over[k]) : round(100 * start)]
        assert start > over[k]
        assert muscle.min() < -4.0  # they have pushed since
        assert muscle[-1] > muscle.min() + 2.0  # and have let go
