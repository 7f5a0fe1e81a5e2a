"""What a reading of blood gases is made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tidebench.limits import Kind, Standing

Site = Literal["arterial", "capillary", "venous"]

SAID = {
    "imaging": "imaging with the opacities that the definition asks for",
    "timing": "a start within a week of a known insult",
    "cause": "oedema that heart failure or fluid does not explain",
    "four-hours": "oxygenation that bad for at least 4 h",
    "not-perinatal": "no lung disease of birth (excluded from the definition; from memory)",
}
"""What a definition needs that no gas shows: a person says so, or it is listed as missing."""


@dataclass(frozen=True, slots=True)
class Typed:
    """What a person adds to a case. Numbers are those of one gas: ``gas``, counted from 1, or the last."""

    gas: int | None = None
    barometric_mmhg: float | None = None
    altitude_m: float | None = None
    temperature_c: float | None = None
    cardiac_output_l_min: float | None = None
    mixed_expired_pco2_mmhg: float | None = None
    mixed_venous_saturation: float | None = None
    sodium_mmol_l: float | None = None
    chloride_mmol_l: float | None = None
    albumin_g_dl: float | None = None
    high_flow_l_min: float | None = None
    said: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Fact:
    """A number that indices are made of: its value and where it comes from, or None and why."""

    name: str
    value: float | None
    origin: str


@dataclass(frozen=True, slots=True)
class Value:
    """An index: its value, or the reason why there is none; and what it was made of."""

    key: str
    value: float | None
    reason: str = ""
    made_of: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a gas was taken under; None where it is not known.

    ``trial`` says the breathing trial that it was taken in, empty outside one. ``given`` are further numbers that move
    PaCO2, as set; ``breathed`` are rate and minute volume as noted or measured.
    """

    site: Site | None
    fio2: float | None
    peep_cmh2o: float | None
    mode: str | None
    interface: str | None
    barometric_mmhg: float
    barometric_origin: str
    trial: str = ""
    off_ventilator: bool = False
    given: tuple[tuple[str, float], ...] = ()
    breathed: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class AcidBase:
    """Acid and base read: the primary disturbance, what compensation is expected, and what doesn't fit.

    ``primary`` is None where nothing can be read, with the reason. ``gap`` reads the anion gap, where there is one.
    """

    primary: str | None
    reason: str = ""
    expected: tuple[str, ...] = ()
    fits: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    gap: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Grade:
    """Where oxygenation stands in a published definition, and what the definition still needs.

    ``key`` and ``value`` are the index that decides; ``close`` where it rounds into another class.
    """

    definition: str
    source: str
    severity: str | None
    key: str = ""
    value: float | None = None
    close: bool = False
    reason: str = ""
    needed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Held:
    """A number held against a limit: how it stands, and what the limit is."""

    key: str
    value: float
    standing: Standing
    bound: str
    kind: Kind
    source: str


@dataclass(frozen=True, slots=True)
class GasReading:
    """One blood gas, read. ``doubted`` are stated numbers that something contradicts: they are used for nothing."""

    number: int
    at_s: float | None
    time: str | None
    conditions: Conditions
    stated: tuple[Value, ...]
    indices: tuple[Value, ...]
    at_body_temperature: tuple[Value, ...]
    acid_base: AcidBase
    grades: tuple[Grade, ...]
    notes: tuple[str, ...]
    held: tuple[Held, ...] = ()
    doubted: tuple[str, ...] = ()

    def value(self, key: str) -> float | None:
        """A stated number or an index; None where there is none, or where something contradicts it."""
        if key in self.doubted:
            return None
        return next((one.value for one in (*self.stated, *self.indices) if one.key == key), None)


@dataclass(frozen=True, slots=True)
class TrendRow:
    """A quantity over the arterial gases of a stay, in order of time."""

    key: str
    gases: tuple[int, ...]
    values: tuple[float, ...]
    change: float


@dataclass(frozen=True, slots=True)
class Ventilation:
    """The ventilation that would bring PaCO2 to a target, all else as it is; ``obstacles`` stand in its way."""

    gas: int | None
    target_mmhg: float
    paco2_mmhg: float | None
    factor: float | None
    now: tuple[Value, ...]
    then: tuple[Value, ...]
    words: tuple[str, ...]
    reason: str = ""
    held: tuple[Held, ...] = ()
    command: str = ""
    obstacles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class GasesPage:
    """All gases of a case, read."""

    title: str
    gases: tuple[GasReading, ...]
    trend: tuple[TrendRow, ...]
    changed: tuple[str, ...]
    ventilation: Ventilation | None
    policy: str
    caution: str
    doubts: tuple[str, ...] = ()
