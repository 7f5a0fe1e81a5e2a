"""Signals as text: a header line, then rows of numbers, separated by a comma, semicolon, tab or blanks."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from tidebench.errors import SignalError
from tidebench.readers.headers import understand
from tidebench.readers.table import Table


def read_text(path: Path, mapping: Mapping[str, str] | None) -> Table:
    data = path.read_bytes().removeprefix(b"\xef\xbb\xbf")
    lines = data[: 1 << 16].decode("utf-8", "replace").splitlines()
    skip = next((i for i, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if skip is None:
        raise SignalError("the file is empty", where=path.name)
    header = lines[skip]
    separator = next((sep for sep in "\t;," if sep in header), " ")
    if separator == " ":
        data = re.sub(rb"[ \t]+", b" ", data)
        names = header.split()
    else:
        names = header.split(separator)
    body = "".join(lines[skip + 1 : skip + 20])
    names = [name.strip() for name in names]
    columns, left_out = understand(names, mapping, path.name)
    frame = pl.read_csv(
        io.BytesIO(data),
        has_header=False,
        skip_lines=skip + 1,
        separator=separator,
        decimal_comma="," in body and separator != ",",
        schema={f"c{i}": pl.Float64 for i in range(len(names))},
        truncate_ragged_lines=True,
    ).select(pl.col(f"c{column.index}").alias(key) for key, column in columns.items())
    return Table(
        frame, columns, path.name, tuple(f"column {name!r} is not known and was left out" for name in left_out)
    )
