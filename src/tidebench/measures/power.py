"""Mechanical power by the published formulas, each under its name, beside the loop's own integral."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from tidebench.formulas import power
from tidebench.inflations import delivery as kinds

Samples = npt.NDArray[np.float64]
Columns = Mapping[str, npt.NDArray[Any]]


def published_power(c: Columns, rate_hz: float) -> dict[str, Samples]:
    """Power of each passive breath by every formula that holds for its delivery, J/min; NaN where none does.

    Under constant flow, whose time is that of flow without the pause as the equations assume: Gattinoni's equation from
    mechanics and from pressures (where there is a plateau), Giosa's surrogate. Under pressure control: Becher's simple
    form and van der Meijden's.
    """
    cycle = np.where(c["whole"] == 1, (c["end"] - c["start"]) / rate_hz, np.nan)
    inflated = (c["turn"] - c["start"]) / rate_hz
    passive = c["passive"] == 1
    constant = passive & (c["delivery"] == kinds.VOLUME) & (c["constant_flow"] == 1)
    pressed = passive & ((c["delivery"] == kinds.PRESSURE) | (c["delivery"] == kinds.TARGETED))
    rate, volume, peep, peak = 60 / cycle, c["vti"], c["total_peep"], c["peak_pressure"]
    flow = c["peak_inspiratory_flow"]
    flowing = np.minimum(volume / flow, inflated)
    resistance = c["resistance"] + c["square"] * flow
    step = np.where(pressed, np.maximum(peak - c["peep"], 0), np.nan)
    found = {
        "mechanical_power_gattinoni_j_min": power.gattinoni(
            rate_per_min=rate,
            volume_l=volume,
            elastance_cmh2o_l=c["elastance"],
            resistance_cmh2o_s_l=resistance,
            ie_ratio=flowing / (cycle - flowing),
            peep_cmh2o=peep,
        ).total,
        "mechanical_power_pressures_j_min": power.gattinoni_from_pressures(
            rate_per_min=rate,
            volume_l=volume,
            peak_pressure_cmh2o=peak,
            plateau_pressure_cmh2o=c["plateau_pressure"],
            peep_cmh2o=c["peep"],
        ),
        "mechanical_power_giosa_j_min": power.giosa(
            minute_volume_l_min=rate * volume,
            peak_pressure_cmh2o=peak,
            peep_cmh2o=c["peep"],
            inspiratory_flow_l_min=60 * flow,
        ),
        "mechanical_power_becher_j_min": power.becher(
            rate_per_min=rate, volume_l=volume, inspiratory_pressure_cmh2o=step, peep_cmh2o=c["peep"]
        ),
        "mechanical_power_van_der_meijden_j_min": power.van_der_meijden(
            rate_per_min=rate,
            volume_l=volume,
            inspiratory_pressure_cmh2o=step,
            peep_cmh2o=c["peep"],
            compliance_l_cmh2o=1 / c["elastance"],
            resistance_cmh2o_s_l=resistance,
            inspiratory_time_s=inflated,
        ),
    }
    steady = {"mechanical_power_gattinoni_j_min", "mechanical_power_pressures_j_min", "mechanical_power_giosa_j_min"}
    return {key: np.where(constant if key in steady else pressed, values, np.nan) for key, values in found.items()}
