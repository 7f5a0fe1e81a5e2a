"""Results in folders: put whole, or not at all.

::

    out/                    a result: files, and a manifest that was written last
    .out.writing/           the next result, while it is being made       (beside it)
    .out.previous/          the last result, for the instant of the swap  (beside it)
    .out.lock               held by the one writer                        (beside it)

A folder without a manifest is not a result. What the manifest doesn't list (a person's marks, a note they put there)
isn't ours: it survives a new review.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from tidebench._version import __version__
from tidebench.errors import OutputError

PROGRAM = "tidebench"
MANIFEST = "manifest.json"
SCHEMA_VERSION = 1
"""Raised by whoever changes the meaning of a file in a result."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What a result was made of.

    Attributes
    ----------
    recording_id : str
        :attr:`tidebench.recording.Recording.recording_id`.
    case_hash : str
        Hash of what the case says.
    options : mapping
        Options of the run that change the result, as JSON knows them.
    rules : mapping of str to int
        Version of each rule that was applied, by the kind of finding.
    """

    recording_id: str
    case_hash: str
    options: Mapping[str, Any] = field(default_factory=dict)
    rules: Mapping[str, int] = field(default_factory=dict)

    @property
    def options_hash(self) -> str:
        """Hash of the options, whatever their order."""
        return hashlib.blake2b(json.dumps(dict(self.options), sort_keys=True).encode(), digest_size=16).hexdigest()

    @property
    def metadata(self) -> dict[str, str]:
        """What every table of the result carries in its own metadata."""
        return {
            "recording_id": self.recording_id,
            "case_hash": self.case_hash,
            "options_hash": self.options_hash,
            "schema_version": str(SCHEMA_VERSION),
        }


@dataclass(slots=True)
class Draft:
    """A result in the making: write files into ``folder``, and say what they were made of before the end."""

    folder: Path
    identity: Identity | None = None


@dataclass(frozen=True, slots=True)
class Result:
    """A result on disk: its folder, and what its manifest says."""

    folder: Path
    manifest: Mapping[str, Any]

    @property
    def files(self) -> Mapping[str, str]:
        """The result's own files (with ``/`` between folders), each with the hash it was written with."""
        files: Mapping[str, str] = self.manifest["files"]
        return files

    def altered(self) -> tuple[str, ...]:
        """Files that no longer hold what was written."""
        return tuple(name for name, digest in self.files.items() if _hash(self.folder / name) != digest)


@contextmanager
def new_result(out: Path) -> Iterator[Draft]:
    """Make a result and put it at ``out``, whole, when the block ends; a block that fails leaves no trace.

    An earlier result at ``out`` stays valid until then and is replaced in one move. What a person added to it is
    carried over.

    Raises
    ------
    OutputError
        ``out`` is a file, or holds something that isn't a result, or can't be written; another run is writing there.
    """
    try:
        out = out.resolve()
    except RuntimeError as error:  # links that go round, before Python 3.13
        raise OutputError(str(error), where=str(out), expected="a new folder or an earlier result") from error
    if Path.cwd().is_relative_to(out):
        raise OutputError("a result can't replace the folder you are in", where=str(out), remedy="Name one inside it.")
    with _told(out), _parents(out), _only_writer(out):
        _restore(out)
        _check_target(out)
        staging = _sibling(out, "writing")
        shutil.rmtree(staging, ignore_errors=True)
        staging.mkdir()
        try:
            draft = Draft(staging)
            yield draft
            _seal(draft, out)
            _swap(staging, out)
        finally:
            shutil.rmtree(staging, ignore_errors=True)


@contextmanager
def new_folder(out: Path) -> Iterator[Path]:
    """Make a folder that is put at ``out``, whole, when the block ends; a block that fails leaves no trace.

    Raises
    ------
    OutputError
        There is something at ``out`` already, other than an empty folder, or it can't be written.
    """
    out = out.parent.resolve() / out.name
    with _told(out), _parents(out), _only_writer(out):
        if os.path.lexists(out) and not (out.is_dir() and not any(out.iterdir())):
            raise OutputError("there is something there already", where=str(out), expected="a new or empty folder")
        staging = _sibling(out, "writing")
        shutil.rmtree(staging, ignore_errors=True)
        staging.mkdir()
        try:
            yield staging
            for path in _files(staging):
                _flush(path)
            if out.exists():
                out.rmdir()
            staging.rename(out)
        finally:
            shutil.rmtree(staging, ignore_errors=True)


def put_text(out: Path, text: str) -> None:
    """Write a file of text, whole or not at all.

    Raises
    ------
    OutputError
        It can't be written; another run is writing it.
    """
    with _told(out), _only_writer(out):
        staging = _sibling(out, "writing")
        staging.write_text(text, encoding="utf-8", newline="\n")
        _flush(staging)
        staging.replace(out)


def keep_other_results(out: Path, mark: str, called: str = "result") -> None:
    """Refuse to replace a result that another command wrote: one whose options lack ``mark``.

    ``called`` is what a person calls such a result.

    Raises
    ------
    OutputError
        There is such a result at ``out``.
    """
    try:
        options = json.loads((out / MANIFEST).read_text(encoding="utf-8"))["options"]
    except (OSError, ValueError, KeyError, TypeError):
        return  # no result there: the store decides
    if not (isinstance(options, dict) and options.get(mark)):
        raise OutputError(
            "the folder holds the result of another command", where=str(out),
            expected=f"a new folder, or an earlier {called} of this command",
        )  # fmt: skip


