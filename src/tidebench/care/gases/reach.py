"""What stands in the way of a ventilation: rates, volumes and a pH that nobody would set, by limits and by practice."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from tidebench.care.gases.moment import Moment
from tidebench.care.gases.records import Value
from tidebench.limits import Group, Limit, Policy, population, practice
from tidebench.quantities import quantity

LEAST_PH: dict[Group, tuple[float, str]] = {
    "adult": (7.15, "below it the trial raised the rate to 35 /min and allowed bicarbonate: ARDS Network, N Engl J Med "
              "2000;342:1301, from memory"),
    "child": (7.20, "PALICC-2, Pediatr Crit Care Med 2023;24:143, from memory"),
    "newborn": (7.20, "common practice, no source"),
}  # fmt: skip
MOST_PH = 7.60


@dataclass(frozen=True)
class Way:
    """A ventilation on its way to a PaCO2: what is and what would be, the pH that follows, and what bounds them."""

    moment: Moment
    now: tuple[Value, ...]
    then: tuple[Value, ...]
    ph: Value
    limits: tuple[Limit, ...]
    policy: Policy | None

    @property
    def highest_rate(self) -> tuple[float, str] | None:
        """The highest rate and by whom: a limit that holds, else where the alarm for a high rate is usually set."""
        own = next((one for one in self.limits if one.key == "rate_per_min" and one.high is not None), None)
        if own is not None and own.high is not None:
            return own.high, own.source
        patient = self.moment.case.patient
        group, days = population(patient).group, patient.age_days
        if group is None:
            return None
        years = patient.age_years if days is None else days / 365.25
        kept = self.policy.practice if self.policy else ()
        usual = practice("alarm_rate_high_per_min", group, years, own=kept)
        return None if usual is None else (usual.high, f"where its alarm is set: {usual.source}")


def _of(values: tuple[Value, ...], key: str) -> float | None:
    return next((one.value for one in values if one.key == key), None)


def within_reach(way: Way) -> tuple[Value, ...]:
    """What would be, without a rate that nobody would set."""
    reasons = ((value, _beyond(way, value)) for value in way.then)
    return tuple(replace(value, value=None, reason=why) if why else value for value, why in reasons)


def _beyond(way: Way, value: Value) -> str:
    bound = way.highest_rate
    if value.key != "rate_per_min" or value.value is None or bound is None or value.value <= bound[0]:
        return ""
    return f"it would take {value.value:.0f} /min, above {bound[0]:g} /min ({bound[1]})"


def obstacles(way: Way, paco2_mmhg: float) -> Iterator[str]:
    """What stands in the way, a sentence each."""
    yield from _rate(way, paco2_mmhg)
    yield from _volume(way)
    yield from _acid(way)


def _rate(way: Way, paco2_mmhg: float) -> Iterator[str]:
    now, then = (_of(values, "rate_per_min") for values in (way.now, way.then))
    bound = way.highest_rate
    if now is None or then is None:
        return
    if bound is not None and then > bound[0]:
        reach = ""
        if now < bound[0]:
            reach = f" At {bound[0]:g} /min alone PaCO2 would come to about {paco2_mmhg * now / bound[0]:.0f} mmHg."
        yield f"Rate: {then:.0f} /min is above {bound[0]:g} /min ({bound[1]}).{reach}"
        then = bound[0]
    setting = way.moment.setting
    inspiration = None if setting is None else setting.inspiratory_time_s
    if inspiration is not None and then > now and 60.0 / then < 2.0 * inspiration:
        left = max(60.0 / then - inspiration, 0.0)
        yield (
            f"Time: at {then:.0f} /min and an inspiration of {inspiration:g} s, {left:.2g} s are left to breathe out: "
            "gas may be trapped."
        )


def _volume(way: Way) -> Iterator[str]:
    """The tidal volume that it would take at the highest rate, by predicted weight."""
    minute, rate = _of(way.then, "minute_volume_l_min"), _of(way.now, "rate_per_min")
    weight, bound = way.moment.weight.value, way.highest_rate
    limit = next((one for one in way.limits if one.key == "vt_per_pbw_ml_kg" and one.high is not None), None)
    if minute is None or rate is None or weight is None or limit is None or limit.high is None:
        return
    most = rate if bound is None else max(rate, bound[0])
    if (each := 1000.0 * minute / most / weight) > limit.high:
        yield (
            f"Tidal volume: at {most:.0f} /min it would take {each:.1f} mL/kg of predicted weight, above "
            f"{limit.high:g} ({limit.source})."
        )


def _acid(way: Way) -> Iterator[str]:
    ph, group = way.ph.value, population(way.moment.case.patient).group
    if ph is None or group is None:
        return
    held = next((one for one in way.limits if one.key == "ph" and one.low is not None), None)
    low, source = LEAST_PH[group] if held is None or held.low is None else (held.low, held.source)
    if ph < low:
        yield f"pH: {quantity('ph').text(ph)} is below {low:.2f} ({source})."
    elif ph > MOST_PH:
        yield f"pH: {quantity('ph').text(ph)} is above {MOST_PH:.2f} (common practice, no source)."
