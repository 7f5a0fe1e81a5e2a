"""Rehearsals far from what was recorded: numbers stay those of a lung and a ventilator, and messages name what to do.

Volumes are held against the drawn lungs' own elastic pressure, inflation times against the ventilator's longest.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.reference.test_fitting import NOISE, fitted
from tests.reference.test_rehearsal_limits import GAS, TABLES
from tidebench.case import case_from
from tidebench.errors import CaseError, InputError
from tidebench.fitting import Fit, fit_patient, what_if
from tidebench.fitting.change import KEPT, RESTS, STEADY, TWO_KINDS, changed_of, two_compliances, two_efforts
from tidebench.fitting.compare import POWER, QUARTZ, compared, timed, together, widened
from tidebench.fitting.measured import RATE_HZ
from tidebench.fitting.mechanics import ELASTANCE, TURBULENCE
from tidebench.fitting.overlay import aligned, mean_breath, of_prediction, overlay
from tidebench.fitting.predict import predict
from tidebench.fitting.target import _Rated, bound_of, distinct, seek
from tidebench.fitting.unlived import one_sided
from tidebench.quantities import quantity
from tidebench.review import review
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.write import case_tables
from tidebench.views.rehearsal import amount, span_words

SUPPORT = {"mode": "CSV-PS", "peep_cmh2o": 5.0, "pressure_support_cmh2o": 8.0, "cycling_percent": 15.0}


@pytest.fixture(scope="module")
def supported() -> Fit:
    """A patient on support who does not wait for the end of an inflation."""
    effort = {"rate_per_min": 18.0, "size_cmh2o": 6.0, "size_cv": 0.1}
    return fitted({**TABLES, "effort": effort, "settings": [SUPPORT]}, [GAS])


@pytest.fixture(scope="module")
def passive() -> Fit:
    """The man of 176 cm, who rests."""
    return fitted(TABLES)


def test_doubt_grows_up_by_differences_and_down_by_factors() -> None:
    draws = np.array([800.0, 400.0, 1600.0])
    assert widened(draws, 3.0).tolist() == pytest.approx([800.0, 100.0, 3200.0]), "not 6400, eight times the estimate"


def test_no_inflation_lasts_longer_than_the_ventilator_lets_it() -> None:
    slow = {"compartments": [{"compliance_ml_cmh2o": 90.0, "resistance_cmh2o_s_l": 15.0}]}
    effort = {"rate_per_min": 12.0, "size_cmh2o": 8.0, "size_cv": 0.1}
    fit = fitted({**TABLES, "lung": slow, "effort": effort, "settings": [{**SUPPORT, "cycling_percent": 30.0}]})
    answer = what_if(fit, {"pressure_support_cmh2o": 18.0, "cycling_percent": 8.0}, n=40)
    told = {change.key: change for change in answer.changes}
    built = answer.then.estimate.scenario.ventilator
    _, low, high = told["inspiratory_time_s"].then
    assert built.shortest_inflation_s <= low <= high <= built.longest_support_s
    assert any("flow no longer ends most inflations" in words for words in answer.assumptions)


@pytest.mark.parametrize("key", ["rate_per_min", "inspiratory_time_s"])
def test_support_alone_has_no_rate_and_no_time(supported: Fit, key: str) -> None:
    with pytest.raises(CaseError, match=f"CSV-PS has no {key}"):
        what_if(supported, {key: 1.0 if key.endswith("_s") else 20.0}, n=1)


def test_who_does_not_breathe_is_not_put_on_support_alone(passive: Fit) -> None:
    with pytest.raises(CaseError, match="nobody was seen to breathe") as told:
        what_if(passive, {"mode": "CSV-PS", "pressure_support_cmh2o": 12.0}, n=1)
    assert "backup_rate" not in str(told.value), "no key of a scenario: nobody can set it here"


def test_carbon_dioxide_past_what_anybody_lives_with_is_said(supported: Fit) -> None:
    assert supported.drive is not None
    weak = replace(supported, drive=replace(supported.drive, size_cmh2o=0.15 * supported.drive.size_cmh2o))
    now, then = predict(supported, n=30), predict(weak, {"pressure_support_cmh2o": 0.0}, 30)
    told = compared(supported, now, then)
    assert np.nanmax(told.then["paco2_mmhg"]) <= quantity("paco2_mmhg").plausible[1]
    assert any("PaCO2 would leave" in words for words in told.beyond)
    change = changed_of("paco2_mmhg", told)
    assert change.then[2] == np.inf, "no number where nobody lives"
    assert change.change[2] == np.inf
    assert np.isnan(changed_of("ph", told).then[1]), "pH falls as carbon dioxide rises"
    assert "over" in span_words(quantity("paco2_mmhg"), change.then)


def test_ends_that_nobody_lives_with_are_open_and_others_stay() -> None:
    """Counted by hand: the high end of PaCO2 stops at 250 mmHg, so the low end of pH is not known."""
    gas = (180.0, 120.0, 250.0)
    assert one_sided("paco2_mmhg", gas, gas) == (180.0, 120.0, np.inf)
    assert one_sided("ph", (7.0, 6.9, 7.1), gas)[::2] == (7.0, 7.1)
    assert one_sided("vti_ml", (300.0, 250.0, 350.0), gas) == (300.0, 250.0, 350.0)
    assert span_words(quantity("paco2_mmhg"), (180.0, 120.0, np.inf)) == "over 120"
    assert amount(quantity("paco2_mmhg"), np.inf) == "over 250 mmHg"


def test_pao2_that_rises_as_ventilation_falls_is_explained() -> None:
    """Bohr: content kept by the shunt, more acid blood holds it less tightly; saturation does not rise."""
    fit = fitted({**TABLES}, [{**GAS, "pao2_mmhg": 70.0, "fio2": 0.6}])
    now = fit.setting["rate_per_min"]
    slower = what_if(fit, {"rate_per_min": 0.7 * now}, n=30)
    told = {change.key: change for change in slower.changes}
    assert told["pao2_mmhg"].change[0] > 1.0
    assert told["sao2"].change[0] <= 0.0
    assert any("Bohr" in words for words in slower.assumptions)
    assert not any("Bohr" in words for words in what_if(fit, {"rate_per_min": 1.3 * now}, n=30).assumptions)


def test_the_breath_to_come_begins_where_that_of_now_does(supported: Fit) -> None:
    """On settings that stay, the two are one."""
    answer = what_if(supported, {"fio2": 0.5}, n=4)
    for one, other in zip(answer.overlay.simulated, answer.waves_then, strict=True):
        n = min(len(one), len(other)) - 15
        assert one[:n] == pytest.approx(other[:n], abs=0.05 * float(np.ptp(one)))


def test_minute_volume_of_stacked_breaths_is_that_of_all(supported: Fit) -> None:
    """Half of the breaths let nothing out: their median says nothing of the sum."""
    then = predict(supported, n=6)
    raw = {**then.quantities, "vte_ml": np.full(6, 1e-3), "minute_volume_l_min": np.full(6, 9.0)}
    side = {**raw, "vte_ml": np.full(6, 20.0)}
    assert together(supported, replace(then, quantities=raw), side)["minute_volume_l_min"].tolist() == [9.0] * 6


def test_total_peep_of_one_who_breathes_is_not_below_what_is_set(supported: Fit) -> None:
    told = {change.key: change for change in what_if(supported, {"pressure_support_cmh2o": 16.0}, n=60).changes}
    recorded = min(0.0, told["total_peep_cmh2o"].now[0] - told["peep_cmh2o"].now[0])
    assert told["total_peep_cmh2o"].then[1] >= told["peep_cmh2o"].then[1] + recorded - 0.3


def test_a_search_offers_no_way_twice() -> None:
    """A rate as it stands beside a volume is that volume alone."""
    alone = {"tidal_volume_ml": 418.0}
    beside, slower = {**alone, "rate_per_min": 25.4}, {**alone, "rate_per_min": 20.0}
    rows = [_Rated(levers, 0.0, 20.0, [], (), frozenset()) for levers in (alone, beside, slower)]
    assert [row.levers for row in distinct(rows, {"rate_per_min": 25.36, "tidal_volume_ml": 348.0})] == [alone, slower]


def test_total_peep_is_brought_down_by_peep(passive: Fit) -> None:
    found = seek(passive, "total_peep_cmh2o", 3.0)
    assert {"peep_cmh2o": pytest.approx(3.0, abs=0.3)} in [dict(way.settings) for way in found.ways]


def test_a_search_says_what_it_moved(passive: Fit) -> None:
    none = seek(passive, "driving_pressure_cmh2o", 4.0, [bound_of("minute_volume_l_min>=9")])
    assert (none.ways, none.tried) == ((), ("rate_per_min", "tidal_volume_ml"))


def test_a_flow_that_is_set_is_kept_when_pressure_control_becomes_volume_control() -> None:
    """400 mL at 60 L/min take 0.4 s, not the second that pressure control stood on."""
    pressure = {
        "mode": "CMV-PC", "peep_cmh2o": 5.0, "rate_per_min": 14.0, "pressure_control_cmh2o": 12.0,
        "inspiratory_time_s": 1.0,
    }  # fmt: skip
    asked = {"mode": "CMV-VC", "tidal_volume_ml": 400.0, "inspiratory_flow_l_min": 60.0}
    answer = what_if(fitted({**TABLES, "settings": [pressure]}), asked, n=4)
    told = {change.key: change.then[0] for change in answer.changes}
    assert told["inspiratory_time_s"] == pytest.approx(0.4, abs=0.05)
    assert told["peak_inspiratory_flow_l_min"] == pytest.approx(60.0, rel=0.05)


def test_flow_and_time_of_a_set_volume_are_not_both_taken(passive: Fit) -> None:
    both = {"mode": "A/C-VC", "tidal_volume_ml": 400.0, "inspiratory_flow_l_min": 60.0, "inspiratory_time_s": 1.0}
    with pytest.raises(CaseError, match="both named"):
        what_if(passive, both, n=1)
    with_flow = what_if(passive, {key: value for key, value in both.items() if key != "inspiratory_time_s"}, n=1)
    told = {change.key: change.then[0] for change in with_flow.changes}
    assert told["inspiratory_time_s"] == pytest.approx(0.4, rel=0.1), "400 mL at 1 L/s"


def test_that_carbon_dioxide_would_be_answered_is_said(supported: Fit) -> None:
    """A drive that is awake answers a few mmHg (common practice, no source)."""
    far, near = (what_if(supported, {"pressure_support_cmh2o": level}, n=2) for level in (0.0, 8.0))
    said = [any("a drive that reacts" in words for words in answer.assumptions) for answer in (far, near)]
    assert said == [True, False]
    followed = what_if(supported, {"pressure_support_cmh2o": 0.0}, n=2, reacting=True)
    assert not any("while effort stays" in words for words in followed.assumptions)


def test_the_overlay_does_not_count_where_a_breath_begins_as_an_error(supported: Fit) -> None:
    """Recorded breaths that are the simulated ones cut 40 ms later: no error is left but that of the cut's ends."""
    now = predict(supported, n=1)
    later = mean_breath(of_prediction(now, round(0.04 * RATE_HZ)), round(1.5 * RATE_HZ))
    found, shift = aligned(now, later)
    assert all(np.allclose(one, other) for one, other in zip(found, later, strict=True))
    assert shift == round(0.04 * RATE_HZ)
    assert overlay(supported, now).pressure_error_cmh2o < 0.18, "0.2 where beginnings are not aligned"


