"""The live bench: a virtual patient that breathes while somebody watches, changes and goes back.

::

    scenario as said ─► simulation.live ─► frames (what is drawn) ─┐
         ▲                    └► record so far ─► review ─► numbers, findings
         └ settings, manoeuvres, events of now; a moment gone back to begins another line
"""

from __future__ import annotations

from tidebench.bench.bench import BANDS, Bench, Frame, Line
from tidebench.bench.measured import Measured, measured

__all__ = ["BANDS", "Bench", "Frame", "Line", "Measured", "measured"]
