"""A stretch of a patient's life with its truth: what questions are asked of, and marked from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.bench.said import PROTOCOL, Said, with_row, with_settings
from tidebench.errors import CaseError
from tidebench.lessons.format import PER_KG, Act, Action, Treatment
from tidebench.lessons.patients import Drawn
from tidebench.lessons.truths import TRUTHS, Values
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.scenario import Scenario
from tidebench.simulation.setup import weight_kg
from tidebench.simulation.solution import Solution, recorded_channels

Places = npt.NDArray[np.int64]
MOST_PER_KG = 1000.0  # mL/kg, beyond which nobody means a volume
HIDDEN = ("muscle_pressure", "alveolar_pressure", "recoil_pressure", "lung_volume")


@dataclass(frozen=True)
class Scene:
    """What was simulated of one patient until one moment.

    Attributes
    ----------
    table : polars.DataFrame
        A row per breath, in the columns of the truth.
    channels : dict of str to ndarray
        Signals, canonical units, at ``rate_hz`` from 0.
    rate_hz, weight_kg : float
    set_peep : ndarray, shape (breaths,)
        Set when each breath began, cmH2O.
    solution : Solution or None
        The simulation; None for a recorded case.
    """

    table: pl.DataFrame
    channels: Mapping[str, Values]
    rate_hz: float
    weight_kg: float
    set_peep: Values
    solution: Solution | None = None

    @cached_property
    def start(self) -> Values:
        """When each breath begins, s."""
        return self.table["start_s"].to_numpy()

    @cached_property
    def turn(self) -> Values:
        """When each inspiration ends, s."""
        return self.table["insp_end_s"].to_numpy()

    @cached_property
    def end(self) -> Values:
        """When each breath ends, s."""
        return self.table["end_s"].to_numpy()

    @cached_property
    def labels(self) -> list[list[str]]:
        """The labels of each breath."""
        return [said.split("|") if said else [] for said in self.table["labels"]]

    @cached_property
    def duration_s(self) -> float:
        """How long it is."""
        return len(self.channels["flow"]) / self.rate_hz

    def of(self, column: str) -> Values:
        """A column of the table as numbers, NaN where there is none."""
        return self.table[column].cast(pl.Float64).fill_null(np.nan).to_numpy()

    def at(self, channel: str, times: Values) -> Values:
        """A channel at moments."""
        values = self.channels[channel]
        found: Values = values[np.clip(np.round(times * self.rate_hz).astype(int), 0, len(values) - 1)]
        return found

    def inspirations(self) -> list[slice]:
        """The samples of each inspiration."""
        return self._slices(self.start, self.turn)

    def whole(self) -> list[slice]:
        """The samples of each breath."""
        return self._slices(self.start, self.end)

    def _slices(self, begin: Values, end: Values) -> list[slice]:
        return [
            slice(round(a * self.rate_hz), max(round(b * self.rate_hz), round(a * self.rate_hz) + 1))
            for a, b in zip(begin, end, strict=True)
        ]

    def inside(self, from_s: float, to_s: float) -> Places:
        """Numbers of the breaths that lie wholly inside a stretch."""
        return np.flatnonzero((self.start >= from_s) & (self.end <= to_s))

    def values(self, key: str) -> Values:
        """A truth of every breath."""
        if self.solution is None and key not in self.table.columns:
            return np.full(len(self.start), np.nan)
        return self.of(key) if self.solution is None else TRUTHS[key].of(self)

    def told(self, key: str, from_s: float, to_s: float) -> float | None:
        """A truth over the breaths of a stretch; None where none lies in it."""
        return TRUTHS[key].over(self.values(key)[self.inside(from_s, to_s)])


def scene_of(scenario: Scenario) -> Scene:
    """Simulate a scenario, truth kept."""
    return scene_from(simulate(scenario, tuple(dict.fromkeys((*recorded_channels(scenario), *HIDDEN)))))


def scene_from(done: Solution) -> Scene:
    """The scene of a simulation that was run with the channels of the truth."""
    scenario, table = done.scenario, done.breaths
    peep = np.array([_set_peep(scenario, at) for at in table["start_s"]])
    return Scene(
        table, done.channels, scenario.sampling_hz, weight_kg(scenario), peep, done,
    )  # fmt: skip


def _set_peep(scenario: Scenario, at_s: float) -> float:
    setting = scenario.setting_at(at_s)
    low = setting.pressure_low_cmh2o
    return low if low is not None else setting.peep_cmh2o or 0.0


def played(drawn: Drawn, to_s: float, actions: Sequence[Action], treatments: Sequence[Treatment] = ()) -> Scene:
    """A drawn patient until a moment, with what somebody did, each in its time.

    Raises
    ------
    CaseError
        An action can't be: nothing of the kind may be set, or not then.
    """
    said = said_after(drawn, actions, treatments)[0]
    return scene_of(scenario_from({**_before(said, to_s), "duration_s": to_s}, name=f"patient {drawn.name}"))


def said_after(drawn: Drawn, actions: Sequence[Action], treatments: Sequence[Treatment] = ()) -> tuple[Said, float]:
    """The scenario of a drawn patient with what somebody did, and until when hands were busy with the last of it.

    Raises
    ------
    CaseError
        There is no such treatment.
    """
    said, now = dict(drawn.said), 0.0
    known = {row.key: row for row in treatments}
    weight = weight_kg(scenario_from(said, name=f"patient {drawn.name}"))
    for action in sorted(actions, key=lambda row: row.at_s):
        now = max(now, action.at_s)
        if action.settings:
            said = with_settings(said, now, resolved(action.settings, weight))
        elif action.manoeuvre is not None:
            said = with_row(said, "manoeuvres", {"at_s": now, "kind": action.manoeuvre})
        else:
            said, now = _treated(said, now, known, action.treatment or "")
    return said, now


def resolved(settings: Mapping[str, Any], weight: float) -> dict[str, Any]:
    """Settings with those per kilogram in millilitres.

    Raises
    ------
    CaseError
        One per kilogram is no number.
    """
    out: dict[str, Any] = {}
    for key, value in settings.items():
        if key.endswith(PER_KG):
            if isinstance(value, bool) or not isinstance(value, (int, float)) or abs(value) > MOST_PER_KG:
                raise CaseError(f"is {value!r:.40}", where=key, expected=f"a number up to {MOST_PER_KG:g} mL/kg")
            out[f"{key.removesuffix('_kg')}"] = float(f"{value * weight:.3g}")
        else:
            out[key] = value
    return out


def _treated(said: Said, now: float, known: Mapping[str, Treatment], key: str) -> tuple[Said, float]:
    """What is said after a treatment, and when it is over."""
    treatment = known.get(key)
    if treatment is None:
        raise CaseError(f"there is no treatment {key!r}", where="act", expected=", ".join(known) or "none")
    if treatment.disconnects:
        row = {"at_s": now, "kind": "disconnection", "duration_s": treatment.takes_s}
        said = with_row(said, "manoeuvres", row)
    over = now + treatment.takes_s
    there = {row["kind"] for row in said.get("events", ()) if row.get("at_s", 0.0) < over}
    if there & set(treatment.helps):
        said = with_row(said, "events", {"at_s": over, "kind": "relief", "over_s": 2.0})
    return said, over


def _before(said: Mapping[str, Any], to_s: float) -> dict[str, Any]:
    kept = dict(said)
    for name in PROTOCOL:
        kept[name] = [row for row in said.get(name, ()) if row.get("at_s", 0.0) < to_s]
    return kept


def checked(act: Act, actions: Sequence[Action]) -> tuple[Action, ...]:
    """Actions that a step allows, in order, each within its time.

    Raises
    ------
    CaseError
        A setting that may not be changed here, or a moment outside the step's time.
    """
    for action in actions:
        if foreign := [key for key in action.settings if key.replace(PER_KG, "_ml") not in act.may]:
            raise CaseError(f"{foreign[0]} may not be changed here", where=act.title, expected=", ".join(act.may))
        if not 0 <= action.at_s < act.within_s:
            raise CaseError(
                f"{action.at_s:g} s is outside the time of this step", where=act.title,
                expected=f"0 to {act.within_s:g} s",
            )  # fmt: skip
    return tuple(sorted(actions, key=lambda row: row.at_s))
