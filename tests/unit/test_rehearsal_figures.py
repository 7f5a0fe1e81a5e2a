"""What a rehearsal's figures and tables say beside their curves: caution, what changed, limits, what lies beyond."""

from __future__ import annotations

import html
import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from tidebench.caution import CAUTION
from tidebench.fitting.change import Against
from tidebench.fitting.course import Course
from tidebench.fitting.overlay import Overlay
from tidebench.fitting.sweep import Point, Range, Sweep, within
from tidebench.fitting.target import Search, Way
from tidebench.limits import Limit
from tidebench.rehearsal import table_of
from tidebench.report.figures import Picture
from tidebench.report.rehearsal import LEAST_LEFT, away_from_edges, course_figure, present_of, sweep_figure
from tidebench.report.words import printed
from tidebench.views.rehearsal import spoken_setting, typed_setting, way_lines

LIMIT = Limit("plateau_pressure_cmh2o", "adult", None, 30.0, "trial target", "ARDS Network", "")


@pytest.fixture
def answer() -> Any:
    """A rate that goes from 24 to 14, and a limit of plateau pressure."""
    limits = (Against(LIMIT, "within", "within", 0.0, 0.0),)
    now, then = (
        SimpleNamespace(setting={"rate_per_min": 24.0, "tidal_volume_ml": 350.0}),
        SimpleNamespace(setting={"rate_per_min": 14.0, "tidal_volume_ml": 350.0}),
    )
    return SimpleNamespace(now=now, then=then, limits=limits)


