"""The ventilation that would bring PaCO2 to a target, by the alveolar ventilation equation."""

from __future__ import annotations

import shlex
from collections.abc import Iterable

from tidebench.care.gases.held import held_against
from tidebench.care.gases.indices import as_fact, value_of
from tidebench.care.gases.moment import Moment
from tidebench.care.gases.reach import Way, obstacles, within_reach
from tidebench.care.gases.records import Fact, GasReading, Value, Ventilation
from tidebench.entries import Within
from tidebench.formulas._domain import within
from tidebench.formulas.gas_exchange import blood_ph, ventilation_by_volume_l_min, ventilation_for_paco2
from tidebench.limits import Limit, Policy

BOUNDS = Within(15.0, 150.0, "mmHg", {"kPa": 7.50062})
"""Of a PaCO2 that can be a target."""
SAME_RATE = 1.0
CLOCKED = ("CMV", "A/C", "IMV", "SIMV")
KEPT = "CO2 production and dead space fraction are taken to stay; trapped gas and effort are not looked at."
NO_RECORDING = "A rehearsal needs a recording of pressure and flow, which this case has not."
USUAL = "The patient's usual PaCO2 is not in the case, and pH comes first: ask before choosing a target."


def checked(target_mmhg: float) -> float:
    """A target that can be one.

    Raises
    ------
    OptionError
        It lies outside 15 to 150 mmHg.
    """
    return within("--target-paco2", target_mmhg, BOUNDS.low, BOUNDS.high, unit=BOUNDS.unit)


def ventilation_for(
    target_mmhg: float,
    read: list[tuple[Moment, GasReading]],
    case: str,
    limits: Iterable[Limit] = (),
    policy: Policy | None = None,
) -> Ventilation:
    """From the last arterial gas with a PaCO2; without one, the reason. What stands in the way is said with it."""
    known = [(moment, gas) for moment, gas in read if moment.arterial("paco2_mmhg").value is not None]
    if not known:
        reason = "no arterial gas with paco2_mmhg"
        return Ventilation(None, target_mmhg, None, None, (), (), (), reason)
    moment, gas = known[-1]
    paco2 = moment.arterial("paco2_mmhg").value or 0.0
    if moment.on_t_piece:
        reason = f"gas {gas.number} was taken on a T-piece, where the patient alone sets the ventilation"
        return Ventilation(gas.number, target_mmhg, paco2, None, (), (), (), reason)
    limits = tuple(limits)
    now = _now(moment, gas)
    wanted = Fact("PaCO2 wanted", target_mmhg, "typed")
    then = tuple(_then(value, moment.arterial("paco2_mmhg"), wanted) for value in now)
    ph = value_of("ph", lambda carbon, base: float(blood_ph(carbon, base)), wanted, moment.bicarbonate)
    wanted_values = {"paco2_mmhg": target_mmhg} | ({} if ph.value is None else {"ph": ph.value})
    way = Way(moment, now, then, ph, limits, policy)
    words = (
        KEPT,
        *_by_volume(moment, gas, paco2, target_mmhg),
        "pH is that of the bicarbonate as it is, before any compensation.",
        USUAL,
        *(() if moment.case.recordings else (NO_RECORDING,)),
    )
    return Ventilation(
        gas.number, target_mmhg, paco2, round(paco2 / target_mmhg, 4), now, (*within_reach(way), ph), words,
        held=held_against(limits, wanted_values), command=rehearsal(target_mmhg, moment, case),
        obstacles=tuple(obstacles(way, paco2)),
    )  # fmt: skip


def rehearsal(target_mmhg: float, moment: Moment, case: str) -> str:
    """The command that rehearses it; empty where the case has no recording to fit a patient to."""
    if not moment.case.recordings:
        return ""
    words = ["tidebench", "whatif", case, "--out", "rehearsal", "--target", f"paco2_mmhg={target_mmhg:.4g}"]
    return shlex.join(words)


def _now(moment: Moment, gas: GasReading) -> tuple[Value, ...]:
    minute = value_of("minute_volume_l_min", float, moment.minute_volume)
    alveolar = next(value for value in gas.indices if value.key == "alveolar_ventilation_l_min")
    return minute, alveolar, _rate(moment)


def _by_volume(moment: Moment, gas: GasReading, paco2: float, wanted: float) -> tuple[str, ...]:
    """What tidal volume alone would take, where dead space is known."""
    minute, dead = moment.minute_volume.value, gas.value("dead_space_fraction")
    if minute is None or dead is None:
        return ()
    volume = ventilation_by_volume_l_min(minute, dead, paco2, wanted)
    return (f"By tidal volume alone, with dead space in mL as it is: V′E {volume:.1f} L/min.",)


def _rate(moment: Moment) -> Value:
    """The rate as it could be set; there is none where nothing but the patient starts breaths."""
    setting = moment.setting
    if setting is None or setting.pattern not in CLOCKED:
        return Value("rate_per_min", None, "no rate is known to be set for mandatory breaths")
    seen = moment.noted("rate_per_min")
    if seen.value is not None and setting.rate_per_min is not None and seen.value > setting.rate_per_min + SAME_RATE:
        reason = f"{seen.value:.0f} breaths/min at a set rate of {setting.rate_per_min:g}: the patient chooses the rate"
        return Value("rate_per_min", None, reason)
    return value_of("rate_per_min", float, seen)


def _then(value: Value, now: Fact, wanted: Fact) -> Value:
    return value_of(value.key, ventilation_for_paco2, as_fact(value, value.key), now, wanted)
