"""``tidebench serve``: the workbench in the browser."""

from __future__ import annotations

from pathlib import Path

from tidebench.cli.options import Switch

PASSWORD = "TIDEBENCH_PASSWORD"


def serve(
    folder: Path = Path("casebook"),
    /,
    *,
    host: str = "127.0.0.1",
    port: int = 8787,
    certificate: Path | None = None,
    key: Path | None = None,
    no_browser: Switch = False,
) -> None:
    """Open the workbench on the cases in a folder. It answers on this machine alone, unless another address is named.

    Any other address demands a password: from the environment's TIDEBENCH_PASSWORD, or asked for at the start.

    Parameters
    ----------
    folder : Path
        Where the cases lie, each in a folder of its own; made where it isn't there.
    host : str
        The address to answer on.
    port : int
        The port; 0 takes a free one.
    certificate : Path
        A TLS certificate, so that passwords and cases don't travel in the clear.
    key : Path
        Its key.
    no_browser : bool
        Don't open the page in a browser.
    """
    import webbrowser

    from tidebench.caution import CAUTION
    from tidebench.errors import OptionError
    from tidebench.web.options import Serving, is_loopback
    from tidebench.web.server import check_certificate, check_page, password_hash, run, usable_port

    check_page()
    check_certificate(certificate, key)
    port = usable_port(host, port)
    if folder.exists() and not folder.is_dir():
        raise OptionError("this is no folder", where=str(folder), expected="a folder of cases, or a new one")
    secret = "" if is_loopback(host) else password_hash(_password())
    folder.mkdir(parents=True, exist_ok=True)
    serving = Serving(folder.resolve(), host, port, password_hash=secret, secure=certificate is not None)
    address = f"{'https' if certificate else 'http'}://{host}:{serving.port}/"

    def ready() -> None:
        print(f"Workbench: {address}\nCases: {serving.folder}\nStop with Ctrl+C.\n\n{CAUTION}", flush=True)
        if secret and certificate is None:
            print("\nWithout --certificate the password travels in the clear: only on a network you trust.", flush=True)
        if not no_browser and not secret:
            webbrowser.open(address)

    run(serving, ready, certificate, key)


def _password() -> str:
    import getpass
    import os
    import sys

    from tidebench.errors import OptionError

    if said := os.environ.get(PASSWORD):
        return said
    if not sys.stdin.isatty():
        raise OptionError(
            "no password is set, and there is no terminal to ask at", where=PASSWORD,
            remedy=f"Set {PASSWORD}, or answer on this machine alone.",
        )  # fmt: skip
    return getpass.getpass("Password for the workbench: ")
