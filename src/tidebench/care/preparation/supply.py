"""Oxygen from cylinders: what there is, what is drawn, and how long it lasts, with a reserve."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from tidebench.care.preparation.request import Cylinder, Oxygen, Request, Transport
from tidebench.care.preparation.sheet import Line, Section, Subject, number, span, told, untold
from tidebench.care.preparation.ventilation import Chooser, Start
from tidebench.errors import CaseError
from tidebench.formulas.oxygen_supply import (
    BAR_PER_PSI,
    cylinder_by_bar_l,
    cylinder_by_psi_l,
    minutes_left,
    oxygen_flow_l_min,
)
from tidebench.formulas.oxygenation import barometric_pressure_mmhg
from tidebench.quantities import COMMON_PRACTICE

IDEAL = "Water capacity times pressure; real oxygen differs by a few per cent, and makers' tables hold."
SEA_LEVEL_MMHG, WATER_MMHG = 760.0, 47.0
AMBIENT = "Minute volume is at body conditions, a tenth more than the cylinder gives for it: left as reserve."


def fio2_under(fio2: tuple[float, float], pressure_mmhg: float) -> tuple[float, float]:
    """FiO2 that gives the same inspired oxygen pressure as at sea level under another air pressure; it may exceed 1."""
    low, high = (share * (SEA_LEVEL_MMHG - WATER_MMHG) / (pressure_mmhg - WATER_MMHG) for share in fio2)
    return low, high


def air_mmhg(plan: Transport | None) -> float:
    """Air pressure where the oxygen is used, mmHg: the cabin's in the standard atmosphere, else that of sea level."""
    if plan is None or plan.cabin_altitude_m is None:
        return SEA_LEVEL_MMHG
    return barometric_pressure_mmhg(plan.cabin_altitude_m)


@dataclass(frozen=True, slots=True)
class Draw:
    """Least and most of what draws on the oxygen: flows in L/min, FiO2 as at sea level."""

    minute_volume: tuple[float, float]
    fio2: tuple[float, float]
    besides: tuple[float, float]
    drive_gas: tuple[float, float]

    @property
    def l_min(self) -> tuple[float, float]:
        """Oxygen that is drawn at sea level."""
        return self.under(SEA_LEVEL_MMHG)

    def under(self, pressure_mmhg: float) -> tuple[float, float]:
        """Oxygen that is drawn under an air pressure, in L/min of sea level, as cylinders are counted.

        A litre breathed under less pressure is less gas. What flows besides, and drives, is taken for litres of sea
        level, which is rather too much.
        """
        shares = fio2_under(self.fio2, pressure_mmhg)
        low, high = (
            oxygen_flow_l_min(
                self.minute_volume[end] * pressure_mmhg / SEA_LEVEL_MMHG + self.besides[end], min(shares[end], 1.0)
            )
            + self.drive_gas[end]
            for end in (0, 1)
        )
        return low, high


@dataclass(frozen=True, slots=True)
class Supply:
    """Usable oxygen [L], FiO2 as at sea level, and what draws on the oxygen; None where it can't be told."""

    usable_l: float | None
    fio2: tuple[float, float]
    draw: Draw | None


def supply_section(request: Request, subject: Subject, start: Start) -> tuple[Supply, Section]:
    """What is in the cylinders, what is drawn, and the minutes between."""
    look = Chooser(subject)
    asked = request.oxygen or Oxygen()
    reserve = look.need("cylinder_reserve_bar")
    fio2 = start.fio2 if asked.fio2 is None else (asked.fio2, asked.fio2)
    draw, lines = _drawn(asked, start, look, fio2)
    if not asked.cylinders:
        lines.append(untold("oxygen_content_l", "oxygen at hand",
                            "No cylinder is stated: [[oxygen.cylinders]] with water_capacity_l and pressure_bar, or "
                            "size and pressure_psi."))  # fmt: skip
        return Supply(None, fio2, draw), Section("oxygen", "Oxygen supply", tuple(lines))
    whole = sum(_content(cylinder, 0.0) * cylinder.count for cylinder in asked.cylinders)
    usable = sum(_content(cylinder, reserve.high) * cylinder.count for cylinder in asked.cylinders)
    lines.append(told("oxygen_content_l", "oxygen at hand", whole, whole, "L", _named(asked.cylinders), decimals=0,
                      kind="common practice", source=COMMON_PRACTICE))  # fmt: skip
    lines.append(told("usable_oxygen_l", "oxygen at hand, above the reserve", usable, usable, "L",
                      f"A cylinder is changed at {number(reserve.high)} bar. {reserve.text}", decimals=0,
                      kind=reserve.kind, source=reserve.source))  # fmt: skip
    air = air_mmhg(request.transport)
    lines += _time(usable, whole, None if draw is None else _on_the_way(draw, air), aloft=air < SEA_LEVEL_MMHG)
    notes = tuple(note for note in (IDEAL if asked.cylinders else "", AMBIENT) if note)
    return Supply(usable, fio2, draw), Section("oxygen", "Oxygen supply", tuple(lines), notes)


def _on_the_way(draw: Draw, air: float) -> tuple[float, float]:
    """Least and most that is drawn, on the ground and in the cabin."""
    ground, cabin = draw.l_min, draw.under(air)
    return min(ground[0], cabin[0]), max(ground[1], cabin[1])


