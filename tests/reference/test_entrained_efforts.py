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
