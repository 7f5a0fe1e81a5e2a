"""What the truth of a simulation tells of each breath: the one table that marking, limits and predictions ask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from tidebench.quantities import quantity

if TYPE_CHECKING:
    from tidebench.lessons.scene import Scene

Values = npt.NDArray[np.float64]

LABELS = (
    "ineffective-effort", "effort-in-inflation", "reverse-trigger", "double-trigger", "auto-trigger",
    "premature-cycling", "delayed-cycling",
)  # fmt: skip
"""Labels by mechanism that breaths carry."""

LEAST_DRIVING_CMH2O = 0.5  # below which a volume over a pressure tells nothing
COARSE = 5.0  # a tolerance below which whole numbers would hide whether it was kept
FAST = 0.5  # of the peak flow, above which resistance is told


@dataclass(frozen=True)
class Truth:
    """A number that each breath of a virtual patient has.

    Attributes
    ----------
    label, unit : str
        In the trade's words, and the unit of the values.
    decimals : int
    of : callable
        From a scene to an array, shape (breaths,), NaN where a breath has none.
    mean : bool
        True where a stretch is told by the mean (shares), False by the median.
    """

    label: str
    unit: str
    decimals: int
    of: Callable[[Scene], Values]
    mean: bool = False

    def text(self, value: float | None, within: float = np.inf) -> str:
        """A value with its unit, as finely as a tolerance ``within`` asks."""
        if value is None or not np.isfinite(value):
            return "–"
        places = max(self._places(value), 1 if within < COARSE else 0)
        return f"{value:z.{places}f} {self.unit}".rstrip()

    def _places(self, value: float) -> int:
        """Small values, a newborn's say, keep two figures."""
        small = value != 0 and abs(value) < 10 and self.decimals == 0 and self.unit != "%"
        return 1 if small else self.decimals

    def over(self, values: Values) -> float | None:
        """One number for a stretch of breaths; None where no breath has any."""
        known = values[np.isfinite(values)]
        if not known.size:
            return None
        return float(np.mean(known) if self.mean else np.median(known))


def _column(key: str) -> Callable[[Scene], Values]:
    return lambda scene: scene.table[key].to_numpy().astype(np.float64)


def _plateau(scene: Scene) -> Values:
    return scene.at("recoil_pressure", scene.turn)


def _driving(scene: Scene) -> Values:
    return _plateau(scene) - scene.of("total_peep_cmh2o")


def _compliance(scene: Scene) -> Values:
    driving = _driving(scene)
    volume = 1000 * (scene.at("lung_volume", scene.turn) - scene.at("lung_volume", scene.start))
    return np.divide(volume, driving, out=np.full_like(driving, np.nan), where=driving > LEAST_DRIVING_CMH2O)


def _resistance(scene: Scene) -> Values:
    """Pressure from the airway opening to the alveoli over flow, while gas flows in fast: tube and airways."""
    drop = scene.channels["airway_pressure"] - scene.channels["alveolar_pressure"]
    flow, out = scene.channels["flow"], np.full(len(scene.start), np.nan)
    for k, part in enumerate(scene.inspirations()):
        fast = flow[part] > FAST * flow[part].max(initial=0.0)
        if fast.any() and flow[part].max() > 0:
            out[k] = np.median(drop[part][fast] / flow[part][fast])
    return out


def _leak(scene: Scene) -> Values:
    """Share of the inhaled gas that does not come back past the wye; none where more comes back than went in."""
    flow, out = scene.channels["flow"], np.full(len(scene.start), np.nan)
    for k, part in enumerate(scene.whole()):
        into = float(np.clip(flow[part], 0, None).sum())
        if into > 0:
            out[k] = 100 * max(0.0, float(flow[part].sum())) / into
    return out


def _rate(scene: Scene) -> Values:
    return 60.0 / (scene.end - scene.start)


def _minute(scene: Scene) -> Values:
    return scene.of("vte_ml") / 1000 * _rate(scene)


def _shallow(scene: Scene) -> Values:
    volume = scene.of("vte_ml")
    out: Values = np.full(len(volume), np.nan)
    breathed = volume > 0
    out[breathed] = 1000 * _rate(scene)[breathed] / volume[breathed]
    return out


