"""What is not told where sensor, settings or length don't bear it. Truth: the exact lung, cut, rounded or mislabelled.

Where no source is named, thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pytest

from tests.reference.exact_lung import Breath, Lung, falling, square, ventilate, with_holds
from tidebench.case import Case
from tidebench.measures.saturation import range_ends
from tidebench.recording import Recording
from tidebench.review import Review, review

LUNG = Lung(0.05, 10)
VOLUME = Breath(3.5, 1, square(0.5, 1))
PRESSURE = Breath(3.5, 1, above=15)
LUNGS_OWN = ("compliance_ml_cmh2o", "resistance_cmh2o_s_l", "total_peep_cmh2o", "stress_index", "passive")


def ventilated(
    breath: Breath | Iterable[Breath], seconds: float = 100, *, peep: float = 5, rate_hz: float = 100
) -> Recording:
    """The exact lung as a sensor with some noise gives it, to three digits."""
    truth = ventilate(LUNG, breath, seconds, peep=peep, rate_hz=rate_hz)
    return rounded(truth.recording(noise=0.005, pressure_noise=0.05), 0.001)


def rounded(recording: Recording, pressure: float, flow: float = 0.0001) -> Recording:
    """The same in whole steps, cmH2O and L/s."""
    steps = {"airway_pressure": pressure, "flow": flow}
    return Recording(recording.rate_hz, {key: np.round(recording[key] / step) * step for key, step in steps.items()})


def cut(recording: Recording, key: str, most: float) -> Recording:
    """The same with a sensor that reads no further."""
    return Recording(recording.rate_hz, {**recording.channels, key: np.minimum(recording[key], most)})


def told(done: Review, words: str) -> list[str]:
    """Warnings with these words."""
    return [warning for warning in done.summary["warnings"] if words in warning]


def codes(done: Review, key: str) -> set[str]:
    """Why a quantity is missing."""
    rows = done.breaths.explode("not_measured")["not_measured"].drop_nulls().struct.unnest()
    return set(rows.filter(rows["quantity"] == key)["code"])


@pytest.mark.parametrize("most", [13.0, 18.0])
def test_clipped_pressure_gives_no_mechanics(most: float) -> None:
    """Pressure peaks at 20 cmH2O."""
    done = review(Case(), cut(ventilated(VOLUME), "airway_pressure", most))
    for key in LUNGS_OWN:
        assert done.breaths[key].null_count() == done.breaths.height
        assert "clipped" in codes(done, key)
    assert codes(done, "peak_pressure_cmh2o") == {"clipped"}
    assert done.summary["quantities"]["vti_ml"]["median"] == pytest.approx(500, rel=0.01)
    assert f"({most:.1f} cmH2O) in {done.breaths.height} of {done.breaths.height} breaths" in told(done, "range")[0]


def test_clipped_flow_gives_no_volume_and_invents_no_effort() -> None:
    done = review(Case(), cut(ventilated(VOLUME), "flow", 0.4))
    for key in (*LUNGS_OWN, "vti_ml", "vte_ml", "leak_fraction"):
        assert done.breaths[key].null_count() == done.breaths.height
    assert not done.efforts.height
    assert "24.0 L/min" in told(done, "range")[0]


def test_holds_are_found_under_a_clipped_flow() -> None:
    truth = ventilate(LUNG, with_holds(VOLUME, inspiratory=8, expiratory=16), 100)
    recording = rounded(truth.recording(noise=0.005, pressure_noise=0.05), 0.001)
    done = review(Case(), cut(recording, "flow", 0.4))
    assert [hold.kind for hold in done.holds] == ["inspiratory", "expiratory"]
    assert done.holds[0].static_compliance_ml_cmh2o is None
    assert done.holds[0].quality == ("clipped",)


def test_breaths_within_the_range_keep_their_lung() -> None:
    """Every fifth breath is larger and clipped; the lung of the others is the true one."""

    def mixed() -> Iterator[Breath]:
        while True:
            yield from [VOLUME] * 4
            yield Breath(3.5, 1, square(0.8, 1))

    done = review(Case(), cut(ventilated(mixed(), 150), "airway_pressure", 22.0))
    known = done.breaths["compliance_ml_cmh2o"]
    assert known.null_count() == pytest.approx(done.breaths.height / 5, abs=1)
    assert known.median() == pytest.approx(50, rel=0.015)


@pytest.mark.parametrize("noise", [0.0, 0.02], ids=["none", "below a step"])
@pytest.mark.parametrize("breath", [VOLUME, PRESSURE], ids=["constant flow", "held pressure"])
@pytest.mark.parametrize("step", [0.001, 0.1, 0.5])
def test_coarse_and_noise_free_signals_are_not_taken_for_clipped(breath: Breath, step: float, noise: float) -> None:
    """They stand at the set pressure and the set flow to the last digit, quite as a clipped one does."""
    truth = ventilate(LUNG, breath, 60)
    recording = rounded(truth.recording(noise=noise * step / 10, pressure_noise=noise * step), step, step / 10)
    assert range_ends(recording["airway_pressure"]) == []
    assert range_ends(recording["flow"]) == []


@pytest.mark.parametrize(("set_peep", "doubted"), [(5.0, False), (7.1, False), (7.5, True), (12.0, True), (2.0, True)])
def test_set_peep_is_held_against_the_measured_one(set_peep: float, doubted: bool) -> None:
    """ISO 80601-2-12: indicated pressure within 2 cmH2O and 4 % of the reading. Measured: 5 cmH2O."""
    case = Case.model_validate({"settings": [{"mode": "A/C-VC", "peep_cmh2o": set_peep}]})
    done = review(case, ventilated(Breath(3.5, 1, square(0.5, 1), pause_s=0.4)))
    assert bool(told(done, "set PEEP")) is doubted
    assert ("set PEEP in doubt" in codes(done, "driving_pressure_set_peep_cmh2o")) is doubted
    assert done.breaths["driving_pressure_cmh2o"].median() == pytest.approx(10, abs=0.2)


@pytest.mark.parametrize(
    ("keys", "breath", "delivery", "doubted"),
    [
        ({"mode": "A/C-PC"}, VOLUME, "volume-control", True),
        ({"mode": "A/C-VC", "flow_pattern": "constant"}, PRESSURE, "pressure-control", True),
        ({"mode": "A/C-VC"}, Breath(3.5, 1, falling(0.5, 1)), "volume-control", False),
        ({"mode": "A/C-VC", "flow_pattern": "constant"}, VOLUME, "volume-control", False),
        ({"mode": "A/C-PC"}, PRESSURE, "pressure-control", False),
    ],
)
def test_mode_that_the_signals_deny_is_told(keys: dict[str, str], breath: Breath, delivery: str, doubted: bool) -> None:
    done = review(Case.model_validate({"settings": [keys]}), ventilated(breath))
    assert set(done.breaths["delivery"]) == {delivery}
    assert bool(told(done, "the signals look like")) is doubted


@pytest.mark.parametrize(("rate_hz", "doubted"), [(20, True), (50, True), (100, False), (200, False)])
def test_cost_of_coarse_sampling_covers_the_error(rate_hz: float, doubted: bool) -> None:
    """Square flow, 0.5 L in 1 s: half a sample at both edges is one in rate_hz."""
    done = review(Case(), ventilated(VOLUME, rate_hz=rate_hz))
    assert bool(told(done, "Sampled at")) is doubted
    assert done.summary["quantities"]["vti_ml"]["median"] == pytest.approx(500, rel=1.05 / rate_hz)


@pytest.mark.parametrize("seconds", [5.0, 12.0, 20.0])
def test_few_breaths_of_a_filling_lung_show_no_leak(seconds: float) -> None:
    """Obstructed, from rest: each breath leaves less behind than the one before, and nothing leaks."""
    truth = ventilate(Lung(0.07, 22), Breath(3.2, 0.6, square(0.5, 0.6)), seconds)
    done = review(Case(), truth.recording(noise=0.005, pressure_noise=0.05))
    assert done.breaths["leak_fraction"].null_count() == done.breaths.height
    assert codes(done, "leak_fraction") == {"too few breaths"}
    np.testing.assert_allclose(done.breaths["vti_ml"].to_numpy(), 500, rtol=0.015)
    if seconds < 15:
        assert done.breaths["total_peep_cmh2o"].null_count() == done.breaths.height
    else:
        known = done.breaths["total_peep_cmh2o"].to_numpy()
        np.testing.assert_allclose(known, truth.total_peep[: len(known)], atol=0.3)


@pytest.mark.parametrize(("at_s", "words"), [([0.0, 500.0], "not used"), ([500.0], "hold throughout")])
def test_setting_after_the_end_is_asked_about(at_s: list[float], words: str) -> None:
    settings = [{"at_s": at, "mode": "A/C-VC", "rate_per_min": 17.0 + at / 500} for at in at_s]
    done = review(Case.model_validate({"settings": settings}), ventilated(VOLUME, 40))
    assert words in told(done, "500 s")[0]
    assert not told(review(Case(), ventilated(VOLUME, 40)), "ends at")


def test_breaths_that_no_lung_describes_are_passive_to_the_last() -> None:
    """A leaking, drawn breath, the same twenty times: where nothing follows, no effort can have begun."""
    t = np.arange(6000) / 100 % 3
    flow = np.where(t < 1, 0.5, -0.75 * np.exp(-(t - 1) / 0.5))
    done = review(Case(), Recording(100, {"airway_pressure": np.where(t < 1, 8 + 12 * t, 5.0), "flow": flow}))
    assert done.breaths.height == 19
    assert done.breaths["passive"].all()
    assert not done.efforts.height
