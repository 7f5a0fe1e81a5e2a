"""Weak effort: the patient begins breaths and hardly works for them."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.drive import LOW, in_occlusions, in_trigger_phases
from tidebench.findings.grades import graded
from tidebench.findings.seen import Seen
from tidebench.records import Finding, Hold

KIND = "weak-effort"
VERSION = 1

ABOUT = About(
    seen="An occlusion, or at least 5 trigger phases of 0.1 s or more in a row, with P0.1 of at most 1.0 cmH2O.",
    source="Telias, Am J Respir Crit Care Med 2020;201:1086: 1.0 found low effort with a sensitivity of 100 % and a "
    "specificity of 92 %; many teach 1.5, which is not the published cut",
    behind="More support than the patient needs, sedation, a low PaCO2, weak muscles; trapped gas that hides the "
    "beginning of an effort.",
    further="Level of support, sedation, PaCO2; another occlusion, since one alone varies.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Occlusions and trigger phases with a small P0.1."""
    return [
        *in_occlusions(KIND, VERSION, seen, lambda hold: hold.p01_cmh2o is not None and hold.p01_cmh2o <= LOW, weak),
        *in_trigger_phases(KIND, VERSION, seen, pl.col("p01_cmh2o") <= LOW),
    ]


def weak(hold: Hold) -> float:
    """The grade of an occlusion: the further below the limit, the surer."""
    return graded(LOW - (hold.p01_cmh2o or 0.0), LOW)
