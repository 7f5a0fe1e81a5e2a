"""Dead space of filter, humidifier and mount against tidal volume, and which way of humidifying goes with it."""

from __future__ import annotations

from collections.abc import Iterator

from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sheet import Line, Section, Subject, number, span, told, untold
from tidebench.care.preparation.ventilation import Chooser, Start
from tidebench.errors import OptionError
from tidebench.formulas.dead_space import (
    anatomical_dead_space_by_height_ml,
    anatomical_dead_space_ml,
    dead_space_share,
    ventilation_factor,
)
from tidebench.quantities import COMMON_PRACTICE

PARTS = (
    ("filter_ml", "filter"),
    ("heat_and_moisture_exchanger_ml", "heat and moisture exchanger"),
    ("mount_ml", "mount"),
    ("flow_sensor_ml", "flow sensor"),
    ("co2_adapter_ml", "CO2 adapter"),
    ("other_ml", "other"),
)
GUIDELINE = "AARC guideline on humidification, Respir Care 2012;57:782 (from memory)"
RADFORD = "Radford 1955 (secondary source)"
HART = "Hart 1963, n = 73 (secondary source)"
EXCHANGER_MOST_L_MIN = 10.0
SMALLEST_EXCHANGER_ML = 30.0
"""Of adults; they hold 30 to 90 mL (common practice)."""
BYPASSED = 0.5
"""Part of the anatomical dead space that is left below a tube."""


def dead_space_section(request: Request, subject: Subject, weight_kg: float | None, start: Start) -> Section:
    """Parts, their sum, its share of a breath, and what it costs."""
    stated = [(key, label, getattr(request.dead_space, key)) for key, label in PARTS]
    lines = [told(key, label, volume, volume, "mL", "As stated.") for key, label, volume in stated if volume]
    total = sum(volume for *_, volume in stated) or request.circuit.dead_space_ml or 0.0
    if total:
        lines.append(told("instrumental_dead_space_ml", "instrumental dead space", total, total, "mL",
                          "Rebreathed with every breath, between wye and patient."))  # fmt: skip
    else:
        lines.append(untold("instrumental_dead_space_ml", "instrumental dead space",
                            "No part is stated: [dead_space] filter_ml, mount_ml and so on, by their makers' words. An "
                            "adult exchanger holds 30 to 90 mL, a mount 20 to 60 (common practice)."))  # fmt: skip
    lines += _shares(request, subject, weight_kg, start, total)
    lines += _humidifier(request, subject, start, total)
    return Section("dead_space", "Dead space and humidification", tuple(lines))


def _shares(request: Request, subject: Subject, weight_kg: float | None, start: Start, total: float) -> Iterator[Line]:
    if start.volume_ml is None or weight_kg is None:
        return
    least, most = start.volume_ml
    anatomical = anatomical_dead_space_ml(weight_kg)
    by_height = request.patient.height_cm
    other = ""
    if by_height is not None and by_height >= 50.0:
        other = f" By height {number(anatomical_dead_space_by_height_ml(by_height), 0)} mL ({HART})."
    yield told("anatomical_dead_space_ml", "anatomical dead space expected", anatomical, anatomical, "mL",
               f"2.2 mL/kg.{other}", decimals=1 if anatomical < 30 else 0,
               kind="association", source=RADFORD)  # fmt: skip
    if not total:
        return
    usual = Chooser(subject).need("instrumental_dead_space_percent")
    low, high = 100.0 * total / most, 100.0 * total / least
    state = "Beyond" if high > usual.high else "Within"
    yield told("instrumental_share_percent", "of tidal volume", low, high, "%",
               f"{state} the {number(usual.high)} % of the smallest volume that is accepted.", decimals=0,
               kind=usual.kind, source=usual.source)  # fmt: skip
    left = BYPASSED * anatomical
    share = 100.0 * dead_space_share(least, left, total)
    yield told("dead_space_share_percent", "smallest breath that reaches no alveolus", share, share, "%",
               "Instrumental dead space and half the anatomical one; a tube bypasses the rest (Nunn 1959, Chadda 2002, "
               "secondary source).", decimals=0)  # fmt: skip
    try:
        factor = ventilation_factor(least, left, total)
    except OptionError:
        yield untold("ventilation_factor", "rate that makes up for it",
                     "By this reckoning the smallest breath doesn't get past its dead space.")  # fmt: skip
    else:
        yield told("ventilation_factor", "rate that makes up for it, times", factor, factor, "",
                   "For the same PaCO2 at the smallest volume.", decimals=2)  # fmt: skip


def _humidifier(request: Request, subject: Subject, start: Start, total: float) -> Iterator[Line]:
    reasons = [*_against_exchanger(subject, start), *_too_large(request, subject, start, total)]
    chosen = "heated humidifier" if reasons else "heated humidifier or heat and moisture exchanger"
    why = " ".join(reasons) or (
        "An exchanger needs changing every 24 to 96 h, and is left when secretions are thick, ventilation exceeds "
        "10 L/min, the leak exceeds 30 % or the patient is colder than 32 °C."
    )
    yield Line("humidification", "humidification", chosen, why=why, kind="consensus", source=GUIDELINE)
    if reasons and (
        request.dead_space.heat_and_moisture_exchanger_ml
        or request.circuit.humidification == "heat and moisture exchanger"
    ):
        yield Line("exchanger_planned", "planned: heat and moisture exchanger", "take a heated humidifier instead",
                   why=" ".join(reasons), kind="consensus", source=GUIDELINE)  # fmt: skip
    if request.dead_space.filter_ml:
        yield Line("filter_place", "filter", "at the ventilator, not at the patient", why="With a heated humidifier a "
                   "filter at the wye gets wet and blocks; there it is dead space as well.", kind="common practice",
                   source=COMMON_PRACTICE)  # fmt: skip


def _too_large(request: Request, subject: Subject, start: Start, total: float) -> Iterator[str]:
    """Where an exchanger, the planned one or an adult's smallest, takes too much of a breath."""
    if start.volume_ml is None or subject.group != "adult":
        return
    planned = request.dead_space.heat_and_moisture_exchanger_ml
    whole = total if planned else total + SMALLEST_EXCHANGER_ML
    share = 100.0 * whole / start.volume_ml[0]
    most = Chooser(subject).need("instrumental_dead_space_percent").high
    if share > most:
        which = "the one that is planned" if planned else f"an exchanger of {number(SMALLEST_EXCHANGER_ML)} mL"
        yield (
            f"No heat and moisture exchanger beside these parts: with {which} they are {number(share, 0)} % of the "
            f"smallest breath, beyond {number(most)} %."
        )


def _against_exchanger(subject: Subject, start: Start) -> Iterator[str]:
    if subject.mask:
        yield "No heat and moisture exchanger with a mask: gas that leaks out brings no moisture back."
    if subject.group == "newborn":
        yield "No heat and moisture exchanger in newborns: it is dead space, and the leak dries it."
    elif subject.lungs == "ARDS":
        yield "No heat and moisture exchanger in ARDS: volumes are kept low, and its dead space takes ventilation away."
    elif start.volume_ml is not None and start.volume_ml[0] < 300.0 and subject.group == "child":
        yield "No heat and moisture exchanger with small tidal volumes, unless its dead space is a few mL."
    volume = start.minute_volume_l_min
    if volume is not None and volume[1] > EXCHANGER_MOST_L_MIN:
        yield f"Minute volume may exceed {number(EXCHANGER_MOST_L_MIN)} L/min ({span(*volume)} L/min)."
