"""How often findings come: per hour, as share of breaths, over time, in clusters, with intervals; and Thille's index.

Counts per hour have exact Poisson intervals (Garwood, Biometrika 1936;28:437), shares Wilson's (J Am Stat Assoc
1927;22:209), both of 95 %. Events of one patient come in clusters, so that true doubt is larger than either: the
busiest three minutes are told beside them (ineffective efforts in clusters: Vaporidi, Intensive Care Med 2017;43:184,
more than 30 in 3 minutes; from memory).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.findings.double_trigger import thille
from tidebench.findings.seen import Seen

Times = npt.NDArray[np.float64]

TAIL = 0.025
Z = 1.959963984540054
CLUSTER_S = 180.0
HOUR_S = 3600.0
SHORT, PROLONGED = 0.5, 2.0  # of the mean inspiratory time: Thille 2006
TOLD = 0.9  # of the breaths must be known, that the index is one


def poisson_interval(count: int) -> tuple[float, float]:
    """Exact 95 % interval of a Poisson mean from one count: half the chi-square quantiles of 2n and 2n + 2 degrees."""
    from scipy.special import gammaincinv

    low = float(gammaincinv(count, TAIL)) if count else 0.0
    return low, float(gammaincinv(count + 1, 1.0 - TAIL))


def wilson_interval(count: int, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share; (0, 1) of nothing."""
    if of == 0:
        return 0.0, 1.0
    share, square = count / of, Z * Z / of
    middle = (share + square / 2) / (1 + square)
    half = Z / (1 + square) * float(np.sqrt(share * (1 - share) / of + square / (4 * of)))
    return max(0.0, middle - half), min(1.0, middle + half)


def busiest(times: Times, window_s: float = CLUSTER_S) -> int:
    """The most events within any window, s."""
    ordered = np.sort(times)
    return int(np.max(np.searchsorted(ordered, ordered + window_s, side="left") - np.arange(len(ordered)), initial=0))


def rates_of(findings: pl.DataFrame, breaths: int, duration_s: float) -> dict[str, Any]:
    """Count, rates and intervals of each kind, in the order of their names.

    Parameters
    ----------
    findings : polars.DataFrame
    breaths : int
        How many there are.
    duration_s : float
        What was recorded, s.
    """
    hours = duration_s / HOUR_S
    out: dict[str, Any] = {}
    for (kind,), rows in sorted(findings.partition_by("kind", as_dict=True).items()):
        count, times = rows.height, rows["start_s"].to_numpy()
        at = rows["breath"].drop_nulls().n_unique()
        out[str(kind)] = {
            "count": count,
            "per_hour": round(count / hours, 3),
            "per_hour_interval": [round(bound / hours, 3) for bound in poisson_interval(count)],
            "percent_of_breaths": round(100 * at / breaths, 2) if breaths else None,
            "percent_interval": [round(100 * bound, 2) for bound in wilson_interval(at, breaths)],
            "most_in_3_min": busiest(times),
            "by_hour": np.histogram(times, HOUR_S * np.arange(int(np.ceil(max(hours, 1e-9))) + 1))[0].tolist(),
        }
    return out


def asynchrony_index_percent(seen: Seen) -> float | None:
    """Thille's index: events over ventilator cycles plus ineffective efforts, in per cent; None where it can't be told.

    Events are ineffective efforts, double triggers (an expiration below half the mean inspiratory time after a cycle of
    the patient's), auto-triggers, and cycles shorter than half or longer than twice the mean inspiratory time (Thille,
    Intensive Care Med 2006;32:1515). Reverse triggers are not among them. It needs 90 % of the breaths to be such that
    efforts would be seen, and some breath that the patient triggered: it is an index of assisted breathing.
    """
    n = len(seen.start)
    if not n or not seen.by_patient.any() or seen.free.any() or seen.told.mean() < TOLD:
        return None
    lasts = seen.turn - seen.start
    mean = float(np.nanmean(lasts))
    short, long = (lasts < SHORT * mean) & seen.by_patient, (lasts > PROLONGED * mean) & seen.by_patient
    wasted = int((seen.efforts["outcome"] == "ineffective").sum())
    again = thille(seen)
    alone = seen.by_patient & (seen.under_way < 0) & ~seen.double & ~again
    events = wasted + sum(int(kind.sum()) for kind in (alone, again, short, long))
    return round(100 * events / (n + wasted), 2)
