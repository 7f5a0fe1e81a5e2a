"""The parts of reading a picture, each against what can be worked out by hand."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageDraw
from scipy import ndimage

from tidebench.errors import PictureError
from tidebench.pictures.agreement import agreement_of, mended
from tidebench.pictures.areas import area_of, curve_in
from tidebench.pictures.axes import Axes, axes_from, load_axes
from tidebench.pictures.colours import left_out
from tidebench.pictures.ink import ink_of, inks_of
from tidebench.pictures.loops import JOULE, trace_loop
from tidebench.pictures.opening import Opened
from tidebench.pictures.propose import proposal, propose_panels
from tidebench.pictures.read import straightened
from tidebench.pictures.slope import with_slope, without_jumps
from tidebench.pictures.straighten import aslant, find_corners, homography, rectangle, straight, through
from tidebench.pictures.sweep import find_bar, unrolled
from tidebench.pictures.trace import best_of, trace
from tidebench.pictures.turns import turns_of
from tidebench.recording import Recording, Uncertainty

Values = npt.NDArray[np.float64]
LEAST: dict[str, Any] = {
    "quantity": "flow", "unit": "L/min", "box": [10, 10, 400, 200], "values": [[180, 0], [20, 60]], "sweep_s": 12,
}  # fmt: skip
LOOP: dict[str, Any] = {
    "kind": "loop", "quantity": "volume", "unit": "mL", "box": [0, 0, 399, 299], "values": [[250, 0], [50, 500]],
    "across": "airway_pressure", "across_unit": "cmH2O", "across_values": [[50, 0], [350, 30]],
}  # fmt: skip


def axes(**changes: Any) -> Axes:
    """Axes of one panel, changed."""
    return axes_from({"panel": [{**LEAST, **changes}]})


def test_axes_of_one_panel_are_read(tmp_path: Path) -> None:
    (tmp_path / "axes.toml").write_text(
        'title = "ward"\n[[panel]]\nquantity = "flow"\nunit = "L/s"\nbox = [0, 0, 300, 100]\n'
        'values = [[90, -1], [10, 1]]\ntimes = [[0, 0], [300, 10.5]]\ncolour = "#1f77b4"\n',
        encoding="utf-8",
    )
    panel = load_axes(tmp_path / "axes.toml").panels[0]
    assert (panel.unit, panel.times, panel.size) == ("L/s", ((0, 0), (300, 10.5)), (300, 100))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"quantity": "flux"}, "quantity 'flux'"),
        ({"quantity": "peak_pressure_cmh2o", "unit": "cmH2O"}, "one of airway_pressure, flow"),
        ({"unit": "cmH2O"}, "a unit of flow, such as L/min"),
        ({"unit": "furlong"}, "furlong"),
        ({"box": [10, 10, 12, 200]}, r"left, top, right, bottom\], 16 pixels"),
        ({"values": [[180, 0], [180, 60]]}, "lie apart in both"),
        ({"values": [[180, "?"], [20, 60]]}, r"is '\?'. Expected: a number"),
        ({"sweep_s": None}, "either times"),
        ({"times": [[0, 0], [100, 4]]}, "either times"),
        ({"sweep_s": None, "times": [[100, 0], [0, 4]]}, "seconds that grow to the right"),
        ({"colour": "blue"}, "hexadecimal"),
        ({"kind": "loop"}, "without its other axis"),
        ({"sweep": 12}, "no such key.*Nearest: sweep_s"),
    ],
)
def test_axes_that_cannot_be_are_refused_by_key(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(PictureError, match=says):
        axes(**changes)


def test_arrangements_that_cannot_be_are_refused() -> None:
    with pytest.raises(PictureError, match="flow twice"):
        axes_from({"panel": [LEAST, LEAST]})
    pressure = {**LEAST, "quantity": "airway_pressure", "unit": "cmH2O", "sweep_s": LEAST["sweep_s"] / 2}
    with pytest.raises(PictureError, match="one above the other whose clocks differ"):
        axes_from({"panel": [LEAST, pressure]})
    left, top, right, bottom = LEAST["box"]
    beside = {**pressure, "box": [right + 5, top, 2 * right - left + 5, bottom]}
    assert len(axes_from({"panel": [LEAST, beside]}).panels) == 2
    with pytest.raises(PictureError, match="only one of corners and size"):
        axes_from({"panel": [LEAST], "corners": "find"})
    with pytest.raises(PictureError, match="is missing"):
        axes_from({"title": "no panel"})


def test_a_homography_takes_its_four_points_to_the_others_and_keeps_lines_straight() -> None:
    source = np.array([[0, 0], [100, 0], [100, 50], [0, 50]], dtype=float)
    target = np.array([[12, 9], [210, 30], [190, 160], [5, 120]], dtype=float)
    matrix = homography(source, target)
    assert through(matrix, source) == pytest.approx(target)
    on = through(matrix, np.array([[0, 20], [50, 20], [100, 20]], dtype=float))
    (ax, ay), (bx, by), (cx, cy) = on
    assert (bx - ax) * (cy - ay) - (by - ay) * (cx - ax) == pytest.approx(0, abs=1e-6)


def test_corners_of_a_screen_are_found_to_a_pixel_and_straightening_restores_it() -> None:
    wall = Image.new("RGB", (1600, 1200), (120, 115, 110))
    corners = [(230.0, 180.0), (1380.0, 240.0), (1330.0, 980.0), (260.0, 930.0)]
    large = wall.resize((6400, 4800))  # drawn four times as large, so that its edges are smooth
    ImageDraw.Draw(large).polygon([(4 * x + 1.5, 4 * y + 1.5) for x, y in corners], fill=(15, 20, 30))
    picture = large.resize(wall.size, Image.Resampling.BOX)
    found, bend = find_corners(picture, "screen")
    assert bend == 0
    assert np.abs(found - np.array(corners)).max() < 1.0
    flat = np.asarray(straight(picture, corners, (800, 500), "screen"), dtype=float)
    assert np.abs(flat[3:-3, 3:-3] - (15, 20, 30)).max() < 6


@pytest.mark.parametrize("corner", range(4))
def test_a_corner_that_a_reflection_hides_is_found_by_the_edges_beside_it(corner: int) -> None:
    """A reflection as bright as the wall lies over one corner: the mask of what stands out is cut off aslant there."""
    corners = np.array([(230.0, 180.0), (1380.0, 240.0), (1330.0, 980.0), (260.0, 930.0)])
    large = Image.new("RGB", (6400, 4800), (120, 115, 110))
    ImageDraw.Draw(large).polygon([(4 * x + 1.5, 4 * y + 1.5) for x, y in corners], fill=(15, 20, 30))
    shown = np.asarray(large.resize((1600, 1200), Image.Resampling.BOX), dtype=float)
    beside = [corners[corner] + 0.4 * (corners[k] - corners[corner]) for k in ((corner - 1) % 4, (corner + 1) % 4)]
    outward = 0.1 * (corners[corner] - corners.mean(axis=0))
    around = [beside[0], beside[0] + outward, corners[corner] + outward, beside[1] + outward, beside[1]]
    cover = Image.new("L", (1600, 1200))
    ImageDraw.Draw(cover).polygon([tuple(point) for point in around], fill=255)
    hides = ndimage.gaussian_filter(np.asarray(cover, dtype=float) / 255, 6.0)[..., None]
    picture = Image.fromarray((shown + hides * ((120, 115, 110) - shown)).round().astype(np.uint8))
    found, _ = find_corners(picture, "screen")
    assert np.abs(found - corners).max() < 1.5


@pytest.mark.parametrize("screen", [(15, 20, 30), (235, 230, 240)])
@pytest.mark.parametrize("at", [(800.0, 170.0), (1390.0, 600.0), (250.0, 900.0)])
def test_a_reflection_across_a_screen_s_edge_hides_none_of_it(at: tuple[float, float], screen: Any) -> None:
    """Light adds alike to screen and wall: the edge is as sharp as without, and neither has one colour any more."""
    corners = np.array([(230.0, 180.0), (1380.0, 240.0), (1330.0, 980.0), (260.0, 930.0)])
    large = Image.new("RGB", (6400, 4800), (120, 115, 110))
    ImageDraw.Draw(large).polygon([(4 * x + 1.5, 4 * y + 1.5) for x, y in corners], fill=screen)
    shown = 0.8 * np.asarray(large.resize((1600, 1200), Image.Resampling.BOX), dtype=float)
    y, x = np.mgrid[0:1200, 0:1600]
    light = 60 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * 250**2))
    lit = shown + light[..., None] + np.random.default_rng(2).normal(0, 3, shown.shape)
    found, bend = find_corners(Image.fromarray(lit.clip(0, 255).round().astype(np.uint8)), "screen")
    assert bend == 0
    assert np.abs(found - corners).max() < 1.0


@pytest.mark.parametrize("bend", [-0.06, 0.04])
def test_a_lens_that_bends_lines_is_found_by_the_sides_of_a_screen(bend: float) -> None:
    """The bent picture is drawn by the lens's own equation, point by point; no function of the reader draws it."""
    width, height = 1600, 1200
    y, x = np.mgrid[0:height, 0:width].astype(float)
    half, middle = np.hypot(width, height) / 2, np.array([(width - 1) / 2, (height - 1) / 2])
    seen = np.stack([x - middle[0], y - middle[1]], axis=-1) / half
    free = seen.copy()
    for _ in range(30):
        free = seen / (1 + bend * (free**2).sum(axis=-1, keepdims=True))
    free = free * half + middle
    screen = (free[..., 0] > 200) & (free[..., 0] < 1400) & (free[..., 1] > 150) & (free[..., 1] < 1050)
    line = np.clip(2 - np.abs(free[..., 1] - 300), 0, 1)
    pixels = np.where(screen, 20 + 220 * line, 120)
    picture = Image.fromarray(np.repeat(pixels[..., None], 3, axis=2).astype(np.uint8))
    corners, found = find_corners(picture, "screen")
    assert found == pytest.approx(bend, abs=0.004)
    flat = np.asarray(straight(picture, corners.tolist(), (1200, 900), "screen", found).convert("L"), dtype=float)
    part = np.clip(flat[100:200, 20:-20] - 25, 0, None)
    rows = (part * np.arange(100, 200)[:, None]).sum(axis=0) / part.sum(axis=0)
    assert np.ptp(rows) < 0.8  # the straight line is straight again; it was off by more than ten pixels
    assert np.median(rows) == pytest.approx(149.75, abs=0.6)


