"""One object per page, computed from a review, for command line, report and web alike.

Views choose, group and word; they measure nothing. Labels, units and decimals come from :mod:`tidebench.quantities`.
"""

from __future__ import annotations

from tidebench.views.answers import Answer, Untold
from tidebench.views.beside import Beside, beside
from tidebench.views.breath import BreathPage, breath_page, breath_with_effort
from tidebench.views.efforts import EffortCount, effort_counts
from tidebench.views.holds import HoldsPage, holds_page
from tidebench.views.matters import Matter
from tidebench.views.numbers import Number
from tidebench.views.observed import Observation
from tidebench.views.overview import Overview, overview_page
from tidebench.views.plain import plain_view
from tidebench.views.steps import StepsPage, steps_page
from tidebench.views.trend import Trend, trend_page
from tidebench.views.verdicts import Verdict

__all__ = [
    "Answer",
    "Beside",
    "BreathPage",
    "EffortCount",
    "HoldsPage",
    "Matter",
    "Number",
    "Observation",
    "Overview",
    "StepsPage",
    "Trend",
    "Untold",
    "Verdict",
    "beside",
    "breath_page",
    "breath_with_effort",
    "effort_counts",
    "holds_page",
    "overview_page",
    "plain_view",
    "steps_page",
    "trend_page",
]