def test_bands_of_the_mean_breaths_hold_the_estimate_and_leave_out_a_tenth(passive: Fit) -> None:
    """As the intervals of the table do (from 5th to 95th percentile, by definition); a sketch has none."""
    answer = what_if(passive, {"rate_per_min": 20.0}, n=60)
    (now_low, now_high), (low, high) = (edges for edges in answer.bands if edges is not None)
    for estimate, under, over in ((answer.overlay.simulated, now_low, now_high), (answer.waves_then, low, high)):
        assert all(np.all((a <= one) & (one <= b)) for one, a, b in zip(estimate, under, over, strict=True))
    at = int(np.argmax(answer.waves_then[0]))
    starts = [(done, round(float(done.raw_breaths["start"][-2]) * RATE_HZ)) for done, _ in answer.then.simulated]
    there = np.array([done.channels["airway_pressure"][start + at] for done, start in starts])
    inside = float(np.mean((there > low[0][at] - 0.01) & (there < high[0][at] + 0.01)))
    assert 0.85 <= inside <= 0.95, "pressure of the last whole breath, steady within 0.01 cmH2O"
    assert high[0][at] - low[0][at] > 0.1
    assert what_if(passive, {"rate_per_min": 20.0}, n=2).bands == (None, None)


def test_what_is_taken_for_granted_is_what_matters_here(passive: Fit, supported: Fit) -> None:
    """No effort is kept where nobody breathes, nor a gas steady that nobody drew (the house's own words)."""
    rests, breathes = (what_if(fit, {"peep_cmh2o": 6.0}, n=2).assumptions for fit in (passive, supported))
    assert RESTS in rests
    assert not {KEPT, STEADY} & set(rests)
    assert {KEPT, STEADY} <= set(breathes)


