"""Settings that were read from the breaths are told in words, not in keys of a case file."""

from __future__ import annotations

import pytest

from tidebench.case import Setting
from tidebench.fitting.change import BUFFERING, KEPT, RESTS, STEADY, UNCHANGED
from tidebench.fitting.ventilator import read_in_words


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("flow_pattern", "constant", "flow pattern was not given; it looks constant"),
        ("tidal_volume_ml", 348.2, "set tidal volume was not given; 348 mL is what was recorded"),
        ("peep_cmh2o", 11.94, "set PEEP was not given; 11.9 cmH2O is what was recorded"),
    ],
)  # fmt: skip
def test_a_setting_that_was_read_is_named_with_its_unit(key: str, value: float | str, says: str) -> None:
    # Labels, units and decimals are those of the quantity catalogue's table of settings.
    assert key in Setting.model_fields
    assert read_in_words(key, value) == says


def test_what_is_taken_for_granted_names_no_option_of_the_command_line() -> None:
    # The same sentences stand on the page and in the report, where nobody can type an option.
    assert not [line for line in (BUFFERING, KEPT, RESTS, STEADY, UNCHANGED) if "--" in line]
