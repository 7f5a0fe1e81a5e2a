"""Typed numbers that can't all be right together: screens, settings and blood gases held against one another.

Nothing is refused: each is asked about. What contradicts something else is not used for an index, nor held against a
limit, until a person has said which is right.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from tidebench.case import BloodGas, Case, Setting
from tidebench.formulas.gas_exchange import oxygen_saturation

SLACK_CMH2O = 1.0
"""What rounding and reading allow between two pressures (this house's choice)."""
SHARE = 0.1
"""Of minute volume and f/VT against the numbers that make them (this house's choice)."""
FAR = 0.25
"""From where on none of them is used."""
SHARE_OF_SET = 0.25
"""Of a noted expired volume against the set one, from where on it is asked about (this house's choice)."""
P50_MMHG = 26.6
P50_SPAN_MMHG = (18.0, 36.0)
"""From fetal haemoglobin to fever and acidosis (from memory); the curve is tried over all of it."""
SATURATION_SLACK, PULSE_SLACK = 0.02, 0.04
"""What a co-oximeter and a pulse oximeter may be off beside it (from memory)."""
ORDERED = (
    ("peep_cmh2o", "peak_pressure_cmh2o"),
    ("peep_cmh2o", "plateau_pressure_cmh2o"),
    ("peep_cmh2o", "mean_pressure_cmh2o"),
    ("peep_cmh2o", "total_peep_cmh2o"),
    ("total_peep_cmh2o", "plateau_pressure_cmh2o"),
    ("mean_pressure_cmh2o", "peak_pressure_cmh2o"),
    ("driving_pressure_cmh2o", "plateau_pressure_cmh2o"),
)
"""The first can't be above the second."""
NAMES = {
    "peep_cmh2o": "PEEP",
    "peak_pressure_cmh2o": "peak pressure",
    "plateau_pressure_cmh2o": "plateau",
    "mean_pressure_cmh2o": "mean pressure",
    "total_peep_cmh2o": "total PEEP",
    "driving_pressure_cmh2o": "driving pressure",
}


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Numbers that contradict each other.

    Attributes
    ----------
    at_s : float or None
        When they were noted, on the case clock; None where that is not known.
    keys : frozenset of str
        Those that can't be used until it is settled; empty where the numbers are unlikely, and may be right.
    text : str
        A question, one sentence.
    """

    at_s: float | None
    keys: frozenset[str]
    text: str


def contradictions(case: Case) -> tuple[Contradiction, ...]:
    """All of a case, noted numbers first, then blood gases."""
    found: list[Contradiction] = []
    for row in case.observed:
        found += _of_row(row.numbers, case.setting_at(row.at_s), row.at_s)
    for gas in case.blood_gases:
        at_s = case.drawn_at_s(gas)
        if (text := of_gas(gas, at_s)) is not None:
            found.append(Contradiction(at_s, frozenset({"pao2_mmhg", "sao2"}), text))
    return tuple(found)


def against(case: Case, key: str, at_s: float | None) -> str:
    """What stands against a number noted at a time; empty where nothing does."""
    return next((one.text for one in contradictions(case) if key in one.keys and one.at_s == at_s), "")


def _of_row(numbers: Mapping[str, float], setting: Setting | None, at_s: float) -> Iterator[Contradiction]:
    at = f"at {at_s:g} s"
    for keys, words in (*_pressures(numbers, setting), *_products(numbers)):
        yield Contradiction(at_s, frozenset(keys), f"The case says {words} {at}: are all right?")
    for words in _beside_set(numbers, setting):
        yield Contradiction(at_s, frozenset(), f"The case says {words} {at}: are both right?")


def _pressures(numbers: Mapping[str, float], setting: Setting | None) -> Iterator[tuple[tuple[str, ...], str]]:
    for low, high in ORDERED:
        if low in numbers and high in numbers and numbers[low] > numbers[high] + SLACK_CMH2O:
            words = f"a {NAMES[low]} of {numbers[low]:g} above a {NAMES[high]} of {numbers[high]:g} cmH2O"
            yield (low, high), words
    peak, plateau = numbers.get("peak_pressure_cmh2o"), numbers.get("plateau_pressure_cmh2o")
    if peak is not None and plateau is not None and plateau > peak + SLACK_CMH2O and _no_effort_shows(setting):
        yield (
            ("peak_pressure_cmh2o", "plateau_pressure_cmh2o"),
            f"a plateau of {plateau:g} above a peak pressure of {peak:g} cmH2O",
        )
    total, level = numbers.get("total_peep_cmh2o"), None if setting is None else setting.peep_cmh2o
    if total is not None and level is not None and total < level - SLACK_CMH2O:
        yield ("total_peep_cmh2o",), f"a total PEEP of {total:g} under a set PEEP of {level:g} cmH2O"
    yield from _differences(numbers, level)


def _no_effort_shows(setting: Setting | None) -> bool:
    """False under pressure control or support, where relaxing against a hold lifts the plateau above the peak."""
    if setting is None or not setting.mode:
        return True
    return setting.mandatory_type == "VC"


def _differences(numbers: Mapping[str, float], level: float | None) -> Iterator[tuple[tuple[str, ...], str]]:
    plateau, driving = numbers.get("plateau_pressure_cmh2o"), numbers.get("driving_pressure_cmh2o")
    ends = [end for end in (numbers.get("total_peep_cmh2o"), numbers.get("peep_cmh2o"), level) if end is not None]
    if plateau is not None and driving is not None and ends:
        apart = min(abs(plateau - end - driving) for end in ends)
        if apart > 1.5 * SLACK_CMH2O:
            yield (
                ("driving_pressure_cmh2o",),
                f"a driving pressure of {driving:g} and a plateau of {plateau:g} over a PEEP of "
                f"{' or '.join(f'{end:g}' for end in dict.fromkeys(ends))} cmH2O",
            )
    total, intrinsic = numbers.get("total_peep_cmh2o"), numbers.get("intrinsic_peep_cmh2o")
    peep = numbers.get("peep_cmh2o", level)
    if total is None or intrinsic is None or peep is None:
        return
    if abs(total - peep - intrinsic) > 1.5 * SLACK_CMH2O:
        yield (
            ("intrinsic_peep_cmh2o",),
            f"an intrinsic PEEP of {intrinsic:g} and a total PEEP of {total:g} over a PEEP of {peep:g} cmH2O",
        )


def _products(numbers: Mapping[str, float]) -> Iterator[tuple[tuple[str, ...], str]]:
    volume, rate = numbers.get("vte_ml"), numbers.get("rate_per_min")
    minute, index = numbers.get("minute_volume_l_min"), numbers.get("rapid_shallow_index")
    if not volume or not rate:
        return
    product = volume * rate / 1000.0
    if minute and abs(product - minute) > SHARE * minute:
        far = abs(product - minute) > FAR * minute
        yield (
            ("minute_volume_l_min", "vte_ml", "rate_per_min") if far else (),
            f"a minute volume of {minute:g} L/min and {rate:g} breaths of {volume:g} mL, which make {product:.3g},",
        )
    if index and abs(rate / (volume / 1000.0) - index) > SHARE * index:
        made = rate / (volume / 1000.0)
        yield (
            ("rapid_shallow_index",),
            f"f/VT {index:g} and {rate:g} breaths of {volume:g} mL, which make {made:.0f} /min/L,",
        )


def _beside_set(numbers: Mapping[str, float], setting: Setting | None) -> Iterator[str]:
    """Unlikely, and possible: a leak, gas compressed in the tubing, another moment."""
    if setting is None:
        return
    volume, given = numbers.get("vte_ml"), setting.tidal_volume_ml
    fixed = setting.mandatory_type in ("VC", "vtPC")
    if fixed and volume is not None and given and abs(volume - given) > SHARE_OF_SET * given:
        yield f"an expired volume of {volume:g} mL where {given:g} mL are set"
    rate, least = numbers.get("rate_per_min"), setting.rate_per_min
    if setting.pattern in ("A/C", "CMV") and rate is not None and least and rate < least - 1.0:
        yield f"a rate of {rate:g} under a set rate of {least:g} /min"


def of_gas(gas: BloodGas, at_s: float | None = None) -> str | None:
    """A blood gas against the dissociation curve: a tension and a saturation that don't go together, or None.

    Severinghaus's curve (J Appl Physiol 1979;46:599) at the pH of the gas, moved over :data:`P50_SPAN_MMHG`. Only a
    saturation that is too high for its tension is asked about: carbon monoxide and methaemoglobin make one too low.
    """
    po2, saturation = gas.pao2_mmhg, gas.sao2
    if po2 is None or saturation is None:
        return None
    low, high = saturations(po2, gas.ph)
    if saturation <= high + SATURATION_SLACK:
        return None
    when = "" if at_s is None else f" at {at_s:g} s"
    return (
        f"The case says an oxygen tension of {po2:g} mmHg and a saturation of {100 * saturation:.0f} % in a gas{when}, "
        f"and by the dissociation curve that tension goes with {100 * low:.0f} to {100 * high:.0f} %: are both right, "
        "and is the sample what it is said to be?"
    )


def saturations(po2_mmhg: float, ph: float | None) -> tuple[float, float]:
    """The lowest and highest saturation that a tension goes with, for any haemoglobin, fever and age."""
    at = 7.4 if ph is None else ph
    steepest, flattest = (float(oxygen_saturation(po2_mmhg * P50_MMHG / p50, at)) for p50 in P50_SPAN_MMHG)
    return flattest, steepest