def test_a_screen_seen_aslant_is_told_from_a_chart_and_from_one_crooked_curve_of_it() -> None:
    page = Image.new("RGB", (1600, 1200), "white")
    pen = ImageDraw.Draw(page)
    for top in (120, 460, 800):
        pen.rectangle((180, top, 1480, top + 260), outline="black")
        pen.line([(x, top + 130 + 90 * np.sin(x / 40)) for x in range(180, 1480)], fill=(0, 80, 200), width=3)
    assert not aslant(page)
    pen.polygon([(190, 470), (1470, 470), (1400, 700), (190, 700)], fill=(150, 20, 30))  # an area within a panel
    assert not aslant(page)
    corners = [(230.0, 180.0), (1380.0, 240.0), (1330.0, 980.0), (260.0, 930.0)]
    back = homography(np.array(corners), rectangle(page.size))  # from the photograph to the page
    taken = page.transform(
        page.size, Image.Transform.PERSPECTIVE, tuple((back / back[2, 2]).ravel()[:8]), Image.Resampling.BICUBIC,
        fillcolor=(120, 115, 110),
    )  # fmt: skip
    assert aslant(taken)


def test_corners_that_are_none_are_refused() -> None:
    blank = Image.new("RGB", (400, 300), "white")
    with pytest.raises(PictureError, match="no four-sided screen"):
        find_corners(blank, "blank")
    ImageDraw.Draw(blank).ellipse((60, 40, 340, 260), fill=(0, 0, 0))
    with pytest.raises(PictureError, match="no four-sided screen"):
        find_corners(blank, "round")
    with pytest.raises(PictureError, match="clockwise from the top left"):
        straight(blank, [[0, 0], [0, 200], [300, 200], [300, 0]], (300, 200), "blank")
    with pytest.raises(PictureError, match="lie outside this picture of 400 by 300 pixels"):
        straight(blank, [[310, 220], [3690, 265], [3640, 2710], [285, 2655]], (300, 200), "blank")
    with pytest.raises(PictureError, match="count in the picture as it was taken"):
        straightened(Opened(blank, "blank", ""), axes(), [[0, 0], [300, 0], [300, 200], [0, 200]])


