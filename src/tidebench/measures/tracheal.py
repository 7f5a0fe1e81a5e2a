"""Tracheal pressure as a derived channel: airway pressure less what the tube takes."""

from __future__ import annotations

import numpy as np

from tidebench.formulas.tube import HIGHEST_FLOW_L_S, TubeLaw, tube_pressure_drop
from tidebench.recording import Recording


def with_tracheal_pressure(recording: Recording, law: TubeLaw) -> Recording:
    """The recording with the channel ``tracheal_pressure``, cmH2O, and the step that made it.

    Ptr = Paw − ΔP(V'), by the tube's law (Guttmann, Anesthesiology 1993;79:503 and the other sources that the law
    names). NaN in gaps, and where flow is beyond ±5 L/s, where no law holds.
    """
    flow = recording["flow"]
    lawful = np.where(np.abs(flow) <= HIGHEST_FLOW_L_S, flow, np.nan)
    pressure = recording["airway_pressure"] - tube_pressure_drop(lawful, law)
    return recording.with_channel("tracheal_pressure", pressure, f"tracheal pressure derived: {law.origin.source}")
