"""Pressure lost in an endotracheal or tracheostomy tube.

Three laws, kept apart because their coefficients are easily taken for one another:

- :class:`Rohrer`, ``ΔP = k1·V' + k2·V'|V'|``: what fits to measured adult tubes give;
- :class:`PowerLaw`, ``ΔP = factor·|V'|^exponent``: what Guttmann printed as K1 and K2, K2 being an exponent near 2;
- :class:`SmoothTube`: the hydraulic laws of a smooth, bent tube, for the sizes of newborns and children.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tidebench.formulas._domain import Number, known, positive, refuse, within
from tidebench.units import factor

CMH2O_IN_PA = factor("cmH2O", "Pa")
HIGHEST_FLOW_L_S = 5.0
GASES = ("air/oxygen", "heliox")
TUBES = ("endotracheal tube", "tracheostomy tube")

AIR_DENSITY_KG_M3 = 1.20
AIR_VISCOSITY_PA_S = 1.8e-5
"""Dry air at 20 °C, rounded (common practice, no source)."""

BEND_RADIUS_CM = 14.0
"""Radius to which a new endotracheal tube is bent: ISO 5361 (from memory)."""

_GUTTMANN = "Guttmann, Anesthesiology 1993;79:503, curves refitted to Rohrer's form (secondary source)"
_FLEVARI = "Flevari, Anaesth Intensive Care 2011;39:410 (secondary source)"
_GUTTMANN_POWER = "Guttmann, Anesthesiology 1993;79:503 (inspiratory coefficients from memory)"
_JARREAU = "Jarreau, J Appl Physiol 1999;87:36: Ito's law when laminar, Blasius' when turbulent"

_BENCHES_DIFFER = "two published benches differ by up to a quarter"
_TUBE_ALONE = "the tube without its connector; measured adult tubes lose about twice as much"

# (inner diameter mm, k1, k2), by size.
_ROHRER_FITS: dict[tuple[str, str], tuple[tuple[float, float, float], ...]] = {
    ("endotracheal tube", "Guttmann"): ((7.0, 0.10, 11.01), (7.5, 0.30, 8.09), (8.0, 0.36, 6.19)),
    ("endotracheal tube", "Flevari"): ((7.0, 0.97, 9.17), (7.5, 0.92, 6.01), (8.0, 0.83, 4.65)),
    ("tracheostomy tube", "Guttmann"): ((8.0, 0.0, 4.63),),
}
_BENCH_SOURCES = {"Guttmann": _GUTTMANN, "Flevari": _FLEVARI}
_SMOOTH_SIZES_MM = (2.5, 6.5)
# Lengths at which newborn tubes usually lie, connector to tip, cm by mm (common practice, no source).
_NEWBORN_SIZES_MM, _NEWBORN_LENGTHS_CM = (2.5, 3.0, 3.5), (11.0, 12.0, 13.0)


@dataclass(frozen=True, slots=True)
class Origin:
    """Where coefficients come from and how far they reach.

    ``flows_l_s`` are the flows [L/s] over which they were fitted or compared, or None where the source seen does not
    say; outside, the law extrapolates.
    """

    source: str
    flows_l_s: tuple[float, float] | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Rohrer:
    """``ΔP = k1·V' + k2·V'|V'|``: ``k1`` [cmH2O·s/L], ``k2`` [cmH2O·s²/L²]."""

    k1: float
    k2: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """``ΔP = factor·|V'|^exponent``, with the sign of flow: ``factor`` is the loss at 1 L/s [cmH2O]."""

    factor: float
    exponent: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class SmoothTube:
    """A smooth tube of this inner diameter [mm] and length [cm], bent to this radius [cm], straight where None."""

    inner_diameter_mm: float
    length_cm: float
    bend_radius_cm: float | None
    origin: Origin


TubeLaw = Rohrer | PowerLaw | SmoothTube

GUTTMANN_POWER_LAW_8_0 = PowerLaw(6.57, 1.94, Origin(_GUTTMANN_POWER, note="endotracheal tube 8.0 mm, inspiration"))
"""The one power law that is known here: to compare with, not a default."""


