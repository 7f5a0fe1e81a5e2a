"""A simulation that runs a little at a time, and whose scenario may go on being written while it runs.

What happens until a moment depends on the scenario's rows before it alone. So a run in steps, in which settings,
manoeuvres and events are said as they come, is the run of the scenario that was written in the end, bit for bit; and to
go back to a moment is to run the scenario anew until then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tidebench.errors import OptionError, SimulationError
from tidebench.simulation import layout
from tidebench.simulation.layout import CHANNELS, Record, Samples
from tidebench.simulation.mechanics import part_levels
from tidebench.simulation.scenario import Scenario
from tidebench.simulation.setup import changes_of, moving_of, start_of
from tidebench.simulation.solution import ROWS_PER_S, WHY, arrays, recorded_channels
from tidebench.simulation.solver import DONE, run
from tidebench.simulation.truth import delivered
from tidebench.simulation.ventilation import NOW

SPARE_ROWS = 64


class Live:
    """A simulation under way.

    Parameters
    ----------
    scenario : Scenario
        As it is known so far; see :meth:`expect`.
    channels : sequence of str, optional
        Signals that :meth:`step` gives, of :data:`CHANNELS`; what a ventilator records unless said.

    Raises
    ------
    OptionError
        A channel that there is not.
    """

    def __init__(self, scenario: Scenario, channels: Sequence[str] | None = None) -> None:
        self.names = tuple(channels) if channels is not None else recorded_channels(scenario)
        for name in self.names:
            if name not in CHANNELS:
                raise OptionError(f"{name!r} is no channel", where="channels", expected=", ".join(CHANNELS))
        self._wanted = np.array([CHANNELS.index(name) for name in self.names], np.float64)
        self._begin(scenario)

    def _begin(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.sample = 0
        self._start = start_of(scenario)
        self._before = start_of(scenario).memory  # what events change, before anything has happened
        self._rng = np.random.default_rng(scenario.seed)
        self._rows = np.zeros(SPARE_ROWS, layout.record(layout.BREATH))
        self._efforts = np.zeros((SPARE_ROWS, len(layout.EFFORT_ROW)))
        self._done = self._count = 0

    @property
    def dt(self) -> float:
        """Seconds from one sample to the next."""
        return 1.0 / self.scenario.sampling_hz

    @property
    def time_s(self) -> float:
        """The moment up to which everything has happened: a row of the scenario at this time is still to come."""
        return self.sample * self.dt

    @property
    def rows(self) -> Record:
        """The breaths begun so far as the solver writes them (:data:`layout.BREATH`), the last one under way."""
        return self._rows[: self._count]

    @property
    def units(self) -> Record:
        """State of the compartments now (:data:`layout.UNIT`)."""
        return self._start.units

    def levels(self) -> Samples:
        """Pressure of each compartment as if muscles and heart stood still, chest wall included, cmH2O."""
        found = np.empty(len(self.units))
        part_levels(self._start.memory.lung, self.units, self._start.mechanics, found)
        return found

    @property
    def phase(self) -> int:
        """What the ventilator is doing now: one of :data:`layout.EXPIRATION` and the others."""
        return int(self._start.ventilator["phase"])

    def expect(self, scenario: Scenario) -> None:
        """Go on with another scenario, which differs from this one in rows of its protocol from now on alone.

        Before the first step it may be any.

        Raises
        ------
        OptionError
            It says something else of what has been, or of who is ventilated.
        """
        if self.sample == 0:
            self._begin(scenario)
            return
        changes = changes_of(scenario, self._before)
        done = int(np.searchsorted(changes[:, 0], self.time_s - NOW))
        known = self._start.changes[: self._done]
        if not np.array_equal(changes[:done], known) or _without_protocol(scenario) != _without_protocol(self.scenario):
            raise OptionError(
                "what has happened can't be changed", where=f"{self.time_s:.2f} s",
                expected="settings, manoeuvres and events from now on", remedy="Go back to an earlier moment first.",
            )  # fmt: skip
        self.scenario = scenario
        self._start = replace(self._start, changes=changes, moving=moving_of(changes))

    def step(self, samples: int) -> Samples:
        """Let time go on by so many samples; their signals, shape (channels, samples).

        Raises
        ------
        SimulationError
            As :func:`~tidebench.simulation.solution.simulate`.
        """
        self._make_room(samples)
        out = np.empty((len(self.names), samples))
        told = (
            *arrays(self._start), self._done, self.sample, self.sample + samples, self.dt,
            self.scenario.step_ms / 1000, self._wanted, out, self._rows, self._count, self._efforts, self._rng,
        )  # fmt: skip
        why, self._count, self._done, time = run(*told)
        if why != DONE:
            raise SimulationError(
                WHY.get(why, "more breaths than can be"), where=f"{self.scenario.title}, {time:.3f} s"
            )
        self.sample += samples
        return out

    def _make_room(self, samples: int) -> None:
        more = int(samples * self.dt * ROWS_PER_S) + 16
        if self._count + more > len(self._rows):
            self._rows = np.concatenate([self._rows, np.zeros(more + len(self._rows), self._rows.dtype)])
        if int(self._start.effort["count"]) + more > len(self._efforts):
            spare = np.zeros((more + len(self._efforts), self._efforts.shape[1]))
            self._efforts = np.concatenate([self._efforts, spare])

    @property
    def breath_rows(self) -> np.ndarray:
        """The breaths so far, as :class:`~tidebench.simulation.solution.Solution` has them."""
        return delivered(self.rows)

    @property
    def effort_rows(self) -> Samples:
        """The efforts so far, likewise."""
        return self._efforts[: int(self._start.effort["count"])].copy()


def _without_protocol(scenario: Scenario) -> dict[str, object]:
    protocol = {"settings", "manoeuvres", "events", "procedures", "duration_s", "title"}
    return {name: getattr(scenario, name) for name in Scenario.model_fields if name not in protocol}
