"""Newborns, whose inflations are short and hardly larger than base flow: efforts between inflations and right after.

Outside truth: the virtual patient's own record of inflations, of passive breaths, and of its lung.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from tests.reference.simulated import reviewed_newborn

ENTRAINED = """
title = "an effort right after every third turn"
duration_s = 90
seed = 5
[lung]
[[lung.compartments]]
compliance_ml_cmh2o = 1.8
resistance_cmh2o_s_l = 50
expiratory_resistance_cmh2o_s_l = 64
[effort]
entrained_every = 3
entrained_delay_s = 0.44
entrained_delay_sd_s = 0.03
entrained_size_cmh2o = 9
neural_time_s = 0.45
[[settings]]
mode = "A/C-VC"
rate_per_min = 45
tidal_volume_ml = 16
inspiratory_time_s = 0.38
trigger_flow_l_min = 0.4
peep_cmh2o = 8
"""


def test_a_breath_cut_short_by_the_next_effort_does_not_hide_the_lung_that_the_others_show(tmp_path: Path) -> None:
    found = reviewed_newborn(ENTRAINED, tmp_path)
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv").filter(pl.col("passive") == 1)
    passive = found.breaths.filter("passive")
    assert passive.height >= 0.95 * truth.height > 30
    assert passive["compliance_ml_cmh2o"].median() == pytest.approx(1.8, rel=0.03)
    reverse = pl.read_csv(tmp_path / "case" / "truth_efforts.csv").filter(pl.col("outcome") == "reverse-trigger")
    kinds = found.findings["kind"].to_list()
    assert kinds.count("ineffective-effort") == 0
    assert kinds.count("reverse-trigger") == pytest.approx(reverse.height, abs=3)


DRAWING = """
title = "efforts between inflations that nothing triggers"
duration_s = 60
seed = 11
[lung]
[[lung.compartments]]
compliance_ml_cmh2o = 1.9
resistance_cmh2o_s_l = 52
expiratory_resistance_cmh2o_s_l = 57
[effort]
rate_per_min = 18
size_cmh2o = 5.5
neural_time_s = 0.75
[[settings]]
mode = "CMV-VC"
rate_per_min = 32
tidal_volume_ml = 20
inspiratory_time_s = 0.6
peep_cmh2o = 7
"""


def test_what_a_newborn_draws_from_base_flow_between_inflations_is_no_breath(tmp_path: Path) -> None:
    found = reviewed_newborn(DRAWING, tmp_path).breaths["start_s"].to_numpy()
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv")["start_s"].to_numpy()
    assert len(truth) > 25
    assert len(found) == pytest.approx(len(truth), abs=1)
    off = [at for at in found[1:-1] if abs(truth - at).min() > 0.06]
    assert len(off) <= 1  # where gas is drawn as fast as it is given, and pressure alone would tell


STACKED = """
title = "volumes given in half the neural time: most efforts get two, with no rest between them"
duration_s = 90
seed = 3
[lung]
[[lung.compartments]]
compliance_ml_cmh2o = 2.2
resistance_cmh2o_s_l = 45
expiratory_resistance_cmh2o_s_l = 55
[effort]
rate_per_min = 42
size_cmh2o = 10
size_cv = 0.15
neural_time_s = 0.64
[ventilator]
refractory_s = 0.15
[[settings]]
at_s = 0
mode = "A/C-VC"
rate_per_min = 26
tidal_volume_ml = 22
inspiratory_time_s = 0.61
trigger_flow_l_min = 0.4
peep_cmh2o = 5
[[settings]]
at_s = 35
mode = "A/C-VC"
rate_per_min = 26
tidal_volume_ml = 11
inspiratory_time_s = 0.32
trigger_flow_l_min = 0.4
peep_cmh2o = 5
[[settings]]
at_s = 65
mode = "A/C-VC"
rate_per_min = 26
tidal_volume_ml = 22
inspiratory_time_s = 0.61
trigger_flow_l_min = 0.4
peep_cmh2o = 5
"""


def test_two_inflations_that_an_effort_draws_through_without_a_rest_are_two(tmp_path: Path) -> None:
    found = reviewed_newborn(STACKED, tmp_path)
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv")
    second = truth.filter(pl.col("labels").str.contains("double-trigger"))["start_s"].to_numpy()
    told = found.findings.filter(pl.col("kind") == "double-trigger")["start_s"].to_numpy()
    missed = [at for at in second if not (abs(told - at) < 0.06).any()]
    wrong = [at for at in told if not (abs(second - at) < 0.06).any()]
    assert len(second) > 12
    assert len(missed) <= 0.05 * len(second)
    assert len(wrong) <= 1


def test_an_inflation_of_set_time_begins_that_long_before_its_turn_where_its_effort_draws_gas_first(
    tmp_path: Path,
) -> None:
    found = reviewed_newborn(STACKED, tmp_path).breaths.filter(pl.col("start_s").is_between(4, 34))
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv")["start_s"].to_numpy()
    off = [abs(truth - at).min() for at in found["start_s"]]
    assert len(off) > 15
    assert max(off) < 0.06


CUT_SHORT = """
title = "support that ends a third into each effort: all of expiration is relaxing"
duration_s = 90
seed = 8
[lung]
heart_amplitude_cmh2o = 0.15
heart_rate_per_min = 140
[[lung.compartments]]
compliance_ml_cmh2o = 1.6
resistance_cmh2o_s_l = 32
expiratory_resistance_cmh2o_s_l = 42
[effort]
rate_per_min = 40
size_cmh2o = 6
size_cv = 0.15
neural_time_s = 0.64
relaxing_time_s = 0.1
[ventilator]
base_flow_l_min = 3
refractory_s = 0.6
[[settings]]
mode = "CSV-PS"
peep_cmh2o = 7
pressure_support_cmh2o = 9
rise_s = 0.1
cycling_percent = 35
trigger_flow_l_min = 0.4
"""


def test_inflations_cut_short_in_every_effort_do_not_make_the_lung_so_soft_that_efforts_vanish(tmp_path: Path) -> None:
    found = reviewed_newborn(CUT_SHORT, tmp_path)
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv")
    early = truth.filter(pl.col("labels").str.contains("premature-cycling"))
    kinds = found.findings["kind"].to_list()
    assert early.height > 40
    assert kinds.count("premature-cycling") == pytest.approx(early.height, abs=0.05 * early.height)
    assert kinds.count("auto-trigger") + kinds.count("ineffective-effort") <= 2


UNANSWERED = """
title = "support with a trigger that most efforts do not reach"
duration_s = 90
seed = 4
[lung]
[[lung.compartments]]
compliance_ml_cmh2o = 3
resistance_cmh2o_s_l = 130
expiratory_resistance_cmh2o_s_l = 132
[effort]
rate_per_min = 34
size_cmh2o = 3.5
size_cv = 0.15
neural_time_s = 0.66
[ventilator]
base_flow_l_min = 3
[[settings]]
at_s = 0
mode = "CSV-PS"
peep_cmh2o = 5
pressure_support_cmh2o = 10
rise_s = 0.1
cycling_percent = 33
trigger_flow_l_min = 0.4
[[settings]]
at_s = 40
mode = "CSV-PS"
peep_cmh2o = 5
pressure_support_cmh2o = 17
rise_s = 0.1
cycling_percent = 12
trigger_flow_l_min = 1.0
[[settings]]
at_s = 75
mode = "CSV-PS"
peep_cmh2o = 5
pressure_support_cmh2o = 10
rise_s = 0.1
cycling_percent = 33
trigger_flow_l_min = 0.4
"""


def test_what_an_effort_draws_without_any_of_the_support_that_is_set_is_no_breath(tmp_path: Path) -> None:
    found = reviewed_newborn(UNANSWERED, tmp_path)
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv")["start_s"].to_numpy()
    lost = pl.read_csv(tmp_path / "case" / "truth_efforts.csv").filter(pl.col("outcome") == "ineffective")
    assert lost.height > 10
    assert found.breaths.height == pytest.approx(len(truth), abs=1)
    told = found.findings.filter(pl.col("kind") == "ineffective-effort")["start_s"].to_numpy()
    missed = [at for at in lost["onset_s"] if not (abs(told - at) < 0.45).any()]
    assert len(missed) <= 0.05 * lost.height
