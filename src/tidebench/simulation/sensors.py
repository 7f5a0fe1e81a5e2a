"""What sensors make of true signals: gain, offset, drift, delay, lag, noise, steps. Zeros leave them as they are."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tidebench.errors import OptionError
from tidebench.recording import Recording
from tidebench.simulation.layout import Samples
from tidebench.simulation.patient import Sensors
from tidebench.simulation.scenario import Scenario

SENSED = ("airway_pressure", "flow", "oesophageal_pressure", "co2")


def sensed(scenario: Scenario, channels: Mapping[str, Samples]) -> Recording:
    """The recording that the scenario's sensors make of the true channels.

    Raises
    ------
    OptionError
        Pressure or flow at the wye was not kept.
    """
    for name in SENSED[:2]:
        if name not in channels:
            raise OptionError(f"{name} is not among them", where="channels", expected=" and ".join(SENSED[:2]))
    told, rate = scenario.sensors, scenario.sampling_hz
    rng = np.random.default_rng([told.seed, scenario.seed])
    seen = {name: channels[name] for name in SENSED if name in channels}
    seen["airway_pressure"] = pressure_seen(seen["airway_pressure"], told, rng)
    seen["flow"] = flow_seen(seen["flow"], told, rate, rng)
    if "oesophageal_pressure" in seen:
        seen["oesophageal_pressure"] = pressure_seen(seen["oesophageal_pressure"], told, rng)
    return Recording(rate_hz=rate, channels=seen, steps=("simulated",))


def pressure_seen(true: Samples, told: Sensors, rng: np.random.Generator) -> Samples:
    """Pressure (cmH2O) as its sensor gives it."""
    noisy = true + told.pressure_offset_cmh2o + told.pressure_noise_cmh2o * rng.standard_normal(len(true))
    return stepped(noisy, told.pressure_step_cmh2o)


def flow_seen(true: Samples, told: Sensors, rate_hz: float, rng: np.random.Generator) -> Samples:
    """Flow (L/s) as its sensor gives it: delayed, lagging, scaled, drifting, noisy, in steps."""
    time = np.arange(len(true)) / rate_hz
    late = np.interp(time - told.flow_delay_s, time, true) if told.flow_delay_s else true
    if told.flow_lag_s > 0:
        from scipy.signal import lfilter

        keep = np.exp(-1.0 / (rate_hz * told.flow_lag_s))
        late = lfilter([1.0 - keep], [1.0, -keep], late, zi=[keep * late[0]])[0]
    drift = told.flow_offset_l_min / 60 + told.flow_drift_l_min_per_h / 60 * time / 3600
    noisy = told.flow_gain * late + drift + told.flow_noise_l_min / 60 * rng.standard_normal(len(true))
    return stepped(noisy, told.flow_step_l_min / 60)


def stepped(values: Samples, step: float) -> Samples:
    """Values rounded to a sensor's smallest step; as they are where it is 0."""
    return np.round(values / step) * step if step > 0 else values
