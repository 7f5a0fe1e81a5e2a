"""The truth of what sensors and recorder do."""

from __future__ import annotations

import numpy as np

from tests.conditions.patients import SECONDS, Spoilt
from tests.conditions.told import Span, Told, Truth, whole


def sensor_offset(told: Told) -> Truth:
    """What the sensor adds, at the middle of the recording, is 3 % of the usual flow or more."""
    sensors = told.scenario.sensors
    middle = sensors.flow_offset_l_min + sensors.flow_drift_l_min_per_h * 0.5 * SECONDS / 3600
    return whole(abs(middle) / 60 / (0.03 * told.usual_flow))


def sensor_drift(told: Told) -> Truth:
    """What the sensor adds changes, from the middle of the first to that of the last 20 breaths, by 3 % or more."""
    start = told.breaths["start_s"].to_numpy()
    if len(start) < 40:
        return Truth()
    hours = (np.median(start[-20:]) - np.median(start[:20])) / 3600
    return whole(abs(told.scenario.sensors.flow_drift_l_min_per_h) * hours / 60 / (0.03 * told.usual_flow))


def channel_delay(told: Told) -> Truth:
    """Flow is 10 ms or more from pressure, a lag of its sensor counted in; there from 7.5 ms on, the nearest step."""
    late = abs(told.scenario.sensors.flow_delay_s + told.scenario.sensors.flow_lag_s)
    return Truth(whole(late / 0.0075).there, whole(late / 0.01).owed)


LABEL = {"airway_pressure": "Airway pressure", "flow": "Flow"}


def spoilt(told: Told, kind: str) -> list[Spoilt]:
    """What was done to the recording."""
    return [one for one in told.one.spoilt if one.kind == kind]


def flat_line(told: Told) -> Truth:
    """One channel alone was made to hold a value."""
    alone = [one for one in spoilt(told, "flat") if len(one.channels) == 1]
    there = [Span(one.start_s, one.end_s, (one.end_s - one.start_s) / 2, LABEL[one.channels[0]]) for one in alone]
    return Truth(there, [span for span in there if span.degree >= 1])


def clipped_signal(told: Told) -> Truth:
    """A channel was cut below its highest value."""
    cut = [one for one in spoilt(told, "clip") if one.share < 1]
    there = [Span(0.0, SECONDS, 1 / one.share, LABEL[one.channels[0]]) for one in cut]
    return Truth(there, there)


def gap(told: Told) -> Truth:
    """Samples were taken away."""
    spans = [Span(one.start_s, one.end_s) for one in spoilt(told, "gap")]
    return Truth(spans, spans)
