"""What a predicate of the truth is given, and what it gives: spans in which a kind is there, and what is owed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

from tests.conditions.patients import SECONDS, Drawn
from tidebench import interaction
from tidebench.findings.runs import runs
from tidebench.limits import Limit
from tidebench.simulation.scenario import Scenario
from tidebench.simulation.solution import Solution
from tidebench.simulation.truth import with_last

Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

CHANNELS = ("airway_pressure", "flow", "muscle_pressure", "alveolar_pressure", "pleural_pressure", "lung_volume")
AROUND = 5  # breaths by which the moment of a change may be missed


@dataclass(frozen=True)
class Span:
    """A stretch of time; ``degree`` is how far beyond its limit a thing lies (1: at it), ``of`` what of the kind."""

    start_s: float
    end_s: float
    degree: float = 1.0
    of: str = ""


@dataclass(frozen=True)
class Truth:
    """Where a kind is there, and what is owed."""

    there: Sequence[Span] = ()
    owed: Sequence[Span] = ()


@dataclass(frozen=True)
class Told:
    """A solution with what the predicates ask of it; ``usual_flow`` and ``limits`` as the review has them, L/s."""

    one: Drawn
    done: Solution
    usual_flow: float
    limits: tuple[Limit, ...] = ()
    weight_kg: float | None = None

    @property
    def scenario(self) -> Scenario:
        """What was simulated."""
        return self.done.scenario

    @cached_property
    def rate(self) -> float:
        """Samples per second."""
        return self.scenario.sampling_hz

    @cached_property
    def raw(self) -> pl.DataFrame:
        """Whole breaths as the solver wrote them, row for row with :attr:`breaths`."""
        raw = with_last(self.done.raw_breaths, self.scenario.duration_s)
        return raw.filter(pl.col("end").is_not_nan() & pl.col("turn").is_not_nan())

    @cached_property
    def breaths(self) -> pl.DataFrame:
        """Whole breaths of the truth."""
        return self.done.breaths

    @cached_property
    def edges(self) -> npt.NDArray[np.int64]:
        """First sample, sample of the turn and first sample after each breath, shape (n, 3)."""
        times = self.breaths.select("start_s", "insp_end_s", "end_s").to_numpy()
        return np.round(times * self.rate).astype(np.int64)

    @cached_property
    def passive(self) -> Flags:
        """Breaths without muscles."""
        return (self.breaths["passive"] == 1).to_numpy()

    @cached_property
    def peep(self) -> Values:
        """Set PEEP of each breath, cmH2O."""
        return np.array([self.scenario.setting_at(at).peep_cmh2o or 0.0 for at in self.breaths["start_s"]])

    @cached_property
    def effort_of(self) -> npt.NDArray[np.int64]:
        """The effort under way when each inflation begins; −1 where there is none."""
        efforts = self.done.efforts
        onset, over, start = efforts["onset_s"], efforts["over_s"], self.breaths["start_s"]
        return interaction.under_way(onset.to_numpy(), over.to_numpy(), start.to_numpy())

    @cached_property
    def p01(self) -> Values:
        """Rise of muscle pressure in the first 0.1 s of each effort, cmH2O."""
        muscle, onset = self.done.channels["muscle_pressure"], self.done.efforts["onset_s"].to_numpy()
        at = np.arange(len(muscle)) / self.rate
        return np.asarray(np.interp(onset + 0.1, at, muscle) - np.interp(onset, at, muscle), np.float64)

    def parts(self, name: str, *, inflation: bool = False) -> Iterator[Values]:
        """A channel, breath by breath or inflation by inflation."""
        values = self.done.channels[name]
        return (values[a : (t if inflation else b)] for a, t, b in self.edges.tolist())

    def flagged(self, flags: Flags, degree: Values, of: str = "", shortest: int = 1) -> Truth:
        """Breaths with a sign; owed are each of them, or runs of them as findings make them."""
        table = self.breaths.select(pl.int_range(pl.len()).alias("breath"), "start_s", "end_s")
        rows = table.with_columns(degree=np.asarray(degree, np.float64)).filter(flags)
        there = [Span(row["start_s"], row["end_s"], row["degree"], of) for row in rows.iter_rows(named=True)]
        if shortest == 1:
            return Truth(there, there)
        owed = [
            Span(float(run["start_s"][0]), float(run["end_s"][-1]), middle, of) for run, middle in runs(rows, "degree")
        ]
        return Truth(there, owed)

    def about(self, at: int, degree: float) -> Span:
        """Some breaths on either side of one."""
        start = self.breaths["start_s"].to_numpy()
        return Span(float(start[max(0, at - AROUND)]), float(start[min(len(start) - 1, at + AROUND)]), degree)


def joined(*truths: Truth) -> Truth:
    """Several as one."""
    return Truth([s for one in truths for s in one.there], [s for one in truths for s in one.owed])


def whole(degree: float, of: str = "") -> Truth:
    """There for the whole recording where the degree is 1 or more."""
    spans = [Span(0.0, SECONDS, degree, of)] if degree >= 1 else []
    return Truth(spans, spans)
