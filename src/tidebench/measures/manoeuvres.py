"""Holds measured: what an occlusion of the airway shows of the lung at rest, and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from tidebench.formulas.effort import (
    muscle_pressure_from_occlusion_cmh2o,
    transpulmonary_pressure_from_occlusion_cmh2o,
)
from tidebench.inflations.holds import LEAST_HOLD_S, PLATEAU_S
from tidebench.inflations.occlusions import early_fall_of, pulls_in
from tidebench.inflations.phases import smooth
from tidebench.measures.saturation import FLOW, PRESSURE
from tidebench.records import Hold

Samples = npt.NDArray[np.float64]

SETTLE_S = 0.05  # after flow stops, until the sensor has followed
DECAY_S = 0.30  # over which the first fall of pressure is carried back to the moment flow stopped
SHORTEST_S = 0.16  # of a closed airway, that samples are left to read once it has settled
BEFORE_S = 0.15  # before the airway closed, where an effort may have begun
EVEN_S = 0.03
STEADY = 0.5  # cmH2O by which the last second may drift
FEWEST = 4  # samples, of whose halves a line can be drawn
LOST = 0.05  # of what pressure rose by, that such a drift may take over the whole hold (this house's choice)
RESTLESS = 1.0  # cmH2O of movement that drift does not explain: an effort
NO_REST = ("effort", "leak", "not settled")
"""What leaves a plateau that isn't the lung's recoil: no driving pressure and no compliance by it."""
LENT_S, ALIKE = 180.0, 0.1
"""An expiratory hold tells total PEEP of breaths so long before and after it, if volume and expiratory time differ by
no more than that share (this house's choice).
"""
HEART_NEAR = np.linspace(0.94, 1.06, 13)  # a heart's rate over a hold, as a share of that over the recording
LEAST_BEATS, HARMONICS = 2.0, 4
TRAPPED = 10.0  # cmH2O of intrinsic PEEP from which an occlusion may hide more (Leatherman, Crit Care Med 1996;24:541)
BELOW_END = 0.98  # of a clipped peak: a pressure below it was within the sensor's range
BALLOON = (
    0.8,
    1.2,
)  # ratio of oesophageal to airway swings in an occluded effort (Baydur, Am Rev Respir Dis 1982;126:788)


def beats(p: Samples, count: int, rate_hz: float, heart_hz: float | None) -> Samples:
    """The last samples of a hold: ``PLATEAU_S``, or whole heartbeats nearest above it where a heart is heard."""
    if heart_hz is None:
        return p[-min(count, round(PLATEAU_S * rate_hz)) :]
    whole = np.ceil(PLATEAU_S * heart_hz) / heart_hz
    return p[-min(count, round(whole * rate_hz)) :]


def between_beats(p: Samples, rate_hz: float, heart_hz: float | None) -> Samples:
    """Pressure of a hold without what comes again with each heartbeat, of which a closed airway lets nothing escape.

    Least squares of level, drift and harmonics of the rate near the one heard that leaves least; as it is where there
    are not two beats.
    """
    if heart_hz is None or len(p) < LEAST_BEATS * rate_hz / heart_hz:
        return p
    time = np.arange(len(p)) / rate_hz
    best, found = np.inf, p
    for hz in heart_hz * HEART_NEAR:
        phases = 2.0 * np.pi * hz * np.outer(time, np.arange(1, HARMONICS + 1))
        columns = np.column_stack([np.ones(len(p)), time, np.cos(phases), np.sin(phases)])
        theta = np.linalg.lstsq(columns, p, rcond=None)[0]
        left = float(np.sum(np.square(p - columns @ theta)))
        if left < best:
            best, found = left, p - columns[:, 2:] @ theta[2:]
    return found


def quality(p: Samples, rate_hz: float, leak: bool, heart_hz: float | None, risen: float = np.inf) -> tuple[str, ...]:
    """Words on how still a hold was, from its last second; a heart that was heard may leave more.

    ``risen`` is what pressure rose by from PEEP, cmH2O: a drift in the later half that took some of it all the while
    makes it another.
    """
    if len(p) < FEWEST:
        return ("too short",)
    still = between_beats(p, rate_hz, heart_hz)
    last = still[-min(len(p), round(rate_hz)) :]
    index = np.arange(len(last)) - 0.5 * (len(last) - 1)
    slope = float(np.sum(index * last) / np.sum(index * index)) * len(last)
    left = last - np.mean(last) - slope / len(last) * index
    later = still[len(still) // 2 :]
    taken = len(still) * abs(float(np.polyfit(np.arange(len(later)), later, 1)[0]))
    words = []
    if len(p) < LEAST_HOLD_S * rate_hz:
        words.append("too short")
    if np.ptp(np.convolve(left, np.ones(5) / 5, "valid")) > RESTLESS * (2.5 if heart_hz else 1.0):
        words.append("effort")
    if abs(slope) > STEADY or taken > LOST * risen:
        words.append("leak" if leak and slope < 0 else "not settled")
    return tuple(words) or ("steady",)


def balloon_check(p: Samples, oesophageal: Samples | None) -> tuple[str, ...]:
    """The occlusion check: swings of oesophageal and airway pressure agree when a patient pulls on a closed airway."""
    if oesophageal is None or np.ptp(p) < 2.0:
        return ()
    ratio = float(np.polyfit(p, oesophageal, 1)[0])
    inside = BALLOON[0] <= ratio <= BALLOON[1]
    return (f"occlusion check of the oesophageal signal {'passed' if inside else 'failed'}: ratio {ratio:.2f}",)


def lent(j: int, c: Mapping[str, Samples], occlusions: Sequence[Hold], rate_hz: float) -> float | None:
    """Total PEEP by the nearest steady expiratory hold after a breath like the one before breath ``j``; None without.

    It is measured where a breath only tells it by a lung that was fitted, and holds for as long as nothing changes.
    """

    def alike(hold: Hold) -> bool:
        k, before = hold.breath, max(j - 1, 0)
        if hold.total_peep_cmh2o is None or hold.intrinsic_peep_cmh2o is None or hold.quality != ("steady",):
            return False
        emptied = c["start"][j] - c["turn"][before], c["occluded"][k] - c["turn"][k]
        filled = c["vti"][before], c["vti"][k]
        set_alike = abs(c["peep"][before] - (hold.total_peep_cmh2o - hold.intrinsic_peep_cmh2o)) <= STEADY
        return bool(set_alike and np.allclose([emptied[0], filled[0]], [emptied[1], filled[1]], rtol=ALIKE, atol=0.0))

    away = {abs(hold.at_s - float(c["turn"][j]) / rate_hz): hold for hold in occlusions if alike(hold)}
    nearest = min(away, default=np.inf)
    return away[nearest].total_peep_cmh2o if nearest <= LENT_S else None


def inspiratory(
    j: int,
    c: Mapping[str, Samples],
    p: Samples,
    f: Samples,
    rate_hz: float,
    heart_hz: float | None,
    oesophageal: Samples | None,
    occlusions: Sequence[Hold],
) -> Hold:
    """An end-inspiratory hold, with total PEEP by expiratory holds, or that of its breath where there are none.

    Resistance by the occlusion (Bates, J Appl Physiol 1985;58:1840): (peak − initial)/flow is the airways' and the
    tube's, (peak − plateau)/flow has what relaxation and redistribution add.
    """
    start, pause, turn = (int(c[name][j]) for name in ("start", "pause", "turn"))
    held = p[pause + round(SETTLE_S * rate_hz) : turn - 1]
    plateau = float(np.mean(beats(held, len(held), rate_hz, heart_hz)))
    early = held[: max(4, round(DECAY_S * rate_hz))]
    slope, level = np.polyfit(np.arange(len(early)), early, 1)
    initial = float(level - slope * SETTLE_S * rate_hz) if slope < 0 else float(early[0])
    peak = float(np.max(p[start : pause + 1]))
    before = f[max(start, pause - round(0.15 * rate_hz)) : max(start + 1, pause - round(0.05 * rate_hz))]
    flow = float(np.median(before)) if len(before) else 0.0
    words = quality(held, rate_hz, bool(c["leak"][j] > 0), heart_hz, plateau - float(c["peep"][max(j - 1, 0)]))
    words += balloon_check(
        held, None if oesophageal is None else oesophageal[pause + round(SETTLE_S * rate_hz) : turn - 1]
    )
    quiet = "effort" not in words
    clipped = int(c["clipped"][j])
    if clipped:
        words = (*(word for word in words if word != "steady"), "clipped")
    peak_known, flow_known = not clipped & PRESSURE, not clipped & FLOW
    resisted = quiet and peak_known and flow_known and flow > 0
    total = lent(j, c, occlusions, rate_hz)
    if total is None and np.isfinite(c["total_peep"][j]):
        total = float(c["total_peep"][j])
    plateau_known = peak_known or plateau < BELOW_END * peak
    rests = plateau_known and flow_known and not set(words) & set(NO_REST)
    driving = plateau - total if total is not None and rests else None
    return Hold(
        kind="inspiratory",
        breath=j,
        at_s=turn / rate_hz,
        duration_s=(turn - pause) / rate_hz,
        peak_pressure_cmh2o=peak if peak_known else None,
        initial_pressure_cmh2o=min(initial, peak) if peak_known or initial < BELOW_END * peak else None,
        plateau_pressure_cmh2o=plateau if plateau_known else None,
        total_peep_cmh2o=total,
        driving_pressure_cmh2o=driving,
        static_compliance_ml_cmh2o=1000 * float(c["vti"][j]) / driving if driving and driving > 0 else None,
        inspiratory_resistance_max_cmh2o_s_l=(peak - plateau) / flow if resisted else None,
        inspiratory_resistance_min_cmh2o_s_l=max(0.0, peak - initial) / flow if resisted else None,
        quality=words,
    )


def expiratory(
    j: int, c: Mapping[str, Samples], p: Samples, rate_hz: float, heart_hz: float | None, oesophageal: Samples | None
) -> Hold:
    """An end-expiratory hold: total PEEP; a lower bound where much gas is trapped behind closed airways."""
    occluded, released = (int(c[name][j]) for name in ("occluded", "released"))
    first = occluded + round(2 * SETTLE_S * rate_hz)
    held = p[first : released - 2]
    words = quality(held, rate_hz, bool(c["leak"][j] > 0), heart_hz)
    words += balloon_check(held, None if oesophageal is None else oesophageal[first : released - 2])
    total = float(np.mean(beats(held, len(held), rate_hz, heart_hz)))
    peep = float(np.mean(p[max(0, occluded - round(0.3 * rate_hz)) : max(1, occluded - round(0.1 * rate_hz))]))
    lost = total < peep - STEADY  # at rest, a closed airway holds no less than PEEP
    words = tuple(dict.fromkeys([*(word for word in words if word != "steady"), "leak"])) if lost else words
    at_rest = "effort" not in words and not lost and not (c["pulled"][j] and words != ("steady",))
    if total - peep > TRAPPED:
        words += ("lower bound",)
    return Hold(
        kind="expiratory",
        breath=j,
        at_s=released / rate_hz,
        duration_s=(released - occluded) / rate_hz,
        total_peep_cmh2o=total if at_rest else None,
        intrinsic_peep_cmh2o=total - peep if at_rest else None,
        quality=words,
        **(pulled(j, c, p, rate_hz, heart_hz) if c["pulled"][j] else {}),
    )


def pulled(j: int, c: Mapping[str, Samples], p: Samples, rate_hz: float, heart_hz: float | None) -> dict[str, float]:
    """What efforts against the closed airway tell, by the fields of :class:`Hold`; those that can't be told left out.

    The swing is that of the first effort. P0.1 is that of the first effort that begins with the airway closed: one
    that was under way has had gas.
    """
    turn, occluded, released = (int(c[name][j]) for name in ("turn", "occluded", "released"))
    begin = max(turn + 1, occluded - round(BEFORE_S * rate_hz))
    still = np.concatenate([p[begin:occluded], between_beats(p[occluded:released], rate_hz, heart_hz)])
    even = smooth(still, 2 * round(0.5 * EVEN_S * rate_hz) + 1)
    pulls = pulls_in(even)
    if not pulls:
        return {}
    swing = pulls[0].swing
    muscle = float(muscle_pressure_from_occlusion_cmh2o(swing))
    told = {"occlusion_swing_cmh2o": swing, "occlusion_effort_cmh2o": muscle}
    peak, peep = float(c["peak_pressure"][j]), float(c["peep"][j])
    if peak >= peep:
        across = transpulmonary_pressure_from_occlusion_cmh2o(peak, peep, swing)
        told["dynamic_transpulmonary_pressure_cmh2o"] = float(across)
    begun_closed = (pull for pull in pulls if pull.onset >= occluded - begin - 1)
    early = next((early_fall_of(even, pull, rate_hz) for pull in begun_closed), np.nan)
    return told | {"p01_cmh2o": early} if np.isfinite(early) else told


def holds_of(
    c: Mapping[str, Samples],
    p: Samples,
    f: Samples,
    rate_hz: float,
    heart_hz: float | None,
    oesophageal: Samples | None,
) -> tuple[Hold, ...]:
    """Every hold of a recording, in the order of time."""
    if not c:
        return ()
    closed = (c["occluded"] < c["end"]) & (c["released"] - c["occluded"] >= SHORTEST_S * rate_hz)
    occlusions = [expiratory(int(j), c, p, rate_hz, heart_hz, oesophageal) for j in np.flatnonzero(closed)]
    held = [
        inspiratory(int(j), c, p, f, rate_hz, heart_hz, oesophageal, occlusions) for j in np.flatnonzero(c["hold"] == 1)
    ]
    return tuple(sorted([*held, *occlusions], key=lambda hold: hold.at_s))
