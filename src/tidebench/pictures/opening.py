"""Opens a picture: a bitmap, a photograph or a page of a PDF, within limits, turned as it was held."""

from __future__ import annotations

import hashlib
import re
import warnings
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from tidebench.errors import PictureError

if TYPE_CHECKING:
    from PIL.Image import Image

MOST_BYTES = 64 << 20
KINDS = "a whole PNG, BMP, JPEG, WebP, TIFF, GIF, HEIC or PDF file"
MOST_PIXELS = 60_000_000
"""A photograph of 50 megapixels passes; what unpacks to more is refused before it is unpacked."""
SHORTEST_SIDE = 32
FORMATS = ("PNG", "BMP", "JPEG", "WEBP", "TIFF", "HEIF", "GIF")
PAGE_DPI = 200
"""At which a page of a PDF is drawn: its axes are given in these pixels."""
_TAKEN, _STAMP = 0x9003, "%Y:%m:%d %H:%M:%S"
_EXIF_TABLE = 0x8769


@dataclass(frozen=True)
class Opened:
    """A picture as it was opened: its pixels, its name, the SHA-256 of its file, and when it was taken if it says."""

    image: Image
    name: str
    sha256: str
    taken: datetime | None = None


def open_picture(path: Path | str, *, page: int = 1) -> Opened:
    """The picture in a file.

    Parameters
    ----------
    path : path
        PNG, BMP, JPEG, WebP, TIFF, GIF, HEIC, or PDF.
    page : int
        Of a PDF or of a TIFF with several, counted from 1. A page of a PDF is drawn at :data:`PAGE_DPI`.

    Raises
    ------
    PictureError
        No such file, larger than 64 MiB or 60 megapixels, of another kind, broken, or without that page.
    """
    path = Path(path)
    where = path.name
    try:
        if not path.is_file():
            raise PictureError("there is no such picture", where=str(path))
        if path.stat().st_size > MOST_BYTES:
            raise PictureError(
                "the file is larger than 64 MiB", where=where, remedy="Crop it, or save it as PNG or JPEG."
            )
        content = path.read_bytes()
    except OSError as error:
        raise PictureError(f"this can't be read ({error.strerror or error})", where=str(path)) from error
    opened = _page(content, page, where) if content[:1024].lstrip()[:5] == b"%PDF-" else _bitmap(content, page, where)
    image, taken = opened
    if min(image.size) < SHORTEST_SIDE:
        raise PictureError(
            f"the picture has {image.width} by {image.height} pixels",
            where=where, expected=f"{SHORTEST_SIDE} on the shorter side at least",
        )  # fmt: skip
    return Opened(image, where, hashlib.sha256(content).hexdigest(), taken)


def pages_of(path: Path) -> int:
    """How many pages a file that opens has; 1 of a bitmap."""
    if path.read_bytes()[:1024].lstrip()[:5] != b"%PDF-":
        return 1
    import pypdfium2

    document = pypdfium2.PdfDocument(path)
    try:
        return len(document)
    finally:
        document.close()


def _bitmap(content: bytes, page: int, where: str) -> tuple[Image, datetime | None]:
    """A bitmap, unpacked only where its header says that it is small enough."""
    import io

    import pi_heif
    from PIL import Image, ImageOps, UnidentifiedImageError

    pi_heif.register_heif_opener()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # sizes are checked here, oddities of metadata don't matter
            with Image.open(io.BytesIO(content), formats=FORMATS) as image:
                _check_size(image.width, image.height, where)
                if not 1 <= page <= getattr(image, "n_frames", 1):
                    raise PictureError(f"there is no page {page}", where=where)
                image.seek(page - 1)
                _check_size(image.width, image.height, where)
                upright = ImageOps.exif_transpose(image)
                return _flat(upright), _taken(image)
    except PictureError:
        raise
    except Image.DecompressionBombError as error:
        raise PictureError("the picture unpacks to more than 60 megapixels", where=where) from error
    except UnidentifiedImageError as error:
        raise PictureError(
            "this can't be opened as a picture (it is of no kind that is known)", where=where, expected=KINDS
        ) from error
    except Exception as error:  # a decoder meets whatever a broken file holds
        raise PictureError(
            f"this can't be opened as a picture ({_short(error)})",
            where=where, expected=KINDS,
        ) from error  # fmt: skip


def _check_size(width: int, height: int, where: str) -> None:
    if width * height > MOST_PIXELS:
        raise PictureError(
            f"the picture has {width} by {height} pixels",
            where=where, expected="60 megapixels at most", remedy="Crop it, or save it smaller.",
        )  # fmt: skip


def _flat(image: Image) -> Image:
    """Red, green and blue; what is transparent lies on white."""
    from PIL import Image

    if image.mode.startswith(("I", "F")):  # sixteen bits or more of grey
        low, high = image.getextrema()
        span = float(high) - float(low) or 1.0  # type: ignore[arg-type]
        image = image.point(lambda v: (v - low) * (255.0 / span)).convert("L")
    if "A" not in image.getbands() and "transparency" not in image.info:
        return image.convert("RGB")
    over = image.convert("RGBA")
    white = Image.new("RGBA", over.size, "white")
    return Image.alpha_composite(white, over).convert("RGB")


def _taken(image: Image) -> datetime | None:
    exif = image.getexif()
    text = exif.get_ifd(_EXIF_TABLE).get(_TAKEN) or exif.get(0x0132)
    try:
        return datetime.strptime(str(text).strip("\0 "), _STAMP) if text else None
    except ValueError:
        return None


def _page(content: bytes, page: int, where: str) -> tuple[Image, datetime | None]:
    """A page of a PDF, drawn."""
    import pypdfium2

    try:
        document = pypdfium2.PdfDocument(content)
    except pypdfium2.PdfiumError as error:
        raise PictureError(
            f"the PDF can't be opened ({_short(error)})", where=where, expected="a whole PDF without a password"
        ) from error
    try:
        if not 1 <= page <= len(document):
            raise PictureError(f"there is no page {page}", where=where, expected=f"1 to {len(document)}")
        sheet = document[page - 1]
        scale = PAGE_DPI / 72
        _check_size(round(sheet.get_width() * scale), round(sheet.get_height() * scale), where)
        drawn: Image = sheet.render(scale=scale).to_pil().convert("RGB")
        return drawn, None
    except pypdfium2.PdfiumError as error:
        raise PictureError(f"page {page} can't be drawn ({_short(error)})", where=where) from error
    finally:
        document.close()


def _short(error: Exception) -> str:
    words = str(error).splitlines()[0] if str(error) else type(error).__name__
    return re.sub(r"<[^>]* at 0x[0-9a-f]+>", "the file", words)[:100].rstrip(".")