def wave(columns: int) -> Values:
    """Rows of a smooth curve with a steep rise."""
    x = np.arange(columns)
    steep: Values = 75 + 40 * np.sin(x / 25) - 20 / (1 + np.exp(-(x - 200) / 1.5))
    return steep


def stroke(rows: Values, height: int, width: float, paper: int = 250, ink: int = 30) -> npt.NDArray[np.float32]:
    """A curve drawn by a round pen: a pixel's share is that of 64 points in it nearer than half the pen's width."""
    fine = 8
    x = (np.arange(len(rows) * fine) + 0.5) / fine - 0.5
    y = np.interp(x, np.arange(len(rows)), rows)
    grid_y = (np.arange(height * fine) + 0.5) / fine - 0.5
    covered = np.zeros((height * fine, len(x)), dtype=bool)
    for shift in np.arange(-width / 2, width / 2 + 1e-9, 1 / fine):
        across = np.interp(x + shift, x, y)
        reach = np.sqrt(max(width**2 / 4 - shift**2, 0.0))
        covered |= np.abs(grid_y[:, None] - across[None, :]) <= reach
    share = covered.reshape(height, fine, len(rows), fine).mean(axis=(1, 3))
    return np.repeat((paper + share * (ink - paper))[..., None], 3, axis=2).astype(np.float32)


@pytest.mark.parametrize("width", [1.0, 1.6, 2.5, 4.0, 6.0])
def test_a_curve_of_any_pen_is_found_at_a_tenth_of_a_pixel(width: float) -> None:
    rows = wave(420)
    ink = ink_of(stroke(rows, 130, width))
    assert ink is not None
    found = trace(ink)
    assert found.width == pytest.approx(width, rel=0.12, abs=0.25)
    true = np.interp(found.column, np.arange(420), rows)
    gentle = np.abs(np.gradient(true, found.column)) < 1
    known = np.isfinite(found.row)
    assert known.mean() > 0.99
    off = np.abs(found.row - true)[gentle & known]
    assert np.median(off) < 0.1
    assert np.quantile(off, 0.99) < 0.35


def test_a_curve_goes_through_rules_cursor_and_letters_of_another_colour() -> None:
    rows = wave(420)
    pixels = stroke(rows, 130, 2.5)
    pixels[..., 0] = np.minimum(255, pixels[..., 0] + 0.8 * (250 - pixels[..., 0]))  # the ink is red
    pixels[::26, :] = 215
    pixels[:, ::42] = 215
    pixels[:, 300:302] = (20, 20, 160)
    picture = Image.fromarray(pixels.astype(np.uint8))
    ImageDraw.Draw(picture).text((120, 55), "12.5 words", fill=(0, 90, 0))
    ink = ink_of(np.asarray(picture, dtype=np.float32))
    assert ink is not None
    found = trace(ink)
    off = np.abs(found.row - np.interp(found.column, np.arange(420), rows))
    assert np.nanquantile(off, 0.95) < 0.6
    assert np.isfinite(found.row).mean() > 0.93


def steps(columns: int, period: int, wide: int, low: float, high: float) -> Values:
    """Rows that step up for so many columns of each period, within three columns."""
    x = np.arange(columns)
    away = np.abs((x % period) - period / 2) - wide / 2
    rows: Values = np.interp(away, (-1.5, 1.5), (high, low))
    return rows


def inked(rows: Values, height: int, width: float) -> npt.NDArray[np.float64]:
    """Share of each pixel that a line through the rows covers, steep edges included: drawn eight times as large."""
    large = Image.new("L", (8 * len(rows), 8 * height))
    points = [(8 * x + 3.5, 8 * y + 3.5) for x, y in enumerate(rows.tolist())]
    ImageDraw.Draw(large).line(points, fill=255, width=round(8 * width), joint="curve")
    return np.asarray(large.resize((len(rows), height), Image.Resampling.BOX), dtype=float) / 255