def test_another_effort_than_was_measured_is_said(supported: Fit) -> None:
    """Two numbers called effort stand beside each other: the breath table's, and what the fitted lung needs."""
    assert supported.drive is not None
    measured = {**supported.recorded, "effort_cmh2o": supported.drive.size_cmh2o / 1.3}
    other = replace(supported)
    vars(other)["recorded"] = measured
    assert f"{supported.drive.size_cmh2o:.1f} cmH2O to breathe" in two_efforts(other)[0]
    vars(other)["recorded"] = {**measured, "effort_cmh2o": supported.drive.size_cmh2o}
    assert not two_efforts(other)


def test_a_compliance_other_than_the_breath_table_s_is_said_with_both(passive: Fit) -> None:
    assert not two_compliances(passive)
    theta = passive.mechanics.theta * np.where(np.arange(5) == ELASTANCE, 1.1, 1.0)
    (words,) = two_compliances(replace(passive, mechanics=replace(passive.mechanics, theta=theta)))
    assert f"{passive.recorded['compliance_ml_cmh2o']:.3g}" in words
    assert f"{1000 / theta[ELASTANCE]:.3g}" in words


def test_a_hold_inside_a_proposed_stretch_is_said() -> None:
    holds = [{"at_s": 30.0, "kind": "expiratory hold", "duration_s": 3.0}]
    quiet, held = fitted(TABLES), fitted({**TABLES, "manoeuvres": holds})
    assert quiet.window.reason == "proposed: one setting, the most passive breaths, no hold"
    assert held.window.from_s < 30 < held.window.to_s
    assert "a hold inside: its breath and 3 after are left out" in held.window.reason
    assert len(held.window.breaths) < len(quiet.window.breaths)


