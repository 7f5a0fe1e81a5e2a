"""Pictures are opened within limits, and what can't be is refused in one message."""

from __future__ import annotations

import io
import struct
import zlib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from PIL import Image

from tidebench.errors import PictureError
from tidebench.pictures.opening import MOST_BYTES, open_picture

DATA = Path(__file__).parents[1] / "pictures" / "data"
RED = (200, 30, 30)


def bar() -> Image.Image:
    """White, with rows 20 to 27 red: what bar.heic holds."""
    pixels = np.full((48, 64, 3), 255, dtype=np.uint8)
    pixels[20:28] = RED
    return Image.fromarray(pixels)


@pytest.mark.parametrize("suffix", [".png", ".bmp", ".jpg", ".webp", ".tiff", ".gif"])
def test_bitmaps_are_opened_whatever_their_name(suffix: str, tmp_path: Path) -> None:
    bar().save(tmp_path / f"bar{suffix}")
    (tmp_path / f"bar{suffix}").rename(tmp_path / "bar.txt")
    image = open_picture(tmp_path / "bar.txt").image
    assert image.size == (64, 48)
    assert np.abs(np.array(image.getpixel((30, 24))) - RED).max() <= 6


def test_a_photograph_in_heic_is_opened() -> None:
    image = open_picture(DATA / "bar.heic").image
    assert image.size == (64, 48)
    assert np.abs(np.array(image.getpixel((30, 24))) - RED).max() <= 6


def test_a_page_of_a_pdf_is_drawn_at_200_dots_an_inch(tmp_path: Path) -> None:
    with PdfPages(tmp_path / "pages.pdf") as pages:
        for colour in ("white", "red"):
            pages.savefig(Figure(figsize=(3, 2), facecolor=colour))
    image = open_picture(tmp_path / "pages.pdf", page=2).image
    assert image.size == (600, 400)
    assert image.getpixel((300, 200)) == (255, 0, 0)
    with pytest.raises(PictureError, match=r"no page 3.*Expected: 1 to 2"):
        open_picture(tmp_path / "pages.pdf", page=3)


def test_a_picture_is_turned_as_it_was_held_and_tells_when_it_was_taken(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # turned by a quarter, Exif 2.3
    exif[0x0132] = "2031:05:04 13:20:00"
    bar().save(tmp_path / "turned.jpg", exif=exif)
    opened = open_picture(tmp_path / "turned.jpg")
    assert opened.image.size == (48, 64)
    assert opened.taken == datetime(2031, 5, 4, 13, 20)


def test_what_is_transparent_lies_on_white_and_deep_greys_keep_their_range(tmp_path: Path) -> None:
    Image.new("RGBA", (40, 40), (0, 0, 0, 0)).save(tmp_path / "clear.png")
    assert open_picture(tmp_path / "clear.png").image.getpixel((5, 5)) == (255, 255, 255)
    deep = np.zeros((40, 40), dtype=np.uint16)
    deep[:, 20:] = 4000
    Image.fromarray(deep).save(tmp_path / "deep.png")
    image = open_picture(tmp_path / "deep.png").image
    assert (image.getpixel((5, 5)), image.getpixel((30, 5))) == ((0, 0, 0), (255, 255, 255))


def png_header(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds next to nothing (PNG specification, section 11.2.2)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(b"\0" * 10_000)) + chunk(b"IEND", b"")


def truncated() -> bytes:
    """Half a PNG."""
    out = io.BytesIO()
    Image.effect_noise((200, 200), 50).save(out, "PNG")
    return out.getvalue()[: len(out.getvalue()) // 2]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (png_header(50_000, 50_000), "60 megapixels"),
        (png_header(9_000, 9_000), "9000 by 9000 pixels"),
        (truncated(), "can't be opened as a picture"),
        (b"time,flow\n0,1\n", r"can't be opened as a picture \(it is of no kind"),
        (b"", r"can't be opened as a picture \(it is of no kind"),
        (b"%PDF-1.7\nnot a document", "PDF can't be opened"),
        (png_header(8, 8), "32 on the shorter side"),
    ],
    ids=["bomb", "too large", "truncated", "text", "empty", "broken PDF", "tiny"],
)
def test_what_cannot_be_a_picture_is_refused_in_one_message(content: bytes, says: str, tmp_path: Path) -> None:
    file = tmp_path / "thing.png"
    if content == png_header(8, 8):
        Image.new("RGB", (8, 8)).save(file)
    else:
        file.write_bytes(content)
    with pytest.raises(PictureError, match=says) as refused:
        open_picture(file)
    assert str(refused.value).startswith("thing.png: ")
    assert " at 0x" not in str(refused.value)


def test_missing_and_huge_files_are_refused_unread(tmp_path: Path) -> None:
    with pytest.raises(PictureError, match="no such picture"):
        open_picture(tmp_path / "nowhere.png")
    with (tmp_path / "huge.png").open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    with pytest.raises(PictureError, match="larger than 64 MiB"):
        open_picture(tmp_path / "huge.png")
