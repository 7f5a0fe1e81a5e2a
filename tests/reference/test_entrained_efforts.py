"""Efforts that keep to the ventilator's time, after every breath, every second, every third: passive or not.

Outside truth: the virtual patient's own record of which breaths had effort. Entrainment at these ratios is what
Akoumianaki et al. (Chest 2013;143:927) describe as reverse triggering, 1:1 the commonest. Where each breath has its
effort no passive breath shows the lung, so "can't be told" is right too; "passive" is not.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from tidebench import review_case, simulate_case

SCENARIO = """
title = "efforts after timed inflations"
who = "ards-severe"
duration_s = 240
seed = 3
[effort]
entrained_every = {every}
entrained_size_cmh2o = {size}
[sensors]
pressure_noise_cmh2o = 0.1
flow_noise_l_min = 0.3
[[settings]]
mode = "{mode}"
rate_per_min = 18
peep_cmh2o = 8
fio2 = 0.5
{kind}
"""
KINDS = {
    "A/C-VC": "tidal_volume_ml = 420\ninspiratory_flow_l_min = 50",
    "A/C-PC": "pressure_control_cmh2o = 14\ninspiratory_time_s = 1.0",
}


@pytest.mark.parametrize("mode", KINDS)
@pytest.mark.parametrize(
    ("every", "size"),
    [
        pytest.param(
            1, 2, marks=pytest.mark.xfail(strict=True, reason="differs no more than a test lung's breaths do")
        ),
        (1, 8),
        (2, 2),
        (2, 8),
        (3, 4),
    ],
)
def test_no_breath_with_an_entrained_effort_is_called_passive(
    mode: str, every: int, size: float, tmp_path: Path
) -> None:
    scenario = tmp_path / "scenario.toml"
    scenario.write_text(SCENARIO.format(every=every, size=size, mode=mode, kind=KINDS[mode]), encoding="utf-8")
    simulate_case(scenario, tmp_path / "case")
    review_case(tmp_path / "case", tmp_path / "out")
    found = pl.read_parquet(tmp_path / "out" / "breaths.parquet").select("start_s", "passive")
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv").select("start_s", quiet=pl.col("passive") == 1)
    both = truth.sort("start_s").join_asof(found.sort("start_s"), on="start_s", strategy="nearest", tolerance=0.2)
    with_effort = both.filter(~pl.col("quiet"))
    assert len(with_effort) > 20
    assert with_effort["passive"].fill_null(value=False).sum() == 0
    quiet = both.filter("quiet")
    assert quiet["passive"].fill_null(value=False).sum() >= 0.95 * len(quiet)


NEWBORN = """
title = "an effort right after every third turn"
duration_s = 90
seed = 5
[patient]
age_days = 5
weight_kg = 3.1
[airway]
interface = "endotracheal tube"
tube_inner_diameter_mm = 3.0
tube_length_cm = 12
[circuit]
compliance_ml_cmh2o = 0.4
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
[sensors]
pressure_noise_cmh2o = 0.04
flow_noise_l_min = 0.02
[[settings]]
mode = "A/C-VC"
rate_per_min = 45
tidal_volume_ml = 16
inspiratory_time_s = 0.38
trigger_flow_l_min = 0.4
peep_cmh2o = 8
"""


def test_a_breath_cut_short_by_the_next_effort_does_not_hide_the_lung_that_the_others_show(tmp_path: Path) -> None:
    (tmp_path / "scenario.toml").write_text(NEWBORN, encoding="utf-8")
    simulate_case(tmp_path / "scenario.toml", tmp_path / "case")
    found = review_case(tmp_path / "case", tmp_path / "out")
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv").filter(pl.col("passive") == 1)
    passive = found.breaths.filter("passive")
    assert passive.height >= 0.95 * truth.height > 30
    assert passive["compliance_ml_cmh2o"].median() == pytest.approx(1.8, rel=0.03)
    reverse = pl.read_csv(tmp_path / "case" / "truth_efforts.csv").filter(pl.col("outcome") == "reverse-trigger")
    kinds = found.findings["kind"].to_list()
    assert kinds.count("ineffective-effort") == 0
    assert kinds.count("reverse-trigger") == pytest.approx(reverse.height, abs=3)
