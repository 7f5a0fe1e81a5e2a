"""What kind of inflation each was: how it was delivered, what began it, what ended it, whether it was mandatory.

What is set narrows the choice; the shape of pressure and flow decides within it, and alone where nothing is set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int8]

DELIVERIES = (
    "volume-control",
    "pressure-control",
    "pressure-support",
    "volume-targeted-pressure",
    "high-level",
    "unassisted",
)
VOLUME, PRESSURE, SUPPORT, TARGETED, HIGH_LEVEL, UNASSISTED, UNKNOWN = 0, 1, 2, 3, 4, 5, -1
MACHINE, PATIENT = 0, 1

FLAT = 0.10  # share of the rise of pressure within which a held pressure stays
SUSTAINED = 0.7  # share of peak flow that a constant flow still has at its end
KEPT_TIME_S = 0.03
KEPT_SHARE = 0.01
PUNCTUAL = 8  # intervals from which on they show how well time is kept
CHANCE = 4.0  # standard deviations that hardly any interval goes beyond
GRID_CYCLES, GRID_SLACK = 6, 0.001
LATEST = 0.9  # of all intervals end by the period that a ventilator keeps
REGULAR = 0.25  # share of intervals that must agree before a ventilator is believed to keep time
NEARLY_ALL, FEWEST_AGAINST = 0.9, 4  # share and number of breaths from which on the signal is followed, not the case
RISING = 0.04  # of the flow scale: flow above its own course before the start, that a trigger would see


@dataclass(frozen=True)
class Plan:
    """What is set at each breath, shape (n,); NaN, −1 or False where nothing is known.

    ``mandatory`` and ``support`` are delivery codes of mandatory and supported inflations; ``spontaneous_only`` is
    True where the pattern has no mandatory breaths; ``synchronised`` where mandatory ones are mixed with others;
    ``period_s`` is 60 s over the set rate; ``constant_flow`` where the set flow pattern is constant;
    ``inspiratory_time_s`` is that of the high level on two levels.
    """

    mandatory: Codes
    support: Codes
    known: npt.NDArray[np.bool_]
    spontaneous_only: npt.NDArray[np.bool_]
    mixed: npt.NDArray[np.bool_]
    constant_flow: npt.NDArray[np.bool_]
    period_s: Samples
    control_cmh2o: Samples
    support_cmh2o: Samples
    cycling: Samples
    pause_s: Samples
    inspiratory_time_s: Samples
    peep_cmh2o: Samples

    @property
    def unassisted(self) -> npt.NDArray[np.bool_]:
        """True where breaths between mandatory ones are the patient's alone."""
        return np.asarray(self.known & self.mixed & (self.support == UNASSISTED), bool)

    @property
    def high_level_s(self) -> Samples:
        """How long the high level of two lasts, s; NaN elsewhere."""
        return np.where(self.mandatory == HIGH_LEVEL, self.inspiratory_time_s, np.nan)

    @property
    def supported_by_cmh2o(self) -> Samples:
        """Pressure by which every breath is supported where all are the patient's, cmH2O; NaN elsewhere."""
        alone = self.known & self.spontaneous_only & (self.support == SUPPORT)
        return np.where(alone, self.support_cmh2o, np.nan)

    @property
    def time_cycled_s(self) -> Samples:
        """How long inflations last where all are mandatory and end by time, s; NaN elsewhere."""
        by_time = (self.mandatory == VOLUME) | (self.mandatory == PRESSURE) | (self.mandatory == TARGETED)
        return np.where(by_time & ~self.mixed & ~self.spontaneous_only, self.inspiratory_time_s, np.nan)


