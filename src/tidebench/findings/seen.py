"""What every rule is given: the breaths, the efforts, the recording, and what they are to each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench import interaction
from tidebench.case import Setting
from tidebench.interaction import Locking
from tidebench.limits import Limit
from tidebench.recording import Recording
from tidebench.records import Hold, Step

Flags = npt.NDArray[np.bool_]
Times = npt.NDArray[np.float64]

FREE = ("high-level", "unassisted")
OVER_AFTER = 1.35
"""An effort is over this many neural inspiratory times after its onset, where only the end of inspiration is known:
relaxation to a quarter takes about a third of it (common practice, no source)."""
ONSET_ERROR_S = 0.05
"""An effort found from the airway so soon after an inflation's start may have triggered it: onsets are told no better.
Where muscle pressure had left rest by the start, the onset has been put before it."""


@dataclass(frozen=True)
class Known:
    """What is known besides the tables.

    Attributes
    ----------
    limits : tuple of Limit
        Those that hold for the patient.
    weight_kg : float or None
        The weight that volumes are given by: predicted for adults, actual for the young.
    steps : tuple of Step
        Changes of settings, with what was before and after them.
    holds : tuple of Hold
        Holds and occlusions.
    line : mapping of str to ndarray, shape (breaths,)
        Canonical columns behind the breath table.
    settings : tuple of Setting
        What was set, and since when.
    """

    limits: tuple[Limit, ...] = ()
    weight_kg: float | None = None
    steps: tuple[Step, ...] = ()
    holds: tuple[Hold, ...] = ()
    line: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)
    settings: tuple[Setting, ...] = ()

    def column(self, name: str) -> Times:
        """A column behind the table; empty where there is none."""
        return np.asarray(self.line.get(name, ()), np.float64)


@dataclass(frozen=True)
class Seen:
    """Tables of one review, and their columns as arrays."""

    breaths: pl.DataFrame
    efforts: pl.DataFrame
    recording: Recording
    known: Known = field(default_factory=Known)

    @cached_property
    def start(self) -> Times:
        """When inflations begin, s."""
        return self.breaths["start_s"].to_numpy()

    @cached_property
    def end(self) -> Times:
        """When breaths end, s."""
        return self.breaths["end_s"].to_numpy()

    @cached_property
    def number(self) -> npt.NDArray[np.int64]:
        """The number of each breath."""
        return self.breaths["breath"].to_numpy()

    @cached_property
    def turn(self) -> Times:
        """When inflations end, s."""
        return self.breaths["expiration_s"].to_numpy()

    @cached_property
    def by_patient(self) -> Flags:
        """Inflations whose trigger criterion was met."""
        return (self.breaths["trigger"] == "patient").fill_null(False).to_numpy()

    @cached_property
    def by_time(self) -> Flags:
        """Inflations known to have been begun by the ventilator's time."""
        return (self.breaths["trigger"] == "machine").fill_null(False).to_numpy()

    @cached_property
    def free(self) -> Flags:
        """Breaths that the ventilator does not answer one by one."""
        return self.breaths["delivery"].is_in(FREE).fill_null(False).to_numpy()

    @cached_property
    def told(self) -> Flags:
        """Breaths of which it is known whether and when muscles worked."""
        known = self.breaths["passive"].fill_null(False) | self.breaths["effort_cmh2o"].is_not_null()
        return known.to_numpy()

    @cached_property
    def onset(self) -> Times:
        """When efforts begin, s."""
        return self.efforts["start_s"].to_numpy()

    @cached_property
    def top(self) -> Times:
        """When neural inspiration ends, s."""
        return self.efforts["end_s"].to_numpy()

    @cached_property
    def over(self) -> Times:
        """When efforts are over, s."""
        return self.onset + OVER_AFTER * (self.top - self.onset)

    @cached_property
    def locking(self) -> Locking | None:
        """Efforts locked to the ventilator's clock."""
        return interaction.locking(self.onset, self.start, ~self.by_time | self.free)

    @cached_property
    def entrained(self) -> Flags:
        """Efforts that are locked to the ventilator's clock."""
        return np.zeros(len(self.onset), bool) if self.locking is None else self.locking.efforts

    @cached_property
    def under_way(self) -> npt.NDArray[np.int64]:
        """The effort under way when each inflation begins; −1 where there is none."""
        early = self.onset - np.where(self.efforts["source"].to_numpy() == "airway", ONSET_ERROR_S, 0.0)
        return interaction.under_way(early, self.over, self.start)

    @cached_property
    def double(self) -> Flags:
        """Inflations triggered within an effort that already has one."""
        return interaction.double_triggers(self.under_way, self.by_patient, self.entrained)

    @cached_property
    def margin(self) -> Times:
        """Cycling margins; NaN where there is none."""
        by_patient = self.by_patient & ~self.free
        return interaction.cycling_margins(self.under_way, self.double, by_patient, self.onset, self.top, self.turn)
