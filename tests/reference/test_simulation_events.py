"""What an event does to patient and ventilator: the direction is physiology, the size a teaching value."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.reference.simulated import REGULAR, compartment, scenario, volume_control
from tidebench.simulation import simulate
from tidebench.simulation.protocol import CHANGES, Event
from tidebench.simulation.setup import start_of

PASSIVE = volume_control(420, 1.0, 4.0, 5.0, fio2=0.4)
ONE = [compartment(50.0, 10.0)]
TWO = [compartment(28.0, 14.0), compartment(22.0, 18.0)]
BENT: list[dict[str, Any]] = [
    {"resistance_cmh2o_s_l": 10.0, "sigmoid": {"span_ml": 2400.0, "middle_cmh2o": 12.0, "width_cmh2o": 10.0}}
]


def about(parts: list[dict[str, Any]], kind: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Breaths in the minute before an event at 120 s, and from three minutes after it."""
    breaths = simulate(scenario(parts, PASSIVE, 360, events=[{"at_s": 120, "kind": kind}])).breaths
    return breaths.filter(pl.col("start_s").is_between(60, 115)), breaths.filter(pl.col("start_s") > 300)


@pytest.mark.parametrize("parts", [ONE, TWO, BENT], ids=["one compartment", "two", "bent recoil"])
def test_one_sided_intubation_shunts_and_stiffens_but_ventilates(parts: list[dict[str, Any]]) -> None:
    before, after = about(parts, "one-sided intubation")
    pressure, volume, oxygen = (
        tuple(float(np.median(table[name].to_numpy())) for table in (before, after))
        for name in ("peak_pressure_cmh2o", "vte_ml", "pao2_mmhg")
    )
    assert pressure[1] > pressure[0] + 4
    assert volume[1] > 0.9 * volume[0]
    assert 30 < oxygen[1] < 0.75 * oxygen[0]


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("apnoea", {"effort_rate"}), ("fever", {"effort_rate", "co2_production", "o2_uptake"}),
        ("sedation wearing off", {"effort_rate", "effort_size"}), ("one-sided intubation", {"shunt"}),
    ],
)  # fmt: skip
def test_relief_takes_back_what_was_changed(kind: str, names: set[str]) -> None:
    memory = start_of(scenario(BENT, PASSIVE, 20, effort={"rate_per_min": 15})).memory
    changed = {change[:2] for change in CHANGES[kind](1.0, memory)}
    relieved = {change[:2] for change in CHANGES["relief"](1.0, memory)}
    assert names <= {name for name, _ in changed}
    assert changed <= relieved
    for _, _, place, value, _ in Event(at_s=1, kind="relief").rows(memory):
        assert memory.block[int(place)] == value


def test_sedation_that_wears_off_slowly_brings_efforts_one_by_one() -> None:
    """The rate grows evenly from 0 to 18 a minute: by its integral, efforts number 9·t²/(60·over) at t."""
    told = scenario(
        ONE, {**PASSIVE, "mode": "A/C-VC"}, 180, effort={"rate_per_min": 0, **REGULAR},
        events=[{"at_s": 60, "kind": "sedation wearing off", "over_s": 60}],
    )  # fmt: skip
    onset = simulate(told).efforts["onset_s"].to_numpy()
    begun = [int((onset < at).sum()) for at in (60, 90, 120, 180)]
    assert begun == pytest.approx([0, 2, 9, 27], abs=1.5)


def test_relief_of_apnoea_brings_efforts_back() -> None:
    told = scenario(
        ONE, {**PASSIVE, "mode": "A/C-VC"}, 180, effort={"rate_per_min": 20, **REGULAR},
        events=[{"at_s": 60, "kind": "apnoea"}, {"at_s": 120, "kind": "relief"}],
    )  # fmt: skip
    onset = simulate(told).efforts["onset_s"]
    counts = [int(onset.is_between(low, low + 50).sum()) for low in (5, 66, 125)]
    assert counts[1] == 0
    assert counts[0] == pytest.approx(50 / 3, abs=1.5)
    assert counts[2] == pytest.approx(counts[0], abs=1.5)