def _content(cylinder: Cylinder, reserve_bar: float) -> float:
    """Litres above a reserve."""
    metric = cylinder.water_capacity_l is not None and cylinder.pressure_bar is not None
    customary = cylinder.size is not None and cylinder.pressure_psi is not None
    if metric == customary:
        raise CaseError(
            "a cylinder says neither or both", where="[[oxygen.cylinders]]",
            expected="water_capacity_l and pressure_bar, or size and pressure_psi",
        )  # fmt: skip
    if metric:
        return cylinder_by_bar_l(
            cylinder.water_capacity_l or 0.0, max(0.0, (cylinder.pressure_bar or 0.0) - reserve_bar)
        )
    left = max(0.0, (cylinder.pressure_psi or 0.0) - reserve_bar / BAR_PER_PSI)
    return cylinder_by_psi_l(cylinder.size or "", left)


def _named(cylinders: tuple[Cylinder, ...]) -> str:
    parts = []
    for one in cylinders:
        what = (
            f"{one.water_capacity_l:g} L at {one.pressure_bar:g} bar" if one.water_capacity_l is not None
            else f"size {one.size} at {one.pressure_psi:g} psi"
        )  # fmt: skip
        parts.append(f"{one.count} × {what}" if one.count > 1 else what)
    return f"{'; '.join(parts)}."


def _drawn(asked: Oxygen, start: Start, look: Chooser, fio2: tuple[float, float]) -> tuple[Draw | None, list[Line]]:
    """What draws on the oxygen, and the lines that say it."""
    lines: list[Line] = []
    volume = start.minute_volume_l_min
    if asked.minute_volume_l_min is not None:
        volume = asked.minute_volume_l_min, asked.minute_volume_l_min
    if volume is None:
        why = "Minute volume is not known: [oxygen] minute_volume_l_min."
        return None, [untold("oxygen_drawn_l_min", "oxygen drawn", why)]
    lines.append(told("gas_minute_volume_l_min", "minute volume", *volume, "L/min", "As stated." if
                      asked.minute_volume_l_min is not None else "From the start above.", decimals=2))  # fmt: skip
    lines.append(told("supply_fio2", "FiO2", *fio2, "", "As stated." if asked.fio2 is not None else
                      "From the start above.", decimals=2))  # fmt: skip
    parts = {}
    for key, label, stated in (
        ("base_flow_l_min", "base flow", asked.base_flow_l_min),
        ("leak_l_min", "leak", asked.leak_l_min),
        ("drive_gas_l_min", "oxygen that drives the ventilator", asked.drive_gas_l_min),
    ):
        line = _flow(key, label, stated, look)
        parts[key] = (line.low or 0.0, line.high or 0.0)
        lines.append(line)
    base, leak = parts["base_flow_l_min"], parts["leak_l_min"]
    draw = Draw(volume, fio2, (base[0] + leak[0], base[1] + leak[1]), parts["drive_gas_l_min"])
    low, high = draw.l_min
    lines.append(told("oxygen_drawn_l_min", "oxygen drawn", low, high, "L/min",
                      "(minute volume + base flow + leak)·(FiO2 − 0.21)/0.79 + drive gas.", decimals=2))  # fmt: skip
    return draw, lines


def _flow(key: str, label: str, stated: float | None, look: Chooser) -> Line:
    if stated is not None:
        return told(key, label, stated, stated, "L/min", "As stated.")
    usual = look.need(f"unstated_{key}")
    return told(key, label, usual.low, usual.high, "L/min", f"Not stated, so a range. {usual.text}".strip(),
                kind=usual.kind, source=usual.source)  # fmt: skip


def _time(usable: float, whole: float, drawn: tuple[float, float] | None, *, aloft: bool) -> Iterator[Line]:
    there = " On the ground, and in the cabin for the FiO2 needed there." if aloft else ""
    if drawn is None:
        yield untold("minutes_left", "it lasts", "What is drawn is not known.")
        return
    if drawn[1] <= 0.0:
        yield untold("minutes_left", "it lasts", "Nothing is drawn: FiO2 0.21 and no drive gas.")
        return
    least = minutes_left(usable, drawn[1])
    if drawn[0] <= 0.0:
        minutes = f"at least {math.floor(least)} min"
        yield Line("minutes_left", "it lasts, down to the reserve", minutes, least, None, "min",
                   f"At the most that may be drawn; at the least nothing is drawn.{there}")  # fmt: skip
    else:
        most = minutes_left(usable, drawn[0])
        minutes = span(math.floor(least), math.floor(most), 0, "min")
        yield Line("minutes_left", "it lasts, down to the reserve", minutes, least, most, "min",
                   f"Plan with the shorter time.{there}")  # fmt: skip
    empty = minutes_left(whole, drawn[1])
    yield Line("minutes_to_empty", "until empty, at the most drawn", f"{math.floor(empty)} min", empty, empty, "min",
               f"No plan: a bound.{there}")  # fmt: skip


def cylinders_needed(litres: float, asked: Oxygen, reserve_bar: float) -> str:
    """How many of the first kind of cylinder stated hold so much; words."""
    if not asked.cylinders:
        return ""
    each = _content(asked.cylinders[0], reserve_bar)
    return "" if each <= 0.0 else f"{math.ceil(litres / each)} like the first one"
