"""Lungs of two compartments: found where the breath asks for them, beside the simulator's own and the closed form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from tests.reference.test_fitting import fitted
from tidebench.fitting import what_if
from tidebench.fitting.compartments import parallel
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.truth import respiratory_compliance_ml_cmh2o

PRESSURE = {
    "mode": "A/C-PC", "peep_cmh2o": 6, "fio2": 0.4, "rate_per_min": 16, "pressure_control_cmh2o": 14,
    "inspiratory_time_s": 1.0, "trigger_flow_l_min": 2,
}  # fmt: skip
UNEVEN = [
    {"compliance_ml_cmh2o": 15, "resistance_cmh2o_s_l": 6}, {"compliance_ml_cmh2o": 40, "resistance_cmh2o_s_l": 60},
]  # fmt: skip


def tables(parts: Sequence[Mapping[str, float]], **more: object) -> dict[str, object]:
    """A passive man behind a tube of 8 mm."""
    return {
        "patient": {"sex": "male", "age_years": 58, "height_cm": 176, "weight_kg": 82},
        "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 8.0, "cuff": "inflated"},
        "lung": {"compartments": list(parts), "chest_wall_compliance_ml_cmh2o": 150},
        "sensors": {"pressure_noise_cmh2o": 0.15, "flow_noise_l_min": 0.5}, "settings": [PRESSURE], **more,
    }  # fmt: skip


@pytest.mark.parametrize(("fast", "slow"), [((60.0, 6.0), (25.0, 60.0)), ((40.0, 5.0), (45.0, 40.0))])
def test_parallel_compartments_are_the_impedance_of_one_that_relaxes(
    fast: tuple[float, float], slow: tuple[float, float]
) -> None:
    """From compartments to R, E, E_r and τ by partial fractions of their impedance, and back."""
    (e1, r1), (e2, r2) = fast, slow
    resistance, elastance, rate = r1 * r2 / (r1 + r2), e1 * e2 / (e1 + e2), (e1 + e2) / (r1 + r2)
    s = 0.7  # any
    impedance = 1.0 / (s / (r1 * s + e1) + s / (r2 * s + e2))
    relaxation = (impedance - resistance - elastance / s) * (s + rate)
    told = parallel(*(np.array([value]) for value in (elastance, resistance, relaxation, 1.0 / rate)))
    assert np.concatenate(told) == pytest.approx([e1, r1, e2, r2], rel=1e-9)


def test_a_very_uneven_lung_is_two_compartments() -> None:
    """Compliance, and what another rate does to volume and total PEEP: the simulator's."""
    told = tables(UNEVEN)
    fit = fitted(told)
    assert fit.mechanics.uneven
    parts = {one.key: one for one in fit.parameters()}
    whole = parts["compliance_ml_cmh2o"]
    assert whole.low is not None
    assert whole.high is not None
    true = respiratory_compliance_ml_cmh2o(scenario_from({**told, "duration_s": 60}))
    assert true is not None
    assert whole.low <= true <= whole.high
    assert whole.high - whole.low < 8.0
    assert (parts["slow_resistance_cmh2o_s_l"].value or 0.0) > 4 * (parts["fast_resistance_cmh2o_s_l"].value or np.inf)
    assert parts["relaxation_time_s"].low is not None
    changed = {**PRESSURE, "rate_per_min": 26}
    after = simulate(scenario_from({**told, "settings": [changed], "duration_s": 120})).breaths[-8:]
    answer = {change.key: change for change in what_if(fit, {"rate_per_min": 26.0}, n=60).changes}
    volume, rest = (float(np.median(after[key].to_numpy())) for key in ("vti_ml", "total_peep_cmh2o"))
    assert answer["vti_ml"].then[0] == pytest.approx(volume, rel=0.05)
    low, high = answer["total_peep_cmh2o"].then[1:]
    assert low <= rest <= high
    assert high - low < 1.5, "two compartments are known, and doubt of them is not that of one"


def test_an_even_lung_stays_one() -> None:
    fit = fitted(tables([{"compliance_ml_cmh2o": 55, "resistance_cmh2o_s_l": 8}]))
    assert not fit.mechanics.uneven
    assert "slow_compliance_ml_cmh2o" not in {one.key for one in fit.parameters()}
