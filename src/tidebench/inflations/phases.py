"""Where the ventilator inflates: start and turn of every inflation, from the physics of source and valve.

Between inflations the expiratory valve holds the airway on a line, p = baseline + valve·(−flow). An inflation lifts
the pressure off that line, or drives a flow that no resting airway has, or both. It lasts until neither is so: a pause
or hold keeps the pressure up without flow; a starving patient keeps the flow without pressure. An effort that gets no
inflation pulls the pressure below the line and draws what base flow gives: it does neither. Where the mode leaves
breaths between inflations to the patient alone, one that draws some volume counts too, however slow its flow.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.inflations.delivery import KEPT_TIME_S
from tidebench.inflations.levels import Levels
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

BEGIN = 0.40  # share of the local size of inflations that begins one, in pressure or flow
STAY = 0.25  # share that keeps one going
OCCLUDED_FLOW = 0.06  # a flow smaller than this share is none
OCCLUDED_PRESSURE = 0.06  # pressure off the line by more than this share, without flow: held
LEAST_INFLATION_S = 0.10
LEAST_REST_S = 0.06
DRAWN_S = 0.05  # of the local flow scale: the volume from which an unassisted breath is one
EDGE_S = 0.15  # how far before a crossing its edge may begin
SLOPE_S = 0.02  # over which slopes are taken
RESUMED = 0.1  # of the local sizes by which pressure and flow together rise where a stacked inflation begins
STEP, STEP_HOPS = 1.0, 4  # cmH2O by which pressure at rest changes where PEEP is moved, and how near
AS_GIVEN = 0.75  # of the mean flow of inflations: what comes slower, the ventilator doesn't give
BRIEF = 0.5  # of the time set for a high level: what is shorter is none
LONGER = 1.5  # of the time set: what half of all inflations stay below, where it is kept
RESUMED_S = 0.04  # over which levels before and after that rise are taken


@kernel
def smooth(x: Samples, width: int) -> Samples:
    """Centred moving mean over ``width`` (odd) samples; NaN where any of them is."""
    n = len(x)
    half = width // 2
    out = np.full(n, np.nan)
    if n < width:
        return out
    for i in range(half, n - half):
        total = 0.0
        for k in range(i - half, i + half + 1):
            total += x[k]
        out[i] = total / width
    for i in range(half):
        out[i] = x[i]
        out[n - 1 - i] = x[n - 1 - i]
    return out


@kernel
def find_phases(  # noqa: PLR0912, PLR0915 - one pass over the samples
    p: Samples,
    f: Samples,
    hop: int,
    baseline: Samples,
    size: Samples,
    flow: Samples,
    flow_baseline: Samples,
    valve: float,
    least_drawn: Samples,
    least_inflation: int,
    least_rest: int,
    reach: int,
    lag: int,
) -> tuple[Indices, Indices]:
    """First sample of every inflation and first sample after it, from smoothed pressure and flow.

    ``least_drawn``, by hop, is the flow that a breath without pressure has to sum up to (L/s times samples), infinite
    where the mode has none. An inflation that has raised the pressure before an edge within ``reach`` is slow, and
    begins where its flow began.

    An inflation cut off by a gap or by the end of the recording ends with the last sample before that: nothing is left
    of it to measure, but the breath before it ends where it starts.
    """
    n = len(p)
    begins = np.empty(n // max(1, least_inflation) + 1, np.int64)
    ends = np.empty(n // max(1, least_inflation) + 1, np.int64)
    count = 0
    inflating = False
    begin = 0
    exhaled = False
    out_since = -1
    rest_since = 0
    known = False  # a rest has been seen since the last gap
    drawing = False  # a breath that no pressure drives
    drawn = 0.0
    drawn_since = 0
    pushed_since = 0
    steepest, edge = 0.0, 0  # of such a breath so far
    for i in range(n):
        if not (np.isfinite(p[i]) and np.isfinite(f[i])):
            if inflating and i - begin >= least_inflation:
                begins[count] = begin
                ends[count] = i - 1
                count += 1
            inflating = False
            known = False
            rest_since = i + 1
            continue
        g = i // hop
        breath_flow = f[i] - flow_baseline[g]
        lift = (p[i] - baseline[g] - valve * max(0.0, -f[i])) / size[g]
        drive = breath_flow / flow[g]
        if drive <= 0.0:
            drawn_since = i + 1
        if drive > OCCLUDED_FLOW:
            drawn += breath_flow
        else:
            drawn = 0.0
        if f[i] <= OCCLUDED_FLOW * flow[g] or lift <= 0.0:  # a long inflation's own flow is in its baseline
            pushed_since = i + 1
        begins_now = (lift > BEGIN and drive > -OCCLUDED_FLOW) or drive > BEGIN or lift + drive > 1.5 * BEGIN
        if inflating and drawing:
            slope = (p[i] - p[max(begin, i - lag)]) / size[g] + (f[i] - f[max(begin, i - lag)]) / flow[g]
            if slope > steepest:
                steepest, edge = slope, max(begin, i - lag)
            if lift > BEGIN:  # an inflation stacks on the patient's own breath: it begins at the steepest edge
                begin, drawing, exhaled, out_since = edge, False, False, -1
        if not inflating:
            drawing = not begins_now or (lift <= STAY and np.isfinite(least_drawn[g]))
            if begins_now or drawn > least_drawn[g]:
                if known and i - rest_since >= least_rest:
                    inflating = True
                    exhaled = False
                    begin = i
                    if drawing and np.isfinite(least_drawn[g]):
                        begin = max(drawn_since, rest_since)
                    elif i - pushed_since > reach and p[i - reach] - p[pushed_since] > OCCLUDED_PRESSURE * size[g]:
                        begin = max(pushed_since, rest_since)
                    steepest, edge = 0.0, begin
                    out_since = -1
            else:
                known = True
        else:
            if drive < -OCCLUDED_FLOW:
                exhaled = True
            held = not exhaled and abs(drive) < OCCLUDED_FLOW and lift > OCCLUDED_PRESSURE
            if lift > STAY or drive > STAY or held or (drawing and drive > OCCLUDED_FLOW):
                out_since = -1
            elif out_since < 0:
                out_since = i
            if out_since >= 0 and i - out_since + 1 >= least_rest:
                inflating = False
                rest_since = out_since
                if out_since - begin >= least_inflation:
                    begins[count] = begin
                    ends[count] = out_since
                    count += 1
    if inflating and n - begin >= least_inflation:
        begins[count] = begin
        ends[count] = n - 1
        count += 1
    return begins[:count].copy(), ends[:count].copy()


@kernel
def sharpen(
    p: Samples,
    f: Samples,
    crossings: Indices,
    hop: int,
    size: Samples,
    flow: Samples,
    reach: int,
    lag: int,
    sign: float,
) -> Indices:
    """Move each crossing to the foot of its edge: the last sample before pressure and flow move fast.

    ``sign`` is +1 for a start (both rise) and −1 for a turn (both fall). The edge's foot is where its slope over
    ``lag`` samples has fallen to a fifth of its steepest within ``reach`` samples before the crossing.
    """
    out = crossings.copy()
    for k in range(len(crossings)):
        i = crossings[k]
        g = i // hop
        steepest = 0.0
        at = i
        for j in range(max(lag, i - reach), min(len(p), i + lag + 1)):
            slope = sign * ((p[j] - p[j - lag]) / size[g] + (f[j] - f[j - lag]) / flow[g])
            if slope > steepest:
                steepest = slope
                at = j
        j = at
        while j - lag > max(0, i - reach):
            slope = sign * ((p[j] - p[j - lag]) / size[g] + (f[j] - f[j - lag]) / flow[g])
            if slope < 0.2 * steepest:
                break
            j -= 1
        out[k] = j if steepest > 0 else i
    return out


def detect(
    p: Samples, f: Samples, rate_hz: float, levels: Levels, unassisted: npt.NDArray[np.bool_]
) -> tuple[Indices, Indices]:
    """Starts and turns of all inflations of a stretch: :func:`find_phases` on smoothed signals, then sharpened.

    ``unassisted``, by hop, is True where the mode leaves breaths between inflations to the patient alone.
    """
    width = 2 * round(0.015 * rate_hz) // 2 * 2 + 1
    reach, lag = round(EDGE_S * rate_hz), max(1, round(SLOPE_S * rate_hz))
    begins, ends = find_phases(
        smooth(p, width), smooth(f, width), levels.hop, levels.baseline, levels.pressure, levels.flow,
        levels.flow_baseline, levels.valve, np.where(unassisted, DRAWN_S * rate_hz * levels.flow, np.inf),
        round(LEAST_INFLATION_S * rate_hz), max(1, round(LEAST_REST_S * rate_hz)), reach, lag,
    )  # fmt: skip
    start = sharpen(p, f, begins, levels.hop, levels.pressure, levels.flow, reach, lag, 1.0)
    turn = sharpen(p, f, ends, levels.hop, levels.pressure, levels.flow, reach, lag, -1.0)
    apart = np.append(start[:-1] < start[1:], True)[: len(start)]  # one edge begins one inflation
    return start[apart], turn[apart]


@kernel
def passing(p: Samples, f: Samples, first: Indices, last: Indices) -> tuple[Samples, Samples]:
    """Highest pressure and mean flow of each piece; −inf and NaN where it is empty."""
    n = len(first)
    highest, flow = np.full(n, -np.inf), np.full(n, np.nan)
    for j in range(n):
        total = 0.0
        for i in range(first[j], last[j]):
            highest[j] = max(highest[j], p[i])
            total += f[i]
        if last[j] > first[j]:
            flow[j] = total / (last[j] - first[j])
    return highest, flow


def delivered(
    p: Samples,
    f: Samples,
    rate_hz: float,
    levels: Levels,
    begins: Indices,
    ends: Indices,
    lasts_s: Samples,
    support_cmh2o: Samples,
) -> tuple[Indices, Indices]:
    """Starts and turns, without what efforts draw from base flow where every inflation is the ventilator's.

    In a newborn base flow is as large as an inflation's. What is drawn of it lifts pressure nowhere, and comes slower
    than the ventilator gives. It is no inflation, nor is it the beginning of one that lasts longer than set by it,
    ``lasts_s`` (NaN where nothing is); nor is what comes fast, where it lasts shorter than set and pressure is lifted
    after it alone. Nor is what lifts pressure by less than a quarter of the support that every breath is set to get,
    ``support_cmh2o`` (NaN where that isn't so), however fast it comes. A starved inflation has its flow all the same,
    and a hold its pressure. Where PEEP is moved, it is the ventilator that fills the lung.
    """
    g = begins // levels.hop
    least = levels.baseline[g] + BEGIN * levels.pressure[g]
    highest, flow = passing(p, f, begins, ends)
    lifted = highest >= least
    given = flow / levels.flow[g]
    usual = np.median(given[lifted]) if lifted.any() else -np.inf
    timed = np.isfinite(lasts_s)
    due = ends - np.round(np.nan_to_num(lasts_s) * rate_hz).astype(np.int64)
    due = np.where(timed & (due - begins > KEPT_TIME_S * rate_hz), due, begins)
    high_before, flow_before = passing(p, f, begins, due)
    near = np.clip(g[:, None] + np.arange(-STEP_HOPS, STEP_HOPS + 1), 0, len(levels.baseline) - 1)
    still = np.ptp(levels.baseline[near], axis=1) < STEP
    settled = timed & still
    slower = flow_before < AS_GIVEN * passing(p, f, due, ends)[1]
    no_room = lifted & (due - begins < np.nan_to_num(lasts_s) * rate_hz)
    early = settled & (high_before < least) & (slower | no_room)
    unsupported = still & (highest < levels.baseline[g] + STAY * support_cmh2o)
    kept = ~(settled & ~lifted & (given < AS_GIVEN * usual)) & ~unsupported
    return np.where(early, due, begins)[kept], ends[kept]


def unstacked(
    p: Samples, f: Samples, rate_hz: float, levels: Levels, begins: Indices, ends: Indices, lasts_s: Samples
) -> tuple[Indices, Indices]:
    """Starts and turns, those taken apart where time-cycled inflations follow at once on each other.

    A strong effort draws gas all the while between two inflations, so that neither pressure nor flow comes to rest. But
    time ends each of them: what lasts more than twice as long as set, ``lasts_s`` (NaN where nothing is, or where that
    changes between the two), and less than three with their rests, holds two, the second begun that long before the
    turn. Gas passes all through it, unlike a hold; and either pressure and flow rise once more there, or the other
    inflations show that the time set is kept: a starved second one has no edge.
    """
    lasts = lasts_s * rate_hz
    width, rest = max(1, round(RESUMED_S * rate_hz)), LEAST_REST_S * rate_hz
    times = (ends - begins) / lasts
    kept = bool(np.nanmedian(times) < LONGER) if np.isfinite(times).any() else False
    wanted = (ends - begins >= 2 * lasts + rest) & (ends - begins < 3 * lasts + 2 * rest)
    starts, turns = [begins], [ends.copy()]
    for k in np.flatnonzero(wanted):
        second, g = int(ends[k] - round(lasts[k])), begins[k] // levels.hop
        around = slice(second - 2 * width, second + 3 * width)
        level = smooth(p[around] / levels.pressure[g] + f[around] / levels.flow[g], width | 1)
        risen = np.nanmax(level[2 * width :] - level[: -2 * width]) > RESUMED
        if (risen or kept) and np.mean(f[second : ends[k]]) > STAY * levels.flow[g]:
            starts.append(np.array([second]))
            turns.append(ends[k : k + 1])
            turns[0][k] = begins[k] + round(lasts[k])
    return np.sort(np.concatenate(starts)), np.sort(np.concatenate(turns))


def high_levels(
    p: Samples, rate_hz: float, begins: Indices, ends: Indices, lasts_s: Samples
) -> tuple[Indices, Indices]:
    """Starts and turns without inflations that support a patient on the lower of two levels.

    A breath on two levels is a change to the high one and back. What is much shorter than the high level is set to
    last, ``lasts_s`` (NaN where there are no two levels), supports an effort within a level; unless a gap or the
    end of the recording cuts it short.
    """
    least = np.nan_to_num(BRIEF * lasts_s * rate_hz).astype(np.int64)
    missing = np.concatenate([[0], np.cumsum(~np.isfinite(p))])
    cut = (begins + least > len(p)) | (missing[np.minimum(begins + least, len(p))] > missing[begins])
    kept = cut | (ends - begins >= least)
    return begins[kept], ends[kept]