def _per_kg(scene: Scene) -> Values:
    return scene.of("vte_ml") / scene.weight_kg


def _per_actual_kg(scene: Scene) -> Values:
    """By what the scales say, as in newborns and infants; NaN for a recorded case, which keeps no weight."""
    weight = None if scene.solution is None else scene.solution.scenario.patient.weight_kg
    return scene.of("vte_ml") / (weight or np.nan)


def _intrinsic(scene: Scene) -> Values:
    return scene.of("total_peep_cmh2o") - scene.set_peep


def _set_trigger(scene: Scene) -> Values:
    assert scene.solution is not None
    set_ones = (scene.solution.scenario.setting_at(at).trigger_flow_l_min for at in scene.start)
    return np.array([np.nan if one is None else one for one in set_ones])


def _share(label: str | None) -> Callable[[Scene], Values]:
    def of(scene: Scene) -> Values:
        return np.array([100.0 * (bool(said) if label is None else label in said) for said in scene.labels])

    return of


def _as(key: str, of: Callable[[Scene], Values], name: str = "") -> Truth:
    known = quantity(name or key)
    return Truth(known.label, known.unit, known.decimals, of)


TRUTHS: dict[str, Truth] = {
    **{
        key: _as(key, _column(key))
        for key in (
            "peak_pressure_cmh2o", "total_peep_cmh2o", "vti_ml", "vte_ml", "mean_pressure_cmh2o", "ph", "etco2_mmhg",
        )
    },
    "paco2_mmhg": Truth("arterial carbon dioxide", "mmHg", 0, _column("paco2_mmhg")),
    "pao2_mmhg": Truth("arterial oxygen", "mmHg", 0, _column("pao2_mmhg")),
    "sao2_percent": Truth("arterial saturation", "%", 0, lambda scene: 100 * scene.of("sao2")),
    "effort_cmh2o": _as("effort_cmh2o", lambda scene: np.maximum(scene.of("muscle_peak_cmh2o"), 0.0)),
    "plateau_pressure_cmh2o": _as("plateau_pressure_cmh2o", _plateau),
    "driving_pressure_cmh2o": _as("driving_pressure_cmh2o", _driving),
    "peak_less_plateau_cmh2o": Truth(
        "peak less plateau", "cmH2O", 1, lambda scene: scene.of("peak_pressure_cmh2o") - _plateau(scene)
    ),
    "compliance_ml_cmh2o": _as("compliance_ml_cmh2o", _compliance),
    "resistance_cmh2o_s_l": _as("resistance_cmh2o_s_l", _resistance),
    "set_trigger_l_min": Truth("set flow trigger", "L/min", 1, _set_trigger),
    "intrinsic_peep_cmh2o": _as("intrinsic_peep_cmh2o", _intrinsic),
    "rate_per_min": _as("rate_per_min", _rate),
    "minute_volume_l_min": _as("minute_volume_l_min", _minute),
    "inspiratory_time_s": _as("inspiratory_time_s", lambda scene: scene.turn - scene.start),
    "volume_per_kg_ml_kg": Truth("tidal volume per predicted body weight", "mL/kg", 1, _per_kg),
    "volume_per_actual_kg_ml_kg": Truth("tidal volume per actual weight", "mL/kg", 1, _per_actual_kg),
    "rapid_shallow_per_min_l": Truth("rate over tidal volume", "/min/L", 0, _shallow),
    "leak_percent": Truth("leak", "%", 0, _leak),
    "gradient_co2_mmhg": Truth(
        "arterial less end-tidal carbon dioxide", "mmHg", 0,
        lambda scene: scene.of("paco2_mmhg") - scene.of("etco2_mmhg"),
    ),
    "patient_triggered_percent": Truth(
        "breaths begun by the patient", "%", 0, lambda scene: 100 * scene.of("patient_triggered"), mean=True
    ),
    "out_of_step_percent": Truth("breaths out of step", "%", 0, _share(None), mean=True),
    **{
        f"{label.replace('-', '_')}_percent": Truth(f"breaths with {label.replace('-', ' ')}", "%", 0, _share(label),
                                                    mean=True)
        for label in LABELS
    },
}  # fmt: skip
"""Every truth by its key."""