def test_power_that_is_not_measured_goes_with_the_measured_volume_and_rate(supported: Fit) -> None:
    """Work per volume is the model's, draw by draw; volume and rate are what is told."""
    now, then = predict(supported, n=30), predict(supported, {"pressure_support_cmh2o": 12.0}, 30)
    assert POWER not in supported.recorded
    told = compared(supported, now, then)
    raw = now.quantities
    per_ml = raw[POWER] / (raw["vti_ml"] * raw["rate_per_min"])
    breathed = told.now["vti_ml"] * told.now["rate_per_min"]
    assert told.now[POWER] == pytest.approx(per_ml * breathed, rel=1e-9)
    assert np.ptp(told.now[POWER]) < np.ptp(raw[POWER]), "the lung's doubt of volume is not in it"


def test_a_clock_is_doubted_by_its_quartz_and_the_samples_it_begins_and_ends_in(passive: Fit) -> None:
    """Uniform within a sample at both ends, by drawing them: a standard deviation of a sample over √6."""
    rate_hz, span = float(passive.window.review.recording.rate_hz), passive.window.to_s - passive.window.from_s
    ends = np.random.default_rng(0).uniform(-0.5, 0.5, (100_000, 2)) / rate_hz
    drawn = float(np.std(ends[:, 1] - ends[:, 0])) / span
    assert timed(passive) == pytest.approx(np.hypot(QUARTZ, drawn), rel=0.05)


