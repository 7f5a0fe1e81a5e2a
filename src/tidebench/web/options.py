"""How the workbench is served: from which folder, to whom, within which limits."""

from __future__ import annotations

import ipaddress
import os
from dataclasses import dataclass, field
from pathlib import Path

MIB = 1 << 20
PAGE = Path(__file__).parent / "static"
"""Where the built page lies."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What comes from outside, and how much of it.

    Attributes
    ----------
    upload_bytes, upload_s : float
        A file of signals, and how long its way here may take.
    body_bytes : int
        Any other request.
    rows, columns : int
        What a file may hold once it is unpacked: a Parquet file of a few kilobytes can stand for terabytes.
    picture_s : float
        How long work on pictures may take, however patient whoever asked is.
    waiting_jobs : int
        Reviews and rehearsals that may wait at once.
    lease_s : float
        How long work goes on that nobody asks for.
    tries, tries_s : float
        Wrong passwords from one address within so many seconds, after which it has to wait.
    session_s : float
        How long a session lasts without being used.
    benches : int
        Live benches that may be open at once.
    lesson_benches : int
        Learners who may sit at the bench of a lesson at once, one bench each: a class, and some who learn alone.
    """

    upload_bytes: int = 1024 * MIB
    upload_s: float = 900.0
    body_bytes: int = MIB
    rows: int = 60_000_000
    columns: int = 200
    picture_s: float = 180.0
    waiting_jobs: int = 8
    lease_s: float = 90.0
    tries: int = 5
    tries_s: float = 60.0
    session_s: float = 8 * 3600.0
    benches: int = 24
    lesson_benches: int = 72


@dataclass(frozen=True, slots=True)
class Serving:
    """One workbench.

    Attributes
    ----------
    folder : Path
        Where the cases lie.
    host : str
    port : int
    password_hash : str
        Empty on this machine alone, where none is needed.
    secure : bool
        Whether the page comes by TLS, so that a session's cookie never travels in the clear.
    workers : int
        Processes for long work; two at least, so that a long review doesn't hold up everything else.
    """

    folder: Path
    host: str = "127.0.0.1"
    port: int = 8787
    password_hash: str = ""
    secure: bool = False
    workers: int = field(default_factory=lambda: max(2, (os.cpu_count() or 2) - 1))
    limits: Limits = Limits()


def is_loopback(host: str) -> bool:
    """True for an address that only this machine reaches."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