class TubeChoice(NamedTuple):
    """A law, or None with the reason why there is none."""

    law: TubeLaw | None
    reason: str


def tube_coefficients(
    interface: str | None,
    inner_diameter_mm: float | None,
    length_cm: float | None = None,
    *,
    bench: str = "Guttmann",
    gas: str = "air/oxygen",
) -> TubeChoice:
    """The law of a tube by interface and size, or why there is none.

    Parameters
    ----------
    interface : str or None
        As a case names it. Only the two tubes have a law; other interfaces and None have none.
    inner_diameter_mm : float or None
        [mm], 2 to 12. Published fits reach from 7.0 to 8.0 mm (endotracheal) and cover 8.0 mm (tracheostomy); between
        published sizes the coefficients are interpolated linearly in diameter, beyond them there are none. From
        2.5 to 6.5 mm endotracheal tubes follow the laws of smooth bent tubes.
    length_cm : float or None
        [cm], 3 to 45. Used by smooth tubes only. Where None, the usual length of a newborn's tube is assumed up to
        3.5 mm and said in the note; above that there is no law without a length.
    bench : {"Guttmann", "Flevari"}
        Whose fit is used for adult tubes.
    gas : {"air/oxygen", "heliox"}
        Heliox has no law: the coefficients hold for air and oxygen.

    Returns
    -------
    TubeChoice
        ``law`` and an empty ``reason``, or None and the reason.

    Raises
    ------
    OptionError
        A diameter or length outside its range, an unknown bench or gas.

    Notes
    -----
    Endotracheal 7.0, 7.5, 8.0 mm and tracheostomy 8.0 mm: Guttmann, Anesthesiology 1993;79:503, refitted to Rohrer's
    form over 0.05 to 1.5 L/s with a residual below 0.12 cmH2O (secondary source). Flevari, Anaesth Intensive Care
    2011;39:410 (secondary source). A tube in use often acts one size smaller (Wilson, Chest 2009;136:1006).
    """
    known("bench", bench, _BENCH_SOURCES)
    if known("gas", gas, GASES) == "heliox":
        return TubeChoice(None, "the published coefficients hold for air and oxygen, not for heliox")
    if interface not in TUBES:
        named = f"the interface is {interface!r}" if interface else "the interface is not known"
        return TubeChoice(None, f"{named}: only endotracheal and tracheostomy tubes have a law")
    if inner_diameter_mm is None:
        return TubeChoice(None, "the inner diameter of the tube is not known")
    size = within("inner_diameter_mm", float(inner_diameter_mm), 2.0, 12.0, unit="mm")
    if interface == "endotracheal tube" and _SMOOTH_SIZES_MM[0] <= size <= _SMOOTH_SIZES_MM[1]:
        return _smooth_choice(size, length_cm)
    return _fitted_choice(interface, size, bench)


def _fitted_choice(interface: str, size: float, bench: str) -> TubeChoice:
    table = _ROHRER_FITS.get((interface, bench), ())
    sizes = [row[0] for row in table]
    if not sizes or not sizes[0] <= size <= sizes[-1]:
        covered = f"{bench} covers {', '.join(f'{row:.1f}' for row in sizes)} mm" if sizes else f"{bench} has none"
        return TubeChoice(None, f"no coefficients are published for a {size:.1f} mm {interface}: {covered}")
    k1, k2 = (float(np.interp(size, sizes, [row[column] for row in table])) for column in (1, 2))
    flows = (0.05, 1.5) if bench == "Guttmann" else None
    note = _BENCHES_DIFFER if size in sizes else f"interpolated between published sizes; {_BENCHES_DIFFER}"
    return TubeChoice(Rohrer(k1, k2, Origin(_BENCH_SOURCES[bench], flows, note)), "")