@kernel
def shapes(
    p: Samples, f: Samples, start: Indices, flow_end: Indices, rest: Samples, dt: float
) -> tuple[Samples, Samples, Samples, Samples]:
    """Per inflation: rise of pressure, its range and flow's range late in delivery, the share of peak flow at its end.

    ``flow_end`` is where delivery of flow ends (turn or pause), ``rest`` the pressure before it. The late part is from
    30 % of delivery for pressure, from half of it for flow, to 20 ms before its end; ranges are between the means of
    its first, middle and last thirds.
    """
    n = len(start)
    rise = np.full(n, np.nan)
    pressure_range = np.full(n, np.nan)
    flow_range = np.full(n, np.nan)
    end_share = np.full(n, np.nan)
    spare = max(1, int(0.02 / dt))
    for j in range(n):
        last = flow_end[j] - spare
        first = start[j] + 3 * (flow_end[j] - start[j]) // 10
        m = last - first
        if m < 3:
            continue
        peak_flow = 0.0
        peak = p[start[j]]
        for i in range(start[j], flow_end[j]):
            peak_flow = max(peak_flow, f[i])
            peak = max(peak, p[i])
        lows = np.full(2, np.inf)
        highs = np.full(2, -np.inf)
        settled = start[j] + (flow_end[j] - start[j]) // 2
        for third in range(3):
            mp = np.mean(p[first + third * m // 3 : first + (third + 1) * m // 3])
            a = settled + third * (last - settled) // 3
            mf = np.mean(f[a : max(a + 1, settled + (third + 1) * (last - settled) // 3)])
            lows[0] = min(lows[0], mp)
            highs[0] = max(highs[0], mp)
            lows[1] = min(lows[1], mf)
            highs[1] = max(highs[1], mf)
        rise[j] = peak - rest[j]
        pressure_range[j] = highs[0] - lows[0]
        if peak_flow > 0:
            flow_range[j] = (highs[1] - lows[1]) / peak_flow
            end_share[j] = np.mean(f[last - min(2, m) : last]) / peak_flow
    return rise, pressure_range, flow_range, end_share


@kernel
def onset(f: Samples, start: Indices, turn_before: Indices, rate_hz: float) -> Samples:
    """Flow at each start above its straight course from 0.5 to 0.2 s before, L/s, shape (n,); NaN without room."""
    n = len(start)
    out = np.full(n, np.nan)
    far = int(0.5 * rate_hz)
    near = int(0.2 * rate_hz)
    for j in range(n):
        a = max(start[j] - far, turn_before[j] + int(0.1 * rate_hz))
        b = start[j] - near
        m = b - a
        if m < 4:
            continue
        half = 0.5 * (m - 1)
        mean = 0.0
        slope = 0.0
        for i in range(m):
            mean += f[a + i] / m
            slope += (i - half) * f[a + i]
        slope = slope / (m * (m * m - 1) / 12.0)
        out[j] = 0.5 * (f[start[j]] + f[start[j] - 1]) - (mean + slope * (start[j] - 0.5 - a - half))
    return out


def kept_period(interval_s: Samples, set_period_s: Samples) -> Samples:
    """The period that the ventilator keeps at each breath, s: as set, or the interval that recurs; NaN where none does.

    A ventilator that keeps time lets no interval grow longer than its period, save for holds.
    """
    period = set_period_s.copy()
    usable = interval_s[np.isfinite(interval_s)]
    if np.all(np.isfinite(period)) or len(usable) < 8:
        return period
    ordered = np.sort(usable)
    width = KEPT_TIME_S + KEPT_SHARE * ordered
    within = np.searchsorted(ordered, ordered + width, side="right") - np.arange(len(ordered))
    best = int(np.argmax(within))
    if within[best] >= REGULAR * len(ordered) and best + within[best] >= LATEST * len(ordered):
        recurring = float(np.median(ordered[best : best + within[best]]))
        period[~np.isfinite(period)] = recurring
    return period


def kept_within(interval_s: Samples, period_s: Samples, dt: float) -> Samples:
    """How far from the period the intervals lie that the ventilator's own time made, s, shape (n,).

    Screens round the rate and starts fall between samples; beyond that a ventilator keeps its time as well as most of
    its intervals show, and a breath that comes earlier than they ever do was triggered.
    """
    at_most = KEPT_TIME_S + KEPT_SHARE * period_s
    off = interval_s - period_s
    off = off[np.abs(off) < at_most]
    if len(off) < PUNCTUAL:
        return at_most
    usual = float(np.median(off))
    spread = max(1.48 * float(np.median(np.abs(off - usual))), 0.5 * dt)
    return np.asarray(np.minimum(at_most, abs(usual) + CHANCE * spread), np.float64)


def on_a_grid(start_s: Samples, period_s: float) -> npt.NDArray[np.bool_]:
    """True for starts that lie whole periods from at least two others within six periods, shape (n,).

    Synchronised mandatory breaths have cycles of fixed length: one that no effort claims comes when its cycle ends, and
    those ends form a grid; triggered ones lie anywhere before. The set rate is rounded on a screen, so the period that
    fits best within 1.5 % is taken.
    """
    apart = start_s[:, None] - start_s[None, :]
    near = (np.abs(apart) < (GRID_CYCLES + 0.5) * period_s) & (np.abs(apart) > 0.5 * period_s)

    def mates(period: float) -> npt.NDArray[np.bool_]:
        return near & (np.abs(apart - np.round(apart / period) * period) < KEPT_TIME_S)

    best = max(period_s * (1 + GRID_SLACK * np.arange(-15, 16)), key=lambda period: int(mates(period).sum()))
    return np.asarray(mates(best).sum(axis=1) >= 2, bool)


def triggers(
    start_s: Samples,
    interval_s: Samples,
    period_s: Samples,
    within_s: Samples,
    rising: Samples,
    plan: Plan,
    delivery: Codes,
) -> Codes:
    """What began each breath: :data:`PATIENT`, :data:`MACHINE`, or −1 where it can't be told.

    A ventilator that keeps time begins a breath when its period is over, or later (after a hold); a breath before that
    was triggered. A breath that was awaited while the rate was changed may come by the old period or by the new one;
    between the two flow decides. Where mandatory breaths are mixed with supported ones they are the machine's if they
    lie on its grid (:func:`on_a_grid`). Without a period nothing is kept: then the course of flow before the start
    decides.
    """
    by_flow = np.where(np.isfinite(rising), np.where(rising > RISING, PATIENT, MACHINE), -1)
    cycled = plan.mixed & np.isfinite(period_s) & (delivery != SUPPORT) & (delivery != UNASSISTED)
    if cycled.any():
        by_flow[cycled] = np.where(on_a_grid(start_s[cycled], float(np.median(period_s[cycled]))), MACHINE, PATIENT)
    awaited = np.concatenate([period_s[:1], period_s[:-1]])
    early = interval_s < period_s - within_s
    by_time = np.where(early & ~(np.abs(interval_s - awaited) < within_s), PATIENT, MACHINE)
    by_time = np.where(early & (interval_s >= awaited + within_s), by_flow, by_time)
    timed = np.isfinite(period_s) & np.isfinite(interval_s) & ~plan.mixed
    out = np.where(timed, by_time, by_flow)
    spontaneous = plan.spontaneous_only | (delivery == SUPPORT) | (delivery == UNASSISTED)
    return np.where(spontaneous, PATIENT, out).astype(np.int8)


def deliveries(
    rise: Samples,
    pressure_range: Samples,
    flow_range: Samples,
    end_share: Samples,
    size: Samples,
    inspiratory_time_s: Samples,
    plan: Plan,
) -> Codes:
    """How each inflation was delivered, by what is set and by its shape; −1 where it can't be told."""
    held = pressure_range < FLAT * rise
    flat_flow = (flow_range < 1.5 * FLAT) & (end_share > SUSTAINED)
    unassisted = rise < np.minimum(np.maximum(1.0, 0.15 * size), 2.0)
    shape = np.where(flat_flow & ~held, VOLUME, np.where(held, PRESSURE, UNKNOWN))
    shape = np.where(flat_flow & held, UNKNOWN, shape)
    shape = np.where(unassisted, UNASSISTED, shape)
    single = np.where(plan.spontaneous_only, plan.support, plan.mandatory)
    single = np.where(contradicted(single, shape, plan), shape, single)
    out = np.where(plan.known & ~plan.mixed, single, shape)
    nearer_support = np.abs(rise - plan.support_cmh2o) < np.abs(rise - plan.control_cmh2o)
    timed = np.abs(inspiratory_time_s - plan.inspiratory_time_s) < KEPT_TIME_S
    supported = np.where(
        plan.mandatory == VOLUME, held, np.where(np.isfinite(plan.control_cmh2o), nearer_support, ~timed)
    )
    out = np.where(plan.known & plan.mixed, np.where(supported, plan.support, plan.mandatory), out)
    return np.where(plan.unassisted & unassisted, UNASSISTED, out).astype(np.int8)


def contradicted(delivery: Codes, shape: Codes, plan: Plan) -> npt.NDArray[np.bool_]:
    """True for breaths that a set kind does not fit, where it fits hardly any breath of that kind, shape (n,).

    Constant flow under rising pressure is no pressure control; a held pressure under falling flow is no volume control
    with a constant flow. Falling flow that is set may hold the pressure by chance, so there nothing is contradicted.
    """
    out = np.zeros(len(delivery), np.bool_)
    for kind, seen, among in (
        (VOLUME, PRESSURE, plan.constant_flow),
        (PRESSURE, VOLUME, True),
        (TARGETED, VOLUME, True),
    ):
        of_kind = plan.known & ~plan.mixed & (delivery == kind) & among
        against = of_kind & (shape == seen)
        if against.sum() > max(FEWEST_AGAINST, NEARLY_ALL * of_kind.sum()):
            out |= against
    return out


def cyclings(delivery: Codes, end_share: Samples, inspiratory_time_s: Samples, plan: Plan) -> Codes:
    """What ended each inflation: :data:`PATIENT` (flow) or :data:`MACHINE` (time, volume, pressure); −1 unknown.

    Support ends by flow, unless it ran as long as the longest while flow was still well above the set share: then time
    ended it.
    """
    out = np.full(len(delivery), -1, np.int8)
    out[(delivery == VOLUME) | (delivery == PRESSURE) | (delivery == TARGETED) | (delivery == HIGH_LEVEL)] = MACHINE
    out[(delivery == SUPPORT) | (delivery == UNASSISTED)] = PATIENT
    longest = np.max(inspiratory_time_s, initial=0.0)
    limited = (inspiratory_time_s > longest - KEPT_TIME_S) & (end_share > plan.cycling + 0.15)
    out[(delivery == SUPPORT) & limited] = MACHINE
    return out


def mandatories(delivery: Codes, trigger: Codes, plan: Plan) -> Codes:
    """1 for mandatory breaths, 0 for spontaneous ones, −1 where it can't be told."""
    out = np.full(len(delivery), -1, np.int8)
    out[(delivery == VOLUME) | (delivery == TARGETED) | (delivery == HIGH_LEVEL)] = 1
    out[(delivery == PRESSURE) & (plan.known | (trigger == MACHINE))] = 1
    out[(delivery == SUPPORT) | (delivery == UNASSISTED) | plan.spontaneous_only] = 0
    return out
