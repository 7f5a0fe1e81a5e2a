"""``tidebench serve`` refuses in one message what it can't do, before anything is loaded or made."""

from __future__ import annotations

import io
import socket
from pathlib import Path

import pytest

from tidebench.cli import main


@pytest.fixture(autouse=True)
def page(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A built page, whether there is one or not."""
    (tmp_path / "static").mkdir()
    (tmp_path / "static" / "index.html").touch()
    monkeypatch.setattr("tidebench.web.server.PAGE", tmp_path / "static")


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one message, and exit code 2."""
    with pytest.raises(SystemExit) as stopped:
        main(["serve", *words, "--no-browser"])
    assert stopped.value.code == 2
    message = capsys.readouterr().err
    assert message.count("\n") == 1
    return message


def test_address_and_port(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        assert "can't be answered on" in refused(capsys, str(tmp_path / "new"), "--port", port)
    for words in (["--port", "99999"], ["--port", "-1"], ["--host", "203.0.113.7"]):
        assert "can't be answered on" in refused(capsys, str(tmp_path / "new"), *words)
    assert not (tmp_path / "new").exists()


def test_folder_that_is_a_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert "no folder" in refused(capsys, str(tmp_path / "file"), "--port", "0")


def test_password_and_certificate(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("TIDEBENCH_PASSWORD", raising=False)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))  # as under a service manager: nobody is there to be asked
    told = refused(capsys, str(tmp_path / "new"), "--host", "0.0.0.0", "--port", "0")
    assert "no password is set" in told
    assert "TIDEBENCH_PASSWORD" in told
    monkeypatch.setenv("TIDEBENCH_PASSWORD", "short")
    assert "too short" in refused(capsys, str(tmp_path / "new"), "--host", "0.0.0.0", "--port", "0")
    missing = str(tmp_path / "none.pem")
    assert "can't be used" in refused(capsys, str(tmp_path / "new"), "--certificate", missing)
    assert "needs its certificate" in refused(capsys, str(tmp_path / "new"), "--key", missing)


def test_page_that_was_not_built(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tidebench.web.server.PAGE", tmp_path / "nowhere")
    assert "was not built" in refused(capsys, str(tmp_path / "new"))
