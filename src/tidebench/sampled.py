"""Intervals of a review by sampling: the recording drawn anew within its uncertainty, and reviewed again.

What samples leave open, they leave open in every quantity: no formula of propagation per quantity is needed, and
quantities that depend on where a breath begins carry that too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from tidebench.quantities import quantity
from tidebench.review import Review, review

DRAWS = 30
SHARE = 0.9
NORMAL = 1.645
"""Standard deviations of a normal distribution between which nine in ten lie, either side."""
WIDTH = 1.4
"""Times that, so that nine in ten intervals hold on the open population of pictures."""
OFTEN = 0.8
"""Share of the draws in which a quantity has to be told for its interval to be."""
SPOKEN = ("vte_ml", "peak_pressure_cmh2o", "peep_cmh2o", "compliance_ml_cmh2o", "resistance_cmh2o_s_l", "rate_per_min")


def with_intervals(done: Review, draws: int = DRAWS, seed: int = 0) -> Review:
    """The review with ``low`` and ``high`` beside each median of its summary, where its recording is uncertain.

    The recording is drawn ``draws`` times. An interval lies around the median, as far as the draws scatter and as far
    as their mean has moved: an error that is added once more moves a median (a peak up, say) as the first one did.
    Both ends are None where a quantity is told in fewer than :data:`OFTEN` of the draws.
    """
    uncertainty = done.recording.uncertainty
    if uncertainty is None or not done.breaths.height:
        return done
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {key: [] for key in done.summary["quantities"]}
    for _ in range(draws):
        again = review(done.case, uncertainty.drawn(done.recording, rng), policy=done.policy)
        for key, told in again.summary["quantities"].items():
            if key in found:
                found[key].append(float(told["median"]))
    quantities = {
        key: {**told, **_interval(float(told["median"]), found[key], draws)}
        for key, told in done.summary["quantities"].items()
    }
    sampled = {"share": SHARE, "draws": draws}
    words = _words(quantities)
    warnings = [*done.summary["warnings"], *([words] if words else [])]
    return replace(done, summary={**done.summary, "quantities": quantities, "warnings": warnings, "intervals": sampled})


def _interval(middle: float, found: list[float], draws: int) -> dict[str, float | None]:
    if len(found) < OFTEN * draws:
        return {"low": None, "high": None}
    drawn = np.asarray(found)
    half = WIDTH * NORMAL * float(np.sqrt(drawn.var() + (drawn.mean() - middle) ** 2))
    return {"low": middle - half, "high": middle + half}


def _words(quantities: dict[str, dict[str, Any]]) -> str:
    """The intervals of a few quantities as a sentence."""
    told = [
        f"{quantity(key).label} {quantity(key).text(known['low'])} to {quantity(key).text(known['high'])}"
        for key in SPOKEN
        if (known := quantities.get(key)) is not None and known["low"] is not None
    ]
    return f"What the samples leave open, nine times in ten: {'; '.join(told)}." if told else ""
