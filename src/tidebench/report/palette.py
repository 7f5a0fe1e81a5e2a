"""One colour-blind-safe palette, with a pattern and a letter for every colour.

Paul Tol's high-contrast scheme (P. Tol, Colour Schemes, SRON/EPS/TN/09-002): three colours that stay apart for every
kind of colour vision and in grey.
"""

from __future__ import annotations

from dataclasses import dataclass

BLUE, YELLOW, RED = "#004488", "#DDAA33", "#BB5566"
INK, GREY, PALE, FAINT = "#1A1A1A", "#767676", "#C4C4C4", "#E4E4E4"


@dataclass(frozen=True, slots=True)
class Style:
    """How one thing is drawn: its colour, and what tells it apart without colour."""

    colour: str
    hatch: str = ""
    marker: str = "o"
    line: str = "-"
    tint: float = 0.0

    @property
    def fill(self) -> str:
        """The colour mixed with white, for areas."""
        channels = (int(self.colour[i : i + 2], 16) for i in (1, 3, 5))
        return "#" + "".join(f"{round(255 - (255 - c) * self.tint):02X}" for c in channels)


BANDS = {
    "start": Style(GREY, hatch="", tint=0.28),
    "elastic": Style(BLUE, hatch="////", tint=0.34),
    "resistive": Style(YELLOW, hatch="....", tint=0.60),
    "muscle": Style(RED, hatch="\\\\\\\\", tint=0.34),
}
"""Bands of the pressure account."""

SERIES = (
    Style(INK, marker="^", line="-"),
    Style(RED, marker="s", line="--"),
    Style(BLUE, marker="o", line="-"),
    Style(GREY, marker="_", line=":"),
)
"""Series that share a panel, in order."""
