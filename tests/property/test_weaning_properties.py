"""What must hold of any weaning: direction, units, and criteria that agree with their own bounds."""

from __future__ import annotations

from functools import partial
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tidebench.care.weaning import History, Item, Weaning, classify, cuff_leak, wean
from tidebench.case import case_from
from tidebench.formulas.effort import muscle_pressure_from_occlusion_cmh2o
from tidebench.formulas.indices import rapid_shallow_index

few = partial(settings, deadline=None, derandomize=True, database=None, phases=[Phase.generate])
ADULT = {"sex": "male", "age_years": 60, "height_cm": 175}
SET = {"mode": "CSV-PS", "pressure_support_cmh2o": 12, "peep_cmh2o": 6, "fio2": 0.35}
TRIAL = {"at_s": 600, "mode": "CSV-PS", "pressure_support_cmh2o": 5, "peep_cmh2o": 5, "fio2": 0.35}
rate, volume = st.floats(5, 60), st.floats(80, 1200)


def told(*rows: dict[str, Any]) -> Weaning:
    """An adult with a trial from 600 s."""
    return wean(case_from({"patient": ADULT, "settings": [SET, TRIAL], "observed": list(rows)}))


def item(items: tuple[Item, ...], name: str) -> Item:
    """The item of a name."""
    return next(one for one in items if one.name == name)


@few(max_examples=60)
@given(rate, volume, st.floats(1.01, 2))
def test_f_vt_rises_with_rate_falls_with_volume_and_knows_no_other_unit(f: float, ml: float, more: float) -> None:
    """f/VT(L), Yang & Tobin 1991: twice the rate at twice the volume is the same breathing."""
    index = float(rapid_shallow_index(f, ml / 1000))
    assert rapid_shallow_index(more * f, ml / 1000) > index > rapid_shallow_index(f, more * ml / 1000)
    assert rapid_shallow_index(more * f, more * ml / 1000) == pytest.approx(index)
    assert index * ml / 1000 == pytest.approx(f)


@few(max_examples=40)
@given(st.floats(6, 80), st.floats(0.1, 20))
def test_a_faster_rate_is_never_readier(f: float, more: float) -> None:
    """Boles 2007: rate at most 35. What is met stays met below, what is missed stays missed above."""
    low, high = (item(told({"at_s": 500, "rate_per_min": at}).readiness, "rate").state for at in (f, min(80, f + more)))
    assert (low, high) in (("met", "met"), ("met", "not met"), ("not met", "not met"))
    assert low == ("met" if f <= 35 else "not met")


@few(max_examples=40)
@given(st.floats(40, 200), st.floats(0, 60))
def test_a_faster_heart_in_the_trial_never_takes_a_sign_of_failure_away(beats: float, more: float) -> None:
    """Boles 2007, table 6: above 140, or a rise by at least 20 %."""
    signs = []
    for at in (beats, min(250.0, beats + more)):
        rows = ({"at_s": 500, "heart_rate_per_min": 90}, {"at_s": 900, "heart_rate_per_min": at})
        failure = told(*rows).failure
        signs.append([item(failure, name).state == "met" for name in ("heart rate", "rise of heart rate")])
    assert all(then >= now for now, then in zip(*signs, strict=True))
    assert signs[0] == [beats > 140, beats >= 108]


@few(max_examples=60)
@given(st.floats(100, 1500), st.floats(0, 1), st.floats(1.01, 2))
def test_a_cuff_leak_grows_with_what_is_lost_and_its_share_knows_no_size(
    inspired: float, share: float, more: float
) -> None:
    """Miller & Cole 1996: inspired less expired; in per cent the same for every size of breath."""
    found = cuff_leak(inspired, [inspired * share])
    assert found.volume_ml == pytest.approx(inspired * (1 - share), abs=1e-6)
    assert cuff_leak(more * inspired, [more * inspired * share]).percent == pytest.approx(found.percent, abs=1e-6)
    assert cuff_leak(inspired, [inspired * share / more]).volume_ml >= found.volume_ml
    assert found.below_110_ml == (found.volume_ml < 110)


@few(max_examples=60)
@given(st.floats(0.1, 40), st.floats(1.01, 3))
def test_muscle_pressure_is_in_proportion_to_the_occlusion(swing: float, more: float) -> None:
    """Bertoni 2019: a fixed part of the swing, so that twice the swing is twice the pressure."""
    one = float(muscle_pressure_from_occlusion_cmh2o(-swing))
    assert muscle_pressure_from_occlusion_cmh2o(-more * swing) == pytest.approx(more * one)
    assert 0 < one < swing


@few(max_examples=60)
@given(st.integers(0, 8), st.floats(0, 40), st.floats(0, 20))
def test_more_failed_trials_or_days_are_never_a_simpler_weaning(failed: int, days: float, more: float) -> None:
    """Boles 2007: simple, difficult (up to 3 trials or 7 days), prolonged."""
    order = ("simple", "difficult", "prolonged")
    ranks = []
    for one in (History(failed + 1, failed, days, True), History(failed + 2, failed + 1, days + more, True)):
        name = classify(one).consensus_2007.name
        ranks.append(-1 if name is None else next(k for k, word in enumerate(order) if word in name))
    assert ranks[0] <= ranks[1] or -1 in ranks
