"""The simulated circuit given to SciPy: an independent right-hand side, and where it may be split.

::

    source ──┬── wye ── tube ── carina ──┬── airway 1 ── compartment 1 ──┐
             │                           └── airway 2 ── compartment 2 ──┴── chest wall, muscles
         circuit

States: volumes (L), the pressure at the wye (cmH2O, where the circuit yields) and what the valves aim at (cmH2O, where
they take time). Written from the equations of motion, not from the package's solver: that a solution of one is a
solution of the other is what the tests and the benchmark compare. Timed volume and pressure control, linear recoil,
no leak; muscle pressure is a parabola to its peak and an exponential after it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

from tidebench.simulation import Scenario
from tidebench.simulation.tube import tube_loss

Values = npt.NDArray[np.float64]
FORGOTTEN = 10.0  # relaxing times after which nothing is left of an effort
FIRST_INFLATION_S, FIRST_EFFORT_S = 0.5, 0.8
INFLATION, PAUSE, EXPIRATION = range(3)


@dataclass(frozen=True)
class Waveforms:
    """What a circuit did at given times: cmH2O, L/s, and litres of each compartment (row)."""

    pressure: Values
    flow: Values
    volumes: Values

    def only(self, times: Values, wanted: Values) -> Waveforms:
        """Of waveforms at ``times``, those at some of them."""
        at = np.searchsorted(times, wanted)
        return Waveforms(self.pressure[at], self.flow[at], self.volumes[:, at])


class Peer:
    """A scenario's circuit as differential equations."""

    def __init__(self, scenario: Scenario) -> None:
        (setting,) = scenario.settings
        parts, lung, built = scenario.lung.compartments, scenario.lung, scenario.ventilator
        self.elastance = np.array([1000.0 / float(part.compliance_ml_cmh2o or 0.0) for part in parts])
        self.inward = [part.resistance_cmh2o_s_l for part in parts]
        self.outward = [part.expiratory_resistance_cmh2o_s_l or part.resistance_cmh2o_s_l for part in parts]
        wall = lung.chest_wall_compliance_ml_cmh2o
        self.wall = 1000.0 / wall if wall else 0.0
        k1, self.k2 = tube_loss(scenario.airway)
        self.k1 = k1 + lung.upper_airway_resistance_cmh2o_s_l
        self.circuit = (scenario.circuit.compliance_ml_cmh2o or 0.0) / 1000
        self.peep = setting.peep_cmh2o or 0.0
        self.volume_controlled = setting.parsed_mode is not None and setting.parsed_mode.mandatory == "VC"
        self.control, self.rise = setting.pressure_control_cmh2o or 0.0, setting.rise_s or 0.0
        self.pause_s = (setting.pause_s or 0.0) if self.volume_controlled else 0.0
        self.inflation_s = float(setting.inspiratory_time_s or 0.0) - self.pause_s
        self.period_s = 60.0 / float(setting.rate_per_min or 0.0)
        self.given = (setting.tidal_volume_ml or 0.0) / 1000 / self.inflation_s
        self.inlet, self.valve = built.source_resistance_cmh2o_s_l, built.valve_resistance_cmh2o_s_l
        self.most, self.base_flow = built.highest_flow_l_min / 60, built.base_flow_l_min / 60
        self.valve_time = built.valve_time_s
        self.effort = scenario.effort
        self.seconds = scenario.duration_s

    def muscle(self, time: float) -> float:
        """Muscle pressure, cmH2O: the efforts of a regular drive."""
        told = self.effort
        if told.rate_per_min == 0:
            return 0.0
        period = 60.0 / told.rate_per_min
        latest = math.floor((time - FIRST_EFFORT_S) / period)
        return max((self._one(time - FIRST_EFFORT_S - k * period) for k in (latest - 1, latest) if k >= 0), default=0.0)

    def _one(self, since: float) -> float:
        told = self.effort
        share = since / told.neural_time_s
        if share < 1:
            return told.size_cmh2o * share * (2 - share)
        late = (since - told.neural_time_s) / told.relaxing_time_s
        return told.size_cmh2o * math.exp(-late) if late < FORGOTTEN else 0.0

    def phases(self) -> Iterator[tuple[float, float, int]]:
        """Start, end and phase of everything that the ventilator does."""
        begin = FIRST_INFLATION_S
        yield 0.0, begin, EXPIRATION
        while begin < self.seconds:
            inflated, due = begin + self.inflation_s, begin + self.period_s
            yield begin, inflated, INFLATION
            if self.pause_s:
                yield inflated, inflated + self.pause_s, PAUSE
            yield inflated + self.pause_s, due, EXPIRATION
            begin = due

    def kinks(self) -> list[float]:
        """Times within phases at which a derivative jumps: ends of a rise, onsets and peaks of efforts."""
        times = [start + self.rise for start, _, phase in self.phases() if phase == INFLATION and self.rise]
        if self.effort.rate_per_min:
            onsets = np.arange(FIRST_EFFORT_S, self.seconds, 60.0 / self.effort.rate_per_min)
            tops = onsets + self.effort.neural_time_s
            times += [*onsets, *tops, *(tops + FORGOTTEN * self.effort.relaxing_time_s)]
        return sorted(times)

    def patient(self, time: float, volumes: Values) -> Values:
        """Pressure in each compartment, cmH2O."""
        return self.elastance * volumes + self.wall * float(volumes.sum()) - self.muscle(time)

    def conductances(self, inside: Values, carina: float | None, total: float) -> tuple[float, float]:
        """Sums of conductance, and of it times pressure inside, at a pressure at the carina or a total flow."""
        resistances = list(self.inward)
        for _ in range(8):
            conductance = 1.0 / np.array(resistances)
            both = float(conductance.sum()), float((conductance * inside).sum())
            at = (total + both[1]) / both[0] if carina is None else carina
            now = [o if p > at else i for i, o, p in zip(self.inward, self.outward, inside, strict=True)]
            if now == resistances:
                break
            resistances = now
        return both

    def through(self, inside: Values, pressure: float, resistance: float) -> float:
        """Flow from a pressure through a resistance and the tube into the compartments."""
        carina = pressure
        for _ in range(8):
            conductance, opposing = self.conductances(inside, carina, 0.0)
            straight, drive = 1.0 + conductance * (self.k1 + resistance), conductance * pressure - opposing
            root = math.sqrt(straight**2 + 4.0 * conductance * self.k2 * abs(drive))
            flow = 2.0 * drive / (straight + root)
            found = (flow + opposing) / conductance
            if abs(found - carina) < 1e-12:
                break
            carina = found
        return flow

    def source(self, phase: int, pressure: float, aim: float) -> float:
        """Flow into the circuit at a pressure at the wye."""
        if phase == PAUSE:
            return 0.0
        if phase == INFLATION and self.volume_controlled:
            return self.given
        if pressure > aim:
            return (aim - pressure) / self.valve
        easy, most = (self.inlet, self.most) if phase == INFLATION else (self.valve, self.base_flow)
        return min(most, (aim - pressure) / easy)

    def stiff_circuit(self, phase: int, inside: Values, aim: float) -> float:
        """Flow where the circuit does not yield: what is given, or what the valves let through."""
        if phase == PAUSE or (phase == INFLATION and self.volume_controlled):
            return self.source(phase, aim, aim)
        flow = self.through(inside, aim, self.valve)
        if flow <= 0:
            return flow
        easy, most = (self.inlet, self.most) if phase == INFLATION else (self.valve, self.base_flow)
        return min(most, self.through(inside, aim, easy))

    def at(self, phase: int, time: float, state: Values, start: float) -> tuple[float, float, Values]:
        """Pressure at the wye, flow into the patient, flow into each compartment."""
        n = len(self.elastance)
        inside = self.patient(time, state[:n])
        if self.circuit:
            flow = self.through(inside, state[n], 0.0)
        else:
            flow = self.stiff_circuit(phase, inside, self.aim(phase, time, state, start))
        conductance, opposing = self.conductances(inside, None, flow)
        carina = (flow + opposing) / conductance
        ways = [o if p > carina else i for i, o, p in zip(self.inward, self.outward, inside, strict=True)]
        return carina + (self.k1 + self.k2 * abs(flow)) * flow, flow, (carina - inside) / np.array(ways)

    def command(self, phase: int, time: float, start: float, begun: float) -> float:
        """Pressure that the valves are told to keep."""
        if phase != INFLATION or self.volume_controlled:
            return self.peep
        goal = self.peep + self.control
        return begun + (goal - begun) * (time - start) / self.rise if time < start + self.rise else goal

    def aim(self, phase: int, time: float, state: Values, start: float) -> float:
        """Pressure that the valves aim at."""
        return float(state[-1]) if self.valve_time else self.command(phase, time, start, self.begun)

    def slope(self, time: float, state: Values, phase: int, start: float) -> Values:
        """Derivative of the states."""
        n = len(self.elastance)
        _, flow, flows = self.at(phase, time, state, start)
        change = list(flows)
        if self.circuit:
            supplied = self.source(phase, state[n], self.aim(phase, time, state, start))
            change.append((supplied - flow) / self.circuit)
        if self.valve_time:
            change.append((self.command(phase, time, start, self.begun) - state[-1]) / self.valve_time)
        return np.array(change)

    def rest(self) -> Values:
        """States at rest on PEEP."""
        total = self.peep / (1.0 / float((1.0 / self.elastance).sum()) + self.wall)
        volumes = (self.peep - self.wall * total) / self.elastance
        further = [self.peep] * (bool(self.circuit) + bool(self.valve_time))
        return np.concatenate([volumes, further])

    def split(self, times: Values, *, rtol: float = 1e-10, atol: float = 1e-12, method: str = "LSODA") -> Waveforms:
        """Waveforms at ``times``, each stretch without a switch or a kink solved on its own."""
        state, kinks, found = self.rest(), self.kinks(), []
        self.begun = self.peep
        for start, end, phase in self.phases():
            self.begun = self._pressure(phase, start, state)
            if self.valve_time and phase == EXPIRATION and start > 0:
                state[-1] = self.begun
            edges = [start, *(k for k in kinks if start + 1e-9 < k < end - 1e-9), end]
            for low, high in itertools.pairwise(edges):
                asked = times[(times > low) & (times <= high)]
                done = solve_ivp(
                    self.slope, (low, high), state, method, np.unique([*asked, high]), args=(phase, start),
                    rtol=rtol, atol=atol,
                )  # fmt: skip
                found += [(*self.at(phase, t, y, start)[:2], y) for t, y in zip(asked, done.y.T, strict=False)]
                state = done.y[:, -1].copy()
        return self._told(found)

    def naive(self, times: Values, *, rtol: float, atol: float, max_step: float, method: str = "LSODA") -> Waveforms:
        """Waveforms at ``times`` from one call, the switches inside the right-hand side."""
        phases = list(self.phases())
        starts = np.array([start for start, _, _ in phases])

        def of(t: float) -> tuple[float, int]:
            start, _, phase = phases[max(0, int(np.searchsorted(starts, t, "right")) - 1)]
            return start, phase

        def slope(t: float, y: Values) -> Values:
            start, phase = of(t)
            return self.slope(t, y, phase, start)

        self.begun = self.peep
        done = solve_ivp(
            slope, (0.0, self.seconds), self.rest(), method, times, rtol=rtol, atol=atol, max_step=max_step
        )
        return self._told([
            (*self.at(phase, t, y, start)[:2], y)
            for t, y in zip(times, done.y.T, strict=True) for start, phase in (of(t),)
        ])  # fmt: skip

    def _pressure(self, phase: int, time: float, state: Values) -> float:
        if self.circuit:
            return float(state[len(self.elastance)])
        if self.valve_time == 0.0 and phase == INFLATION:
            return self.peep
        return float(self.at(self._before(phase), time, state, time)[0])

    def _before(self, phase: int) -> int:
        if phase == EXPIRATION:
            return PAUSE if self.pause_s else INFLATION
        return EXPIRATION if phase == INFLATION else INFLATION

    def _told(self, found: list[tuple[float, float, Values]]) -> Waveforms:
        n = len(self.elastance)
        return Waveforms(
            np.array([pressure for pressure, _, _ in found]),
            np.array([flow for _, flow, _ in found]),
            np.array([state[:n] for _, _, state in found]).T,
        )
