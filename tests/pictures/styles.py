"""How a plain chart looks: everything that is drawn at random about it, and nothing of any device."""

from __future__ import annotations

import colorsys
from dataclasses import dataclass

import numpy as np

SIZES = ((1920, 1080), (1600, 900), (1280, 720), (1024, 768), (1200, 1600))
QUANTITIES = ("airway_pressure", "flow", "volume")
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Style:
    """A chart: its size in pixels, its panels, and how curves, grid and text are drawn."""

    size: tuple[int, int]
    panels: tuple[str, ...]
    left: float
    right: float
    spacing: float
    seconds: float
    paper: Colour
    ground: Colour
    ink: Colour
    grid: str
    grid_shade: float
    colours: tuple[Colour, ...]
    width_px: float
    smooth: bool
    fill: float
    frame: bool
    text_inside: bool
    cursor: bool
    second_curve: bool
    bar: float
    head: float

    @property
    def sweeping(self) -> bool:
        """True where the display wraps round, with an erase bar."""
        return self.bar > 0


def _grey(rng: np.random.Generator, dark: bool) -> Colour:
    level = rng.uniform(0.0, 0.16) if dark else rng.uniform(0.88, 1.0)
    tint = rng.uniform(-0.02, 0.02, 3) + level
    return tuple(float(v) for v in np.clip(tint, 0, 1))  # type: ignore[return-value]


def draw_style(rng: np.random.Generator) -> Style:
    """A style of its own."""
    dark = bool(rng.random() < 0.5)
    paper, ground = _grey(rng, dark), _grey(rng, dark)
    hues = rng.uniform(0, 1) + np.arange(4) / 4 + rng.uniform(-0.08, 0.08, 4)
    mono = rng.random() < 0.15
    plain = (0.95, 0.95, 0.95) if dark else (0.05, 0.05, 0.05)
    value, saturation = (rng.uniform(0.85, 1.0), rng.uniform(0.45, 1)) if dark else (rng.uniform(0.3, 0.75), 0.95)
    colours = tuple(plain if mono else colorsys.hsv_to_rgb(h % 1, saturation, value) for h in hues)
    sweeping = bool(rng.random() < 0.3)
    return Style(
        size=SIZES[int(rng.integers(len(SIZES)))],
        panels=QUANTITIES[: 2 + int(rng.random() < 0.7)],
        left=float(rng.uniform(0.05, 0.1)),
        right=float(rng.uniform(0.75, 0.97)),
        spacing=float(rng.uniform(0.15, 0.4)),
        seconds=float(rng.choice([15.0, 20.0, 24.0, 30.0])),
        paper=paper,
        ground=ground,
        ink=plain,
        grid=str(rng.choice(["none", "solid", "dashed", "dotted"])),
        grid_shade=float(rng.uniform(0.08, 0.35)),
        colours=colours,
        width_px=float(rng.uniform(1.0, 4.0)),
        smooth=bool(rng.random() < 0.85),
        fill=float(rng.uniform(0.1, 0.4)) if rng.random() < 0.2 else 0.0,
        frame=bool(rng.random() < 0.7),
        text_inside=bool(rng.random() < 0.4),
        cursor=bool(rng.random() < 0.25),
        second_curve=bool(rng.random() < 0.2) and not mono,
        bar=float(rng.uniform(0.02, 0.05)) if sweeping else 0.0,
        head=float(rng.uniform(0.25, 0.75)),
    )
