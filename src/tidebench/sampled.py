"""Intervals of a review by sampling: the recording drawn anew within its uncertainty, and reviewed again.

What samples leave open, they leave open in every quantity: no formula of propagation per quantity is needed, and
quantities that depend on where a breath begins carry that too. A finding is as sure as it comes back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.findings.rates import rates_of
from tidebench.measures.computed import COMPUTED
from tidebench.quantities import quantity
from tidebench.recording import Recording, Uncertainty
from tidebench.records import BREATH_COLUMNS
from tidebench.review import Review, review

DRAWS = 30
SHARE = 0.9
NORMAL = 1.645
"""Standard deviations of a normal distribution between which nine in ten lie, either side."""
OFTEN = 0.8
"""Share of the draws in which a quantity has to be told for its interval to be."""
PEAKS = {
    "peak_pressure_cmh2o": ("airway_pressure", "start_s", "expiration_s", 1.0),
    "peak_inspiratory_flow_l_min": ("flow", "start_s", "expiration_s", 60.0),
    "peak_expiratory_flow_l_min": ("flow", "expiration_s", "end_s", -60.0),
}
"""Channel, stretch and factor of each peak: its interval reaches as far as the channel may have gone beyond samples."""
VOLUMES = ("vti_ml", "vte_ml")
"""What summed-up samples lack: where flow turns between two of them, what goes in there and what comes out cancel."""
LACKING = {"vti_ml": "vti_ml", "vte_ml": "vte_ml", "compliance_ml_cmh2o": "vti_ml"}
"""What lacks as large a share as a volume does: a compliance is volume per pressure, and pressure lacks nothing."""
TIMES: dict[str, Callable[[float], float]] = {
    "inspiratory_time_s": lambda _: 1.0,
    "expiratory_time_s": lambda _: 1.0,
    "rate_per_min": lambda rate: rate**2 / 60,
}
"""Told by samples at which breaths start and turn, and how a second changes each (of 60/T, by rate²/60): where breaths
fall alike on samples in every draw, medians do not scatter, and are only as good as the samples' distance all the same.
"""
LEAST = 0.5
"""Share of the draws in which a finding has to come back: what is more likely wrong than right is left out."""
NEAR = 0.4
"""Of a breath's length: how far its start may move between draws."""
NEAR_S = 0.5
SPOKEN = ("vte_ml", "peak_pressure_cmh2o", "peep_cmh2o", "compliance_ml_cmh2o", "resistance_cmh2o_s_l", "rate_per_min")
MEASURED = tuple(key for key, kind in BREATH_COLUMNS.items() if kind.is_float())
INTERVAL_COLUMNS = {"breath": pl.Int64, "quantity": pl.String, "low": pl.Float64, "high": pl.Float64}

Values = npt.NDArray[np.float64]


def with_intervals(done: Review, draws: int = DRAWS, seed: int = 0) -> Review:
    """The review with ``low`` and ``high`` beside each median and each breath's value, of an uncertain recording.

    The recording is drawn ``draws`` times. An interval lies around the value, as far as the draws scatter and as far
    as their mean has moved: an error that is added once more moves a median (a peak up, say) as the first one did.
    Both ends are None where a quantity is told in fewer than :data:`OFTEN` of the draws. A finding's confidence is
    taken times the share of the draws in which it comes back; below :data:`LEAST` it is left out, and that is said.
    """
    uncertainty = done.recording.uncertainty
    if uncertainty is None or not done.breaths.height:
        return done
    rng = np.random.default_rng(seed)
    again = [review(done.case, uncertainty.drawn(done.recording, rng), policy=done.policy) for _ in range(draws)]
    medians = [one.summary["quantities"] for one in again]
    beyond = {**{key: _beyond(done, key) for key in PEAKS}, **_lacking(done)}
    quantities = {
        key: {
            **told,
            **_interval(
                float(told["median"]),
                [float(m[key]["median"]) for m in medians if key in m],
                draws,
                _moved(done.breaths[key], beyond[key]) if key in beyond else 0.0,
                bound=key in PEAKS,
                least=_grid(done.recording, key, float(told["median"])),
            ),
        }
        for key, told in done.summary["quantities"].items()
    }
    findings, left_out = that_come_back(done.findings, [one.findings for one in again])
    words = [words for words in (_words(quantities), _left_out_words(left_out)) if words]
    summary: dict[str, Any] = {
        **done.summary,
        "quantities": quantities,
        "findings": rates_of(findings, done.breaths.height, done.recording.duration_s),
        "warnings": [*done.summary["warnings"], *words],
        "intervals": {
            "share": SHARE,
            "draws": draws,
            "left_out": left_out,
            **_whole(uncertainty),
            "computed": _computed(done.breaths, [one.breaths for one in again], draws),
        },
    }
    table = _of_breaths(done.breaths, [one.breaths for one in again], draws, beyond)
    return replace(done, summary=summary, findings=findings, intervals=table)