def test_flow_squared_is_not_told_as_nothing_where_nothing_shows_it(passive: Fit) -> None:
    """Without a tube of known size a zero between zeros would be a certainty that nobody has."""
    hidden = replace(passive.mechanics, known_square=False, theta=passive.mechanics.theta.copy())
    hidden.theta[TURBULENCE] = 0.0
    told = {one.key: one for one in replace(passive, mechanics=hidden).parameters()}
    square = told["turbulent_resistance_cmh2o_s2_l2"]
    assert (square.value, square.low, square.high, square.identifiable) == (None, None, None, False)


def test_what_leaves_the_recorded_range_is_told_as_in_the_table() -> None:
    """A newborn's millilitres: one decimal, and the same number that stands in the table of now and then."""
    fit = fitted({"who": "preterm-1200g", "duration_s": 60})
    answer = what_if(fit, {"tidal_volume_ml": 1.6 * fit.setting["tidal_volume_ml"]}, n=4)
    told = {change.key: change for change in answer.changes}
    volume = next(words for words in answer.beyond if words.startswith("inspired volume"))
    record = quantity("vti_ml")
    known = fit.breaths["vti_ml"].drop_nulls()
    low, high = (record.text(float(end), unit=False) for end in (known.min(), known.max()))  # type: ignore[arg-type]
    assert f"would be {record.text(told['vti_ml'].then[0])}; {low} to {high} mL" in volume


def test_a_way_is_not_offered_twice_under_a_setting_that_was_changed_too() -> None:
    """In another mode its pressure as it was named is no move of it."""
    fit = fitted(TABLES, [GAS])
    named = {"mode": "CMV-PC", "pressure_control_cmh2o": 12.0, "inspiratory_time_s": 1.0}
    ways = seek(fit, "paco2_mmhg", 50.0, settings=named, n=4).ways
    moved = [{k: v for k, v in way.settings.items() if v != {**fit.setting, **named}.get(k)} for way in ways]
    assert len(moved) == len({tuple(sorted(each.items())) for each in moved}) > 0


def test_breaths_in_pairs_and_of_two_kinds_are_said(supported: Fit) -> None:
    """An effort that outlasts its inflation begins another (double triggering, common practice): a short inflation of
    little volume against a long effort does it, a long one does not."""
    assert supported.drive is not None
    strong = replace(supported, drive=replace(supported.drive, neural_time_s=1.4, size_cmh2o=14.0))
    short = {"mode": "A/C-VC", "tidal_volume_ml": 300.0, "inspiratory_flow_l_min": 90.0, "rate_per_min": 10.0}
    paired = what_if(strong, short, n=2)
    assert paired.then.quantities["rate_per_min"][0] > 1.25 * supported.drive.rate_per_min
    assert any("begin a second one" in words for words in paired.assumptions)
    assert not any("begin a second one" in words for words in what_if(supported, {}, n=2).assumptions)
    mixed = {**short, "mode": "SIMV-VC\\PS", "pressure_support_cmh2o": 8.0, "inspiratory_flow_l_min": 30.0}
    assert TWO_KINDS in what_if(supported, mixed, n=2).assumptions


