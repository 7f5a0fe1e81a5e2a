"""How much of each pixel of a panel a curve covers: told by its colour against what lies behind it.

A drawn line mixes with its background: pixel = (1 − c) background + c ink, with c the covered share. The background is
followed from place to place, so that uneven light and coloured areas count as background.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

Colours = npt.NDArray[np.float32]
Shares = npt.NDArray[np.float32]
Ground = Callable[[Shares], Shares]

_BLOCK = 16  # pixels of a block whose median colour is background
_STRAY = 0.35  # distance from the line between background and ink, as a share of it, that halves what counts
_TINT, _AROUND = 0.15, 5  # the same of all ink in a square of so many pixels: two pens of colours that are near
_STRONGEST = 1.15  # times the ink, beyond which a pixel is something else
_RULED = 0.9  # share of a row or column that has ink all along before it is a ruled line
_HIDES = 0.5  # ink all along a row or column from which on a curve can't be told from it
_FAINT = 24.0  # of 255: less contrast than this is no curve
_FEWEST_COLUMNS = 0.2  # share of the columns in which a curve's colour has to be seen
_BARE = 0.05  # share of a panel that is bare ground at least, and share that is filled
_EVEN, _ASIDE = 0.04, 0.25  # by how much grounds differ that are one, and how far off the line a filled one may lie
_LEAST_FILL, _MOST_FILL = 0.08, 0.7  # less is uneven light, more leaves nothing to see
_WIDER = 9  # pixels, wider than a pen: what is less wide is a line, and no filled area


@dataclass(frozen=True)
class Ink:
    """Covered share of each pixel, shape (rows, columns), and the ink's colour against its background."""

    share: Shares
    contrast: Colours
    noise: float