def filled(rows: Values, height: int, alpha: float) -> npt.NDArray[np.float32]:
    """A bright pen on a dark ground, with the area beneath it filled by a share of the pen's colour."""
    ground, pen = np.array([8, 10, 12.0]), np.array([150, 110, 240.0])
    ink = inked(rows, height, 2.0)[..., None]
    below = np.arange(height)[:, None] > rows[None, :]
    behind = np.where(below[..., None], ground + alpha * (pen - ground), ground)
    shown: npt.NDArray[np.float32] = (behind + ink * (pen - behind)).astype(np.float32)
    return shown


@pytest.mark.parametrize("alpha", [0.1, 0.25, 0.4])
def test_a_curve_over_a_filled_area_is_followed_on_narrow_peaks_and_level_stretches(alpha: float) -> None:
    """Peaks of 30 pixels are narrower than the neighbourhood by which the ground is told."""
    rows = steps(600, 100, 30, 110.0, 30.0)
    found = best_of(inks_of(filled(rows, 180, alpha)))
    assert found is not None
    from_middle = np.abs(found.column % 100 - 50)
    level = (from_middle < 12) | (from_middle > 20)
    off = np.abs(found.row - np.where(from_middle < 15, 30.0, 110.0))
    assert np.isfinite(off).mean() > 0.99
    assert np.nanmax(off[level]) < 0.6


@pytest.mark.parametrize("width", [1.2, 2.6])
@pytest.mark.parametrize("alpha", [0.2, 0.36])
def test_an_area_filled_under_narrow_plateaus_is_not_taken_for_the_pen(width: float, alpha: float) -> None:
    """Most of the panel is filled with a share of a dark pen, the plateaus more narrowly than the ground is told by."""
    rows = steps(750, 150, 48, 90.0, 18.0)
    ink = inked(rows, 150, width)[..., None]
    ground, pen = np.array([234.0, 238.0, 231.0]), np.array([13.0, 13.0, 13.0])
    inside = (np.arange(150)[:, None] > rows) & (np.arange(150)[:, None] < 136)
    behind = np.where(inside[..., None], ground + alpha * (pen - ground), ground)
    found = best_of(inks_of((behind + ink * (pen - behind)).astype(np.float32), pen.astype(np.float32)))
    assert found is not None
    from_middle = np.abs(found.column % 150 - 75)
    level = (from_middle < 20) | (from_middle > 29)
    off = np.abs(found.row - np.where(from_middle < 24, 18.0, 90.0))[level]
    assert np.isfinite(off).mean() > 0.99
    assert np.nanmax(off) < 0.6
    assert found.width == pytest.approx(width, abs=0.35)


def through_jpeg(pixels: npt.NDArray[np.float32], quality: int) -> npt.NDArray[np.float32]:
    """Pixels as a compressed file keeps them."""
    taken = io.BytesIO()
    Image.fromarray(pixels.round().clip(0, 255).astype(np.uint8)).save(taken, "JPEG", quality=quality)
    return np.asarray(Image.open(taken), dtype=np.float32)


@pytest.mark.parametrize("alpha", [0.6, 0.75])
def test_peaks_over_an_area_hardly_paler_than_its_pen_are_not_cut_off_through_jpeg_of_quality_40(alpha: float) -> None:
    """Against the rows that were drawn: a tall area leaves the pen no ground of its own, its edge is what is left."""
    rows = steps(600, 150, 60, 140.0, 30.0)
    found = curve_in(through_jpeg(filled(rows, 180, alpha), 40))
    assert found is not None
    from_middle = np.abs(found.column % 150 - 75)
    level = (from_middle < 26) | (from_middle > 34)
    off = np.abs(found.row - np.where(from_middle < 30, 30.0, 140.0))[level]
    assert np.isfinite(off).mean() > 0.98
    assert np.nanmax(off) < 2.0


def about_zero(alpha: float) -> tuple[Values, npt.NDArray[np.float64]]:
    """A curve on both sides of a row of 90, what lies between them filled by a share of the pen's colour."""
    rows = 90 + 60 * np.sign(np.sin(np.arange(600) / 30)) * np.exp(-(np.arange(600) % 94) / 40)
    ground, pen = np.array([8.0, 10, 12]), np.array([150.0, 110, 240])
    y = np.arange(180)[:, None]
    inside = (y > np.minimum(rows, 90)) & (y < np.maximum(rows, 90))
    behind = np.where(inside[..., None], ground + alpha * (pen - ground), ground)
    ink = inked(rows, 180, 2.0)[..., None]
    return rows, behind + ink * (pen - behind)


def test_an_erase_bar_is_no_reason_to_read_an_area_s_edge_for_its_pen() -> None:
    """The pen stands out; in the bar, 3 % of the panel, there is neither pen nor area, but a line of the grid."""
    rows, pixels = about_zero(0.23)
    pixels[:, 395:413] = (8.0, 10, 12)
    pixels[90, 395:413] = (60.0, 60, 60)
    found = curve_in(pixels.astype(np.float32))
    assert found is not None
    assert found.width == pytest.approx(2.0, abs=0.4)
    off = np.abs(found.row - np.interp(found.column, np.arange(600), rows))
    assert np.nanmedian(off) < 0.2
    assert np.nanquantile(off, 0.9) < 1.0
    assert np.isnan(found.row[(found.column > 396) & (found.column < 411)]).all()


