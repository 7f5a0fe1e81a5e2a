"""One stretch of samples, whole: from pressure and flow to everything known of each breath, as columns.

Columns are arrays over breaths in canonical units (s, cmH2O, L, L/s); tables are made of them at the end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tidebench.efforts.edges import in_time
from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME
from tidebench.efforts.explain import EFFORT, Explained, explain
from tidebench.efforts.settled import PASSES
from tidebench.efforts.stretch import Stretch, loss_flow, unleaked
from tidebench.formulas.tube import TubeLaw
from tidebench.inflations import delivery as kinds
from tidebench.inflations.delivery import Plan
from tidebench.inflations.holds import Still, find_still
from tidebench.inflations.leak import Loss, as_offset, balance, windowed
from tidebench.inflations.levels import find_levels
from tidebench.inflations.lost import while_kept
from tidebench.inflations.phases import delivered, detect, high_levels, unstacked
from tidebench.inflations.pushes import find_pushes
from tidebench.inflations.rest import quiet_stretch
from tidebench.kernels import kernel
from tidebench.measures.saturation import FLOW as FLOW_CLIPPED
from tidebench.measures.saturation import clipped_breaths
from tidebench.measures.stress import FLAT_FLOW, stress_indices
from tidebench.measures.sweep import COLUMNS, sweep, usual_lag

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

HELD_ENOUGH_S = 0.5  # of an inspiratory hold belongs to the equation of motion; later, tissue relaxes
LONGEST_QUIET_S = 0.5
STOPPING_S = 0.08  # before flow is none it has begun to stop
FEWEST_BREATHS = 5
"""Below, what a lung still takes up as it fills can't be told from a leak or a sensor's zero, nor a fit from chance:
this house's choice."""
SETTLED_BREATHS, ALIKE = 15, 0.02
"""From so many breaths on, lungs that fill at first don't matter; in shorter recordings what the breaths lose
together and what the median one loses must agree within this share of the inhaled volume: this house's choice."""
NO_TOTAL, FITTED, RESTED, UNTOLD, RESTLESS = 0, 1, 2, 3, 4
"""Total PEEP unknown, by the fit, from the rest before, not to be told of parts that empty at different speeds, and not
to be told where there was no rest before."""
PULLED_CMH2O = 1.0  # below the pressure between inflations: an effort holds against what is trapped
LET_OUT = 0.5  # of the breath before: with less, this inflation is stacked on it
TRAPPED_CMH2O = 1.0  # from here on what slow parts still hold is more than an estimate's error: this house's choice
LEAST_TRACE = 0.05
"""Of the pressure of inflations: where elastance alone explains less, a misfit of a hundredth, which no gauge shows,
moves it by a fifth: this house's choice."""
LEAVING = 0.4
"""cmH2O that the flow at the end of expiration costs: slow parts, whose own resistance is higher than the whole's, hold
about twice as much (in simulations up to 2.1 times)."""
BENT = 0.9  # stress index below which the curve bends down, as one linear compartment's never does
WHOLE_SHARE = 0.6  # of the usual expiration must be there for a breath that a gap or the end cuts short
Column = npt.NDArray[Any]  # float64, int64 or int8, by name


@dataclass(frozen=True)
class Bounds:
    """Breaths of a stretch as sample indices, shape (n,); ``joined`` is True where the one before is its neighbour,
    ``whole`` where neither a gap nor the end of the recording cuts its expiration short.
    """

    start: Indices
    turn: Indices
    end: Indices
    joined: npt.NDArray[np.bool_]
    whole: npt.NDArray[np.bool_]


@kernel
def first_gap(p: Samples, f: Samples, begin: Indices, until: Indices) -> Indices:
    """First missing sample between each pair of indices; ``until`` where none is."""
    out = until.copy()
    for j in range(len(begin)):
        for i in range(begin[j], until[j]):
            if not (np.isfinite(p[i]) and np.isfinite(f[i])):
                out[j] = i
                break
    return out