def _whole(uncertainty: Uncertainty) -> dict[str, Any]:
    """What concerns channels as a whole, for whoever fits a lung: one standard deviation of scales and zeros."""
    return {"scale": dict(uncertainty.scale), "offset": dict(uncertainty.offset)}


def _beyond(done: Review, key: str) -> Values:
    """By how much the peak of each breath may lie beyond its largest sample; 0 where nothing says."""
    name, begins, ends, times = PEAKS[key]
    recording, doubt = done.recording, done.recording.uncertainty
    told = {} if doubt is None else doubt.above if times > 0 else doubt.below
    if name not in told:
        return np.zeros(done.breaths.height)
    values = np.sign(times) * recording[name]
    outermost = values + told[name]
    spans = done.breaths.select(
        (pl.col(begins) * recording.rate_hz).floor().cast(pl.Int64),
        (pl.col(ends) * recording.rate_hz).ceil().cast(pl.Int64) + 1,
    ).rows()
    further = [_most(outermost[a:b]) - _most(values[a:b]) if a is not None and b is not None else 0.0 for a, b in spans]
    return abs(times) * np.array(further)


def _lacking(done: Review) -> dict[str, Values]:
    """By how much the volume of each breath may lie above its samples' sum, and what is told by it.

    What samples lack grows with their distance: as much as every second sample of them lacks against them all. Samples
    that err together are one: a curve traced at several places of a pixel's width tells no more of a turn than one.
    """
    recording = done.recording
    apart = 1 if recording.uncertainty is None else recording.uncertainty.apart(recording.rate_hz)
    near, far = (
        [review(done.case, one, policy=done.policy).summary["quantities"] for one in _every(recording, step)]
        for step in (apart, 2 * apart)
    )
    shares = {}
    for key in VOLUMES:
        told = [[one[key]["median"] for one in ones if key in one] for ones in (near, far)]
        shares[key] = max(0.0, 1 - float(np.mean(told[1])) / float(np.mean(told[0]))) if all(told) else 0.0
    return {key: shares[volume] * done.breaths[key].fill_null(0.0).to_numpy() for key, volume in LACKING.items()}