def _smooth_choice(size: float, length_cm: float | None) -> TubeChoice:
    note = _TUBE_ALONE
    if length_cm is None:
        if size > _NEWBORN_SIZES_MM[-1]:
            return TubeChoice(None, f"a {size:.1f} mm tube follows the law of smooth tubes, which needs its length")
        length_cm = float(np.interp(size, _NEWBORN_SIZES_MM, _NEWBORN_LENGTHS_CM))
        note = f"a length of {length_cm:.1f} cm is assumed; {note}"
    length = within("length_cm", float(length_cm), 3.0, 45.0, unit="cm")
    return TubeChoice(SmoothTube(size, length, BEND_RADIUS_CM, Origin(_JARREAU, note=note)), "")


def usual_length_cm(diameter_mm: float) -> float:
    """Length of an endotracheal tube where none is given: 14 cm at 2.5 mm, 30 cm at 6.5 mm (ISO 5361, from memory)."""
    return 4.0 * diameter_mm + 4.0


def tube_pressure_drop(flow_l_s: Number, law: TubeLaw) -> Number:
    """Pressure lost in a tube, with the sign of flow.

    Parameters
    ----------
    flow_l_s : float or ndarray
        [L/s], towards the patient positive, within ±5 L/s.
    law : Rohrer, PowerLaw or SmoothTube
        As :func:`tube_coefficients` gives it.

    Returns
    -------
    float or ndarray
        [cmH2O]. Tracheal pressure is airway pressure less this, in both directions. Beyond ``law.origin.flows_l_s`` the
        law extrapolates.
    """
    flow = within("flow_l_s", flow_l_s, -HIGHEST_FLOW_L_S, HIGHEST_FLOW_L_S, unit="L/s")
    size: Number = np.abs(flow)
    if isinstance(law, Rohrer):
        return law.k1 * flow + law.k2 * flow * size
    if isinstance(law, PowerLaw):
        drop: Number = np.sign(flow) * law.factor * size**law.exponent
        return drop
    return smooth_tube_pressure_drop(flow, law.inner_diameter_mm, law.length_cm, bend_radius_cm=law.bend_radius_cm)


def nearest_pressure_drop(flow_l_s: Number, law: TubeLaw) -> Number:
    """:func:`tube_pressure_drop` of any flow [L/s]; beyond ±5 L/s as at ±5 L/s, where sensors and not tubes tell."""
    within_law: Number = np.clip(flow_l_s, -HIGHEST_FLOW_L_S, HIGHEST_FLOW_L_S)
    return tube_pressure_drop(within_law, law)


def reynolds_number(
    flow_l_s: Number,
    inner_diameter_mm: float,
    *,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
    viscosity_pa_s: float = AIR_VISCOSITY_PA_S,
) -> Number:
    """``Re = 4·ρ·|V'| / (π·μ·D)``, without unit; flow [L/s], diameter [mm] above zero."""
    diameter_m = positive("inner_diameter_mm", float(inner_diameter_mm), unit="mm") / 1000.0
    number: Number = 4.0 * density_kg_m3 * np.abs(flow_l_s) / 1000.0 / (np.pi * viscosity_pa_s * diameter_m)
    return number


def laminar_resistance(
    inner_diameter_mm: float, length_cm: float, *, viscosity_pa_s: float = AIR_VISCOSITY_PA_S
) -> float:
    """Resistance of a straight tube under laminar flow [cmH2O·s/L]: ``128·μ·L / (π·D⁴)``, Poiseuille.

    Diameter [mm] and length [cm] are above zero.
    """
    diameter_m = positive("inner_diameter_mm", float(inner_diameter_mm), unit="mm") / 1000.0
    length_m = positive("length_cm", float(length_cm), unit="cm") / 100.0
    return 128.0 * viscosity_pa_s * length_m / (np.pi * diameter_m**4) / 1000.0 / CMH2O_IN_PA


def bend_factor(dean_number: Number) -> Number:
    """How many times more a bent tube resists laminar flow than a straight one.

    ``21.5·De / (1.56 + log10 De)^5.73`` above De 13.5, where it is 1, and 1 below: Ito, J Basic Eng 1959;81:123 (from
    memory; valid up to De 2000). The Dean number ``De = Re·√(D/2R)`` is at least zero.
    """
    dean = within("dean_number", dean_number, 0.0)
    bent = np.maximum(dean, 13.5)
    times: Number = np.maximum(21.5 * bent / (1.56 + np.log10(bent)) ** 5.73, 1.0)
    return times