def whole_breaths(p: Samples, f: Samples, start: Indices, turn: Indices) -> Bounds:
    """Breaths from inflations: each ends where the next starts; those that a gap or the end cuts short are left out,
    unless most of their expiration is there.
    """
    if not len(start):
        return Bounds(start, turn, start.copy(), np.zeros(0, bool), np.zeros(0, bool))
    following = np.append(start[1:], len(p))
    end = first_gap(p, f, turn, following)
    cut = (end < following) | (np.arange(len(start)) == len(start) - 1)
    usual = np.median((end - turn)[~cut]) if np.any(~cut) else 0.0
    keep = ~cut | ((end - turn) >= WHOLE_SHARE * usual) & (usual > 0)
    joined = np.concatenate([[False], ~cut[:-1] & keep[:-1]])[keep]
    return Bounds(start[keep], turn[keep], end[keep], joined, ~cut[keep])


def before(x: Samples, joined: npt.NDArray[np.bool_]) -> Samples:
    """The value of the breath before, NaN where that breath is not its neighbour."""
    return np.where(joined, np.concatenate([[np.nan], x[:-1]]), np.nan) if len(x) else x.copy()


def trustworthy(x: Samples) -> Samples:
    """The samples as contiguous floats with zeros for gaps, for kernels that look only inside breaths."""
    return np.nan_to_num(x, nan=0.0)


@dataclass(frozen=True)
class Measured:
    """A stretch measured: columns over its breaths, and what the stages found on the way."""

    columns: dict[str, Column]
    explained: Explained
    still: Still
    stretch: Stretch

    def __len__(self) -> int:
        return len(self.columns["start"])


PlanAt = Callable[[Indices], Plan]


def swept(
    stretch: Stretch, still: Still, explained: Explained, first: Indices, last: Indices, bi_level: bool
) -> dict[str, Column]:
    """The columns of :mod:`tidebench.measures.sweep`, leak fraction and sensor lag."""
    lost = loss_flow(stretch, explained.loss)
    lag = usual_lag(stretch.flow, stretch.turn, stretch.end, stretch.dt)
    table = sweep(
        stretch.pressure, stretch.flow, lost, explained.loss.offset, stretch.start, still.pause, stretch.turn,
        stretch.end, first, last, stretch.dt, lag, bi_level,
    )  # fmt: skip
    columns: dict[str, Column] = {name: table[:, k] for k, name in enumerate(COLUMNS)}
    inhaled, exhaled = windowed(table[:, 4]), windowed(table[:, 5])
    columns["leak_fraction"] = np.where(inhaled > 0, 1 - exhaled / np.where(inhaled > 0, inhaled, 1), np.nan)
    columns["lag"] = np.full(len(table), lag)
    columns["leak"] = explained.loss.leak
    columns["offset"] = explained.loss.offset
    columns["exponent"] = np.full(len(table), explained.loss.exponent)
    beyond = explained.loss.across is not stretch.pressure
    columns["beyond_tube"] = np.full(len(table), beyond and explained.loss.leaking, np.int8)
    return columns


def loss_shows(p: Samples, f: Samples, start: Indices, end: Indices, dt: float) -> bool:
    """True where enough breaths lose alike to tell a leak or an offset from lungs that still fill.

    Those take up much at first and then less and less, so that the breaths together lose more than the median one.
    """
    net, inhaled, _ = balance(p, f, start, end, dt, 0.0)
    some = inhaled > 0
    if some.sum() < FEWEST_BREATHS:
        return False
    together = float(net.sum() / inhaled.sum())
    return bool(some.sum() >= SETTLED_BREATHS or abs(together - np.median(net[some] / inhaled[some])) <= ALIKE)


