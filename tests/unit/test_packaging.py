"""The wheel holds all that the program needs away from its repository."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> ZipFile:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    (built,) = folder.glob("*.whl")
    return ZipFile(built)


def test_wheel_holds_every_file_of_the_package(wheel: ZipFile) -> None:
    package = ROOT / "src" / "tidebench"
    ours = {
        path.relative_to(package.parent).as_posix()
        for path in package.rglob("*")
        if path.is_file() and not {"__pycache__", "frontend"} & set(path.parts)
    }
    assert {"tidebench/demo/case.toml", "tidebench/demo/signals.csv", "tidebench/py.typed"} <= ours
    assert ours <= set(wheel.namelist())


def test_wheel_carries_licence_and_command(wheel: ZipFile) -> None:
    told = {Path(name).name: name for name in wheel.namelist() if ".dist-info/" in name}
    assert "Apache License" in wheel.read(told["LICENSE"]).decode()
    assert "tidebench = tidebench.cli:main" in wheel.read(told["entry_points.txt"]).decode()
    assert "License-Expression: Apache-2.0" in wheel.read(told["METADATA"]).decode()
