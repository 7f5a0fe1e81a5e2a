"""Settings of a scenario that are possible and probably not meant: told, never refused."""

from __future__ import annotations

from collections.abc import Iterator

from tidebench.simulation.scenario import Scenario
from tidebench.simulation.setup import weight_kg

MOST_ML_KG = 40.0
"""A set volume beyond any that is meant, several times a usual one (common practice, no source)."""


def scenario_doubts(scenario: Scenario) -> Iterator[str]:
    """A sentence for each set pressure beyond the ventilator's limit (cmH2O) and each huge set volume (mL/kg)."""
    limit, kg = scenario.ventilator.pressure_limit_cmh2o, weight_kg(scenario)
    for setting in scenario.settings:
        at = f"[[settings]] at {setting.at_s:g} s"
        for key in ("pressure_control_cmh2o", "pressure_support_cmh2o"):
            above = getattr(setting, key)
            if above is not None and (setting.peep_cmh2o or 0.0) + above > limit:
                reached = (setting.peep_cmh2o or 0.0) + above
                yield f"{at}: {key} on PEEP reaches {reached:g} cmH2O, above pressure_limit_cmh2o {limit:g}. Meant so?"
        volume = setting.tidal_volume_ml
        if volume is not None and volume > MOST_ML_KG * kg:
            yield f"{at}: tidal_volume_ml {volume:g} is {volume / kg:.0f} mL/kg at {kg:.3g} kg. Meant so?"