def kinded(stretch: Stretch, still: Still, plan: Plan, columns: dict[str, Column]) -> dict[str, Column]:
    """Delivery, trigger, cycling and mandatory, as codes."""
    joined = columns["joined"] == 1
    peep = before(columns["rest_pressure"], joined)
    peep = np.where(np.isfinite(peep), peep, columns["rest_pressure"])
    stopping = still.pause - round(STOPPING_S * stretch.rate_hz)
    flow_end = np.where(still.pause < stretch.turn, np.maximum(stopping, stretch.start + 1), stretch.turn)
    rise, pressure_range, flow_range, end_share = kinds.shapes(
        stretch.pressure, stretch.flow, stretch.start, flow_end, peep, stretch.dt
    )
    seconds: Samples = np.asarray((stretch.turn - stretch.start) * stretch.dt, np.float64)
    delivery = kinds.deliveries(rise, pressure_range, flow_range, end_share, stretch.size, seconds, plan)
    turn_before = np.where(joined, np.concatenate([[0], stretch.turn[:-1]]), stretch.start)
    rising = kinds.onset(stretch.flow, stretch.start, turn_before, stretch.rate_hz) / stretch.drive
    trigger = kinds.triggers(
        np.asarray(stretch.start * stretch.dt, np.float64),
        columns["interval"],
        columns["period"],
        columns["kept_within"],
        rising,
        plan,
        delivery,
    )
    return {
        "peep": peep,
        "rise": rise,
        "flow_range": flow_range,
        "rising": rising,
        "delivery": delivery,
        "trigger": trigger,
        "cycling": kinds.cyclings(delivery, end_share, seconds, plan),
        "mandatory": kinds.mandatories(delivery, trigger, plan),
        "set_peep": plan.peep_cmh2o,
        "set_delivery": np.where(plan.known & ~plan.mixed & ~plan.spontaneous_only, plan.mandatory, kinds.UNKNOWN),
    }


def described(explained: Explained, columns: dict[str, Column]) -> Mask:
    """Breaths whose lung one compartment describes, shape (n,).

    It does not where breaths agree with each other but not with the equation; where pressure bends down under constant
    flow, as parts do that fill at different speeds, though their expiration may look like one exponential (a heartbeat
    in step with the breaths bends it too); and where what the equation leaves of the average breath could pass for a
    share of recoil.
    """
    described = np.array([lung.one_compartment for lung in explained.lungs] or [False])[np.maximum(explained.lung, 0)]
    known = columns["stress_index"][np.isfinite(columns["stress_index"])]
    loud = any(lung.loud for lung in explained.lungs)
    if not loud and len(known) >= FEWEST_BREATHS and np.median(known) < BENT:
        described &= False
    return np.asarray(described & ~(explained.misfit > PASSES * explained.trace), bool)


def restless(columns: dict[str, Column], outward: Samples) -> Mask:
    """Breaths before which neither lung nor patient came to rest, shape (n,).

    The inflation is stacked on one that was hardly let out; or an effort pulls, and flow near zero is no rest: the
    pressure before is below what it is between inflations, or gas already comes in and costs as much as an effort is
    (``outward``, what the flow before costs, cmH2O).
    """
    joined = columns["joined"] == 1
    inhaled, exhaled = before(columns["vti"], joined), before(columns["vte"], joined)
    pulled = columns["peep"] < columns["between"] - PULLED_CMH2O
    return np.asarray(pulled | (outward < -EFFORT) | (exhaled < LET_OUT * inhaled), bool)


