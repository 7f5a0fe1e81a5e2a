"""An interval on the case clock.

::

    0 s                     start_s          end_s
    |------------------------[================)----->   time
    first sample of the
    first recording
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Interval:
    """From ``start_s`` (included) to ``end_s`` (excluded), seconds on the case clock."""

    start_s: float
    end_s: float

    def __post_init__(self) -> None:
        if not self.end_s >= self.start_s:
            raise ValueError(f"an interval ends after it starts, not at {self.end_s} s after {self.start_s} s")

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s

    def overlaps(self, other: Interval) -> bool:
        """True where the two share time."""
        return self.start_s < other.end_s and other.start_s < self.end_s

    def __contains__(self, time_s: float) -> bool:
        return self.start_s <= time_s < self.end_s
