"""Gas exchange: what ventilation and blood do to carbon dioxide and oxygen, breath by breath and over minutes.

Alveolar gas is one well-mixed store that fresh gas reaches through a series dead space, which holds a front between
alveolar and fresh gas; a share of what arrives meets no blood (alveolar dead space). CO2 is held by blood and tissues
as two stores, fast and slow, the fast one in equilibrium with arterial blood; oxygen by venous blood. In steady state

    PaCO2 = 863·V'CO2 / (V'E·(1 − V_D/V_T))     (alveolar ventilation equation)

Contents: 1.34 mL of oxygen per gram of haemoglobin and 0.003 mL/dL per mmHg, saturation after Severinghaus, J Appl
Physiol 1979;46:599, at the PO2 that pH makes of it (log10 PO2 + 0.48·(pH − 7.40), ibid.); pH by Henderson and
Hasselbalch with pK 6.1 and 0.0307 mmol/L per mmHg. Lung tissue and capillary blood hold CO2 in equilibrium with
alveolar gas, like so much more gas: it damps the swing within the breath. Store sizes are invented
so that PaCO2 rises by some 3 to 4 mmHg a minute in apnoea (Eger and Severinghaus, Anesthesiology 1961;22:419, from
memory).
"""

from __future__ import annotations

import numpy as np

from tidebench.formulas import gas_exchange
from tidebench.kernels import kernel, part
from tidebench.simulation.layout import Record

WATER = gas_exchange.WATER_MMHG
BODY = 862.947  # mmHg: L BTPS per L STPD, times the pressure of dry gas
CO2_SLOPE = 6e-3  # L of CO2 per L of blood and mmHg, about 40 mmHg (common practice, no source)
HUEFNER = gas_exchange.HUEFNER / 100  # L of oxygen per L of blood, per g/dL of haemoglobin
DISSOLVED = gas_exchange.SOLUBLE_O2 / 100  # L of oxygen per L of blood and mmHg
CUBIC, LINEAR, BOHR = gas_exchange.CUBIC, gas_exchange.LINEAR, gas_exchange.BOHR
PK, SOLUBLE = gas_exchange.PK, gas_exchange.SOLUBLE_CO2
PHASE_TWO = 0.25  # share of the dead space over which the front is smeared by diffusion, half of it on either side
STEEPEST = 8.0  # power of the slope that carbon dioxide has over expired volume
HALVINGS = 24  # of 800 mmHg: to 5e-5 mmHg


@kernel
def saturation(po2: float) -> float:
    """Haemoglobin saturation (0 to 1) at a PO2 (mmHg): Severinghaus 1979."""
    if po2 <= 0.0:
        return 0.0
    return 1.0 / (CUBIC / (po2 * po2 * po2 + LINEAR * po2) + 1.0)


@kernel
def oxygen_content(po2: float, haemoglobin: float, ph: float) -> float:
    """Oxygen in blood of this pH, L per L."""
    return HUEFNER * haemoglobin * saturation(po2 * 10.0 ** (BOHR * (ph - 7.4))) + DISSOLVED * po2


@kernel
def oxygen_tension(content: float, haemoglobin: float, ph: float) -> float:
    """PO2 (mmHg) at which blood of this pH holds this much oxygen, by bisection; at most 800."""
    low, high = 0.0, 800.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if oxygen_content(middle, haemoglobin, ph) < content:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel
def acidity(pco2: float, bicarbonate: float) -> float:
    """pH by Henderson and Hasselbalch."""
    return PK + np.log10(bicarbonate / (SOLUBLE * pco2))


@part
def slope(g: Record) -> float:
    """Power of expired volume with which carbon dioxide rises from what left first, for all to add up."""
    gained = g.expired_co2 / g.expired - g.first_co2
    bend = (g.behind_co2 - g.first_co2) / gained - 1.0 if gained != 0.0 else 1.0
    return min(max(bend, 1.0 / STEEPEST), STEEPEST)


@part
def passed_wye(patient: Record, g: Record) -> float:
    """Carbon dioxide that has left through the dead space, litres; the rest of what left the alveoli is still there."""
    bend, share = slope(g), 1.0 - patient.airway_dead_space / g.expired
    return g.expired * (g.first_co2 * share + (g.behind_co2 - g.first_co2) * share ** (bend + 1.0) / (bend + 1.0))


