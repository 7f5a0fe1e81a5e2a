"""Typed numbers that can't all be right together: screens, settings and blood gases held against one another.

Nothing is refused: each is asked about. What contradicts something else is not used for an index, nor held against a
limit, until a person has said which is right.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from tidebench.case import MMHG_PER_KPA, Case, Setting
from tidebench.gas_contradictions import noted_near, of_gas_beside

SLACK_CMH2O = 1.0
"""What rounding and reading allow between two pressures (this house's choice)."""
SHARE = 0.1
"""Of minute volume and f/VT against the numbers that make them (this house's choice)."""
FAR = 0.25
"""From where on none of them is used."""
SHARE_OF_SET = 0.25
"""Of a noted expired volume against the set one, from where on it is asked about (this house's choice)."""
MOST_OF_SET, LEAST_OF_SET = 3.0, 0.2
"""Of a noted minute volume against set volume times rate, beyond which it is not used: the patient may triple the rate,
and most may leak away (this house's choice)."""
TENFOLD = 10.0
LEAST_VOLUME_ML = 1.0
"""Below this no breath of anybody is: 4 mL/kg of 0.3 kg are 1.2 mL."""
LEAST_SATURATION = 0.2
"""Below it no oximeter tells anything (this house's choice; ISO 80601-2-61 tests them from 70 % up, from memory)."""
VOLUMES = ("vte_ml", "vti_ml", "spontaneous_volume_ml")
SMALL_SHARE = 0.25
"""Of EtCO2 in PaCO2, from where down kPa is looked for (this house's choice)."""
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
        found += [Contradiction(case.drawn_at_s(gas), one.keys, one.question) for one in of_gas_beside(case, gas)]
    found += _end_tidal(case)
    return tuple(found)


def _end_tidal(case: Case) -> Iterator[Contradiction]:
    """EtCO2 that is in kPa by its size beside the PaCO2 of a gas."""
    for gas in case.blood_gases:
        for row in noted_near(case, gas):
            seen, blood = row.etco2_mmhg, gas.paco2_mmhg
            if seen is None or blood is None or gas.site != "arterial" or seen >= SMALL_SHARE * blood:
                continue
            if 0.5 * blood <= seen * MMHG_PER_KPA <= 1.2 * blood:
                yield Contradiction(
                    row.at_s,
                    frozenset({"etco2_mmhg"}),
                    f"The case says an EtCO2 of {seen:.3g} mmHg at {row.at_s:g} s beside a PaCO2 of {blood:.3g} mmHg; "
                    f"typed in kPa it would be {seen * MMHG_PER_KPA:.3g} mmHg: is it right in mmHg?",
                )


def against(case: Case, key: str, at_s: float | None) -> str:
    """What stands against a number noted at a time; empty where nothing does."""
    return next((one.text for one in contradictions(case) if key in one.keys and one.at_s == at_s), "")


def _of_row(numbers: Mapping[str, float], setting: Setting | None, at_s: float) -> Iterator[Contradiction]:
    at = f"at {at_s:g} s"
    for key in VOLUMES:
        if 0 < numbers.get(key, 0.0) < LEAST_VOLUME_ML:
            size = numbers[key]
            words = f"a volume of {size:g} mL {at}, which is no breath: is {1000 * size:g} mL meant?"
            yield Contradiction(at_s, frozenset({key}), f"The case says {words}")
    if (pulse := numbers.get("spo2")) is not None and pulse < LEAST_SATURATION:
        shifted = TENFOLD * pulse
        meant = f"is {100 * shifted:.3g} % meant" if 0.5 <= shifted <= 1.0 else "is it right, and a fraction"
        words = f"an SpO2 of {100 * pulse:.2g} % {at}, which no oximeter can tell: {meant}?"
        yield Contradiction(at_s, frozenset({"spo2"}), f"The case says {words}")
    for keys, words in (*_pressures(numbers, setting), *_products(numbers), *_of_set(numbers, setting)):
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


def _of_set(numbers: Mapping[str, float], setting: Setting | None) -> Iterator[tuple[tuple[str, ...], str]]:
    """A minute volume far from set volume times rate, where no noted volume and rate are there to make it."""
    minute, volume = numbers.get("minute_volume_l_min"), None if setting is None else setting.tidal_volume_ml
    rate = numbers.get("rate_per_min", None if setting is None else setting.rate_per_min)
    fixed = setting is not None and setting.mandatory_type in ("VC", "vtPC") and setting.pattern in ("A/C", "CMV")
    if not fixed or not minute or not volume or not rate or "vte_ml" in numbers:
        return
    product = volume * rate / 1000.0
    if LEAST_OF_SET * product <= minute <= MOST_OF_SET * product:
        return
    shifted = minute / TENFOLD if minute > product else minute * TENFOLD
    slip = abs(shifted - product) <= FAR * product
    yield (
        ("minute_volume_l_min",),
        f"a minute volume of {minute:g} L/min where {volume:g} mL are set and {rate:g} breaths make {product:.3g} L/min"
        f"{f' (is {shifted:.3g} meant?)' if slip else ''}",
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
