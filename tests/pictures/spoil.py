"""What happens to a chart on its way: resampling, compression, and a photograph's perspective, noise and glare."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageFilter

Points = npt.NDArray[np.float64]
TWELVE_MEGAPIXELS = (4000, 3000)


def compressed(image: Image.Image, quality: int) -> Image.Image:
    """Through JPEG and back."""
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality)
    return Image.open(io.BytesIO(out.getvalue())).convert("RGB")


def homography(source: Points, target: Points) -> Points:
    """The 3 by 3 matrix that takes four points to four others (eight linear equations)."""
    rows, right = [], []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.append(np.linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)


def photographed(
    image: Image.Image, rng: np.random.Generator, size: tuple[int, int] = (2400, 1800)
) -> tuple[Image.Image, Points]:
    """A photograph of a chart on a screen, and where its four corners came to lie (clockwise from the top left)."""
    width, height = size
    scale = 0.78 * min(width / image.width, height / image.height)
    half = np.array([image.width, image.height]) * scale / 2
    middle = np.array([width, height]) / 2
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    angle = rng.uniform(-0.06, 0.06)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = middle + square @ turn.T + rng.uniform(-0.05, 0.05, (4, 2)) * half
    edges = np.array([[-0.5, -0.5], [image.width - 0.5, -0.5], [image.width - 0.5, image.height - 0.5],
                      [-0.5, image.height - 0.5]])  # fmt: skip
    back = homography(corners, edges)
    centres = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])  # Pillow counts from pixel edges
    matrix = np.linalg.inv(centres) @ back @ centres
    matrix /= matrix[2, 2]
    taken = image.transform(size, Image.Transform.PERSPECTIVE, tuple(matrix.ravel()[:8]), Image.Resampling.BICUBIC)
    inside = Image.new("L", image.size, 255).transform(
        size, Image.Transform.PERSPECTIVE, tuple(matrix.ravel()[:8]), Image.Resampling.BILINEAR
    )
    wall = Image.new("RGB", size, tuple(int(v) for v in rng.integers(90, 150, 3)))
    wall.paste(taken, mask=inside)
    return Image.fromarray(
        _light(np.asarray(wall.filter(ImageFilter.GaussianBlur(rng.uniform(0.4, 1.2)))), rng)
    ), corners


def _light(pixels: npt.NDArray[np.uint8], rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """Uneven light, a reflection, the sensor's noise, and the stripes of one grid seen through another."""
    height, width = pixels.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    y, x = y / height, x / width
    gain = 0.85 + rng.uniform(-0.15, 0.15) * (x - 0.5) + rng.uniform(-0.15, 0.15) * (y - 0.5)
    at, wide = rng.uniform(0.2, 0.8, 2), rng.uniform(0.1, 0.3)
    glare = rng.uniform(0, 70) * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * wide**2))
    stripes = rng.uniform(0, 4) * np.sin(2 * np.pi * (x * rng.uniform(20, 120) + y * rng.uniform(20, 120)))
    noise = rng.normal(0, rng.uniform(1, 5), (height, width, 3)).astype(np.float32)
    lit = pixels * gain[..., None] + (glare + stripes)[..., None] + noise
    lit_bytes: npt.NDArray[np.uint8] = np.clip(lit, 0, 255).astype(np.uint8)
    return lit_bytes
