"""A page's refusals name what the page has. No source: words of this project."""

from __future__ import annotations

import pytest

from tidebench.web.spoken import spoken


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ('flow has no unit. Add to [recording.columns]: "q" = "flow [L/min]", or "ignore".',
         'flow has no unit. Choose in the table of columns what “q” holds: flow [L/min], or "ignore".'),
        ('Say in [recording.columns] what they hold: "their header" = "flow [L/min]".',
         "Say in the table of columns what they hold: flow [L/min]."),
        ("Say the unit in [recording.columns].", "Say the unit in the table of columns."),
        ("case.toml: [[settings]] no. 2, fio2: is 40. Expected: 0.21 to 1.",
         "settings no. 2, fio2: is 40. Expected: 0.21 to 1."),
        ("no lung is known. Expected: passive breaths nearby, or a lung by --assume.",
         "no lung is known. Expected: passive breaths nearby."),
        ("--from, --to: from 3 to 4 s is no stretch.", "from, to: from 3 to 4 s is no stretch."),
        ("live bench: settings no. 2, peep_cmh2o: is 99.", "live bench: settings no. 2, set PEEP: is 99."),
        ("bad_row.csv: column 'peep_cmh2o' is empty.", "bad_row.csv: column 'peep_cmh2o' is empty."),
        ("column 'pressure [cmH2O]' has 3 values.", "column 'pressure [cmH2O]' has 3 values."),
    ],
)  # fmt: skip
def test_refusals_name_fields_and_no_options(typed: str, said: str) -> None:
    assert spoken(typed) == said
