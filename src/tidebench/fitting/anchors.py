"""Holds that tell a lung, or an effort, which breaths with effort alone leave open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tidebench.fitting.effort import Drive
from tidebench.fitting.mechanics import ELASTANCE, Mechanics
from tidebench.fitting.window import Window

HELD_DOUBT = 0.1  # of elastance by one steady inspiratory hold, whose pressure tissue has let down
OCCLUDED_DOUBT = 0.3  # of an effort by one occlusion: "single patients differ widely from the factor" of three quarters
LEAST_VOLUME_L = 0.005


def anchored_by_holds(window: Window, mechanics: Mechanics, drive: Drive | None) -> tuple[Mechanics, Drive | None, str]:
    """The lung and the drive with what holds tell taken in, and a sentence for it; the same where there is no hold.

    On breaths with effort elastance and effort go together: one is known as well as the other, by the volume that was
    recorded. So an elastance by steady inspiratory holds, and one that the effort of occluded breaths asks for, are
    averaged with that of the fit, each by its doubt; the effort follows.
    """
    if drive is None:
        return mechanics, drive, ""
    volume = float(np.nanmedian(window.review.breaths["vti_ml"].to_numpy()[window.breaths])) / 1000
    if not volume > LEAST_VOLUME_L:
        return mechanics, drive, ""
    now, spread = float(mechanics.theta[ELASTANCE]), float(np.sqrt(mechanics.covariance[ELASTANCE, ELASTANCE]))
    told, said = [(now, spread)], []
    holds = window.review.holds
    still = [
        1000.0 / hold.static_compliance_ml_cmh2o
        for hold in holds
        if hold.static_compliance_ml_cmh2o and "effort" not in hold.quality and "leak" not in hold.quality
    ]
    if still:
        middle = float(np.median(still))
        told.append((middle, HELD_DOUBT * middle / np.sqrt(len(still))))
        said.append(f"{len(still)} inspiratory hold{'s' * (len(still) > 1)}")
    pulls = [hold.occlusion_effort_cmh2o for hold in holds if hold.occlusion_effort_cmh2o]
    if pulls:
        middle = float(np.median(pulls))
        doubt = float(np.hypot(OCCLUDED_DOUBT * middle, drive.size_cv * middle)) / np.sqrt(len(pulls))
        told.append((now + (middle - drive.size_cmh2o) / volume, doubt / volume))
        said.append(f"{len(pulls)} occlusion{'s' * (len(pulls) > 1)}")
    if len(told) == 1:
        return mechanics, drive, ""
    weights = np.array([1.0 / off**2 for _, off in told])
    found = max(float(weights @ [value for value, _ in told] / weights.sum()), 0.3 * now)
    theta, covariance = mechanics.theta.copy(), mechanics.covariance.copy()
    theta[ELASTANCE] = found
    covariance[ELASTANCE, :] = covariance[:, ELASTANCE] = 0.0
    covariance[ELASTANCE, ELASTANCE] = 1.0 / weights.sum()
    size = max(0.5, drive.size_cmh2o + (found - now) * volume)
    words = f"elastance and effort lean on {' and '.join(said)}: elastance from {now:.1f} to {found:.1f} cmH2O/L"
    return (
        replace(mechanics, theta=theta, covariance=covariance, total_peep=np.zeros(0)),
        replace(drive, size_cmh2o=size),
        words,
    )
