"""What must hold of any blood gas: direction, units, and functions that undo each other."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tidebench.care.gases import Typed, read_gases
from tidebench.case import case_from
from tidebench.formulas import acid_base, gas_exchange, oxygenation

few = partial(settings, deadline=None, derandomize=True, database=None, phases=[Phase.generate])
tension = st.floats(15, 120)
KPA = 7.50062


@few(max_examples=60)
@given(st.floats(0.02, 0.995))
def test_saturation_and_tension_are_inverse(saturation: float) -> None:
    po2 = oxygenation.oxygen_tension_mmhg(saturation)
    assert gas_exchange.oxygen_saturation(po2) == pytest.approx(saturation, rel=1e-9)


@few(max_examples=60)
@given(st.floats(0.21, 1), tension, st.floats(400, 800))
def test_alveoli_hold_less_with_more_carbon_dioxide_and_more_with_more_oxygen(
    fio2: float, paco2: float, air: float
) -> None:
    for alveolar in (gas_exchange.alveolar_po2_mmhg, oxygenation.simplified_alveolar_po2_mmhg):
        assert alveolar(fio2, paco2 + 1, air) < alveolar(fio2, paco2, air) < alveolar(fio2, paco2, air + 1)
    assert oxygenation.simplified_alveolar_po2_mmhg(fio2, paco2, air) < gas_exchange.alveolar_po2_mmhg(fio2, paco2, air)


@few(max_examples=60)
@given(st.floats(1, 30), tension, tension)
def test_ventilation_for_a_target_leads_there_and_back(minute: float, paco2: float, wanted: float) -> None:
    there = gas_exchange.ventilation_for_paco2(minute, paco2, wanted)
    assert gas_exchange.ventilation_for_paco2(there, wanted, paco2) == pytest.approx(minute)
    assert (there > minute) == (wanted < paco2) or there == pytest.approx(minute)
    assert gas_exchange.ventilation_for_paco2(minute, paco2 / KPA, wanted / KPA) == pytest.approx(there)


@few(max_examples=60)
@given(st.floats(1, 30), st.floats(0, 0.95), tension, tension)
def test_volume_alone_keeps_dead_space_and_gives_the_alveolar_ventilation(
    minute: float, dead: float, paco2: float, wanted: float
) -> None:
    then = gas_exchange.ventilation_by_volume_l_min(minute, dead, paco2, wanted)
    alveolar = gas_exchange.ventilation_for_paco2(minute * (1 - dead), paco2, wanted)
    assert then - minute * dead == pytest.approx(alveolar)
    whole = gas_exchange.ventilation_for_paco2(minute, paco2, wanted)
    assert min(minute, whole) - 1e-9 <= then <= max(minute, whole) + 1e-9


@few(max_examples=60)
@given(tension, st.floats(0, 1))
def test_dead_space_gives_its_expired_tension_back_in_any_unit(paco2: float, share: float) -> None:
    found = gas_exchange.dead_space_fraction(paco2, paco2 * (1 - share))
    assert found == pytest.approx(share, abs=1e-12)
    assert gas_exchange.dead_space_fraction(paco2 / KPA, paco2 * (1 - share) / KPA) == pytest.approx(share, abs=1e-9)


@few(max_examples=60)
@given(tension, st.floats(5, 50))
def test_base_excess_rises_with_bicarbonate_and_numbers_that_agree_do_not_disagree(paco2: float, hco3: float) -> None:
    ph = float(gas_exchange.blood_ph(paco2, hco3))
    if 6.5 <= ph <= 8:
        assert acid_base.ph_disagreement(ph, paco2, hco3) == pytest.approx(0, abs=1e-9)
        assert acid_base.base_excess_mmol_l(ph, hco3 + 1) > acid_base.base_excess_mmol_l(ph, hco3)


@few(max_examples=60)
@given(st.floats(41, 110))
def test_bicarbonate_expected_after_days_is_above_that_after_hours(paco2: float) -> None:
    acute, chronic = acid_base.acute_hco3_mmol_l(paco2), acid_base.chronic_hco3_mmol_l(paco2)
    assert acute.low < chronic.low
    assert acute.high < chronic.high


@few(max_examples=40)
@given(st.floats(0.5, 0.97), st.floats(0.21, 1), st.floats(10, 60))
def test_indices_fall_as_oxygen_is_raised(spo2: float, fio2: float, rate: float) -> None:
    more = min(1.0, fio2 + 0.05)
    assert oxygenation.sf_ratio(spo2, more) <= oxygenation.sf_ratio(spo2, fio2)
    assert oxygenation.rox_index(spo2, fio2, rate + 1) < oxygenation.rox_index(spo2, fio2, rate)


@few(max_examples=30)
@given(
    st.floats(6.9, 7.7), st.floats(12, 110), st.floats(30, 400), st.floats(0.21, 1), st.floats(20, 43),
    st.sampled_from(["arterial", "venous", "capillary", None]),
)  # fmt: skip
def test_every_gas_is_read_and_every_null_has_its_reason(
    ph: float, paco2: float, pao2: float, fio2: float, warm: float, site: str | None
) -> None:
    gas = {"at_s": 5.0, "ph": ph, "paco2_mmhg": paco2, "pao2_mmhg": pao2, "fio2": fio2, "site": site}
    page = read_gases(
        case_from({"patient": {"age_years": 40}, "blood_gases": [gas]}),
        typed=Typed(temperature_c=warm),
        target_paco2_mmhg=40.0,
    )
    for one in page.gases[0].indices:
        assert (one.value is None) == bool(one.reason)
    told = page.gases[0].acid_base
    assert told.primary or told.reason
    assert all(grade.severity or grade.reason for grade in page.gases[0].grades)