def test_the_edge_of_an_area_on_both_sides_of_zero_is_one_curve() -> None:
    rows, pixels = about_zero(0.7)
    area = area_of(pixels.astype(np.float32))
    assert area is not None
    found = trace(area.ink())
    off = np.abs(found.row - np.interp(found.column, np.arange(600), rows))
    assert np.nanmedian(off) < 0.7
    assert np.nanquantile(off, 0.9) < 2.0


@pytest.mark.parametrize("alpha", [0.5, 0.8])
@pytest.mark.parametrize("width", [1.5, 3.5])
def test_a_pen_on_a_dense_area_is_read_across_both_its_grounds(alpha: float, width: float) -> None:
    """Against the line that was drawn, up and down alike: by one ground alone it lies up to a pixel within the area."""
    rows = 90 + 60 * np.sin(np.arange(600) / 20)
    ground, pen = np.array([234.0, 238.0, 231.0]), np.array([13.0, 60.0, 13.0])
    y = np.arange(180)[:, None]
    inside = (y > np.minimum(rows, 90)) & (y < np.maximum(rows, 90))
    behind = np.where(inside[..., None], ground + alpha * (pen - ground), ground)
    ink = inked(rows, 180, width)[..., None]
    found = curve_in((behind + ink * (pen - behind)).astype(np.float32))
    assert found is not None
    assert found.width == pytest.approx(width, abs=0.35)
    assert found.aside == 0
    true = np.interp(found.column, np.arange(600), rows)
    nearer, far = (found.row - true) * np.sign(90 - true), np.abs(true - 90) > 8
    assert abs(np.nanmean(nearer[far])) < 0.2


def test_an_edge_read_for_a_pen_that_can_t_be_told_from_its_area_leaves_half_a_pen_open() -> None:
    rows, pixels = about_zero(0.97)
    found = curve_in(pixels.astype(np.float32))
    assert found is not None
    assert found.aside == found.width / 2
    off = (found.row - np.interp(found.column, np.arange(600), rows)) * np.sign(90 - rows[found.column.astype(int)])
    assert abs(np.nanmedian(off)) < 2 * found.aside


@pytest.mark.parametrize("width", [2.0, 3.0, 4.0])
@pytest.mark.parametrize("slope", [0.3, 1.0, 3.0])
def test_the_pen_of_an_area_is_as_wide_across_its_stroke_however_that_slants(slope: float, width: float) -> None:
    """A pen drawn as what lies within half its width of a line: as tall as w·√(1 + slope²) in each column."""
    x, y = np.arange(600), np.arange(180)[:, None]
    rows = 90 + slope * (np.abs((x % (160 / slope)) - 80 / slope) - 40 / slope)
    ink = np.clip(width / 2 + 0.5 - np.abs(y - rows) / np.hypot(1, slope), 0, 1)
    shown = 230 - 200 * np.maximum(ink, 0.7 * (y > rows))
    area = area_of(np.repeat(shown[..., None], 3, axis=2).astype(np.float32))
    assert area is not None
    assert area.pen == pytest.approx(width, abs=1)


def test_a_curve_inside_a_filled_area_or_far_above_it_is_astray() -> None:
    rows = np.full(600, 60.0)
    area = area_of(filled(rows, 180, 0.3))
    assert area is not None
    column = np.arange(600.0)
    assert not area.astray(column, rows, 2.0).any()
    assert area.astray(column, np.full(600, 110.0), 2.0).all()
    assert area.astray(column, np.full(600, 30.0), 2.0).all()


def test_neither_a_reflection_nor_a_thick_pen_is_an_area() -> None:
    x, y = np.meshgrid(np.arange(600), np.arange(180))
    glow = 70 * np.exp(-((x - 200) ** 2 + (y - 60) ** 2) / (2 * 70**2))
    assert area_of(np.repeat((20 + glow)[..., None], 3, axis=2).astype(np.float32)) is None
    thick = 20 + 200 * inked(steps(600, 100, 30, 110.0, 30.0), 180, 9.0)
    assert area_of(np.repeat(thick[..., None], 3, axis=2).astype(np.float32)) is None


@pytest.mark.parametrize(("second", "quality"), [((97, 5, 73), None), ((5, 20, 160), 65)])
def test_a_second_colour_is_told_where_none_was_chosen_and_letters_are_none(
    second: tuple[int, int, int], quality: int | None
) -> None:
    """Two dark pens on white, whose colours differ from it in nearly one direction; then one of them and a word."""
    one, other = np.array([97.0, 62, 5]), np.array(second, float)
    rows = 60 + 40 * np.sin(np.arange(600) / 30)
    shown = 255 + inked(rows, 180, 2.5)[..., None] * (one - 255)
    alone = Image.fromarray(shown.round().astype(np.uint8))
    ImageDraw.Draw(alone).text((220, 120), "a word", fill=second)
    both = shown + inked(rows / 2 + 100, 180, 2.5)[..., None] * (other - shown)
    for pixels, two in ((np.asarray(alone, np.float32), False), (both.astype(np.float32), True)):
        taken = pixels if quality is None else through_jpeg(pixels, quality)
        curve = curve_in(taken)
        assert curve is not None
        told = left_out(taken, curve)
        assert (told is not None) == two
        if told is not None and quality is None:
            assert sorted(told) == ["#610549", "#613e05"]


