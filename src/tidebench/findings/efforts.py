"""Efforts that the ventilator did not answer: ineffective, within an inflation, or called for by it.

An effort is named by what became of it (:func:`tidebench.interaction.outcomes`); one that is locked in time to timed
inflations is a reverse trigger whatever else it did.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tidebench.findings.published import Values
from tidebench.findings.seen import Flags, Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

VERSION = 2
SURE_CMH2O = 3.0
"""Peak of an effort from which the airway shows it well: a fall of 0.5 cmH2O with a change of flow is Thille's sign
(Intensive Care Med 2006;32:1515), and noise and heartbeat are of that size."""


def _confidence(peak: float, source: str) -> float:
    """How sure an effort is: by an oesophageal signal nearly, by the airway the more the stronger it is."""
    return 0.95 if source == "oesophageal" else float(0.55 + 0.4 * min(1.0, peak / SURE_CMH2O))


def each(
    seen: Seen,
    which: Flags,
    kind: str,
    rule: str,
    words: Callable[[int], str],
    further: Callable[[int], Values] = lambda _at: (),
) -> Sequence[Finding]:
    """A finding for each of the efforts ``which``, with its size and ``further`` values in the evidence."""
    rows = seen.efforts.filter(which)
    return [
        Finding(
            kind=kind,
            breath=int(row["breath"]),
            start_s=float(row["start_s"]),
            end_s=float(row["end_s"]),
            confidence=_confidence(float(row["peak_cmh2o"]), row["source"]),
            evidence=words(at),
            rule=rule,
            rule_version=VERSION,
            values=(("effort_cmh2o", float(row["peak_cmh2o"])), *further(at)),
        )
        for at, row in zip(np.flatnonzero(which).tolist(), rows.iter_rows(named=True), strict=True)
    ]


def peak(seen: Seen, at: int) -> str:
    """The size of an effort, in words."""
    return quantity("effort_cmh2o").text(float(seen.efforts["peak_cmh2o"][at]))
