"""Alarm limits to begin with, each with its reason. Never fewer than the standard asks for, never silenced here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from tidebench.care.preparation.sheet import Line, Section, Subject, number, span, told, untold
from tidebench.care.preparation.ventilation import Chooser, Start, saturation
from tidebench.limits.practice import Practice
from tidebench.limits.record import Kind

PERCENT = 100.0
HOUSE: Kind = "house policy"
NOTE = (
    "First limits, set before connecting and set again once the patient is stable: the makers' own first limits are "
    "rarely right for anyone. An alarm that sounds often for nothing is a reason to look at patient and limit."
)


def alarm_section(subject: Subject, start: Start) -> Section:
    """Limits for pressure, volume, rate, gases and supply."""
    look = Chooser(subject)
    if subject.mask and start.rate_per_min is None:
        lines = [*_around_continuous_pressure(look, start), *_gases(look)]
    else:
        lines = [*_pressures(look, start), *_volumes(look, start), *_rates(look, start), *_gases(look)]
    return Section("alarms", "Alarm limits", tuple(lines), (NOTE,))


def _around_continuous_pressure(look: Chooser, start: Start) -> Iterator[Line]:
    """Without a tube and without breaths that are given: no peak, no volume and no set rate to hold limits against."""
    cap = look.get("mask_alarm_pressure_cap_cmh2o") or look.need("alarm_pressure_cap_cmh2o")
    yield _line(cap, "high_pressure_cmh2o", "high pressure", cap.low, cap.high, "cmH2O", "", 0)
    yield from _beside_peep(look, start)
    why = "What leaks out beside mask or prongs leaves no volume to hold a limit against."
    yield untold("low_tidal_volume_ml", "volumes", why)
    fast, apnoea = look.need("alarm_rate_high_per_min"), look.need("alarm_apnoea_s")
    yield _line(fast, "high_rate_per_min", "high rate", fast.low, fast.high, "/min", "By the monitor. Distress.", 0)
    yield _line(apnoea, "apnoea_s", "apnoea", apnoea.low, apnoea.high, "s",
                "By the monitor: a continuous pressure gives no breath.", 0)  # fmt: skip


def _line(record: Practice, key: str, label: str, low: float, high: float, unit: str, rule: str, decimals: int) -> Line:
    why = f"{rule} {record.text}".strip()
    return told(key, label, low, high, unit, why, decimals=decimals, kind=record.kind, source=record.source)


def _pressures(look: Chooser, start: Start) -> Iterator[Line]:
    over = look.need("alarm_pressure_above_peak_cmh2o")
    by_mask = look.get("mask_alarm_pressure_cap_cmh2o") if look.subject.mask else None
    cap = by_mask or look.need("alarm_pressure_cap_cmh2o")
    rule = (
        f"Until the peak is known; then {span(over.low, over.high, 0)} above it ({over.source}), and not above this "
        f"without a reason. {over.text}"
    )
    cap = replace(cap, text=look.subject.by_interface(cap.text))
    yield _line(cap, "high_pressure_cmh2o", "high pressure", cap.low, cap.high, "cmH2O", rule, 0)
    under = look.need("alarm_pressure_below_peak_cmh2o")
    yield Line("low_pressure_cmh2o", "low inspiratory pressure",
               f"{span(under.low, under.high, 0, 'cmH2O')} below the peak", under.low, under.high, "cmH2O",
               under.text, under.kind, under.source)  # fmt: skip
    yield from _beside_peep(look, start)


def _beside_peep(look: Chooser, start: Start) -> Iterator[Line]:
    below, above = look.need("alarm_peep_under_cmh2o"), look.need("alarm_peep_over_cmh2o")
    yield _beside(below, "low_peep_under_cmh2o", "low PEEP", "under", start)
    yield _beside(above, "high_peep_over_cmh2o", "high PEEP", "over", start)
    delay = look.need("alarm_disconnection_s")
    yield _line(delay, "disconnection_s", "disconnection, delay at most", delay.low, delay.high, "s", "", 0)


def _beside(record: Practice, key: str, label: str, side: str, start: Start) -> Line:
    """A limit beside the set PEEP, with the numbers where one PEEP is told."""
    words = f"{span(record.low, record.high, 0, 'cmH2O')} {side} set"
    least, most = start.peep_cmh2o
    if least == most:
        ends = sorted(max(0.0, least + (end if side == "over" else -end)) for end in (record.low, record.high))
        words += f": {span(ends[0], ends[1], 0, 'cmH2O')}"
    return Line(key, label, words, record.low, record.high, "cmH2O", record.text, record.kind, record.source)


def _volumes(look: Chooser, start: Start) -> Iterator[Line]:
    low, high = look.need("alarm_volume_low_percent"), look.need("alarm_volume_high_percent")
    if look.subject.interface == "helmet":
        yield untold("low_tidal_volume_ml", "volumes", "A helmet's inner volume makes volumes unreadable.")
        return
    if start.volume_ml is None:
        why = "No tidal volume is told: set 70 % and 130 to 150 % of what is seen once it is steady."
        yield untold("low_tidal_volume_ml", "low and high tidal volume", why)
    else:
        least, most = start.target_ml or start.volume_ml
        decimals = 1 if most < 50 else 0
        yield _line(low, "low_tidal_volume_ml", "low tidal volume", least * low.low / PERCENT,
                    least * low.high / PERCENT, "mL", f"{number(low.low)} % of the smallest aimed at.",
                    decimals)  # fmt: skip
        yield _line(high, "high_tidal_volume_ml", "high tidal volume", most * high.low / PERCENT,
                    most * high.high / PERCENT, "mL", f"{span(high.low, high.high, 0)} % of the largest aimed at.",
                    decimals)  # fmt: skip
    below, above = look.need("alarm_minute_volume_below_percent"), look.need("alarm_minute_volume_above_percent")
    yield _of_current(below, "low_minute_volume", "low minute volume", "−", "A leak, a slower rate, a tired patient.")
    yield _of_current(above, "high_minute_volume", "high minute volume", "+", "Pain, fever, auto-triggering, a leak.")


def _of_current(record: Practice, key: str, label: str, sign: str, why: str) -> Line:
    words = f"{sign}{span(record.low, record.high, 0).replace(' to ', f' to {sign}')} % of what is delivered"
    return Line(f"{key}_percent", label, words, record.low, record.high, "%", why, record.kind, record.source)


def _rates(look: Chooser, start: Start) -> Iterator[Line]:
    fast, under = look.need("alarm_rate_high_per_min"), look.need("alarm_rate_under_set_per_min")
    low, high = fast.low, fast.high
    if start.rate_per_min is not None and start.rate_per_min[1] >= low:
        low, high = start.rate_per_min[1] + 5.0, max(high, start.rate_per_min[1] + 5.0)
    yield _line(fast, "high_rate_per_min", "high rate", low, high, "/min",
                "Distress, auto-triggering, water in the tubing; above the set rate.", 0)  # fmt: skip
    yield Line("low_rate_per_min", "low rate", f"{span(under.low, under.high, 0)} /min under the set one", under.low,
               under.high, "/min", under.text, under.kind, under.source)  # fmt: skip
    apnoea = look.need("alarm_apnoea_s")
    yield _line(apnoea, "apnoea_s", "apnoea", apnoea.low, apnoea.high, "s", "With a backup rate switched on.", 0)


def _gases(look: Chooser) -> Iterator[Line]:
    around = look.need("alarm_fio2_around")
    yield Line("fio2_around", "FiO2", f"± {around.high:.2f} of the set one", around.low, around.high, "", around.text,
               around.kind, around.source)  # fmt: skip
    under, floor, aim = look.need("alarm_spo2_under"), look.need("alarm_spo2_floor"), look.need(saturation(look)).low
    low, high = max(aim - under.high, floor.low), max(aim - under.low, floor.low)
    rule = f"{span(under.low, under.high, 2)} under the lowest that is aimed at, {aim:.2f}."
    if aim - under.high < floor.low:
        rule += f" Not below {floor.low:.2f} ({floor.source})."
    yield _line(under, "low_spo2", "low SpO2", low, high, "", rule, 2)
    etco2 = look.need("alarm_etco2_mmhg")
    if look.subject.mask and etco2.kind != HOUSE:
        yield untold("etco2_mmhg", "EtCO2", "Without a tube gas leaks out before it is measured: EtCO2 reads too low.")
        return
    yield _line(etco2, "etco2_mmhg", "EtCO2, low and high", etco2.low, etco2.high, "mmHg", "", 0)
