"""Acid and base of an arterial gas in words: primary disturbance, expected compensation, what doesn't fit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from tidebench.care.gases.moment import Moment
from tidebench.care.gases.records import AcidBase, Value
from tidebench.formulas.acid_base import (
    Span,
    acute_hco3_mmol_l,
    alkalosis_paco2_mmhg,
    chronic_hco3_mmol_l,
    delta_gap_mmol_l,
    ph_disagreement,
    winter_paco2_mmhg,
)
from tidebench.limits import population

PH, PACO2, HCO3 = Span(7.35, 7.45), Span(35.0, 45.0), Span(22.0, 26.0)
"""Normal ranges (common practice, no source)."""
WORTH_SAYING = 0.02
GAP, LOW_GAP = Span(8.0, 16.0), 3.0
GAP_SOURCE = "12 ± 4, Emmett, Medicine 1977;56:38, from memory"
DELTA_ROOM = 6.0
DELTA_SOURCE = "Wrenn, Ann Emerg Med 1990;19:1310, from memory"
NOTHING = "none: pH, PaCO2 and bicarbonate are normal"
HIDDEN = "a metabolic acidosis by the anion gap, hidden behind a normal pH, PaCO2 and bicarbonate"


@dataclass(frozen=True)
class _Gas:
    ph: float
    paco2: float
    hco3: float

    def side(self, value: float, span: Span) -> int:
        return 0 if span.holds(value) else 1 if value > span.high else -1


def read_acid_base(moment: Moment, indices: tuple[Value, ...] = ()) -> AcidBase:
    """The reading with that of the anion gap; without pH and PaCO2, or where numbers contradict, the reason."""
    read, gap = _read_gas(moment), _gap_of(indices)
    hco3 = moment.bicarbonate.value
    if gap is None or hco3 is None:
        return read
    lines = tuple(_read_gap(gap, hco3, albumin_known=moment.typed.albumin_g_dl is not None))
    hidden = gap > GAP.high and read.primary == NOTHING
    return replace(read, primary=HIDDEN if hidden else read.primary, gap=lines)


def _gap_of(indices: tuple[Value, ...]) -> float | None:
    """The anion gap, corrected for albumin where that is known."""
    by_key = {value.key: value.value for value in indices}
    corrected = by_key.get("corrected_anion_gap_mmol_l")
    return by_key.get("anion_gap_mmol_l") if corrected is None else corrected


def _read_gap(gap: float, hco3: float, *, albumin_known: bool) -> Iterator[str]:
    name = "anion gap, corrected for albumin," if albumin_known else "anion gap"
    normal = f"{GAP.low:g} to {GAP.high:g} mmol/L ({GAP_SOURCE})"
    if gap > GAP.high:
        yield f"{name} {gap:.0f} is above {normal}: a metabolic acidosis of unmeasured anions is there"
        more = delta_gap_mmol_l(gap, hco3)
        if more > DELTA_ROOM:
            also = "a metabolic alkalosis too, or bicarbonate held up by a chronic respiratory acidosis"
        elif more < -DELTA_ROOM:
            also = "a metabolic acidosis with a normal gap too, or a chronic respiratory alkalosis"
        else:
            also = "no further metabolic disturbance by it"
        yield f"delta gap {more:+.0f} mmol/L, within {DELTA_ROOM:g} either way if alone ({DELTA_SOURCE}): {also}"
    elif gap < LOW_GAP:
        yield f"{name} {gap:.0f} is far below {normal}: check sodium, chloride and bicarbonate"
    else:
        yield f"{name} {gap:.0f} is not above {normal}"
    if not albumin_known:
        yield "albumin is not given (--albumin): each g/dL below 4 hides 2.5 mmol/L of gap (Figge 1998, from memory)"


def _read_gas(moment: Moment) -> AcidBase:
    """By pH, PaCO2 and bicarbonate."""
    facts = moment.arterial("ph"), moment.arterial("paco2_mmhg"), moment.bicarbonate
    missing = dict.fromkeys(fact.origin for fact in facts if fact.value is None)
    if missing:
        return AcidBase(None, "; ".join(missing))
    ph, paco2, hco3 = (fact.value or 0.0 for fact in facts)
    apart = ph_disagreement(ph, paco2, hco3)
    doubts = []
    if abs(apart) > WORTH_SAYING:
        doubts.append(f"pH is {apart:+.2f} beside what PaCO2 and bicarbonate give")
    if population(moment.case.patient).group in ("child", "newborn"):
        doubts.append("normal ranges and rules of compensation are those of adults")
    return _read(_Gas(ph, paco2, hco3), doubts, _driven(moment))


def _driven(moment: Moment) -> bool:
    """True where a ventilator gives mandatory breaths, so that PaCO2 may be its doing."""
    return moment.setting is not None and moment.setting.mandatory_type is not None


def _read(gas: _Gas, doubts: list[str], driven: bool) -> AcidBase:
    ph, carbon, base = gas.side(gas.ph, PH), gas.side(gas.paco2, PACO2), gas.side(gas.hco3, HCO3)
    if not (ph or carbon or base):
        return AcidBase(NOTHING, doubts=tuple(doubts))
    lean = ph or (-1 if gas.ph < 7.40 else 1)
    respiratory, metabolic = carbon == -lean, base == lean
    if not ph and respiratory != metabolic and (carbon == 0 or base == 0):
        doubts.append("pH is normal: the disturbance is slight, or another one balances it")
    elif not ph and carbon and base:
        doubts.append(
            "pH is normal though both sides are not: full compensation or two disturbances, told apart only by the "
            "patient's history; read by the side of 7.40 on which pH lies"
        )
    return _by_kind(gas, lean, (respiratory, metabolic), doubts, driven)


def _by_kind(gas: _Gas, lean: int, kind: tuple[bool, bool], doubts: list[str], driven: bool) -> AcidBase:
    state = "acidosis" if lean < 0 else "alkalosis"
    if kind == (True, True):
        return AcidBase(f"mixed: respiratory and metabolic {state}", doubts=tuple(doubts))
    if kind == (True, False):
        return _respiratory(gas, f"respiratory {state}", doubts)
    if kind == (False, True):
        return _metabolic(gas, f"metabolic {state}", doubts, driven)
    doubts.append("PaCO2 and bicarbonate are too near to normal, or too far on the other side, to say why")
    return AcidBase(f"none told: pH {gas.ph:.2f}, PaCO2 {gas.paco2:.0f} mmHg, bicarbonate {gas.hco3:.1f} mmol/L",
                    doubts=tuple(doubts))  # fmt: skip


def _respiratory(gas: _Gas, primary: str, doubts: list[str]) -> AcidBase:
    acute, chronic = acute_hco3_mmol_l(gas.paco2), chronic_hco3_mmol_l(gas.paco2)
    expected = tuple(
        f"bicarbonate {span.low:.1f} to {span.high:.1f} mmol/L if {word}"
        for word, span in (("acute (hours)", acute), ("chronic (days)", chronic))
    )
    fits = tuple(word for word, span in (("acute", acute), ("chronic", chronic)) if span.holds(gas.hco3))
    if not fits:
        doubts.append(_between(gas.hco3, acute, chronic))
    return AcidBase(primary, expected=expected, fits=fits, doubts=tuple(doubts))


def _between(hco3: float, acute: Span, chronic: Span) -> str:
    low, high = min(acute.low, chronic.low), max(acute.high, chronic.high)
    told = f"bicarbonate {hco3:.1f} mmol/L is"
    if hco3 < low:
        return f"{told} below both: a metabolic acidosis too"
    if hco3 > high:
        return f"{told} above both: a metabolic alkalosis too"
    return f"{told} between acute and chronic: on its way, or acute upon chronic"


def _metabolic(gas: _Gas, primary: str, doubts: list[str], driven: bool) -> AcidBase:
    acidosis = primary.endswith("acidosis")
    span = winter_paco2_mmhg(gas.hco3) if acidosis else alkalosis_paco2_mmhg(gas.hco3)
    fits = ("compensated by breathing as expected",) if span.holds(gas.paco2) else ()
    if not fits:
        state, where = ("acidosis", "above") if gas.paco2 > span.high else ("alkalosis", "below")
        doubts.append(f"PaCO2 {gas.paco2:.0f} mmHg is {where} that: a respiratory {state} too")
        if driven:
            doubts.append("mandatory breaths are set, so PaCO2 may be the ventilator's doing and not the patient's")
    expected = (f"PaCO2 {span.low:.3g} to {span.high:.3g} mmHg ({'Winter' if acidosis else 'teaching rule'})",)
    return AcidBase(primary, expected=expected, fits=fits, doubts=tuple(doubts))