def mechanics(explained: Explained, columns: dict[str, Column]) -> dict[str, Column]:
    """Passive or not, elastance, resistances, total PEEP and where it comes from.

    ``uneven`` is 1 where one compartment does not describe the lung (:func:`described`, or its average breath says so),
    ``hidden`` where besides the elastance leaves too small a trace of its own to be told from what the equation leaves
    out, or two compartments leave it too wide: it is NaN then. ``elastance_low`` and ``elastance_high`` are its bounds.

    On a passive breath total PEEP is the equation's P0, if one compartment describes the lung. Else, and on a breath
    with effort, it is the pressure at rest before the breath plus what the flow that still left cost in resistance,
    and the recoil of what has moved since: an effort draws gas before it triggers.
    Without a lung it is not known: flow near zero may be rest, or an effort that holds against trapped gas. Nor is it
    with clipped samples, nor where an uneven lung traps gas by either estimate, in this breath or in most: what is
    still in its slow parts doesn't show in the flow.
    """
    theta = explained.theta
    joined = columns["joined"] == 1
    leaving = before(columns["end_expiratory_flow"], joined)
    outward = theta[:, FLOW] * leaving + theta[:, SQUARE] * leaving * np.abs(leaving) + theta[:, EXPIRATION] * leaving
    since = theta[:, VOLUME] * before(columns["moved_since"], joined)
    recoil = before(columns["rest_pressure"], joined) + outward + since
    faint = explained.trace < LEAST_TRACE * columns["size"]
    even = described(explained, columns) & ~explained.hidden
    fitted = np.isfinite(explained.intercept) & (even | ~np.isfinite(recoil))
    total = np.where(fitted, explained.intercept, recoil)
    total[columns["clipped"] > 0] = np.nan
    uneven = (explained.lung >= 0) & ~even
    trapped = np.fmax(total, explained.intercept) - columns["peep"] > TRAPPED_CMH2O
    untold = uneven & (trapped | (outward > LEAVING))
    if 2 * untold.sum() > uneven.sum():
        untold = uneven
    hidden = (uneven & faint) | explained.hidden
    of_parts = untold & explained.parts & ~hidden & np.isfinite(explained.intercept)
    fitted, untold = fitted | of_parts, untold & ~of_parts
    total[of_parts] = explained.intercept[of_parts]
    total[untold] = np.nan
    never = ~fitted & ~untold & restless(columns, outward)
    total[never] = np.nan
    doubted = np.full(len(hidden), explained.loss_in_doubt)
    elastance = np.where(hidden | doubted, np.nan, explained.elastance)
    origin = np.select([untold, never, ~np.isfinite(total), fitted], [UNTOLD, RESTLESS, NO_TOTAL, FITTED], RESTED)
    return {
        "passive": explained.passive,
        "lung": explained.lung,
        "uneven": (uneven | explained.parts).astype(np.int8),
        "hidden": hidden.astype(np.int8),
        "loss_in_doubt": doubted.astype(np.int8),
        "elastance": elastance,
        "elastance_low": np.where(np.isfinite(elastance), explained.low, np.nan),
        "elastance_high": np.where(np.isfinite(elastance), explained.high, np.nan),
        "resistance": np.where(explained.passive == 1, theta[:, FLOW], np.nan),
        "square": np.where(explained.passive == 1, theta[:, SQUARE], np.nan),
        "expiration": np.where(explained.passive == 1, theta[:, EXPIRATION], np.nan),
        "lung_elastance": theta[:, VOLUME],
        "lung_resistance": theta[:, FLOW],
        "lung_square": theta[:, SQUARE],
        "lung_expiration": theta[:, EXPIRATION],
        "total_peep": total,
        "recoil": np.where(np.isfinite(explained.intercept), explained.intercept, recoil),
        "total_peep_from": origin.astype(np.int8),
        "residual": explained.residual,
    }


