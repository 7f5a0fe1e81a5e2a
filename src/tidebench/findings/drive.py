"""Drive and effort against a closed airway: in occlusions, and in trigger phases that last."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import polars as pl

from tidebench.findings.runs import each_run
from tidebench.findings.seen import Seen
from tidebench.inflations.holds import LEAST_HOLD_S
from tidebench.quantities import quantity
from tidebench.records import Finding, Hold

LOW, HIGH = 1.0, 4.0
"""P0.1, cmH2O, up to which effort is low, and above which drive is high (Telias, Am J Respir Crit Care Med
2020;201:1086; authors differ between 3.5 and 4.0).
"""
KEYS = ("p01_cmh2o", "occlusion_effort_cmh2o", "dynamic_transpulmonary_pressure_cmh2o", "occlusion_swing_cmh2o")
LEAST_S = LEAST_HOLD_S
"""From which on a closed airway is an occlusion that somebody made; shorter ones are trigger phases, which count when
breath after breath shows the same."""
SURE_OF_SOME = 0.7


def in_occlusions(
    kind: str,
    version: int,
    seen: Seen,
    shows: Callable[[Hold], bool],
    sure: Callable[[Hold], float],
    rule: str = "occlusion",
) -> Sequence[Finding]:
    """A finding for each occlusion that shows it."""
    return [
        Finding(
            kind=kind,
            breath=hold.breath,
            start_s=hold.at_s - hold.duration_s,
            end_s=hold.at_s,
            confidence=sure(hold),
            evidence=f"Against the closed airway {_told(hold)}.",
            rule=rule,
            rule_version=version,
            values=tuple((key, value) for key in KEYS if (value := getattr(hold, key)) is not None),
        )
        for hold in seen.known.holds
        if hold.duration_s >= LEAST_S and shows(hold)
    ]


def _told(hold: Hold) -> str:
    words = []
    if hold.p01_cmh2o is not None:
        words.append(f"pressure fell by {quantity(KEYS[0]).text(hold.p01_cmh2o)} in 0.1 s")
    if hold.occlusion_swing_cmh2o is not None and hold.occlusion_effort_cmh2o is not None:
        words.append(
            f"it fell by {-hold.occlusion_swing_cmh2o:.1f} cmH2O in all, which stands for a muscle pressure of "
            f"{quantity(KEYS[1]).text(hold.occlusion_effort_cmh2o)}"
        )
    return "; ".join(words)


def in_trigger_phases(kind: str, version: int, seen: Seen, outside: pl.Expr) -> Sequence[Finding]:
    """Runs of breaths whose trigger phase lasted long enough to read P0.1."""
    values = seen.known.column("p01")
    if len(values) != seen.breaths.height:
        return []
    breaths = seen.breaths.with_columns(pl.Series("p01_cmh2o", values, nan_to_null=True))
    return each_run(
        kind,
        ("trigger phase", version),
        breaths.filter(outside),
        "p01_cmh2o",
        SURE_OF_SOME,
        lambda n, middle: (
            f"In {n} breaths in a row pressure falls by {quantity('p01_cmh2o').text(middle)} in 0.1 s "
            "before the trigger lets gas flow."
        ),
    )
