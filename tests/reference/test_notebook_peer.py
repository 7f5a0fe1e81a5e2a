"""The line's stages against the same formulas in plain NumPy and SciPy (benchmarks/notebook_peer.py): a second way."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.bench_notebook import ALIKE, agreement, stages
from benchmarks.day import RATE_HZ, day

MINUTES = 6


@pytest.mark.parametrize("hours", [0.1, 5.4], ids=["passive", "with efforts"])
def test_every_stage_gives_what_plain_numpy_gives(hours: float) -> None:
    pressure, flow = (x[-MINUTES * 60 * RATE_HZ :].copy() for x in day(hours))
    work, breaths = stages(pressure, flow)
    assert breaths > 100
    for stage in work:
        for name, (greatest, share) in agreement(stage.ours(), stage.peer()).items():
            assert share >= ALIKE, f"{stage.name}: {name} differs by up to {greatest:.3g}"


def test_agreement_sees_a_difference() -> None:
    x = {"vti": np.array([0.4, 0.5, np.nan])}
    assert agreement(x, {"vti": x["vti"].copy()})["vti"][1] == 1
    assert agreement(x, {"vti": x["vti"] + 1e-4})["vti"][1] < ALIKE
    assert agreement(x, {"vti": np.array([0.4, 0.5, 0.6])})["vti"][1] < ALIKE
    assert agreement(x, {"vti": x["vti"][:2]})["vti"] == (np.inf, 0.0)
