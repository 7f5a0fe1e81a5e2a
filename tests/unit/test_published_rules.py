"""Published rules at, just under and just over each threshold, on constructed breaths.

Thille, Intensive Care Med 2006;32:1515; Chen, Crit Care Med 2008;36:455.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.unit.test_disagreement import breaths, efforts
from tidebench.findings import find_all
from tidebench.findings.double_trigger import thille
from tidebench.findings.published import deflections, expiratory_share, fall_before, inspiratory_share, signs
from tidebench.findings.seen import Seen
from tidebench.recording import Recording

RATE = 100


def seen(pressure_fall: float, flow_rise: float, at: float = 5.0) -> Seen:
    """Two breaths and an effort at ``at`` that bends pressure and flow by so much over half a second."""
    pressure, flow = np.full(1200, 6.0), np.full(1200, -0.1)
    bump = np.sin(np.pi * np.arange(51) / 50)
    first = round(at * RATE)
    pressure[first : first + 51] -= pressure_fall * bump
    flow[first : first + 51] += flow_rise / 60 * bump
    table = breaths([3.0, 8.0], ["machine"] * 2)
    found = efforts((at, at + 0.5, 0, "ineffective"))
    return Seen(table, found, Recording(RATE, {"airway_pressure": pressure, "flow": flow}))


@pytest.mark.parametrize(
    ("pressure", "flow", "by_thille", "by_chen"),
    [
        (0.51, 6.0, "there", "there"), (0.49, 6.0, "missing", "there"), (0.44, 6.0, "missing", "missing"),
        (0.6, 5.4, "there", "missing"), (0.6, 5.5, "there", "there"), (0.46, 5.5, "missing", "there"),
    ],
)  # fmt: skip
def test_ineffective_effort_by_deflections(pressure: float, flow: float, by_thille: str, by_chen: str) -> None:
    made = seen(pressure, flow)
    values = dict(deflections(made, 0))
    assert values["pressure_deflection_cmh2o"] == pytest.approx(pressure, abs=1e-6)
    assert values["flow_deflection_l_min"] == pytest.approx(flow, abs=1e-6)
    assert signs(tuple(values.items())) == f" Thille's sign is {by_thille}, Chen's {by_chen}."
    (row,) = find_all(made).filter(find_all(made)["kind"] == "ineffective-effort").iter_rows(named=True)
    assert row["evidence"].endswith(f"Chen's {by_chen}.")
    assert {value["quantity"] for value in row["values"]} == {"effort_cmh2o", *values}


@pytest.mark.parametrize(("pause", "double"), [(0.49, True), (0.51, False)])
def test_double_trigger_by_expiratory_time(pause: float, double: bool) -> None:
    """Every inflation lasts a second: half of the mean inspiratory time is 0.5 s."""
    table = breaths([0.0, 3.0, 4.0 + pause], ["patient"] * 3)
    made = Seen(table, efforts(), seen(0, 0).recording)
    assert expiratory_share(made)[2] == pytest.approx(pause)
    assert bool(thille(made)[2]) == double


@pytest.mark.parametrize(("lasts", "short", "prolonged"), [(0.3, True, False), (1.0, False, False), (4.0, False, True)])
def test_short_and_prolonged_cycles(lasts: float, short: bool, prolonged: bool) -> None:
    others = [1.0] * 9
    table = breaths([5.0 * k for k in range(10)], ["patient"] * 10)
    ends = [5.0 * k + long for k, long in enumerate([*others, lasts])]
    made = Seen(table.with_columns(expiration_s=np.array(ends)), efforts(), seen(0, 0).recording)
    share = inspiratory_share(made)[9]
    assert share == pytest.approx(lasts / np.mean([*others, lasts]))
    assert (share < 0.5, share > 2.0) == (short, prolonged)


@pytest.mark.parametrize("fall", [0.0, 0.4, 1.2])
def test_fall_of_pressure_before_a_cycle(fall: float) -> None:
    made = seen(fall, 0.0, at=7.75)  # its deepest at 8.0 s, where the second breath begins
    assert fall_before(made, 1) == pytest.approx(fall, abs=0.01)
