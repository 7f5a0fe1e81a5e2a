"""What an event does to patient and ventilator: the direction is physiology, the size a teaching value."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.reference.simulated import REGULAR, compartment, scenario, volume_control
from tidebench.errors import SimulationError
from tidebench.simulation import simulate
from tidebench.simulation.course import event_rows
from tidebench.simulation.layout import LUNG, PATIENT, Memory
from tidebench.simulation.protocol import CHANGES, WITHOUT_SIZE, Event
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
    assert names <= {name for name, _ in changed}
    rows = event_rows([Event(at_s=1, kind=kind), Event(at_s=9, kind="relief", over_s=2)], memory)  # type: ignore[arg-type]
    relieved = {int(place): value for at, _, place, value, _ in rows if at == 9}
    assert relieved == {place: memory.block[place] for place in (Memory.position(*change) for change in changed)}


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


# --- events together ---

UNEVEN = [compartment(28.0, 14.0), compartment(22.0, 18.0)]
KINDS = [kind for kind in CHANGES if kind != "relief"]


def after(*events: dict[str, Any], parts: list[dict[str, Any]] = UNEVEN, rate: float = 15) -> dict[str, float]:
    """The parameters once every event is there or gone, as the solver is told them."""
    memory = start_of(scenario(parts, PASSIVE, 300, effort={"rate_per_min": rate}, events=list(events))).memory
    block = memory.block.copy()
    for _, _, place, value, _ in event_rows([Event.model_validate(event) for event in events], memory):
        block[int(place)] = value
    names = [(name, None) for name in PATIENT] + [(name, i) for i in range(len(parts)) for name in LUNG]
    return {name if i is None else f"{name} {i}": float(block[Memory.position(name, i)]) for name, i in names}


def at(time_s: float, kind: str, **said: Any) -> dict[str, Any]:
    """An event as a scenario says it."""
    return {"at_s": time_s, "kind": kind, **said}


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(KINDS, 2)))
def test_two_events_make_the_same_patient_in_either_order(one: str, other: str) -> None:
    """Apart from apnoea and waking, which end each other: the later one stands."""
    forth, back = after(at(10, one), at(50, other, over_s=5)), after(at(10, other), at(50, one, over_s=5))
    if {one, other} == {"apnoea", "sedation wearing off"}:
        assert (forth["effort_rate"], back["effort_rate"]) == ((0, 18) if other == "apnoea" else (18, 0))
    else:
        assert forth == pytest.approx(back, rel=1e-12)


@pytest.mark.parametrize("order", list(itertools.permutations(["bronchospasm", "pneumothorax", "fever", "apnoea"])))
def test_relief_of_several_takes_back_everything(order: tuple[str, ...]) -> None:
    events = [at(10 * k, kind, over_s=7 * k) for k, kind in enumerate(order)]
    assert after(*events, at(45, "relief", over_s=3)) == after()
    assert after(*events, at(45, "relief"), at(60, "fever"))["co2_production"] == 1.4 * after()["co2_production"]


def test_factors_multiply_and_additions_add_up() -> None:
    healthy, twice = after(), after(at(10, "bronchospasm"), at(20, "bronchospasm", size=0.5))
    assert twice["inspiratory_resistance 0"] == pytest.approx(3 * 2 * healthy["inspiratory_resistance 0"])
    assert twice["expiratory_resistance 1"] == pytest.approx(5 * 3 * healthy["expiratory_resistance 1"])
    leaks = after(at(10, "cuff leak"), at(20, "cuff leak", size=0.5))
    assert leaks["cuff_leak"] == pytest.approx(0.03)
    woken = after(at(10, "sedation wearing off"), at(20, "fever"), rate=0)
    assert woken["effort_rate"] == pytest.approx(18 * 1.3)
    assert after(at(10, "fever", size=3), at(20, "sedation wearing off"), rate=20)["effort_rate"] == 20 * 1.9


def test_gas_outside_the_lung_that_leaves_no_room_for_it_is_an_error_with_its_time() -> None:
    told = scenario(UNEVEN, PASSIVE, 40, events=[at(5 + 2 * k, "pneumothorax", size=5, over_s=1) for k in range(10)])
    with pytest.raises(SimulationError, match=r", \d+\.\d+ s: "):
        simulate(told)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "pneumothorax"])
def test_forty_of_the_largest_events_neither_hang_nor_give_what_is_no_number(kind: str) -> None:
    size = {} if kind in WITHOUT_SIZE else {"size": 1 if kind == "secretions" else 5}
    told = scenario(
        UNEVEN, {**PASSIVE, "mode": "A/C-VC"}, 30, effort={"rate_per_min": 20},
        events=[at(5 + k / 10, kind, **size, over_s=k % 3) for k in range(40)],
    )  # fmt: skip
    breaths = simulate(told).breaths
    assert np.isfinite(breaths["paco2_mmhg"].to_numpy()).all()
    assert breaths["peak_pressure_cmh2o"].to_numpy().max() < 300


def test_what_is_there_or_not_is_there_once_and_stays() -> None:
    once = after(at(10, "one-sided intubation"))
    assert after(at(10, "one-sided intubation"), at(20, "one-sided intubation")) == once
    narrow = after(at(10, "one-sided intubation"), at(20, "bronchospasm"))
    assert narrow["inspiratory_resistance 1"] >= once["inspiratory_resistance 1"] == 1e4
    assert after(at(10, "apnoea"), at(20, "fever", size=3))["effort_rate"] == 0
    collapsed = after(at(10, "one-sided intubation"), at(20, "pneumothorax"))
    assert collapsed["shunt"] == pytest.approx(once["shunt"] + 0.15)


def test_events_that_come_together_are_each_half_there_at_half_time() -> None:
    """Two of 40 s, 20 s apart: at 30 s the first is at its half and the second begins; both go on to their end."""
    first, second = at(10, "cuff leak", over_s=40), at(30, "cuff leak", over_s=40)
    memory = start_of(scenario(ONE, PASSIVE, 20)).memory
    rows = event_rows([Event.model_validate(one) for one in (first, second)], memory)
    told = [(when, round(value, 9), lasts) for when, _, _, value, lasts in rows]
    assert told == [(10, 0.02, 40), (30, 0.03, 20), (50, 0.04, 20)]
    ended = [*map(Event.model_validate, (first, at(30, "relief", over_s=10)))]
    assert [row[3] for row in event_rows(ended, memory)] == [0.02, 0.0]


def test_breathing_that_stopped_stays_stopped_in_fever_and_waking_brings_it_back() -> None:
    told = scenario(
        ONE, {**PASSIVE, "mode": "A/C-VC"}, 180, effort={"rate_per_min": 20, **REGULAR},
        events=[at(30, "apnoea"), at(80, "fever"), at(130, "sedation wearing off")],
    )  # fmt: skip
    onset = simulate(told).efforts["onset_s"]
    counts = [int(onset.is_between(low, high).sum()) for low, high in ((0, 30), (34, 129), (131, 180))]
    assert counts[1] == 0
    assert counts[0] == pytest.approx(10, abs=1.5)
    assert counts[2] == pytest.approx(49 * 26 / 60, abs=2)


def test_pneumothorax_after_one_sided_intubation_lowers_oxygen_further() -> None:
    events = [at(30, "one-sided intubation"), at(90, "pneumothorax", over_s=5), at(150, "bronchospasm")]
    breaths = simulate(scenario(TWO, PASSIVE, 200, events=events)).breaths
    oxygen, pressure = (
        [float(np.median(breaths.filter(pl.col("start_s").is_between(*span))[name])) for span in
         ((70, 89), (130, 149), (180, 199))]
        for name in ("pao2_mmhg", "peak_pressure_cmh2o")
    )  # fmt: skip
    assert oxygen[1] < oxygen[0] - 5
    assert pressure[2] > pressure[1] + 5