def blasius_pressure_drop(
    flow_l_s: Number,
    inner_diameter_mm: float,
    length_cm: float,
    *,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
    viscosity_pa_s: float = AIR_VISCOSITY_PA_S,
) -> Number:
    """Pressure lost in a smooth straight tube under turbulent flow [cmH2O], with the sign of flow.

    ``ΔP = f·(L/D)·ρ·v²/2`` with Darcy's ``f = 0.3164·Re^-0.25``: Blasius, as Lofaso, Am Rev Respir Dis 1992;146:974
    found it to describe adult tubes alone. Flow [L/s], diameter [mm] and length [cm] above zero.
    """
    diameter_m = positive("inner_diameter_mm", float(inner_diameter_mm), unit="mm") / 1000.0
    length_m = positive("length_cm", float(length_cm), unit="cm") / 100.0
    reynolds = reynolds_number(flow_l_s, inner_diameter_mm, density_kg_m3=density_kg_m3, viscosity_pa_s=viscosity_pa_s)
    # f·v² with v = Re·μ/(ρ·D): written without a negative power of Re, so that it holds at rest.
    scale = 0.3164 * length_m * viscosity_pa_s**2 / (2.0 * density_kg_m3 * diameter_m**3)
    drop: Number = np.sign(flow_l_s) * scale * reynolds**1.75 / CMH2O_IN_PA
    return drop


def smooth_tube_pressure_drop(
    flow_l_s: Number,
    inner_diameter_mm: float,
    length_cm: float,
    *,
    bend_radius_cm: float | None = BEND_RADIUS_CM,
    density_kg_m3: float = AIR_DENSITY_KG_M3,
    viscosity_pa_s: float = AIR_VISCOSITY_PA_S,
) -> Number:
    """Pressure lost in a smooth tube, laminar or turbulent, with the sign of flow.

    Parameters
    ----------
    flow_l_s : float or ndarray
        [L/s], within ±5 L/s.
    inner_diameter_mm, length_cm : float
        [mm], [cm], above zero.
    bend_radius_cm : float or None
        Radius of the bend [cm], more than the tube's radius; None for a straight tube.
    density_kg_m3, viscosity_pa_s : float
        Of the gas; air unless given.

    Returns
    -------
    float or ndarray
        [cmH2O]: the greater of Poiseuille's loss times Ito's factor and Blasius' loss. That is continuous, and crosses
        over close to Ito's critical Reynolds number.

    Notes
    -----
    Jarreau, J Appl Physiol 1999;87:36 (Ito when laminar, Blasius when turbulent, 2.5 to 7.0 mm); the crossover by the
    greater loss is this house's.
    """
    flow = within("flow_l_s", flow_l_s, -HIGHEST_FLOW_L_S, HIGHEST_FLOW_L_S, unit="L/s")
    laminar = laminar_resistance(inner_diameter_mm, length_cm, viscosity_pa_s=viscosity_pa_s) * np.abs(flow)
    if bend_radius_cm is not None:
        radius_cm = inner_diameter_mm / 20.0
        if not bend_radius_cm > radius_cm:
            refuse("bend_radius_cm", f"{bend_radius_cm:g}", f"above the tube's own radius, {radius_cm:g} cm")
        reynolds = reynolds_number(flow, inner_diameter_mm, density_kg_m3=density_kg_m3, viscosity_pa_s=viscosity_pa_s)
        laminar = laminar * bend_factor(reynolds * np.sqrt(radius_cm / bend_radius_cm))
    turbulent = blasius_pressure_drop(
        flow, inner_diameter_mm, length_cm, density_kg_m3=density_kg_m3, viscosity_pa_s=viscosity_pa_s
    )
    drop: Number = np.sign(flow) * np.maximum(laminar, np.abs(turbulent))
    return drop