def test_a_second_curve_of_a_colour_that_is_near_is_not_followed_through_jpeg() -> None:
    """Teal is told, green runs below it and nearly meets its foot: to stay on green would spare two steep edges."""
    rows = steps(900, 300, 110, 150.0, 20.0)
    other = 190 + 0.5 * (rows - 170)
    teal, green, ground = np.array([6.0, 112, 88]), np.array([28.0, 112, 5]), np.array([253.0, 250, 248])
    pixels = np.broadcast_to(ground, (220, 900, 3))
    for line, colour in ((other, green), (rows, teal)):
        ink = inked(line, 220, 1.7)[..., None]
        pixels = pixels + ink * (colour - pixels)
    taken = io.BytesIO()
    Image.fromarray(pixels.round().astype(np.uint8)).save(taken, "JPEG", quality=75)
    shown = np.asarray(Image.open(taken), dtype=np.float32)
    found = best_of(inks_of(shown, teal.astype(np.float32)))
    assert found is not None
    from_middle = np.abs(found.column % 300 - 150)
    level = (from_middle < 50) | (from_middle > 60)
    off = np.abs(found.row - np.where(from_middle < 55, 20.0, 150.0))[level]
    assert np.isfinite(off).mean() > 0.99
    assert np.nanmax(off) < 1.0


def test_an_evenly_lit_panel_is_read_in_one_way() -> None:
    assert len(inks_of(stroke(wave(420), 130, 2.0))) == 1


def test_a_blurred_pen_of_a_pixel_is_followed_up_steep_edges() -> None:
    """A plateau of 40 pixels between edges of 200: to leave it out would cost less than edges without ink."""
    rows = steps(480, 120, 40, 230.0, 30.0)
    shares = ndimage.gaussian_filter(inked(rows, 260, 1.2), 1.2)
    pixels = np.repeat((250 - 220 * shares)[..., None], 3, axis=2).astype(np.float32)
    found = best_of(inks_of(pixels))
    assert found is not None
    plateau = np.abs(found.column % 120 - 60) < 15
    assert np.abs(found.row - 30)[plateau].max() < 1


def test_a_curve_that_its_panel_cuts_off_at_every_breath_is_found_between() -> None:
    """Each piece is a fourteenth of the panel, and ends on its upper edge."""
    breath = np.concatenate(
        [np.linspace(60, -60, 5), np.full(10, -60.0), np.linspace(-60, 110, 5), np.linspace(110, 60, 30)]
    )
    drawn = np.tile(breath, 14)
    page = Image.new("RGB", (len(drawn), 130), "white")
    ImageDraw.Draw(page).line(list(enumerate(drawn)), fill=(0, 80, 200), width=2)
    found = best_of(inks_of(np.asarray(page, np.float32)))
    assert found is not None
    assert 0.6 < np.isfinite(found.row).mean() < 0.8
    falling = (np.round(found.column) % 50 > 22) & (np.round(found.column) % 50 < 47)
    off = np.abs(found.row - np.interp(found.column, np.arange(len(drawn)), drawn))[falling]
    assert np.isfinite(off).mean() > 0.99
    assert np.median(off) < 1.5  # a pen of whole pixels


def test_letters_in_an_erase_bar_are_no_curve() -> None:
    """Letters of the curve's own colour, where it was erased; the same between edges that ink joins stays."""
    rows = wave(420)
    pixels = stroke(rows, 130, 2.0)
    pixels[:, 180:230] = 250
    picture = Image.fromarray(pixels.astype(np.uint8))
    ImageDraw.Draw(picture).text((186, 8), "12.55", fill=(30, 30, 30))
    found = best_of(inks_of(np.asarray(picture, dtype=np.float32)))
    assert found is not None
    assert np.isnan(found.row[(found.column > 184) & (found.column < 226)]).all()
    assert np.isfinite(found.row[(found.column < 176) | (found.column > 234)]).all()


def test_flow_is_the_slope_of_a_volume_where_no_panel_shows_it() -> None:
    """A volume of 0.5·(1 − cos(2πt/3))/2 litres has a flow of 0.25·(2π/3)·sin(2πt/3) litres a second."""
    rate = 50.0
    time = np.arange(int(12 * rate)) / rate
    volume, true = 0.25 * (1 - np.cos(2 * np.pi * time / 3)), 0.25 * 2 * np.pi / 3 * np.sin(2 * np.pi * time / 3)
    channels = {"airway_pressure": 5 + 20 * volume, "volume": volume}
    doubt = Uncertainty(
        {name: np.full(len(time), 0.001) for name in channels}, 0.04, scale={"volume": 0.01},
        offset={"volume": 0.0}, shift_s={"volume": 0.0},
    )  # fmt: skip
    made = with_slope(Recording(rate, channels, uncertainty=doubt))
    assert np.abs(made["flow"] - true)[3:-3].max() < 0.005 * true.max()
    assert made.uncertainty is not None
    assert made.uncertainty.samples["flow"].min() >= 0.001 * rate * np.sqrt(12 / (3 * 8)) - 1e-12
    assert made.uncertainty.scale["flow"] >= 0.01
    assert "since the picture has no panel of flow" in made.steps[-1]


@pytest.mark.parametrize("left", [0.12, 0.0])
def test_a_volume_that_is_set_back_between_breaths_is_no_expired_flow(left: float) -> None:
    """Half a litre in within a second, all but ``left`` out with a time constant of 0.4 s; then again from 0.

    Expired flow begins at (0.5 − left)/0.4 L/s; a step down within one sample would be ``left`` times the rate.
    """
    rate = 50.0
    phase = np.arange(int(15 * rate)) / rate % 3
    volume = np.where(phase < 1, 0.5 * phase, left + (0.5 - left) * np.exp(-(phase - 1) / 0.4))
    level, found = without_jumps(volume, rate)
    assert found == (4 if left else 0)
    assert np.diff(level).min() * rate == pytest.approx(-(0.5 - left) / 0.4, rel=0.05)
    doubt = Uncertainty({"volume": np.full(len(volume), 0.001)}, 0.04, scale={"volume": 0.01}, shift_s={"volume": 0.0})
    made = with_slope(Recording(rate, {"airway_pressure": volume, "volume": volume}, uncertainty=doubt))
    assert made["flow"].min() > -(0.5 - left) / 0.4
    assert made["volume"].tolist() == volume.tolist()


