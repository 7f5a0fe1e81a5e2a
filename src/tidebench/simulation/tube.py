"""The tube as the solver takes it: Rohrer's two coefficients, from published laws, partly blocked if asked."""

from __future__ import annotations

import numpy as np

from tidebench.case import Airway
from tidebench.formulas.tube import Rohrer, TubeLaw, tube_coefficients, tube_pressure_drop, usual_length_cm

TOP_FLOW_L_S = {2.5: 0.15, 3.5: 0.25, 5.0: 0.6, 12.0: 1.5}
"""Up to which inner diameter (mm) a law is fitted up to which flow (common practice, no source)."""
LAMINAR_POWER, TURBULENT_POWER = 2.0, 2.375
"""How losses rise with the inverse of a tube's cross-section: Poiseuille's D⁻⁴ and Blasius' D⁻⁴·⁷⁵."""


def rohrer_fit(law: TubeLaw, diameter_mm: float) -> tuple[float, float]:
    """k1 (cmH2O·s/L) and k2 (cmH2O·s²/L²) that come nearest to a law over the flows that such a tube sees."""
    if isinstance(law, Rohrer):
        return law.k1, law.k2
    top = next(flow for size, flow in TOP_FLOW_L_S.items() if diameter_mm <= size)
    flow = np.linspace(top / 50, top, 50)
    drop = np.asarray(tube_pressure_drop(flow, law))
    k1, k2 = np.linalg.lstsq(np.stack([flow, flow * flow], axis=1), drop, rcond=None)[0]
    return (float(k1), float(k2)) if k1 > 0 else (0.0, float(np.sum(drop * flow**2) / np.sum(flow**4)))


COVERED_MM = {"endotracheal tube": ((2.5, 6.5), (7.0, 8.0)), "tracheostomy tube": ((8.0, 8.0),)}
"""Inner diameters that a published law covers."""


def nearest_covered(interface: str, diameter_mm: float) -> float:
    """The nearest diameter, mm, that a published law covers."""
    inside = [min(max(diameter_mm, low), high) for low, high in COVERED_MM[interface]]
    return min(inside, key=lambda size: abs(size - diameter_mm))


def tube_loss(airway: Airway, blocked: float = 0.0) -> tuple[float, float]:
    """k1 and k2 of a case's tube; zeros where there is none.

    A size between or beyond the published ones has the losses of the nearest, scaled as a narrower or wider pipe's.
    ``blocked`` is the share of the cross-section that is lost.
    """
    diameter = airway.tube_inner_diameter_mm
    if airway.interface not in COVERED_MM or diameter is None:
        return 0.0, 0.0
    size = nearest_covered(airway.interface, diameter)
    law = tube_coefficients(airway.interface, size, airway.tube_length_cm or usual_length_cm(diameter)).law
    assert law is not None
    k1, k2 = rohrer_fit(law, size)
    section = (diameter / size) ** 2 * (1.0 - blocked)
    return k1 / section**LAMINAR_POWER, k2 / section**TURBULENT_POWER
