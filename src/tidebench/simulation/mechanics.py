"""Gas moved by pressure: compartments, airways, tube, leaks and circuit over one step.

::

    ventilator ──┬──── wye ──── tube ──── carina ──┬── airway 1 ── compartment 1 ──┐
                 │      │                   │      └── airway 2 ── compartment 2 ──┴── chest wall, muscles
             circuit  mask leak          cuff leak

Implicit midpoint rule: with V the volumes, P the pressure at the wye and everything taken at the middle of the step,

    P_alv,i = recoil_i(V_i) + E_cw·ΣV + P_relax + P_pl,0 + P_heart − P_mus
    q_i     = (P_carina − P_alv,i) / R_i
    P_wye   = P_carina + k1·Q + k2·Q|Q|,   Q = Σ q_i + cuff leak
    C_circuit · dP_wye/dt = source(P_wye) − Q − mask leak

Recoil is taken straight over the step, so seen from the tube the patient is a pressure behind an impedance, and what is
left is one quadratic in Q, solved in closed form: no step is too long for stability, and the error falls with the
square of the step. A compartment whose expiration is limited lets out at most recoil_i / R_lim, whatever pulls on it
(Hyatt's limitation by the lung's own recoil; common practice, no source for this form). Airways close where half of the
volume at rest has gone: below that nothing empties the lung, and what recoil would push out stays as trapped gas.
"""

from __future__ import annotations

import numpy as np

from tidebench.kernels import kernel, part
from tidebench.simulation.layout import Record, Samples

SHUT = 1e-4  # L/s per cmH2O: what is left of a branch whose flow no longer depends on pressure
CLOSED_BELOW = 0.5
"""Of the volume at rest, which airways that close keep in: residual volume is about half of functional residual
capacity (common practice, no source).
"""
NEAR_CLOSURE, CLOSING_S = 0.25, 0.05  # of the volume at rest above it, where it is looked for; s in which airways close
CUT_OFF_S = 60.0  # time constant of a compartment behind a shut airway
EDGE = 1e-6  # of a sigmoid's span: recoil is taken straight beyond it
ATTEMPTS = 4  # at guessing on which side of its switches the step lies


@part
def recoil(lung: Record, volume: float, opened: float) -> tuple[float, float]:
    """Recoil pressure (cmH2O) and its slope (cmH2O/L) of one compartment, ``opened`` being its share that is open."""
    if lung.sigmoid_span == 0.0:
        slope = 1.0 / (lung.compliance * opened)
        return volume * slope, slope
    v = volume / opened
    span, edge = lung.sigmoid_span, EDGE * lung.sigmoid_span
    u = min(max(v - lung.sigmoid_low, edge), span - edge)
    slope = lung.sigmoid_width * span / (u * (span - u))
    straight = slope * (v - lung.sigmoid_low - u)
    return lung.sigmoid_middle + lung.sigmoid_width * np.log(u / (span - u)) + straight, slope / opened


def volume_at(lung: Record, pressure: float, opened: float) -> float:
    """Volume (L) at which :func:`recoil` is this pressure (cmH2O)."""
    if lung["sigmoid_span"] == 0.0:
        return float(pressure * lung["compliance"] * opened)
    share = 1.0 / (1.0 + np.exp(-(pressure - lung["sigmoid_middle"]) / lung["sigmoid_width"]))
    return float(opened * (lung["sigmoid_low"] + lung["sigmoid_span"] * min(max(share, EDGE), 1.0 - EDGE)))


@kernel
def reopened(lung: Record, opened: float, pressure: float, h: float) -> float:
    """Share of a compartment that is open after a step at this transpulmonary pressure.

    Units open where pressure exceeds their opening pressure and close where it falls below their closing pressure,
    both spread logistically, each with its time constant: between the two, history decides.
    """
    if lung.recruitable == 0.0:
        return 1.0
    always = 1.0 - lung.recruitable
    may = always + lung.recruitable / (1.0 + np.exp(-(pressure - lung.opening_pressure) / lung.opening_spread))
    can = always + lung.recruitable / (1.0 + np.exp(-(pressure - lung.closing_pressure) / lung.closing_spread))
    if opened < may:
        return opened + (may - opened) * (1.0 - np.exp(-h / lung.opening_time))
    if opened > can:
        return opened + (can - opened) * (1.0 - np.exp(-h / lung.closing_time))
    return opened