def measure(
    p: Samples, f: Samples, rate_hz: float, plan_at: PlanAt, tube: TubeLaw | None = None, apart: int = 1
) -> Measured | None:
    """Measure one stretch; None where it holds no whole breath.

    Parameters
    ----------
    p, f : ndarray, shape (n,)
        Airway pressure (cmH2O) and flow (L/s), NaN in gaps.
    plan_at : callable
        From start samples to the :class:`Plan` of what was set then.
    tube : TubeLaw or None
        The tube's published law, where one is known.
    apart : int
        Samples from one to the next that has noise of its own.
    """
    if np.isfinite(p).sum() < rate_hz:
        return None
    p, f = while_kept(p, f, rate_hz, lambda at: plan_at(at).peep_cmh2o)
    levels = find_levels(p, f, rate_hz)
    alone = plan_at(levels.hop * np.arange(len(levels.flow))).unassisted
    begins, turns = detect(p, f, rate_hz, levels, alone)
    plan = plan_at(begins)
    begins, turns = delivered(p, f, rate_hz, levels, begins, turns, plan.time_cycled_s, plan.supported_by_cmh2o)
    lasts = plan_at(begins).time_cycled_s
    second = turns - np.round(np.nan_to_num(lasts) * rate_hz).astype(np.int64)
    steady = np.where(plan_at(np.maximum(second, begins)).time_cycled_s == lasts, lasts, np.nan)
    begins, turns = unstacked(p, f, rate_hz, levels, begins, turns, steady)
    bounds = whole_breaths(p, f, *high_levels(p, rate_hz, begins, turns, plan_at(begins).high_level_s))
    if not len(bounds.start):
        return None
    start, turn, end = bounds.start, bounds.turn, bounds.end
    clipped = clipped_breaths(p, f, start, end)
    p, f = trustworthy(p), trustworthy(f)
    size, drive = levels.pressure[start // levels.hop], levels.flow[start // levels.hop]
    plan = plan_at(start)
    interval = before((end - start) / rate_hz, bounds.joined)
    period = kinds.kept_period(interval, plan.period_s)
    offset, material = as_offset(p, f, start, end, 1 / rate_hz)
    shown = not np.any(clipped & FLOW_CLIPPED) and loss_shows(p, f, start, end, 1 / rate_hz)
    if not shown:
        offset, material = Loss(np.zeros(len(start)), np.zeros(len(start)), 1.0, p), False
    still = find_still(
        p, f, rate_hz, start, turn, end, size, drive, offset.offset, plan.pause_s, np.where(plan.mixed, np.nan, period)
    )
    free = np.minimum(end, still.occluded)
    held = np.where(still.hold, np.minimum(turn, still.pause + round(HELD_ENOUGH_S * rate_hz)), turn)
    first, last, rest_pressure = quiet_stretch(p, f, start, turn, free, size, drive, round(LONGEST_QUIET_S * rate_hz))
    held, free = np.where(clipped > 0, start, held), np.where(clipped > 0, turn, free)
    within = kinds.kept_within(interval, period, 1 / rate_hz)
    timed = np.abs(interval - period) < within
    stretch = Stretch(p, f, rate_hz, start, held, turn, free, end, size, drive, timed, tube, apart)
    timely, delay_s = in_time(stretch)
    explained = explain(timely, offset, material, rest_pressure)
    columns: dict[str, Column] = {
        "start": start, "turn": turn, "end": end, "pause": still.pause, "occluded": still.occluded,
        "released": still.released, "pulled": still.pulled.astype(np.int8),
        "joined": bounds.joined.astype(np.int8), "whole": bounds.whole.astype(np.int8),
        "hold": still.hold.astype(np.int8), "size": size, "drive": drive,
        "rest_pressure": rest_pressure, "interval": interval, "period": period, "kept_within": within,
        "clipped": clipped, "delay": np.full(len(start), delay_s),
        "loss_shown": np.full(len(start), shown, np.int8), "between": levels.baseline[start // levels.hop],
    }  # fmt: skip
    columns["p01"] = before(still.p01, bounds.joined)
    columns |= swept(stretch, still, explained, first, last, bool(np.any(plan.mandatory == kinds.HIGH_LEVEL)))
    columns |= kinded(stretch, still, plan, columns)
    pushed = find_pushes(f, rate_hz, turn, end)[0] >= 0
    explained = explained.with_effort((columns["delivery"] == kinds.UNASSISTED) | pushed)
    constant = (columns["delivery"] == kinds.VOLUME) & (columns["flow_range"] < FLAT_FLOW)
    columns["constant_flow"] = constant.astype(np.int8)
    wanted = constant & (explained.passive == 1)
    columns["stress_index"] = stress_indices(
        p, start, np.where(still.pause < turn, still.pause - round(STOPPING_S * rate_hz), turn), stretch.dt, wanted
    )
    columns |= mechanics(explained, columns)
    return Measured(columns, explained, still, unleaked(timely, explained.loss))