def _every(recording: Recording, step: int) -> list[Recording]:
    """Recordings of every ``step``-th sample, from the first on and from half of that later."""
    channels = [
        {name: values[first::step] for name, values in recording.channels.items()} for first in sorted({0, step // 2})
    ]
    return [replace(recording, rate_hz=recording.rate_hz / step, channels=one, uncertainty=None) for one in channels]


def _most(values: Values) -> float:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else 0.0


def _moved(values: pl.Series, by: Values) -> float:
    """How far the median of what a breath has moves with each of them."""
    known = values.is_not_null().to_numpy()
    own = values.drop_nulls().to_numpy()
    return float(np.median(own + by[known]) - np.median(own)) if known.any() else 0.0


def _grid(recording: Recording, key: str, median: float) -> float:
    """One standard deviation of what lies anywhere between two samples, in the quantity's unit; 0 of no time."""
    return TIMES[key](median) / recording.rate_hz / float(np.sqrt(12)) if key in TIMES else 0.0


def _interval(
    middle: float, found: Sequence[float], draws: int, beyond: float = 0.0, *, bound: bool = False, least: float = 0.0
) -> dict[str, float | None]:
    """Low and high around a value: see :func:`with_intervals`.

    ``beyond`` is how much further it may reach up, which then needs no draws' shift to be guessed; with ``bound`` that
    is as far as it can, and the nearer the likelier (a triangular distribution). ``least`` is the least that draws
    count as scattering, one standard deviation.
    """
    if len(found) < OFTEN * draws:
        return {"low": None, "high": None}
    drawn = np.asarray(found)
    scatter = max(float(drawn.std()), least)
    if beyond and bound:
        likely, half = middle + beyond * 2 / 3, NORMAL * float(np.hypot(scatter, beyond / np.sqrt(18)))
        return {"low": min(middle, likely - half), "high": likely + half}
    half = NORMAL * float(np.hypot(scatter, drawn.mean() - middle))
    return {"low": middle - half, "high": middle + (NORMAL * scatter + beyond if beyond else half)}


def _computed(breaths: pl.DataFrame, drawn: Sequence[pl.DataFrame], draws: int) -> dict[str, dict[str, float | None]]:
    """Intervals of medians of what follows from columns."""
    told = {}
    for key, expression in COMPUTED.items():
        middle = breaths.select(expression.median()).item()
        if middle is not None:
            found = [one.select(expression.median()).item() for one in drawn]
            told[key] = _interval(middle, [value for value in found if value is not None], draws)
    return told


def _of_breaths(
    breaths: pl.DataFrame, drawn: Sequence[pl.DataFrame], draws: int, beyond: Mapping[str, Values]
) -> pl.DataFrame:
    """Breath, quantity, low and high of every number that a breath has."""
    places = [_same_breaths(breaths, one) for one in drawn]
    rows: list[dict[str, Any]] = []
    for key in MEASURED:
        mine = breaths[key].to_list()
        theirs = np.full((len(drawn), breaths.height), np.nan)
        for n, (one, place) in enumerate(zip(drawn, places, strict=True)):
            known = place >= 0
            column = one[key].cast(pl.Float64).fill_null(float("nan")).to_numpy()
            theirs[n, known] = column[place[known]]
        for row, value in enumerate(mine):
            if value is not None:
                found = theirs[np.isfinite(theirs[:, row]), row]
                further = float(beyond[key][row]) if key in beyond else 0.0
                told = _interval(value, found.tolist(), draws, further, bound=key in PEAKS)
                rows.append({"breath": breaths["breath"][row], "quantity": key, **told})
    return pl.DataFrame(rows, schema=INTERVAL_COLUMNS)


def _same_breaths(breaths: pl.DataFrame, other: pl.DataFrame) -> npt.NDArray[np.intp]:
    """For each breath the row of the other table that begins nearest to it; −1 where none is near."""
    if not other.height:
        return np.full(breaths.height, -1, dtype=np.intp)
    start, there = breaths["start_s"].to_numpy(), other["start_s"].to_numpy()
    off = np.abs(start[:, None] - there[None, :])
    nearest = off.argmin(axis=1)
    length = (breaths["end_s"] - breaths["start_s"]).to_numpy()
    return np.where(off.min(axis=1) <= NEAR * length, nearest, -1).astype(np.intp)


def that_come_back(findings: pl.DataFrame, drawn: Sequence[pl.DataFrame]) -> tuple[pl.DataFrame, dict[str, int]]:
    """Findings with their confidence times the share of draws that find them, and how many of a kind are left out."""
    sure, keep, left_out = [], [], Counter[str]()
    for row in findings.iter_rows(named=True):
        share = sum(_found(row, one) for one in drawn) / max(1, len(drawn))
        keep.append(share >= LEAST)
        sure.append(round(share * row["confidence"], 3))
        left_out[row["kind"]] += share < LEAST
    kept = findings.with_columns(pl.Series("confidence", sure, dtype=pl.Float64)).filter(
        pl.Series(keep, dtype=pl.Boolean)
    )
    return kept, {kind: count for kind, count in sorted(left_out.items()) if count}


def _found(row: Mapping[str, Any], drawn: pl.DataFrame) -> bool:
    """True where a draw has a finding of that kind at that time."""
    same = drawn.filter(
        (pl.col("kind") == row["kind"])
        & (pl.col("start_s") <= row["end_s"] + NEAR_S)
        & (pl.col("end_s") >= row["start_s"] - NEAR_S)
    )
    return same.height > 0


def _words(quantities: Mapping[str, Mapping[str, Any]]) -> str:
    """The intervals of a few quantities as a sentence."""
    told = [
        f"{quantity(key).label} {quantity(key).text(known['low'])} to {quantity(key).text(known['high'])}"
        for key in SPOKEN
        if (known := quantities.get(key)) is not None and known["low"] is not None
    ]
    return f"What the samples leave open, nine times in ten: {'; '.join(told)}." if told else ""


def _left_out_words(left_out: Mapping[str, int]) -> str:
    kinds = ", ".join(f"{count} × {kind}" for kind, count in left_out.items())
    return f"Left out, since the samples can't tell them from nothing: {kinds}." if kinds else ""