@pytest.mark.parametrize("left", [0.0, 0.06])
@pytest.mark.parametrize("from_step", [3, 5, 40])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_volume_is_set_back_near_the_edge_of_its_panel(left: float, from_step: int, mirrored: bool) -> None:
    """The same at 100 a second, cut so many samples after the last step: 0.03, 0.05 and 0.4 s from the edge.

    Turned round in time and sign the step falls just as much near the left edge.
    """
    rate = 100.0
    time = np.arange(900 + from_step) / rate
    phase = (time + 1e-9) % 3
    volume = np.where(phase < 1, 0.5 * phase, left + (0.5 - left) * np.exp(-(phase - 1) / 0.4))
    level, found = without_jumps(-volume[::-1] if mirrored else volume, rate)
    assert found == (3 if left else 0)
    assert np.diff(level).min() * rate == pytest.approx(-(0.5 - left) / 0.4, rel=0.05)


def test_expiration_is_told_where_each_channel_turns_and_not_where_one_never_falls() -> None:
    """Inspiration of a second at 0.5 L/s, then an expiration with a time constant of half a second, every 3 s."""
    rate = 50.0
    phase = np.arange(int(15 * rate)) / rate % 3
    flow = np.where(phase < 1, 0.5, -1.0 * np.exp(-(phase - 1) / 0.5))
    volume = np.where(phase < 1, 0.5 * phase, 0.5 * np.exp(-(phase - 1) / 0.5))
    pressure = np.where(phase < 1, 10 + 20 * phase, 5.0)
    turns = turns_of(Recording(rate, {"airway_pressure": pressure, "flow": flow, "volume": volume}), 0.02)
    assert turns.at_s["flow"] == pytest.approx([1, 4, 7, 10, 13], abs=0.03)
    assert not turns.apart("airway_pressure")
    assert not turns.apart("volume")
    late = np.roll(pressure, round(0.2 * rate))
    turns = turns_of(Recording(rate, {"airway_pressure": late, "flow": flow}), 0.02)
    assert turns.apart("airway_pressure")
    assert turns.late_s["airway_pressure"] == pytest.approx(0.2, abs=0.05)
    assert "after it does in flow" in turns.words[0]
    rising = np.arange(len(flow)) / rate
    assert turns_of(Recording(rate, {"airway_pressure": rising, "flow": flow}), 0.02).late_s == {}


def test_gaps_stay_gaps_and_an_empty_panel_has_no_ink() -> None:
    pixels = stroke(wave(420), 130, 2.0)
    pixels[:, 150:190] = 250
    ink = ink_of(pixels)
    assert ink is not None
    found = trace(ink)
    inside = (found.column > 153) & (found.column < 187)
    assert np.isnan(found.row[inside]).all()
    assert np.isfinite(found.row[(found.column < 145) | (found.column > 195)]).all()
    assert ink_of(np.full((130, 420, 3), 240, dtype=np.float32)) is None


def test_an_erase_bar_is_found_and_the_sweep_laid_out_in_time() -> None:
    across = np.linspace(0, 1, 1001)
    row = np.where((across > 0.4) & (across < 0.44), np.nan, 1.0)
    bar = find_bar([(across, row), (across, np.ones(1001))])
    assert bar == pytest.approx((0.4, 0.44), abs=0.002)
    assert bar is not None
    order, sweeps = unrolled(across, bar)
    assert (np.diff(sweeps) >= 0).all()
    assert (sweeps[0], sweeps[-1]) == pytest.approx((-0.56, 0.4), abs=0.003)
    assert across[order[0]] == pytest.approx(0.44, abs=0.003)
    assert find_bar([(across, np.ones(1001))]) is None


def test_a_bar_at_the_edge_wraps() -> None:
    across = np.linspace(0, 1, 1001)
    row = np.where((across > 0.98) | (across < 0.02), np.nan, 1.0)
    bar = find_bar([(across, row)])
    assert bar == pytest.approx((0.98, 1.02), abs=0.002)
    assert bar is not None
    _, sweeps = unrolled(across, bar)
    assert (sweeps.min(), sweeps.max()) == pytest.approx((0.02, 0.98), abs=0.003)


def ellipse(width: int = 3) -> npt.NDArray[np.float32]:
    """A closed curve: semi-axes of 110 and 80 pixels."""
    large = Image.new("RGB", (1600, 1200), "white")
    ImageDraw.Draw(large).ellipse((4 * 90, 4 * 70, 4 * 310, 4 * 230), outline=(0, 60, 160), width=4 * width)
    return np.asarray(large.resize((400, 300), Image.Resampling.BOX), dtype=np.float32)