@kernel
def mix(patient: Record, machine: Record, g: Record, moved: float) -> None:
    """Move gas through the dead space into or out of the alveoli: ``moved`` litres, inspiration positive.

    ``g`` holds the perfused alveoli: their share of volume, and litres of CO2 and oxygen in it. ``front`` is how much
    of the dead space holds fresh gas, below zero what has come out of it since; what lies behind it came out last, is
    richer in carbon dioxide than the mean, and comes back. ``front_top`` is how far fresh gas came in the last
    inspiration. ``expired`` is what has come out since then, with ``expired_co2`` in it, and ``first_co2`` how much
    carbon dioxide was in what left first.
    """
    met = 1.0 - patient.alveolar_dead_space
    if moved > 0.0:
        if g.front <= 0.0 and g.expired > patient.airway_dead_space:
            g.behind_co2 = (g.expired_co2 - passed_wye(patient, g)) / patient.airway_dead_space
        reached = max(0.0, g.front) + moved
        fresh = max(0.0, reached - patient.airway_dead_space)
        g.front = g.front_top = min(patient.airway_dead_space, reached)
        g.expired = 0.0 if fresh > 0.0 else max(0.0, g.expired - moved)
        g.expired_co2 = max(0.0, g.expired_co2 - moved * g.behind_co2) if g.expired > 0.0 else 0.0
        g.volume += met * moved
        g.co2 += (moved - fresh) * g.behind_co2
        g.o2 += (moved - fresh) * g.behind_o2 + met * fresh * machine.fio2
        return
    g.behind_co2, g.behind_o2 = met * g.co2 / (g.volume + patient.tissue_volume), met * g.o2 / g.volume
    if g.expired == 0.0:
        g.first_co2 = g.behind_co2
    g.expired -= moved
    g.expired_co2 -= moved * g.behind_co2
    g.co2 += moved * g.behind_co2
    g.o2 += moved * g.behind_o2
    g.volume += met * moved
    g.front = max(-0.5 * PHASE_TWO * patient.airway_dead_space, g.front + moved)


@part
def mouth_tension(patient: Record, g: Record, flow: float) -> float:
    """PCO2 at the wye (mmHg): none while fresh gas comes in, then a smeared front, then mixed alveolar gas.

    What passes the wye left the alveoli a dead space's volume before: its carbon dioxide is read off a curve over
    expired volume from what left first to what leaves now, a power of it, that holds what has left in all. Where fresh
    gas never came through the dead space there is no mixed front: what was in it comes back.
    """
    if flow > 0.0:
        return 0.0
    half = 0.5 * PHASE_TWO * patient.airway_dead_space if g.front_top >= patient.airway_dead_space else 1e-9
    arrived = min(max(0.5 * (1.0 - g.front / half), 0.0), 1.0) if g.front != 0.0 or half > 1e-9 else 0.0
    passing = g.first_co2
    if g.expired > patient.airway_dead_space:
        left_since = 1.0 - patient.airway_dead_space / g.expired
        passing += (g.behind_co2 - g.first_co2) * left_since ** slope(g)
    return passing * (patient.barometric_pressure - WATER) * arrived * arrived * (3.0 - 2.0 * arrived)


@kernel
def exchange(patient: Record, g: Record, shunt: float, seconds: float) -> None:
    """Blood and tissues over an interval: release of CO2, uptake of oxygen, and the arterial values of now."""
    dry = patient.barometric_pressure - WATER
    per_litre = BODY / dry
    minutes = seconds / 60.0
    perfusing = patient.cardiac_output * (1.0 - shunt)
    alveolar_co2, alveolar_o2 = g.co2 / (g.volume + patient.tissue_volume) * dry, g.o2 / g.volume * dry
    crossing = perfusing * CO2_SLOPE * (g.co2_tension - alveolar_co2)
    between = patient.co2_exchange * (g.co2_tension - g.co2_slow_tension)
    g.co2_tension += minutes * (patient.co2_production - crossing - between) / patient.co2_store
    g.co2_slow_tension += minutes * between / patient.co2_slow_store
    g.co2 += minutes * crossing * per_litre
    end_capillary = oxygen_content(alveolar_o2, patient.haemoglobin, g.ph)
    taken = min(perfusing * (end_capillary - g.venous_o2), 0.5 * g.o2 / (per_litre * minutes))
    g.venous_o2 = max(0.0, g.venous_o2 + minutes * (taken - patient.o2_uptake) / patient.o2_store)
    g.o2 -= minutes * taken * per_litre
    arterial = (1.0 - shunt) * end_capillary + shunt * g.venous_o2
    g.arterial_co2 = (1.0 - shunt) * alveolar_co2 + shunt * g.co2_tension
    g.ph = acidity(g.arterial_co2, patient.bicarbonate)
    g.arterial_o2 = oxygen_tension(arterial, patient.haemoglobin, g.ph)
    g.arterial_saturation = saturation(g.arterial_o2 * 10.0 ** (BOHR * (g.ph - 7.4)))
