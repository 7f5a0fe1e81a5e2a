"""Files on their way in: kept aside until somebody says what they are, and looked through for what speaks of people."""

from __future__ import annotations

import asyncio
import re
import secrets
import shutil
import time
from collections.abc import AsyncIterator, Collection
from dataclasses import dataclass
from pathlib import Path

from tidebench.casebook import TAKEN_OUT
from tidebench.errors import OptionError, SignalError
from tidebench.readers import READERS, parquet
from tidebench.web.options import Limits

ASIDE = ".uploads"
LASTS_S = 2 * 3600.0
LONGEST_NAME = 120
_TOKEN = re.compile(r"[A-Za-z0-9_-]{16}")


@dataclass(frozen=True, slots=True)
class Upload:
    """A file that waits to be taken."""

    token: str
    path: Path
    size: int


def file_name(said: str, suffixes: Collection[str] = READERS) -> str:
    """A name that a file, of signals unless other endings are given, may have in a case's folder.

    Raises
    ------
    OptionError
        No ending that a reader knows, or nothing left of it.
    """
    bare = re.split(r"[\\/]", said)[-1]
    kept = re.sub(r"[^\w. ()+-]", "_", bare).strip(". ")[-LONGEST_NAME:]
    suffix = Path(kept).suffix.lower()
    if suffix not in suffixes or not Path(kept).stem.strip("._ "):
        raise OptionError(
            f"no reader knows the ending {suffix!r}", where=kept or "the file", expected=", ".join(sorted(suffixes)),
            remedy=_remedy(suffixes),
        )  # fmt: skip
    return f"{Path(kept).stem.lstrip('._ ')}{suffix}"


def _remedy(suffixes: Collection[str]) -> str:
    if ".png" in suffixes:
        return "Save the picture as PNG or JPEG."
    return "Save the signals as CSV or Parquet." if suffixes is READERS else "Save it as text, such as CSV."


async def take_in(
    folder: Path, name: str, chunks: AsyncIterator[bytes], limits: Limits, suffixes: Collection[str] = READERS
) -> Upload:
    """Write what arrives aside, within the limits of size and time.

    Raises
    ------
    OptionError
        It is larger or slower than allowed, or its name won't do.
    """
    name = file_name(name, suffixes)
    await asyncio.to_thread(clear_old, folder)
    token = secrets.token_urlsafe(12)
    place = folder / ASIDE / token
    place.mkdir(parents=True)
    size = 0
    try:
        async with asyncio.timeout(limits.upload_s):
            with (place / name).open("wb") as file:
                async for chunk in chunks:
                    size += len(chunk)
                    if size > limits.upload_bytes:
                        raise too_large(name, limits)
                    await asyncio.to_thread(file.write, chunk)
        await asyncio.to_thread(_check_unpacked, place / name, limits)
    except TimeoutError:
        shutil.rmtree(place, ignore_errors=True)
        raise OptionError("the file took too long to arrive", where=name) from None
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise
    return Upload(token, place / name, size)


def too_large(name: str, limits: Limits) -> OptionError:
    """What is said of a file that is larger than allowed."""
    return OptionError(
        "the file is too large", where=name, expected=f"at most {limits.upload_bytes >> 20} MiB",
        remedy="Cut it into parts, or put it into the case's folder yourself.",
    )  # fmt: skip


def find(folder: Path, token: str) -> Upload:
    """A file that waits.

    Raises
    ------
    OptionError
        None has this token; those that nobody took within two hours are gone.
    """
    place = folder / ASIDE / token
    files = [path for path in place.iterdir() if path.is_file()] if _TOKEN.fullmatch(token) and place.is_dir() else []
    if len(files) != 1:
        raise OptionError("the file is no longer here", remedy="Drag it in once more.")
    return Upload(token, files[0], files[0].stat().st_size)


def drop(upload: Upload) -> None:
    """Throw a file that waits away."""
    shutil.rmtree(upload.path.parent, ignore_errors=True)


def clear_old(folder: Path) -> None:
    """Throw away what nobody took, and cases that were taken out and not put back."""
    for aside in (folder / ASIDE, folder / TAKEN_OUT):
        for place in aside.iterdir() if aside.is_dir() else ():
            if time.time() - place.stat().st_mtime > LASTS_S:
                shutil.rmtree(place, ignore_errors=True)


def _check_unpacked(path: Path, limits: Limits) -> None:
    """Refuse a Parquet file that stands for more than this machine should hold."""
    if path.suffix not in parquet.SUFFIXES:
        return
    import polars as pl

    try:
        lazy = pl.scan_parquet(path)
        columns, rows = len(lazy.collect_schema()), lazy.select(pl.len()).collect().item()
    except (pl.exceptions.PolarsError, OSError) as error:
        raise SignalError("this is no Parquet file that can be read", where=path.name) from error
    if rows > limits.rows or columns > limits.columns:
        raise OptionError(
            f"unpacked, the file has {rows} rows and {columns} columns", where=path.name,
            expected=f"at most {limits.rows} rows and {limits.columns} columns",
        )  # fmt: skip