def read_result(folder: Path) -> Result:
    """Open a result.

    Raises
    ------
    OutputError
        The folder holds no result, one that lacks files, or one of a later program.
    """
    folder = folder.resolve()
    if not folder.exists() and _sibling(folder, "previous").exists():
        with _only_writer(folder):
            _restore(folder)
    manifest = _read_manifest(folder)
    if manifest is None:
        raise OutputError(
            "there is no result here",
            where=str(folder),
            expected=f"a folder that `tidebench review` wrote, with its {MANIFEST}",
        )
    if manifest["schema_version"] > SCHEMA_VERSION:
        raise OutputError(
            f"the result was written by a later version, {manifest.get('version')}",
            where=str(folder),
            remedy="Install that version, or review the case again with this one.",
        )
    result = Result(folder, manifest)
    if missing := [name for name in result.files if not (folder / name).is_file()]:
        raise OutputError(f"the result lacks {', '.join(missing)}", where=str(folder), remedy="Review the case again.")
    return result


def _sibling(out: Path, purpose: str) -> Path:
    return out.with_name(f".{out.name}.{purpose}")


@contextmanager
def _told(out: Path) -> Iterator[None]:
    """Say in words what the system refused, where it concerns the result."""
    try:
        yield
    except OSError as error:
        ours = (str(out), str(_sibling(out, "")))
        if error.filename and Path(error.filename) not in out.parents and not str(error.filename).startswith(ours):
            raise
        raise OutputError(
            f"the result can't be written ({error.strerror or error})",
            where=str(out),
            remedy="Choose a folder that you may write to, on a disk with room, and close what holds it open.",
        ) from error


@contextmanager
def _parents(out: Path) -> Iterator[None]:
    """Make the folders above, and take those away again that stay empty."""
    missing = [folder for folder in out.parents if not folder.exists()]
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        yield
    finally:
        for folder in missing:
            with suppress(OSError):  # not empty: the result is there
                folder.rmdir()


@contextmanager
def _only_writer(out: Path) -> Iterator[None]:
    """Hold the lock beside ``out``. The system frees it when its holder dies, so none goes stale."""
    path = _sibling(out, "lock")
    path.touch()  # a place that can't be written says so here; the lock would wait for it
    lock = FileLock(path, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise OutputError(
            "another run is writing here", where=str(out), remedy="Wait for it, or choose another folder."
        ) from None
    try:
        yield
    finally:
        with suppress(PermissionError):  # Windows: an open file can't be removed; releasing does it
            path.unlink(missing_ok=True)
        lock.release()


def _check_target(out: Path) -> None:
    """Refuse a place that holds anything but a result."""
    if not out.exists():
        return
    if not out.is_dir():
        raise OutputError("there is a file of that name", where=str(out), expected="a new folder or an earlier result")
    if not out.stat().st_mode & 0o222 or not os.access(out, os.W_OK):
        raise OutputError(
            "the folder is read-only, and won't be replaced",
            where=str(out),
            remedy="Choose another folder, or make this one writable.",
        )
    if any(out.iterdir()) and _read_manifest(out) is None:
        raise OutputError(
            "the folder holds something that isn't a result, and nothing of it will be overwritten",
            where=str(out),
            expected="a new or empty folder, or an earlier result",
        )


def _read_manifest(folder: Path) -> dict[str, Any] | None:
    """The manifest of a folder, or None where there is none of ours."""
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    ours = (
        isinstance(manifest, dict)
        and manifest.get("program") == PROGRAM
        and isinstance(manifest.get("schema_version"), int)
        and isinstance(manifest.get("files"), dict)
    )
    return manifest if ours else None


def _seal(draft: Draft, out: Path) -> None:
    """Write the manifest, last, after everything else has reached the disk."""
    if draft.identity is None:
        raise ValueError("a result says what it was made of: set the draft's identity")
    identity, folder = draft.identity, draft.folder
    manifest = {
        "program": PROGRAM,
        "version": __version__,
        **identity.metadata,
        "schema_version": SCHEMA_VERSION,
        "options": dict(identity.options),
        "rules": dict(sorted(identity.rules.items())),
        "files": {path.relative_to(folder).as_posix(): _hash(path) for path in _files(folder)},
    }
    _carry_over(out, folder)
    for path in _files(folder):
        _flush(path)
    path = folder / MANIFEST
    path.write_text(json.dumps(manifest, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    _flush(path)
    _flush(folder)


def _carry_over(out: Path, staging: Path) -> None:
    """Copy what the earlier result's manifest doesn't list."""
    listed = {MANIFEST, *(_read_manifest(out) or {}).get("files", {})}
    for path in _files(out):
        name = path.relative_to(out)
        if name.as_posix() in listed:
            continue
        if (staging / name).exists():
            raise OutputError(
                "somebody put a file there, and the result has one of the same name",
                where=str(path),
                remedy="Move it elsewhere first.",
            )
        (staging / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, staging / name)


def _swap(staging: Path, out: Path) -> None:
    """Put the new result where the old one was. Stopped in between, :func:`_restore` puts the old one back."""
    previous = _sibling(out, "previous")
    if out.exists():
        out.rename(previous)
    try:
        staging.rename(out)
    except BaseException:
        _restore(out)
        raise
    _flush(out.parent)
    shutil.rmtree(previous, ignore_errors=True)


def _restore(out: Path) -> None:
    """Undo a swap that was stopped half-way, or clear what a finished one left."""
    previous = _sibling(out, "previous")
    if not previous.exists():
        return
    if out.exists():
        shutil.rmtree(previous)
    else:
        previous.rename(out)


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _hash(path: Path) -> str:
    """Hash of a file's content; empty where it can't be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def _flush(path: Path) -> None:
    """Have the system write a file or folder through to the disk."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
