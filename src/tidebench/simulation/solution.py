"""What a simulation gives: signals as sensors would see them, the truth beside them, and why it stopped."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tidebench.errors import OptionError, SimulationError
from tidebench.recording import Recording
from tidebench.simulation import layout
from tidebench.simulation.layout import CHANNELS, Samples
from tidebench.simulation.scenario import Scenario, scenario_of
from tidebench.simulation.sensors import sensed
from tidebench.simulation.setup import Start, start_of
from tidebench.simulation.solver import (
    DONE,
    HIGHEST_PRESSURE,
    HIGHEST_VOLUME,
    NOT_A_NUMBER,
    PRESSURE_RUNAWAY,
    VOLUME_RUNAWAY,
    run,
)
from tidebench.simulation.truth import compliances_ml_cmh2o, delivered, label_breaths, label_efforts, with_last

STRETCH_S = 600.0
ROWS_PER_S = 4.0  # more inflations or efforts than that no ventilator and no patient makes
SEEN = ("airway_pressure", "flow")
WHY = {
    NOT_A_NUMBER: "a value is no longer a number",
    PRESSURE_RUNAWAY: f"pressure at the wye ran away, beyond {HIGHEST_PRESSURE:g} cmH2O either way",
    VOLUME_RUNAWAY: f"the lung's volume ran away, beyond {HIGHEST_VOLUME:g} L either way",
}


@dataclass(frozen=True)
class Solution:
    """A finished simulation.

    Attributes
    ----------
    scenario : Scenario
        What was simulated.
    channels : dict of str to ndarray, shape (n,)
        True signals by name (:data:`CHANNELS`), canonical units, at ``scenario.sampling_hz`` from time 0.
    breath_rows : ndarray of :data:`~tidebench.simulation.layout.BREATH`, shape (breaths,)
    effort_rows : ndarray, shape (efforts, 5)
        As the solver wrote them, by :data:`~tidebench.simulation.layout.EFFORT_ROW`; see :attr:`breaths` and
        :attr:`efforts`.
    """

    scenario: Scenario
    channels: dict[str, Samples]
    breath_rows: np.ndarray
    effort_rows: Samples

    @cached_property
    def raw_breaths(self) -> pl.DataFrame:
        """:attr:`breath_rows` as a table."""
        return pl.DataFrame({name: self.breath_rows[name].copy() for name in layout.BREATH})

    @cached_property
    def raw_efforts(self) -> pl.DataFrame:
        """:attr:`effort_rows` as a table."""
        return pl.DataFrame(self.effort_rows, schema=list(layout.EFFORT_ROW), orient="row")

    @cached_property
    def recording(self) -> Recording:
        """What sensors make of it: the type that every other room works on."""
        return sensed(self.scenario, self.channels)

    @cached_property
    def breaths(self) -> pl.DataFrame:
        """A row per inflation (or breath, where none is delivered), with labels by mechanism."""
        rows = label_breaths(self._ended, self.raw_efforts)
        static = compliances_ml_cmh2o(self.scenario, rows["start_s"].to_list())
        return rows.with_columns(pl.Series("compliance_ml_cmh2o", static, dtype=pl.Float64))

    @cached_property
    def efforts(self) -> pl.DataFrame:
        """A row per effort, with what became of it."""
        first = self.scenario.settings[0]
        waits = not first.bi_level and (first.support_type is not None or first.pattern in ("CMV", "A/C"))
        return label_efforts(self._ended, self.raw_efforts, self.scenario.duration_s if waits else 0.0)

    @cached_property
    def _ended(self) -> pl.DataFrame:
        return with_last(self.raw_breaths, self.scenario.duration_s)


def simulate(
    scenario: Scenario | Mapping[str, Any] | Path | str,
    channels: Sequence[str] | None = None,
    progress: Callable[[float], None] | None = None,
    start: Start | None = None,
) -> Solution:
    """Simulate a scenario from its start to its end.

    Parameters
    ----------
    scenario : Scenario, mapping or path
        The scenario, its tables, or its TOML file.
    channels : sequence of str, optional
        Signals to keep, of :data:`CHANNELS`; what a ventilator records unless said.
    progress : callable, optional
        Called with the share that is done.
    start : Start, optional
        Everything in place at time 0, where parameters were amended that no table names; used up by the run.

    Raises
    ------
    CaseError
        The scenario can't be used.
    OptionError
        A channel that there is not, or something else than a scenario.
    SimulationError
        A value that is no number, or a runaway, with the time at which it happened.
    """
    told = scenario_of(scenario)
    if isinstance(channels, str):
        raise OptionError(f"is the text {channels!r}", where="channels", expected=f'a list of names, ["{channels}"]')
    names = tuple(channels) if channels is not None else recorded_channels(told)
    for name in names:
        if name not in CHANNELS:
            raise OptionError(f"{name!r} is no channel", where="channels", expected=", ".join(CHANNELS))
    parts, rows, efforts = [], [], []
    for part, begun, ended in stretches(told, names, progress, start or start_of(told)):
        parts.append(part)
        rows.append(begun)
        efforts.append(ended)
    signals = np.concatenate(parts, axis=1)
    return Solution(
        told,
        {name: signals[k] for k, name in enumerate(names)},
        delivered(np.concatenate(rows)),
        np.concatenate(efforts),
    )


def simulate_many(
    scenarios: Iterable[Scenario | Mapping[str, Any] | Path | str],
    workers: int | None = None,
    channels: Sequence[str] | None = None,
) -> list[Solution]:
    """Simulate scenarios in parallel threads; solutions in their order, the same for any number of threads.

    Parameters
    ----------
    scenarios : iterable of Scenario, mapping or path
        As for :func:`simulate`; each draws from its own ``seed`` alone.
    workers : int, optional
        Threads; as many as there are processors unless said.
    channels : sequence of str, optional
        As for :func:`simulate`.

    Raises
    ------
    CaseError
        A scenario can't be used; tables are called by their number, from 1. None has begun then.
    OptionError
        Not even one thread.
    SimulationError
        As :func:`simulate`, for the first scenario that can't go on.
    """
    if workers is not None and (not isinstance(workers, int) or workers < 1):
        raise OptionError(f"{workers!r} workers", where="workers", expected="a whole number from 1, or None")
    told = [scenario_of(scenario, name=f"scenario no. {k}") for k, scenario in enumerate(scenarios, start=1)]
    with ThreadPoolExecutor(workers or os.cpu_count()) as pool:
        return list(pool.map(lambda scenario: simulate(scenario, channels), told))


def recorded_channels(scenario: Scenario) -> tuple[str, ...]:
    """The channels that the scenario's case has."""
    further = (("oesophageal_pressure", scenario.oesophageal), ("co2", scenario.capnogram))
    return (*SEEN, *(name for name, asked in further if asked))