def background(pixels: Colours) -> Colours:
    """The colour behind lines at each pixel: medians of blocks, of their neighbours, and smoothly between."""
    from scipy import ndimage

    rows, columns = pixels.shape[:2]
    tall, wide = max(1, rows // _BLOCK), max(1, columns // _BLOCK)
    cut = pixels[: tall * (rows // tall), : wide * (columns // wide)]
    blocks = cut.reshape(tall, rows // tall, wide, columns // wide, 3).transpose(0, 2, 1, 3, 4)
    middles = np.median(blocks.reshape(tall, wide, -1, 3), axis=2)
    middles = ndimage.median_filter(middles, (5, 5, 1), mode="nearest")
    y = (np.arange(rows) + 0.5) * tall / rows - 0.5
    x = (np.arange(columns) + 0.5) * wide / columns - 0.5
    behind = np.empty_like(pixels)
    for band in range(3):
        behind[..., band] = _between(middles[..., band], y, x)
    return behind


def _between(coarse: Colours, y: npt.NDArray[np.float64], x: npt.NDArray[np.float64]) -> Colours:
    """Bilinear values of a coarse grid at rows ``y`` and columns ``x``, held at its edges."""
    rows = np.clip(y, 0, coarse.shape[0] - 1)
    columns = np.clip(x, 0, coarse.shape[1] - 1)
    above, before = np.floor(rows).astype(int), np.floor(columns).astype(int)
    below, after = np.minimum(above + 1, coarse.shape[0] - 1), np.minimum(before + 1, coarse.shape[1] - 1)
    down, along = (rows - above)[:, None], (columns - before)[None, :]
    upper = coarse[above][:, before] * (1 - along) + coarse[above][:, after] * along
    lower = coarse[below][:, before] * (1 - along) + coarse[below][:, after] * along
    between: Colours = (upper * (1 - down) + lower * down).astype(np.float32)
    return between


def inks_of(pixels: Colours, colour: Colours | None = None) -> tuple[Ink, ...]:
    """The ink of the curve in a panel, read in one way or more; none where nothing stands out.

    Beside a filled area there are two grounds, and the curve stands out from one more than from the other: then it is
    also read with the contrast that each pixel's own ground leaves. Whichever way a curve is better seen in is right.

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns, 3)
        Red, green, blue, 0 to 255.
    colour : ndarray, shape (3,), optional
        The curve's colour, as nearly as a person can say it; the strongest in the panel otherwise.
    """
    behind = background(pixels)
    differs = pixels - behind
    strength = np.sqrt((differs**2).sum(axis=2))
    noise = float(np.median(strength)) + 1.0
    ruled = _ruled(strength > max(_FAINT, 3 * noise))
    if colour is None:
        wanted = _strongest(differs, np.where(ruled, np.float32(0), strength), noise)
    else:
        wanted = (colour - np.median(behind, axis=(0, 1))).astype(np.float32)
    if wanted is None:
        return ()
    contrast = _refined(differs, (~ruled).astype(np.float32), wanted)
    if contrast is None:
        return ()
    plain = (contrast, covered(differs, contrast, 0.0))
    return tuple(
        Ink(without_rules(share), against, noise / float(np.linalg.norm(against)))
        for against, share in (plain, *_over_fills(differs, behind, contrast))
    )


def ink_of(pixels: Colours, colour: Colours | None = None) -> Ink | None:
    """The first way to read it: against one ground; None where nothing stands out."""
    return next(iter(inks_of(pixels, colour)), None)


def _over_fills(differs: Colours, behind: Colours, contrast: Colours) -> list[tuple[Colours, Shares]]:
    """Contrast against the bare ground and the shares of ink beyond what an area is filled with, where one is.

    A filled area is ground with some of the ink's colour: it lies on the line from ground to ink. The contrast that was
    found is the one against the filled area, or the one against bare ground: both are tried.
    """
    length = float(np.linalg.norm(contrast))
    along = behind @ (contrast / length**2)
    bare = float(np.quantile(along, _BARE))
    ground = np.median(behind[along <= bare + _EVEN], axis=0)
    filled = np.clip(along - bare, 0, None)
    aside = np.sqrt(np.maximum(((behind - ground) ** 2).sum(axis=2) / length**2 - (along - bare) ** 2, 0.0))
    filled = np.where(aside <= np.maximum(_EVEN, _ASIDE * filled), filled, 0.0)
    full = float(np.quantile(filled, 1 - _BARE))
    if full < _LEAST_FILL:
        return []
    return [
        (
            against,
            covered(differs, against, (filled / times).astype(np.float32), partial(_filled, full=full / times)),
        )
        for times in (1.0 + full, 1.0)
        for against in (contrast * times,)
    ]


def _ruled(seen: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Pixels on rows and columns that have something all along: grid lines, frames, a cursor."""
    rows = seen.mean(axis=1) > _RULED
    columns = seen.mean(axis=0) > _RULED
    ruled: npt.NDArray[np.bool_] = rows[:, None] | columns[None, :]
    return ruled


def _strongest(differs: Colours, strength: Shares, noise: float) -> Colours | None:
    """The colour difference that most columns have at their strongest pixel."""
    rows = strength.argmax(axis=0)
    columns = np.arange(strength.shape[1])
    strong = strength[rows, columns]
    seen = strong > max(_FAINT, 5 * noise)
    if seen.mean() < _FEWEST_COLUMNS:
        return None
    found = differs[rows, columns][seen]
    bins = np.round(found / 40).astype(int)
    kinds, which, counts = np.unique(bins, axis=0, return_inverse=True, return_counts=True)
    weight = counts * np.linalg.norm(kinds, axis=1)
    chosen: Colours = np.median(found[which.ravel() == weight.argmax()], axis=0)
    return chosen


def covered(differs: Colours, contrast: Colours, behind: Shares | float, ground_of: Ground | None = None) -> Shares:
    """Share of ink in each pixel, less where its colour lies off the line from background to ink.

    ``behind`` is how much of the ink the background holds; ``ground_of`` tells from the ink in each pixel how much of
    it is that of a filled area.
    """
    length = float(np.linalg.norm(contrast))
    share: Shares = differs @ (contrast / length**2)
    stray = np.sqrt(np.maximum((differs**2).sum(axis=2) / length**2 - share**2, 0.0))
    other = np.minimum(stray / np.maximum(share, 0.5), _tint(differs / length, contrast / length, share))
    if ground_of is not None:
        inked: Shares = (share + behind).astype(np.float32)
        ground = ground_of(inked)
        share, stray = (inked - ground) / (1 - ground), stray / (1 - ground)
    stray = np.hypot(stray, np.maximum(share - _STRONGEST, 0.0))
    off = (stray / _STRAY) ** 4 + (other / _TINT) ** 4
    found: Shares = (np.clip(share, 0, 1.1) / (1 + off)).astype(np.float32)
    return found


def _filled(inked: Shares, full: float) -> Shares:
    """How much of the ink in each pixel is a filled area's, which has ``full`` of it.

    Blocks tell it, and lag where an area ends or is narrow. Its edge is that of what is left of all fainter ink by an
    opening with a square wider than a pen (what the white top-hat transform takes off: Serra, 1982), as far as the area
    can be filled.
    """
    from scipy import ndimage

    pen = inked > (1 + full) / 2
    ground = ndimage.grey_opening(np.where(pen, 0.0, inked), (_WIDER, _WIDER))
    around = np.where(pen, ndimage.maximum_filter(ground, 3), ground).clip(0.0, min(full, _MOST_FILL))
    return np.asarray(around, np.float32)


def _tint(differs: Colours, contrast: Colours, share: Shares) -> Shares:
    """By how much the ink around each pixel is of another colour, as a share of it.

    A compressed picture keeps colours for blocks of pixels: a thin line lies aside pixel by pixel, not as a whole.
    """
    from scipy import ndimage

    inked = np.maximum(share, 0.0)
    weight = ndimage.uniform_filter(inked**2, _AROUND)
    aside = [
        ndimage.uniform_filter(inked * (differs[..., band] - share * contrast[band]), _AROUND) for band in range(3)
    ]
    tint: Shares = np.sqrt(sum(part**2 for part in aside)) / np.maximum(weight, 1e-3)
    return tint


def _refined(differs: Colours, allowed: Shares, wanted: Colours) -> Colours | None:
    """The difference in the pixels that match best, column by column; None where too few do."""
    if float(np.linalg.norm(wanted)) < _FAINT / 2:
        return None
    contrast = wanted.astype(np.float32)
    for _ in range(2):
        length = float(np.linalg.norm(contrast))
        along = differs @ (contrast / length)
        stray = np.sqrt(np.maximum((differs**2).sum(axis=2) - along**2, 0.0))
        match = np.where((along > 0.3 * length) & (along < 1.6 * length), along - stray, 0.0) * allowed
        rows, columns = match.argmax(axis=0), np.arange(match.shape[1])
        seen = match[rows, columns] > 0.2 * length
        if seen.mean() < 0.5 * _FEWEST_COLUMNS:
            return None
        contrast = np.median(differs[rows, columns][seen], axis=0).astype(np.float32)
    return contrast if float(np.linalg.norm(contrast)) >= _FAINT / 2 else None


def without_rules(share: Shares) -> Shares:
    """Lines that run all along a row or a column taken off: what most of their pixels hold."""
    for axis in (1, 0):
        level = np.quantile(share, 1 - _RULED, axis=axis, keepdims=True)
        share = np.where(level > _HIDES, 0.0, np.clip((share - level) / np.maximum(1 - level, _HIDES), 0, 1.1))
    return share
