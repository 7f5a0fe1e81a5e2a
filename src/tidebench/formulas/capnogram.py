"""What CO2 against expired volume shows of one breath: airway dead space, and CO2 in what was breathed out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]

PLATEAU = (0.45, 0.85)  # of expired volume, over which the alveolar line is laid (common practice, no source)
POINTS = 200


class Expired(NamedTuple):
    """Of one expiration: volume [L], mean PCO2 of all of it [mmHg], and the airway dead space [L]."""

    volume_l: float
    mixed_pco2_mmhg: float
    airway_dead_space_l: float


def expired_co2(flow_l_s: Samples, pco2_mmhg: Samples, dt_s: float) -> Expired | None:
    """Read one expiration.

    Parameters
    ----------
    flow_l_s : ndarray, shape (n,)
        From the turn to the next inflation, BTPS, expiration negative.
    pco2_mmhg : ndarray, shape (n,)
        At the same place and the same instants.
    dt_s : float

    Returns
    -------
    Expired or None
        None where nothing was breathed out, or no alveolar plateau was reached.

    Notes
    -----
    Airway dead space by equal areas: a line through the alveolar plateau is met by a vertical front such that as much
    CO2 lies left of the front as is missing right of it (Fowler, Am J Physiol 1948;154:405; equal areas on volume after
    Fletcher, Br J Anaesth 1981;53:77; both from memory).
    """
    out = np.maximum(-flow_l_s, 0.0)
    gone = np.concatenate([[0.0], np.cumsum(0.5 * (out[1:] + out[:-1])) * dt_s])
    total = float(gone[-1])
    if total <= 0 or not np.isfinite(pco2_mmhg).all():
        return None
    volume = np.linspace(0.0, total, POINTS + 1)
    tension = np.interp(volume, gone, pco2_mmhg)
    late = (volume >= PLATEAU[0] * total) & (volume <= PLATEAU[1] * total)
    slope, level = np.polyfit(volume[late], tension[late], 1)
    contained = float(np.trapezoid(tension, volume))
    line = np.maximum(level + slope * volume, 0.0)
    under = np.concatenate([[0.0], np.cumsum(0.5 * (line[1:] + line[:-1])) * (volume[1] - volume[0])])
    beyond = under[-1] - under  # what the line holds right of each front
    if contained <= 0 or beyond[0] <= contained or contained < beyond[late][-1]:
        return None
    front = float(np.interp(-contained, -beyond, volume))
    return Expired(total, contained / total, front)
