"""A second curve of another colour in a panel whose curve's colour nobody told: what was followed, and what was left.

Beside the curve that was traced, pixels that stand out as much as half of its own, of a colour off the line from its
ground to it, in most of the columns: that is no letter, no cursor and no grid.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.pictures.ink import background
from tidebench.pictures.trace import Curve

Pixels = npt.NDArray[np.float32]

COLUMNS = 0.5
"""Share of the columns in which another colour has to be seen."""
STRONG, OFF = 0.5, 0.2
"""Share of the curve's own contrast that counts, and share of a pixel's own that lies aside of the curve's colour."""
BESIDE_PX = 4
"""Pixels around the curve's own ink that are left out: there a compressed file smears colours."""
ALL_ALONG = 0.9
"""Share of a row or column from which on it is a ruled line (all this house's)."""


def left_out(pixels: Pixels, curve: Curve) -> tuple[str, str] | None:
    """Colours as ``#rrggbb`` of the curve and of another beside it; None where there is none in most columns.

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns, 3)
        Red, green, blue, 0 to 255, of the panel.
    curve : Curve
        As it was traced in it.
    """
    from scipy import ndimage

    known = np.isfinite(curve.row)
    if not known.any():
        return None
    at = curve.row[known].round().astype(int).clip(0, len(pixels) - 1), curve.column[known].round().astype(int)
    differs = pixels - background(pixels)
    own = np.median(differs[at], axis=0)
    length = max(1.0, float(np.linalg.norm(own)))
    strength = np.sqrt((differs**2).sum(axis=2))
    along = differs @ (own / length)
    aside = np.sqrt(np.maximum(strength**2 - along**2, 0.0))
    strong = strength > STRONG * length
    ruled = (strong.mean(axis=1) > ALL_ALONG)[:, None] | (strong.mean(axis=0) > ALL_ALONG)[None, :]
    mine = ndimage.binary_dilation(strong & (aside <= OFF * strength), iterations=BESIDE_PX)
    other = strong & ~mine & ~ruled & ((aside > OFF * strength) | (along < 0))
    if other.any(axis=0).mean() < COLUMNS:
        return None
    return _hex(np.median(pixels[at], axis=0)), _hex(np.median(pixels[other], axis=0))


def _hex(colour: npt.NDArray[np.float32]) -> str:
    return "#" + "".join(f"{round(float(part)):02x}" for part in colour)
