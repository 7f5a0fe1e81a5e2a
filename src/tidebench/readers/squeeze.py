"""Blanks taken out of rows of text, so that a parser of single separators can read them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Bytes = npt.NDArray[np.uint8]

_TAB, _NEWLINE, _RETURN, _BLANK = 9, 10, 13, 32


@kernel
def squeeze(rows: Bytes, separator: int) -> Bytes:
    """Rows with no blanks beside separators and line ends, one blank for a run of them elsewhere, and no blank lines.

    Parameters
    ----------
    rows : ndarray of uint8, shape (n,)
        Whole lines.
    separator : int
        The separator's byte; a blank for runs of blanks and tabs.

    Returns
    -------
    ndarray of uint8, shape (m,), m <= n
        Lines that end in LF.
    """
    out = np.empty_like(rows)
    n, pending = 0, False
    for byte in rows:
        if byte == _BLANK or (byte == _TAB and separator != _TAB):
            pending = True
        elif byte == _NEWLINE and (n == 0 or out[n - 1] == _NEWLINE):
            pending = False
        elif byte != _RETURN:
            edges = (_NEWLINE, separator)
            if pending and n > 0 and out[n - 1] not in edges and byte not in edges:
                out[n] = _BLANK
                n += 1
            out[n] = byte
            n += 1
            pending = False
    return out[:n]