@pytest.mark.parametrize(
    ("mode", "key", "value"), [("CSV-PS", "flow_pattern", "decelerating"), ("A/C-VC", "rise_s", 0.3)]
)
def test_a_shape_that_an_inflation_does_not_have_is_refused(supported: Fit, mode: str, key: str, value: object) -> None:
    """A pressure sets its own flow, and a set flow its own pressure (ISO 19223's inflation types)."""
    named = {"mode": mode, "tidal_volume_ml": 400.0, "rate_per_min": 15.0} if mode == "A/C-VC" else {}
    with pytest.raises(CaseError, match=f"{mode} has no {key}"):
        what_if(supported, {**named, key: value}, n=1)


def test_a_named_lung_that_the_breaths_contradict_is_said_to_be_so() -> None:
    """The simulated lung is 45 mL/cmH2O and rests: 100 is not what its breaths show, 47 is."""
    other, near = (
        fitted(TABLES, assume={"compliance_ml_cmh2o": named, "inspiratory_resistance_cmh2o_s_l": 8.0}).assumptions
        for named in (100.0, 47.0)
    )
    told = next(words for words in other if "contradict the lung" in words)
    assert float(told.rpartition("of ")[2].split()[0]) == pytest.approx(45.0, rel=0.05)
    assert not any("contradict the lung" in words for words in near)


@pytest.mark.parametrize(
    ("changes", "n", "seed"), [({"peep_cmh2o": None}, 1, 0), ({"mode": None}, 1, 0), ({}, 0, 0), ({}, 1, -1)]
)
def test_nothing_is_no_value(passive: Fit, changes: dict[str, None], n: int, seed: int) -> None:
    """One clear message, from Python too (the house's own rule)."""
    with pytest.raises(InputError, match=r"no value|at least 1 patient"):
        what_if(passive, changes, n=n, seed=seed)


@pytest.mark.parametrize("pause", [0.0, 0.25])
def test_a_pause_that_nobody_gave_is_read_from_the_breaths(pause: float) -> None:
    """The simulator's own pause; gas flows for 0.8 s either way."""
    setting = {
        "mode": "CMV-VC", "rate_per_min": 16.0, "tidal_volume_ml": 420.0, "inspiratory_time_s": 0.8 + pause,
        "pause_s": pause, "peep_cmh2o": 5.0,
    }  # fmt: skip
    told = scenario_from({**TABLES, "settings": [setting], "duration_s": 60, "sensors": NOISE})
    case = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    case["settings"] = [{"mode": "CMV-VC", "rate_per_min": 16.0, "tidal_volume_ml": 420.0, "peep_cmh2o": 5.0}]
    fit = fit_patient(review(case_from(case), simulate(told).recording))
    assert fit.setting.get("pause_s", 0.0) == pytest.approx(pause, abs=0.03)
    assert any("set pause was not given" in words for words in fit.assumptions) == bool(pause)
    assert overlay(fit, predict(fit, n=1)).pressure_error_cmh2o < 0.7, "2 cmH2O where gas is taken to flow all along"


def test_breaths_in_pairs_of_now_leave_no_mark_where_each_effort_begins_one(supported: Fit) -> None:
    """Then the rate is that of efforts (by definition of one each); a factor of pairs would make it a fifth less."""
    drive = supported.drive
    assert drive is not None
    told = predict(supported, n=4)
    paired, one_each = (
        replace(told, quantities={**told.quantities, "rate_per_min": times * drive.rate_per_min * np.ones(4)})
        for times in (1.25, 0.98)
    )
    rate = compared(supported, paired, one_each).then["rate_per_min"][0]
    assert rate == pytest.approx(0.98 * drive.rate_per_min)
    both = compared(supported, one_each, one_each).then["rate_per_min"][0]
    assert both == pytest.approx(supported.recorded["rate_per_min"])