def words(picture: Picture) -> str:
    """All text of a figure, one line."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", picture.svg)).split())


def along(key: str) -> Sweep:
    """Three values of PEEP, the last beyond what was recorded."""
    points = tuple(
        Point({"peep_cmh2o": peep}, {key: (peep + 15, peep + 14, peep + 16)}, ("far",) if peep > 10 else ())
        for peep in (5.0, 8.0, 12.0)
    )
    return Sweep((Range("peep_cmh2o", (5.0, 8.0, 12.0)),), points, 40)


def test_a_curve_carries_caution_limits_and_what_lies_beyond(answer: Any) -> None:
    picture = sweep_figure(along("plateau_pressure_cmh2o"), "plateau_pressure_cmh2o", answer)
    told = words(picture)
    assert CAUTION.split(".")[0] in told
    assert "at most 30" in told
    assert "beyond what was recorded" in told
    assert "12: 27 (26 to 28, beyond what was recorded)" in picture.alt
    table = table_of(along("plateau_pressure_cmh2o"))
    assert table["beyond_what_was_recorded"].to_list() == [False, False, True]
    assert "plateau_pressure_cmh2o_low" in table.columns


def test_a_map_says_that_it_has_no_doubt(answer: Any) -> None:
    points = tuple(
        Point({"rate_per_min": a, "tidal_volume_ml": b}, {"vti_ml": (b, np.nan, np.nan)}, ())
        for a in (10.0, 20.0) for b in (300.0, 400.0)
    )  # fmt: skip
    field = Sweep((Range("rate_per_min", (10.0, 20.0)), Range("tidal_volume_ml", (300.0, 400.0))), points)
    assert "too many fields to tell its doubt" in words(sweep_figure(field, "vti_ml", answer))
    assert not [name for name in table_of(field).columns if name.endswith(("_low", "_high"))]


def test_a_map_marks_now_and_has_ticks_at_what_was_swept(answer: Any) -> None:
    rates, volumes = (18.0, 21.0, 24.0), (300.0, 350.0)
    points = tuple(
        Point({"rate_per_min": a, "tidal_volume_ml": b}, {"vti_ml": (b, np.nan, np.nan)}, ())
        for a in rates for b in volumes
    )  # fmt: skip
    field = Sweep((Range("rate_per_min", rates), Range("tidal_volume_ml", volumes)), points)
    assert present_of(field, answer) == (24.0, 350.0)
    told = words(sweep_figure(field, "vti_ml", answer))
    assert "ring: settings of now;" in told
    assert all(re.search(rf"\b{value:g}\b", told) for value in (*rates, *volumes))
    assert "22" not in told, "no tick between"
    elsewhere = Sweep((Range("rate_per_min", rates[:2]), Range("tidal_volume_ml", volumes)), points[:4])
    assert "outside this map" in words(sweep_figure(elsewhere, "vti_ml", answer))


def test_what_is_left_has_the_scale_of_what_lies_away_from_edges_of_flow() -> None:
    """A spike of 3 cmH2O where flow leaps, 0.1 elsewhere."""
    time = np.arange(200) / 100
    flow = np.where(time < 1.0, 0.5, -0.5)
    left = np.where(np.abs(time - 1.0) < 0.02, 3.0, 0.1)
    shown = SimpleNamespace(time_s=time, recorded=(left, flow, flow), simulated=(0 * left, flow, flow))
    assert away_from_edges(cast(Overlay, shown)) == LEAST_LEFT


def test_a_way_is_named_as_it_is_typed_or_said_and_says_its_cost_once() -> None:
    values = {"ph": (7.35, 7.3, 7.4), "mechanical_power_j_min": (20.0, 19.0, 21.0)}
    way = Way({"rate_per_min": 26.0}, values, 1.0, ("mechanical power 20 J/min, at most 17 J/min",))
    sought = Search("ph", 7.35, (way,), ())
    (typed,), (spoken,) = way_lines(sought, typed_setting), way_lines(sought, spoken_setting)
    assert typed.startswith("rate_per_min 26: pH 7.35, MP 20.0 J/min; crosses mechanical power")
    assert "rate_per_min" not in spoken
    assert typed.count("7.35") == 1
    none = Search("ph", 7.35, (), ("rate at most 30 /min",), (), ("rate_per_min",))
    assert "in the way: rate at most 30 /min" in way_lines(none, spoken_setting)[0]


def test_a_map_with_few_fields_tells_doubt_and_the_share_within_limits(answer: Any) -> None:
    point = Point({"rate_per_min": 10.0, "tidal_volume_ml": 300.0}, {"vti_ml": (300.0, 280.0, 320.0)}, (), 0.9)
    field = Sweep((Range("rate_per_min", (10.0,)), Range("tidal_volume_ml", (300.0,))), (point,), 20)
    table = table_of(field)
    assert table.select("vti_ml_low", "vti_ml_high", "share_within_limits").row(0) == (280.0, 320.0, 0.9)
    assert "its doubt in the table" in words(sweep_figure(field, "vti_ml", answer))


def test_the_share_within_limits_is_that_of_patients_who_keep_them_all() -> None:
    """Counted by hand: four patients, two limits, one beyond each; a quantity that is not told binds nobody."""
    low = Limit("vte_ml", "adult", 200.0, None, "trial target", "", "")
    unseen = Limit("effort_cmh2o", "adult", None, 1.0, "trial target", "", "")
    told = {
        "plateau_pressure_cmh2o": np.array([20.0, 31.0, 25.0, 25.0]),
        "vte_ml": np.array([300.0, 300.0, 100.0, 300.0]),
    }
    assert within([LIMIT, low, unseen], told) == 0.5
    assert within([unseen], told) is None


def test_a_printed_page_asks_for_nothing_by_an_option() -> None:
    asked = {"notes": ["needs albumin (--albumin, for one gas)", "a person says so: --said drowsy=yes or no"], "n": 2}
    assert printed(asked) == {"notes": ["needs albumin", "a person says so"], "n": 2}


def test_a_course_has_a_band_names_the_change_and_keeps_a_scale(answer: Any) -> None:
    minutes = np.array([0.0, 10.0])
    gases = {"paco2_mmhg": np.array([40.0, 40.01]), "sao2": np.array([0.95, 0.9501])}
    low, high = ({key: values * by for key, values in gases.items()} for by in (0.999, 1.001))
    told = words(course_figure(Course(minutes, gases, low, high), answer))
    assert "24" in told
    assert "14 /min" in told
    assert CAUTION.split(".")[0] in told
    ticks = [float(one) for one in re.findall(r"\b\d{2}\.\d\b", told) if 30 < float(one) < 50]
    assert max(ticks) - min(ticks) >= 5, "a hundredth of a mmHg does not fill the axis"