@part
def leaking(conductance: float, exponent: float, closes: float, pressure: float) -> float:
    """Leak conductance at a pressure, L/s per cmH2O: ``L·P^α / P`` above zero and above ``closes``, none below."""
    if conductance == 0.0 or pressure <= max(closes, 0.0):
        return 0.0
    return conductance * pressure ** (exponent - 1.0)


@part
def tube_flow(impedance: float, k2: float, coupling: float, drive: float) -> float:
    """Q of ``coupling·k2·Q|Q| + (coupling·impedance + 1)·Q = drive``, exactly."""
    straight, bent = coupling * impedance + 1.0, coupling * k2
    return 2.0 * drive / (straight + np.sqrt(straight * straight + 4.0 * bent * abs(drive)))


@part
def behind_tube(patient: Record, lung: Record, units: Record, m: Record, h: float, drive: float) -> tuple[float, float]:
    """Impedance and pressure of the patient seen from the tube's end, over the middle of the step.

    Each of ``units`` receives its conductance and what opposes it; ``drive`` is muscle less heart and other pressures
    that act on all of them.
    """
    conductances = opposing = 0.0
    held, shared = 0.0, 0.5 * h * patient.chest_wall_elastance
    if patient.relaxation_elastance > 0.0:
        kept = 1.0 - 0.5 * h / (patient.relaxation_time + 0.5 * h)
        held = m.relaxation * kept
        shared += 0.5 * h * patient.relaxation_elastance * kept
    common = patient.chest_wall_elastance * m.volume + held - drive
    left = m.volume + CLOSED_BELOW * patient.residual_volume
    closing = left < NEAR_CLOSURE * patient.residual_volume
    for i in range(len(units)):
        pressure, slope = recoil(lung[i], units[i].volume, units[i].opened)
        against, out = pressure + common, units[i].flow < 0.0
        resistance = lung[i].expiratory_resistance if out else lung[i].inspiratory_resistance
        conductance = 1.0 / (resistance + 0.5 * h * slope)
        if out and (closing or lung[i].limiting_resistance > 0.0):
            limit = max(0.0, left) / CLOSING_S if closing else np.inf
            if lung[i].limiting_resistance > 0.0:
                limit = min(limit, max(0.0, pressure) / lung[i].limiting_resistance)
            if conductance * (against - m.carina) > limit:
                conductance, against = SHUT, m.carina + limit / SHUT
        units[i].conductance, units[i].against = conductance, against
        conductances += conductance
        opposing += conductance * against
    together = 1.0 + shared * conductances
    m.shared = shared
    admittance = conductances
    if patient.cuff_leak > 0.0:
        leak = leaking(patient.cuff_leak, patient.leak_exponent, patient.leak_closes, m.carina)
        admittance += together * leak
    return together / admittance, opposing / admittance


@part
def shared_out(units: Record, shared: float, carina: float) -> tuple[float, bool]:
    """Flow of every compartment for a pressure at the carina; their sum, and whether one turned since the last step."""
    conductances = opposing = 0.0
    for i in range(len(units)):
        conductances += units[i].conductance
        opposing += units[i].conductance * units[i].against
    total = (carina * conductances - opposing) / (1.0 + shared * conductances)
    turned = False
    for i in range(len(units)):
        flow = units[i].conductance * (carina - units[i].against - shared * total)
        turned = turned or (flow < 0.0) != (units[i].flow < 0.0)
        units[i].flow = flow
    return total, turned