def stretches(
    scenario: Scenario, names: Sequence[str], progress: Callable[[float], None] | None, start: Start
) -> Iterator[tuple[Samples, np.ndarray, Samples]]:
    """Signals, breaths begun and efforts begun, stretch by stretch; only these grow with time."""
    rng = np.random.default_rng(scenario.seed)
    wanted = np.array([CHANNELS.index(name) for name in names], np.float64)
    dt, step_s = 1.0 / scenario.sampling_hz, scenario.step_ms / 1000
    total, length = round(scenario.duration_s * scenario.sampling_hz), max(1, round(STRETCH_S * scenario.sampling_hz))
    held = np.zeros(0, layout.record(layout.BREATH))
    done = 0
    for first in range(0, total, length):
        last = min(total, first + length)
        room = int((last - first) * dt * ROWS_PER_S) + 16
        rows = np.zeros(room, layout.record(layout.BREATH))
        rows[: len(held)] = held
        out, efforts = np.empty((len(names), last - first)), np.zeros((room, len(layout.EFFORT_ROW)))
        start.effort["count"] = 0.0
        told = (*arrays(start), done, first, last, dt, step_s, wanted, out, rows, len(held), efforts, rng)
        why, count, done, time = run(*told)
        if why != DONE:
            raise SimulationError(WHY.get(why, "more breaths than can be"), where=f"{scenario.title}, {time:.3f} s")
        finished = last == total
        held = rows[count:count] if finished or not count else rows[count - 1 : count].copy()
        yield out, rows[: count - len(held)], efforts[: int(start.effort["count"])]
        if progress:
            progress(last / total)


def arrays(start: Start) -> tuple[Any, ...]:
    """The solver's arrays in its order."""
    memory = start.memory
    return (
        memory.block, memory.patient[0], memory.machine[0], memory.lung, start.units, start.mechanics,
        start.ventilator, start.effort, start.gases, start.slopes, start.moving, start.changes,
    )  # fmt: skip
