"""What is there, kind by kind, by mechanism: from the simulation's own channels and tables, never from the sensors'.

A :class:`Truth` is where a kind is there (``there``: what a finding must lie in), and what a review owes (``owed``:
what it should find, with how far beyond the limit it lies). Each predicate is the kind's definition
(``docs/findings.md``) put to true values; where that needs a choice, it is this house's and stands in the docstring.
"""

from __future__ import annotations

from collections.abc import Callable

from tests.conditions.of_changes import disconnection, leak, leak_change, mechanics_change, obstruction
from tests.conditions.of_efforts import (
    cough,
    flow_starvation,
    over_assistance,
    strong_effort,
    trigger_delay,
    weak_effort,
)
from tests.conditions.of_lungs import (
    beyond_limit,
    expiratory_flow_limitation,
    incomplete_expiration,
    intrinsic_peep,
    overdistension,
    recruitment,
    secretions,
)
from tests.conditions.of_sensors import channel_delay, clipped_signal, flat_line, gap, sensor_drift, sensor_offset
from tests.conditions.told import Told, Truth

TRUTHS: dict[str, Callable[[Told], Truth]] = {
    one.__name__.replace("_", "-"): one
    for one in (
        trigger_delay, flow_starvation, over_assistance, intrinsic_peep, incomplete_expiration,
        expiratory_flow_limitation, leak, leak_change, secretions, overdistension, recruitment, cough, mechanics_change,
        obstruction, disconnection, weak_effort, strong_effort, beyond_limit, sensor_offset, sensor_drift,
        channel_delay, flat_line, clipped_signal, gap,
    )
}  # fmt: skip
"""The truth of each kind."""
TOUCH = (
    "expiratory-flow-limitation",
    "leak-change",
    "cough",
    "mechanics-change",
    "obstruction",
    "disconnection",
    "gap",
)
"""Kinds of a moment: a finding is right where it touches one. Of the others half of it must lie where the kind is."""
