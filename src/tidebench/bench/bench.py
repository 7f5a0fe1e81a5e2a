"""One live bench: a virtual patient under way, what was recorded of it, and the lines that branch from each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tidebench.bench import said as words
from tidebench.case import Case, Setting, case_from
from tidebench.errors import OptionError
from tidebench.quantities import quantity
from tidebench.recording import Recording
from tidebench.records import PressureAccount
from tidebench.simulation import layout, scenario_from
from tidebench.simulation.layout import Samples
from tidebench.simulation.live import Live
from tidebench.simulation.scenario import Scenario
from tidebench.simulation.sensors import sensed
from tidebench.simulation.solution import Solution, recorded_channels
from tidebench.simulation.ventilation import NOW
from tidebench.simulation.write import case_tables, put_case

LONGEST_S = 1800.0
"""How long a line may be."""
MOST_LINES = 40
LEAST_S = 2.0  # of a line that is reviewed or saved
SIGNALS = "signals.csv"
FEW_ROWS = 16  # breaths that a frame can reach back over
TRUTH = ("muscle_pressure", "alveolar_pressure", "recoil_pressure", "lung_volume")
BANDS = ("since", "pressure", "start", "elastic", "resistive", "muscle", "unexplained", "flow", "volume")
"""Rows of :attr:`Frame.bands`: seconds since the breath began; the pressure account, cmH2O; L/s and L."""
FASTEST_S = 60.0  # a frame may have so much at most


@dataclass(frozen=True, slots=True)
class Frame:
    """What has happened since the frame before, to be drawn.

    Attributes
    ----------
    first_s : float
        When its first sample is.
    bands : ndarray, shape (9, n)
        Rows as in :data:`BANDS`. pressure = start + elastic + resistive − muscle + unexplained, of the virtual patient
        itself: nothing is estimated. ``unexplained`` is heartbeat, and gas on its way between parts of the lung.
    breaths : int
        Breaths begun by its end.
    phase : int
        What the ventilator is doing at its end (:data:`tidebench.simulation.layout.EXPIRATION` and others).
    volumes, opened, levels : ndarray, shape (compartments,)
        Litres in each part of the lung, the share of it that is open, and the pressure (cmH2O) at which it would hold
        its gas with chest wall and without muscles and heart, at its end.
    """

    first_s: float
    bands: Samples
    breaths: int
    phase: int
    volumes: Samples
    opened: Samples
    levels: Samples


@dataclass(frozen=True, slots=True)
class Line:
    """One way that things went: a scenario until a moment. Everything else of it follows by running it again."""

    number: int
    said: words.Said
    until_s: float
    from_s: float
    parent: int


class Bench:
    """A virtual patient that can be watched, treated, taken back and tried again.

    Parameters
    ----------
    said : mapping
        A scenario as :func:`tidebench.simulation.scenario_from` takes it, such as ``{"who": "copd"}``; settings,
        manoeuvres and events with times before ``until_s`` have happened.
    until_s : float
        The moment to begin at.

    Raises
    ------
    CaseError
        The scenario can't be used.
    """

    def __init__(self, said: Mapping[str, Any], until_s: float = 0.0) -> None:
        self._said: words.Said = words.opened(said) | {"duration_s": LONGEST_S}
        self.lines: list[Line] = []
        self.number, self._from_s, self._parent = 1, 0.0, 0
        self._run_until(self._said, until_s)

    @property
    def scenario(self) -> Scenario:
        """What was said so far."""
        return self._live.scenario

    @property
    def said(self) -> words.Said:
        """The same as it was said: what it takes to come to this moment again."""
        return self._said

    @property
    def time_s(self) -> float:
        """Now."""
        return self._live.time_s

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return self.scenario.sampling_hz

    @property
    def breaths(self) -> int:
        """How many breaths have begun."""
        return len(self._live.rows)

    @property
    def setting(self) -> Setting:
        """What is set now."""
        return self.scenario.setting_at(self.time_s + NOW)

    @property
    def happened(self) -> tuple[words.Happening, ...]:
        """What was changed and done and what happened, in words."""
        return words.happenings(self.scenario)

    # --- time ---

    def step(self, seconds: float) -> Frame:
        """Let time go on, at most to the end of the line; what happened, to be drawn."""
        left = round(LONGEST_S * self.rate_hz) - self._live.sample
        samples = min(max(1, round(min(seconds, FASTEST_S) * self.rate_hz)), left)
        if samples <= 0:
            raise OptionError(
                f"this line is {LONGEST_S / 60:.0f} minutes long, and ends here", where="live bench",
                remedy="Save it as a case, or go back and try something else.",
            )  # fmt: skip
        first = self._live.sample
        self._take(self._live.step(samples))
        return self.frame(first, first + samples)

    def frame(self, first: int, last: int) -> Frame:
        """Samples of the line again, with the state of now."""
        live, n = self._live, last - first
        time = np.arange(first, last) / self.rate_hz
        pressure, flow, muscle, alveolar, recoil, volume = (
            self._kept(name)[first:last] for name in ("airway_pressure", "flow", *TRUTH)
        )
        rows = live.rows[-(FEW_ROWS + n) :]
        at = np.searchsorted(rows["start"], time + NOW, side="right") - 1
        begun = at >= 0
        start = np.where(begun, rows["total_peep"][at] if len(rows) else 0.0, self._kept("recoil_pressure")[:1])
        since = time - (np.where(begun, rows["start"][at], 0.0) if len(rows) else 0.0)
        resistive, unexplained = pressure - alveolar, alveolar - recoil + muscle
        bands = np.stack([since, pressure, start, recoil - start, resistive, muscle, unexplained, flow, volume])
        volumes, opened = (live.units[name].copy() for name in ("volume", "opened"))
        return Frame(first / self.rate_hz, bands, self.breaths, live.phase, volumes, opened, live.levels())

    def account(self, breath: int) -> PressureAccount | None:
        """The true pressure account of a breath, by its number; None where it has not ended."""
        rows = self._live.rows
        if not 0 <= breath < len(rows) - 1:
            return None
        first, turn, last = (int(np.ceil(rows[breath][name] * self.rate_hz)) for name in ("start", "turn", "end"))
        _, pressure, start, elastic, resistive, muscle, unexplained, flow, volume = self.frame(first, last).bands
        return PressureAccount(
            breath=breath, time_s=np.arange(first, last) / self.rate_hz, airway_pressure=pressure, flow=flow,
            volume=volume - volume[0], start=float(start[0]), elastic=elastic, resistive=resistive, muscle=muscle,
            residual=unexplained, expiration_s=turn / self.rate_hz, mechanics_from="the virtual patient itself",
        )  # fmt: skip

    # --- what is done ---

    def set(self, changes: Mapping[str, Any]) -> dict[str, Any]:
        """Change settings from now on; what was set before, to be set again by whoever takes it back.

        Another mode gets what it needs from the last breath, so that breaths go on about as they were.

        Raises
        ------
        CaseError
            The settings can't be; nothing was changed.
        """
        before, asked = words.told(self.setting), dict(changes)
        mode = asked.get("mode")
        if isinstance(mode, str) and mode != self.setting.mode:
            try:
                asked = {**words.switched(self.setting, mode, self._last_breath()), **asked}
            except ValueError as error:
                raise OptionError(f"there is no mode {mode!r}", where="settings", remedy=str(error)) from None
        self.say(words.with_settings(self._said, self.time_s, asked))
        return before

    def do(self, kind: str, duration_s: float | None = None) -> None:
        """A manoeuvre, now.

        Raises
        ------
        CaseError
            It can't be done now; nothing was changed.
        """
        row = {"at_s": self.time_s, "kind": kind} | ({} if duration_s is None else {"duration_s": duration_s})
        self.say(words.with_row(self._said, "manoeuvres", row))

    def say(self, said: words.Said) -> None:
        """Go on with another scenario, which differs from this one in what is to come alone.

        Raises
        ------
        CaseError, OptionError
            It can't be, or changes what has been; nothing was changed.
        """
        self._live.expect(scenario_from(said, name="live bench"))
        self._said = said

    def happen(self, kind: str, size: float | None = None, over_s: float = 0.0) -> None:
        """An event in the patient, now or coming over some time.

        Raises
        ------
        CaseError
            It can't be; nothing was changed.
        """
        row = {"at_s": self.time_s, "kind": kind, "over_s": over_s} | ({} if size is None else {"size": size})
        self.say(words.with_row(self._said, "events", row))

    def go_back(self, to_s: float) -> None:
        """Go back to a moment. The line so far stays, and another begins there, at which all is as it was.

        Raises
        ------
        OptionError
            The moment has not been yet, or there are too many lines.
        """
        if not 0 <= to_s <= self.time_s:
            raise OptionError(
                f"{to_s:g} s has not been yet", where="live bench", expected=f"a moment from 0 to {self.time_s:g} s"
            )
        if len(self.lines) >= MOST_LINES:
            raise OptionError(
                f"there are {MOST_LINES} lines already", where="live bench", remedy="Begin another bench."
            )
        self._leave()
        numbers = [line.number for line in self.lines] or [self.number]
        self._parent, self._from_s = self.number, to_s
        self.number = max(*numbers, self.number) + 1
        self._run_until(words.until(self._said, to_s), to_s)

    def follow(self, number: int) -> None:
        """Go on with another line where it was left.

        Raises
        ------
        OptionError
            There is no such line.
        """
        line = next((line for line in self.lines if line.number == number), None)
        if line is None:
            raise OptionError(f"there is no line {number}", where="live bench")
        self._leave()
        self.lines.remove(line)
        self.number, self._from_s, self._parent = line.number, line.from_s, line.parent
        self._run_until(line.said, line.until_s)

    @property
    def here(self) -> Line:
        """The line that is gone on with."""
        return Line(self.number, self._said, self.time_s, self._from_s, self._parent)

    # --- what was recorded ---

    def solution(self, title: str = "", *, hidden: bool = False) -> Solution:
        """What was simulated so far, as of a finished simulation; ``title`` instead of the scenario's, if given.

        ``hidden`` adds the channels that only a virtual patient tells.

        Raises
        ------
        CaseError, OptionError
            The title can't be, or it is too short.
        """
        scenario, channels = self._so_far(title)
        if hidden:
            channels |= {name: self._kept(name).copy() for name in TRUTH}
        return Solution(scenario, channels, self._live.breath_rows, self._live.effort_rows)

    def recorded(self) -> tuple[Case, Recording]:
        """What a ventilator would have recorded so far, and what would be known of the case.

        Raises
        ------
        OptionError
            It is too short.
        """
        scenario, channels = self._so_far()
        return case_from(case_tables(scenario, SIGNALS)), sensed(scenario, channels)

    def save(self, out: Path, title: str = "") -> None:
        """Put what was simulated so far into a new folder, as a case with its truth.

        Raises
        ------
        CaseError, OptionError, OutputError
            The title can't be, it is too short, or the folder can't be written.
        """
        done = self.solution(title)
        put_case(lambda: done, out)

    def truth(self) -> tuple[tuple[str, str, str], ...]:
        """Key, label and value of what only a virtual patient tells of the last whole breath."""
        rows = self._live.rows
        if len(rows) < 2:
            return ()
        row = rows[-2]
        told = {
            "paco2_mmhg": row["arterial_co2"], "pao2_mmhg": row["arterial_o2"], "sao2": row["saturation"],
            "ph": row["ph"], "etco2_mmhg": row["end_tidal_co2"], "total_peep_cmh2o": row["total_peep"],
            "effort_cmh2o": max(0.0, float(row["muscle_peak"])),
        }  # fmt: skip
        return tuple((key, quantity(key).label, quantity(key).text(float(value))) for key, value in told.items())

    # --- inside ---

    def _so_far(self, title: str = "") -> tuple[Scenario, dict[str, Samples]]:
        if self.time_s < LEAST_S:
            raise OptionError(
                f"only {self.time_s:.1f} s have passed", where="live bench", expected=f"at least {LEAST_S:g} s"
            )
        said = words.until(self._said, self.time_s) | {"duration_s": self.time_s} | ({"title": title} if title else {})
        scenario = scenario_from(said, name="live bench")
        return scenario, {name: self._kept(name).copy() for name in recorded_channels(scenario)}

    def _leave(self) -> None:
        if self.time_s > self._from_s:
            self.lines.append(self.here)

    def _run_until(self, said: words.Said, until_s: float) -> None:
        scenario = scenario_from(said, name="live bench")
        names = dict.fromkeys((*recorded_channels(scenario), "airway_pressure", "flow", *TRUTH))
        self._live, self._said = Live(scenario, tuple(names)), said
        self._signals = np.empty((len(names), 0))
        samples = round(min(until_s, LONGEST_S) * scenario.sampling_hz)
        if samples:
            self._take(self._live.step(samples))

    def _take(self, signals: Samples) -> None:
        """Add samples to the record, which grows by doubling."""
        last = self._live.sample
        if last > self._signals.shape[1]:
            grown = np.empty((len(signals), max(4096, 2 * last)))
            grown[:, : self._signals.shape[1]] = self._signals
            self._signals = grown
        self._signals[:, last - signals.shape[1] : last] = signals

    def _kept(self, name: str) -> Samples:
        return self._signals[self._live.names.index(name), : self._live.sample]

    def _last_breath(self) -> dict[str, float]:
        """The last whole breath as settings would say it, rounded; a usual one before there is any."""
        rows = self._live.rows[:-1]
        rows = rows[rows["kind"] != layout.UNASSISTED]
        if not len(rows):
            return {"volume_ml": 400.0, "above_cmh2o": 10.0, "inspiratory_time_s": 1.0, "rate_per_min": 15.0}
        row = rows[-1]
        volume = 1000 * float(row["volume_turn"] - row["volume_start"])
        return {
            "volume_ml": min(max(float(f"{volume:.2g}"), 1.0), 4000.0),
            "above_cmh2o": float(np.clip(round(float(row["alveolar_high"] - row["total_peep"])), 3, 40)),
            "inspiratory_time_s": float(np.clip(round(float(row["turn"] - row["start"]), 1), 0.3, 3.0)),
            "rate_per_min": float(np.clip(round(60 / float(row["end"] - row["start"])), 6, 60)),
        }
