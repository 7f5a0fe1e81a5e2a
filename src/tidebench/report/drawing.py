"""A sheet for figures: measured in millimetres, drawn with the object interface, handed on as SVG text."""

from __future__ import annotations

import io
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

from tidebench.report.palette import FAINT, GREY, INK
from tidebench.report.typesetting import subscripts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_MM = 170.0
INCH_MM = 25.4
MEASURING_FONT, PRINTED_FONT = "STIXGeneral", "Libertinus Serif"
"""The printed font comes with the typesetter only; a font of nearly the same widths stands in while text is placed."""

RC: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "tidebench",
    "path.simplify": True,
    "font.family": MEASURING_FONT,
    "font.size": 8.5,
    "axes.labelsize": 8.5,
    "axes.titlesize": 8.5,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "legend.fontsize": 8.5,
    "text.color": INK,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "grid.color": FAINT,
    "grid.linewidth": 0.35,
    "lines.linewidth": 1.0,
    "hatch.linewidth": 0.45,
}


def drawing() -> AbstractContextManager[None]:
    """The house's style, while a figure is drawn and saved."""
    import matplotlib as mpl

    return mpl.rc_context(RC)


class Sheet:
    """A figure of the text's width; places are millimetres from its top left corner."""

    def __init__(self, height_mm: float, width_mm: float = WIDTH_MM) -> None:
        from matplotlib.figure import Figure

        self.width_mm, self.height_mm = width_mm, height_mm
        self.figure = Figure(figsize=(width_mm / INCH_MM, height_mm / INCH_MM))

    def axes(self, left: float, top: float, width: float, height: float, *, share: Axes | None = None) -> Axes:
        """Axes at a place, their time axis shared with others where asked."""
        box = (
            left / self.width_mm,
            1 - (top + height) / self.height_mm,
            width / self.width_mm,
            height / self.height_mm,
        )
        axes: Axes = self.figure.add_axes(box, sharex=share)
        axes.grid(True, axis="y")
        axes.set_axisbelow(True)
        axes.locator_params(axis="y", nbins=4)
        return axes

    def svg(self) -> str:
        """The figure as SVG, text kept as text in the printed font."""
        text = io.StringIO()
        self.figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
        return subscripts(text.getvalue().replace(MEASURING_FONT, PRINTED_FONT))


def head(axes: Axes, text: str) -> None:
    """What an axis shows, above its upper left corner, level with the words of the page."""
    axes.annotate(
        text,
        (0, 1),
        xycoords="axes fraction",
        xytext=(0, 4),
        textcoords="offset points",
        ha="left",
        va="bottom",
        annotation_clip=False,
    )
