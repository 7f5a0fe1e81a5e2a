"""Carbon dioxide over expired volume, drawn: the curve, its line and its upright."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tidebench.quantities import quantity
from tidebench.report.drawing import WIDTH_MM, Sheet, drawing, head
from tidebench.report.figures import Picture
from tidebench.report.palette import BLUE, GREY, INK, RED

if TYPE_CHECKING:
    from tidebench.views.capnogram import CapnogramPage

LEFT, RIGHT, HEAD, HEIGHT = 13.0, 48.0, 7.0, 44.0  # mm


def capnogram_figure(page: CapnogramPage) -> Picture:
    """PCO2 over expired volume of one breath, with the areas that the upright makes equal."""
    dead, end, (low, high) = page.dead_space_ml, page.expired_ml, page.line_mmhg
    with drawing():
        sheet = Sheet(HEIGHT + HEAD + 10)
        axes = sheet.axes(LEFT, HEAD, WIDTH_MM - LEFT - RIGHT, HEIGHT)
        head(axes, f"{quantity('co2').label}, {quantity('co2').unit}")
        volume, pco2 = page.volume_ml, page.pco2_mmhg
        line = low + (high - low) * (volume - dead) / (end - dead)
        axes.fill_between(volume, 0, pco2, where=volume <= dead, color=RED, alpha=0.25, linewidth=0)
        axes.fill_between(
            volume, pco2, line, where=(volume >= dead) & (pco2 < line), color=RED, alpha=0.25, linewidth=0
        )
        axes.plot(volume, pco2, color=INK, label="recorded")
        axes.plot([dead, end], [low, high], "--", color=BLUE, label="alveolar line")
        axes.plot([dead, dead], [0, low], color=RED, label="airway dead space")
        axes.axhline(page.mixed_mmhg, color=GREY, linewidth=0.8, linestyle=":", label="mixed expired")
        axes.set_xlim(0, end)
        axes.set_ylim(0, 1.1 * float(np.max([high, low, *pco2])))
        axes.set_xlabel("expired volume, mL")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False)
        words = (
            f"PCO2 over expired volume: next to none up to {dead:.0f} mL, then {low:.1f} to {high:.1f} mmHg at "
            f"{end:.0f} mL; mixed expired {page.mixed_mmhg:.1f} mmHg."
        )
        return Picture(sheet.svg(), words)
