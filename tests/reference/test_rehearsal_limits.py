"""A rehearsal against limits: a house's bind every way, published ones are marked, and what none covers is said.

The source of each bound is beside it in `tidebench.limits.published`; predicted weight is the ARDS Network's
(N Engl J Med 2000;342:1301), volumes are those of the drawn patients themselves.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.reference.test_fitting import fitted
from tidebench.fitting import Fit, what_if
from tidebench.fitting.compare import compared
from tidebench.fitting.predict import predict
from tidebench.fitting.records import FitError
from tidebench.fitting.target import crossings, seek
from tidebench.limits import Limit, Policy

GAS = {"at_s": 30, "site": "arterial", "paco2_mmhg": 60.0, "ph": 7.25, "pao2_mmhg": 90.0, "fio2": 0.3}
PREDICTED_KG = 50.0 + 0.91 * (176 - 152.4)  # a man of 176 cm
VOLUME = {
    "mode": "CMV-VC", "peep_cmh2o": 5.0, "fio2": 0.3, "rate_per_min": 14.0, "tidal_volume_ml": 420.0,
    "inspiratory_flow_l_min": 45.0,
}  # fmt: skip
TABLES = {
    "patient": {"sex": "male", "age_years": 58, "height_cm": 176, "weight_kg": 82},
    "lung": {"compartments": [{"compliance_ml_cmh2o": 45.0, "resistance_cmh2o_s_l": 8.0}]},
    "effort": {"rate_per_min": 0.0}, "settings": [VOLUME], "duration_s": 60,
}  # fmt: skip


@pytest.fixture(scope="module")
def adult() -> Fit:
    """A man of 176 cm on 420 mL with too much carbon dioxide."""
    return fitted(TABLES, [GAS])


def in_house(fit: Fit, *limits: Limit) -> Fit:
    """The fit under a house's policy."""
    reviewed = replace(fit.window.review, policy=Policy("House", None, limits, frozenset()))
    return replace(fit, window=replace(fit.window, review=reviewed))


def own(key: str, high: float) -> Limit:
    """A house's limit for adults."""
    return Limit(key, "adult", None, high, "house policy", "House", "")


def test_volume_by_predicted_weight_is_told_and_judged(adult: Fit) -> None:
    answer = what_if(adult, {"tidal_volume_ml": 600.0}, n=20)
    told = {change.key: change for change in answer.changes}
    for side in ("now", "then"):
        volume, per_kg = getattr(told["vte_ml"], side)[0], getattr(told["vt_per_pbw_ml_kg"], side)[0]
        assert per_kg == pytest.approx(volume / PREDICTED_KG, rel=1e-3)
    stands = {one.limit.key: one for one in answer.limits}
    assert (stands["vt_per_pbw_ml_kg"].now, stands["vt_per_pbw_ml_kg"].then) == ("within", "above")
    assert stands["ph"].limit.condition == "ARDS"
    assert stands["ph"].now == "below", "7.25 of at least 7.30"
    assert any("no limit here covers" in words and "carbon dioxide" in words for words in answer.assumptions)


def test_no_way_goes_past_a_house_and_published_limits_are_marked(adult: Fit) -> None:
    """6 mL/kg and 30 breaths leave the rate alone; without a house, ways beyond 8 mL/kg say so."""
    housed = seek(in_house(adult, own("vt_per_pbw_ml_kg", 6.2), own("rate_per_min", 30.0)), "paco2_mmhg", 40.0, n=20)
    assert housed.ways
    for way in housed.ways:
        assert way.values["vt_per_pbw_ml_kg"][0] <= 6.2
        assert way.settings.get("tidal_volume_ml", 420.0) <= 6.2 * PREDICTED_KG * 1.01
    assert [str(bound) for bound in housed.bounds] == [
        "tidal volume per predicted body weight at most 6.2 mL/kg", "rate at most 30 /min",
    ]  # fmt: skip
    free = seek(adult, "paco2_mmhg", 40.0, n=20)
    assert [len(way.crosses) for way in free.ways] == sorted(len(way.crosses) for way in free.ways)
    assert not free.bounds
    large = {"tidal_volume_ml": 700.0}
    found = compared(adult, predict(adult, n=1), predict(adult, large, n=1))
    assert found.then["vt_per_pbw_ml_kg"][0] == pytest.approx(700.0 / PREDICTED_KG, rel=0.03)
    assert any("predicted body weight" in words for words in crossings(adult, found.then)[0])
    far = seek(adult, "vti_ml", 700.0, n=4)
    assert far.ways
    assert all(any("predicted body weight" in words for words in way.crosses) for way in far.ways)


def test_a_house_s_limit_that_can_not_be_held_stops_the_search(adult: Fit) -> None:
    with pytest.raises(FitError, match=r"occlusion pressure.*can't be told|P0\.1.*can't be told"):
        seek(in_house(adult, own("p01_cmh2o", 4.0)), "paco2_mmhg", 40.0, n=4)
    assert seek(in_house(adult, own("cuff_pressure_cmh2o", 30.0)), "vti_ml", 450.0, n=4).ways, "no setting moves it"


def test_a_patient_without_an_age_has_no_limits_and_is_told_so() -> None:
    nobody = fitted({**TABLES, "patient": {"weight_kg": 80}}, [GAS])
    answer = what_if(nobody, {"rate_per_min": 18.0}, n=4)
    assert not answer.limits
    assert any("no age is given" in words for words in answer.assumptions)