def test_a_loop_tells_its_work_by_the_area_of_an_ellipse() -> None:
    loop = trace_loop(ellipse(), axes_from({"panel": [LOOP]}).panels[0], "loop")
    per_x, per_y = 30 / 300, 0.5 / 200
    area = np.pi * (110 - 1.5) * (80 - 1.5) * per_x * per_y  # the pen runs inside the box that Pillow is given
    assert loop.work_j == pytest.approx(area * JOULE, rel=0.01)
    assert loop.across_range[1] - loop.across_range[0] == pytest.approx(2 * (110 - 1.5) * per_x, rel=0.01)
    assert loop.range[1] - loop.range[0] == pytest.approx(2 * (80 - 1.5) * per_y, rel=0.01)


def test_a_loop_is_followed_over_the_axis_that_is_drawn_across_it() -> None:
    """Flow over volume has its axis through zero: taken off as a line, it leaves gaps in the loop."""
    pixels = ellipse()
    pixels[150:152, :] = 0
    whole = trace_loop(ellipse(), axes_from({"panel": [LOOP]}).panels[0], "loop")
    crossed = trace_loop(pixels, axes_from({"panel": [LOOP]}).panels[0], "loop")
    assert crossed.area == pytest.approx(whole.area, rel=0.005)


def test_an_open_curve_is_no_loop() -> None:
    panel = axes_from({"panel": [LOOP]}).panels[0]
    with pytest.raises(PictureError, match="no closed curve"):
        trace_loop(stroke(wave(400), 300, 3.0), panel, "loop")


def breathing(gain: float = 1.0) -> Recording:
    """Sinusoidal breaths at 100 Hz, the volume panel too large by ``gain``."""
    time = np.arange(3000) / 100
    flow = 0.5 * np.sin(2 * np.pi * time / 3)
    volume = gain * 0.5 * 3 / (2 * np.pi) * (1 - np.cos(2 * np.pi * time / 3))
    return Recording(100.0, {"airway_pressure": 5 + 10 * volume, "flow": flow, "volume": volume})


def test_flow_summed_up_is_held_against_volume_and_mended_only_when_asked() -> None:
    agreed = agreement_of(breathing())
    assert agreed is not None
    assert agreed.ratio == pytest.approx(1.0, abs=0.005)
    assert "agrees with the volume panel" in agreed.words
    off = agreement_of(breathing(1.12))
    assert off is not None
    assert off.ratio == pytest.approx(1 / 1.12, rel=0.005)
    assert "10.7 % less than the volume panel shows" in off.words
    repaired = mended(breathing(1.12), off, "volume")
    again = agreement_of(repaired)
    assert again is not None
    assert again.ratio == pytest.approx(1.0, abs=0.002)
    assert "asked for" in repaired.steps[-1]


def test_a_gap_in_the_volume_takes_its_breath_from_what_is_held_against_flow() -> None:
    """The onset of a rise falls on samples that the volume panel does not show."""
    whole = breathing()
    volume = whole["volume"].copy()
    volume[1190:1215] = np.nan
    agreed = agreement_of(whole.with_channel("volume", volume, ""))
    assert agreed is not None
    assert agreed.ratio == pytest.approx(1.0, abs=0.005)


def test_uncertainty_is_drawn_with_the_spread_that_it_says() -> None:
    still = Recording(50.0, {"airway_pressure": np.full(4000, 10.0), "flow": np.zeros(4000)})
    doubt = Uncertainty({"airway_pressure": np.full(4000, 0.2)}, 0.04, offset={"flow": 0.01}, clock=0.002)
    rng = np.random.default_rng(7)
    drawn = [doubt.drawn(still, rng) for _ in range(200)]
    assert np.std(drawn[0]["airway_pressure"]) == pytest.approx(0.2, rel=0.1)
    assert np.std([one["flow"][0] for one in drawn]) == pytest.approx(0.01, rel=0.2)
    assert np.std([one.rate_hz / 50 for one in drawn]) == pytest.approx(0.002, rel=0.2)
    neighbours = np.corrcoef(drawn[0]["airway_pressure"][:-1], drawn[0]["airway_pressure"][1:])[0, 1]
    assert neighbours == pytest.approx(0.5, abs=0.1)  # two samples share one of two random numbers


def test_a_proposed_panel_ends_on_the_middle_of_its_frame_s_line() -> None:
    """A line softened at its sides: one pixel of ink, and a little of it in the next ones."""
    page = np.full((400, 600), 255, np.uint8)
    for shade, out in ((150, 1), (190, -1), (0, 0)):
        page[60 - out : 341 + out, [80 - out, 540 + out]] = np.minimum(
            page[60 - out : 341 + out, [80 - out, 540 + out]], shade
        )
        page[[60 - out, 340 + out], 80 - out : 541 + out] = np.minimum(
            page[[60 - out, 340 + out], 80 - out : 541 + out], shade
        )
    (box,) = propose_panels(Image.fromarray(page).convert("RGB"))
    assert box == (80, 60, 540, 340)


def test_panels_are_proposed_where_curves_are_and_their_marks_left_to_a_person() -> None:
    page = Image.new("RGB", (800, 600), "white")
    pen = ImageDraw.Draw(page)
    for top in (60, 340):
        pen.rectangle((90, top, 740, top + 200), outline=(0, 0, 0))
        pen.line([(x, top + 100 + 60 * np.sin(x / 30)) for x in range(90, 740)], fill=(0, 80, 200), width=2)
        pen.text((60, top + 90), "20", fill=(0, 0, 0))
    boxes = propose_panels(page)
    assert np.abs(np.array(boxes) - [[90, 60, 740, 260], [90, 340, 740, 540]]).max() <= 2
    text = proposal(page, None)
    import tomllib

    with pytest.raises(PictureError, match=r"'\?'"):
        axes_from(tomllib.loads(text))