@part
def solve_step(
    patient: Record,
    lung: Record,
    units: Record,
    m: Record,
    h: float,
    drive: float,
    compliance: float,
    delivered: float,
    yielding: float,
) -> float:
    """Pressure at the wye in the middle of a step whose source gives ``delivered − yielding·P``; flows go to ``m``."""
    mask = 0.0
    if patient.mask_leak > 0.0:
        mask = leaking(patient.mask_leak, patient.leak_exponent, patient.leak_closes, m.wye)
    stored = 2.0 * compliance / h
    coupling = stored + yielding + mask
    flow = carina = total = 0.0
    for _ in range(ATTEMPTS):
        impedance, pressure = behind_tube(patient, lung, units, m, h, drive)
        given = stored * m.wye + delivered - coupling * pressure
        flow = tube_flow(impedance + patient.tube_k1, patient.tube_k2, coupling, given)
        carina = pressure + impedance * flow
        total, turned = shared_out(units, m.shared, carina)
        if not turned:
            break
    m.patient_flow, m.carina = total, carina
    m.wye_middle = carina + (patient.tube_k1 + patient.tube_k2 * abs(flow)) * flow
    m.flow = flow + mask * m.wye_middle
    m.leak_flow = m.flow - total
    return float(m.wye_middle)


@part
def move(patient: Record, units: Record, m: Record, h: float, compliance: float) -> None:
    """Take the step that :func:`solve_step` found."""
    m.volume = 0.0
    for i in range(len(units)):
        units[i].volume += h * units[i].flow
        m.volume += units[i].volume
    if patient.relaxation_elastance > 0.0:
        rate = h / (patient.relaxation_time + 0.5 * h)
        m.relaxation += rate * (patient.relaxation_elastance * patient.relaxation_time * m.patient_flow - m.relaxation)
    m.wye = 2.0 * m.wye_middle - m.wye if compliance > 0.0 else m.wye_middle


@kernel
def rest_pressures(patient: Record, lung: Record, units: Record, m: Record, drive: float) -> None:
    """Recoil of the whole (as if compartments had settled), alveolar and pleural pressure, into ``m``.

    A compartment that would take longer than :data:`CUT_OFF_S` to settle is cut off: no occlusion shows its recoil, and
    the gas in it counts as alveolar only where there is no other.
    ``drive`` is muscle less heart, as now; without it the pressures are those of rest.
    """
    wall = patient.pleural_pressure + patient.chest_wall_elastance * m.volume + m.relaxation
    weighted = alveolar = compliances = amount = behind = shut = 0.0
    for i in range(len(units)):
        pressure, slope = recoil(lung[i], units[i].volume, units[i].opened)
        gas = max(units[i].volume, 1e-9)
        if lung[i].expiratory_resistance < CUT_OFF_S * slope:
            weighted += pressure / slope
            compliances += 1.0 / slope
            alveolar += pressure * gas
            amount += gas
        else:
            behind += pressure * gas
            shut += gas
    if compliances == 0.0:
        alveolar, amount = behind, shut
    m.recoil = (weighted / compliances if compliances > 0.0 else alveolar / amount) + wall
    m.pleural = wall - drive
    m.alveolar = alveolar / amount + wall - drive


@kernel
def part_levels(lung: Record, units: Record, m: Record, into: Samples) -> None:
    """Pressure of each compartment with chest wall and without muscles and heart, cmH2O, as of the last sample."""
    wall = m.pleural + m.muscle - m.heart_after
    for i in range(len(units)):
        into[i] = recoil(lung[i], units[i].volume, units[i].opened)[0] + wall


@part
def reopen(lung: Record, units: Record, h: float) -> None:
    """Let units open and close over an interval, at the transpulmonary pressure of now; volumes stay."""
    for i in range(len(units)):
        if lung[i].recruitable > 0.0:
            pressure = recoil(lung[i], units[i].volume, units[i].opened)[0]
            units[i].opened = reopened(lung[i], units[i].opened, pressure, h)
