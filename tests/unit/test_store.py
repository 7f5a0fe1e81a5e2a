"""Results are put whole or not at all, whoever stops the writer and when."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tidebench.errors import OutputError
from tidebench.store import MANIFEST, SCHEMA_VERSION, Identity, new_result, read_result

IDENTITY = Identity("0123", "4567", options={"report": True}, rules={"leak": 2, "gap": 1})


def put(out: Path, text: str = "breaths", name: str = "breaths.csv") -> None:
    """Put a small result."""
    with new_result(out) as draft:
        (draft.folder / name).write_text(text)
        draft.identity = IDENTITY


def content(folder: Path) -> dict[str, str]:
    """Every file of a folder."""
    return {p.relative_to(folder).as_posix(): p.read_text() for p in sorted(folder.rglob("*")) if p.is_file()}


def names(folder: Path) -> set[str]:
    """What lies in a folder, hidden or not."""
    return {path.name for path in folder.iterdir()}


def test_result_reads_back_with_its_identity(tmp_path: Path) -> None:
    put(tmp_path / "out")
    result = read_result(tmp_path / "out")
    assert result.manifest["recording_id"] == "0123"
    assert result.manifest["case_hash"] == "4567"
    assert result.manifest["options"] == {"report": True}
    assert result.manifest["options_hash"] == IDENTITY.options_hash == IDENTITY.metadata["options_hash"]
    assert list(result.manifest["rules"].items()) == [("gap", 1), ("leak", 2)]
    assert set(result.files) == {"breaths.csv"}
    assert result.altered() == ()
    assert names(tmp_path) == {"out"}


def test_options_hash_does_not_depend_on_their_order() -> None:
    one, other = Identity("r", "c", {"a": 1, "b": 2}), Identity("r", "c", {"b": 2, "a": 1})
    assert one.options_hash == other.options_hash != Identity("r", "c", {"a": 2, "b": 2}).options_hash


def test_altered_file_is_told(tmp_path: Path) -> None:
    put(tmp_path / "out")
    (tmp_path / "out" / "breaths.csv").write_text("breathS")
    assert read_result(tmp_path / "out").altered() == ("breaths.csv",)


def test_folders_above_are_made(tmp_path: Path) -> None:
    put(tmp_path / "ward" / "bed" / "out")
    assert read_result(tmp_path / "ward" / "bed" / "out").files


def test_new_result_replaces_the_old_one_whole(tmp_path: Path) -> None:
    put(tmp_path / "out", name="old.csv")
    put(tmp_path / "out", name="new.csv")
    assert set(content(tmp_path / "out")) == {"new.csv", MANIFEST}


def test_what_a_person_added_survives(tmp_path: Path) -> None:
    out = tmp_path / "out"
    put(out)
    (out / "marks.jsonl").write_text('{"kind": "leak"}\n')
    (out / "notes").mkdir()
    (out / "notes" / "round.txt").write_text("seen")
    for _ in range(2):
        put(out, "again")
    assert content(out)["marks.jsonl"] == '{"kind": "leak"}\n'
    assert content(out)["notes/round.txt"] == "seen"
    assert set(read_result(out).files) == {"breaths.csv"}


def test_added_file_is_not_overwritten_by_one_of_the_result(tmp_path: Path) -> None:
    out = tmp_path / "out"
    put(out)
    (out / "report.pdf").write_text("mine")
    before = content(out)
    with pytest.raises(OutputError, match=r"report\.pdf: somebody put a file there"):
        put(out, name="report.pdf")
    assert content(out) == before


def test_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    put(tmp_path / "out")
    assert read_result(tmp_path / "out").files


def test_link_to_a_folder_is_followed(tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "far")
    put(tmp_path / "out")
    put(tmp_path / "out", "again")
    assert (tmp_path / "out").is_symlink()
    assert content(tmp_path / "far")["breaths.csv"] == "again"


@pytest.mark.parametrize(
    "manifest", [None, "{", "[]", "{}", '{"name": "a page", "icons": []}', '{"program": "tidebench", "files": []}']
)
def test_folder_that_is_no_result_is_left_alone(tmp_path: Path, manifest: str | None) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("three years")
    if manifest is not None:
        (out / MANIFEST).write_text(manifest)
    before = content(tmp_path)
    with pytest.raises(OutputError, match="isn't a result"):
        put(out)
    with pytest.raises(OutputError, match="there is no result here"):
        read_result(out)
    assert content(tmp_path) == before


def test_file_of_that_name_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="there is a file of that name"):
        put(tmp_path / "out")
    with pytest.raises(OutputError, match="can't be written"):
        put(tmp_path / "out" / "below")
    assert content(tmp_path) == {"out": "a file"}


def test_folder_one_stands_in_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for out in (Path(), Path(".."), Path("/")):
        with pytest.raises(OutputError, match="the folder you are in"):
            put(out)
    assert names(tmp_path) == set()


@pytest.mark.parametrize("failure", [RuntimeError("no"), KeyboardInterrupt(), OutputError("no")], ids=type)
def test_failure_leaves_the_old_result_and_nothing_else(tmp_path: Path, failure: BaseException) -> None:
    put(tmp_path / "out")
    before = content(tmp_path)

    def fail(out: Path) -> None:
        with new_result(out) as draft:
            (draft.folder / "half.csv").write_text("ha")
            raise failure

    for out in (tmp_path / "out", tmp_path / "new" / "out"):
        with pytest.raises(type(failure)):
            fail(out)
    assert content(tmp_path) == before
    assert names(tmp_path) == {"out"}


def test_full_disk_is_told_in_words(tmp_path: Path) -> None:
    with (
        pytest.raises(OutputError, match=r"out: the result can't be written \(No space left on device\)"),
        new_result(tmp_path / "out"),
    ):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_trouble_elsewhere_is_not_called_trouble_with_the_result(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), new_result(tmp_path / "out"):
        (tmp_path / "signals.csv").read_text()


def test_draft_without_identity_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="what it was made of"), new_result(tmp_path / "out"):
        pass
    assert names(tmp_path) == set()


def test_second_writer_is_refused_and_disturbs_nothing(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with new_result(out) as draft:
        (draft.folder / "breaths.csv").write_text("first")
        with pytest.raises(OutputError, match="another run is writing here"):
            put(out, "second")
        draft.identity = IDENTITY
    assert content(out)["breaths.csv"] == "first"
    assert names(tmp_path) == {"out"}


WRITER = """
import os, sys, time
from pathlib import Path
from tidebench import store

def stop(*_):
    print("there", flush=True)
    time.sleep(60)

if sys.argv[2] == "in the swap":
    whole, Path.rename = Path.rename, lambda path, to: stop() if path.name.endswith("writing") else whole(path, to)
with store.new_result(Path(sys.argv[1])) as draft:
    (draft.folder / "breaths.csv").write_text("new")
    draft.identity = store.Identity("r", "c")
    if sys.argv[2] == "while writing":
        stop()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kills with a POSIX signal")
@pytest.mark.parametrize("moment", ["while writing", "in the swap"])
def test_killed_writer_leaves_the_old_result_and_no_stale_lock(tmp_path: Path, moment: str) -> None:
    out = tmp_path / "out"
    put(out, "old")
    with subprocess.Popen([sys.executable, "-c", WRITER, str(out), moment], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"there\n"
        process.send_signal(signal.SIGKILL)
    assert read_result(out).altered() == ()
    assert content(out)["breaths.csv"] == "old"
    put(out, "next")
    assert content(out)["breaths.csv"] == "next"
    assert names(tmp_path) == {"out"}


def test_interrupted_writer_cleans_up(tmp_path: Path) -> None:
    out = tmp_path / "out"
    put(out, "old")
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(out), "while writing"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.send_signal(signal.SIGINT)
    assert content(out)["breaths.csv"] == "old"
    assert names(tmp_path) == {"out"}


def test_result_that_lacks_a_file_is_refused(tmp_path: Path) -> None:
    put(tmp_path / "out")
    (tmp_path / "out" / "breaths.csv").unlink()
    with pytest.raises(OutputError, match=r"the result lacks breaths\.csv"):
        read_result(tmp_path / "out")


def test_result_of_a_later_program_is_refused(tmp_path: Path) -> None:
    put(tmp_path / "out")
    path = tmp_path / "out" / MANIFEST
    manifest = {**json.loads(path.read_text()), "schema_version": SCHEMA_VERSION + 1, "version": "9.9"}
    path.write_text(json.dumps(manifest))
    with pytest.raises(OutputError, match=r"written by a later version, 9\.9"):
        read_result(tmp_path / "out")


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="no such file system")
@pytest.mark.parametrize("out", ["/proc/out", "/proc/ward/out"])
def test_place_that_takes_no_files_is_told_as_such(out: str) -> None:
    with pytest.raises(OutputError, match="can't be written"):
        put(Path(out))


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
@pytest.mark.parametrize("filled", [False, True], ids=["empty", "an earlier result"])
def test_read_only_folder_is_not_replaced(tmp_path: Path, filled: bool) -> None:
    out = tmp_path / "out"
    put(out) if filled else out.mkdir()
    before = content(tmp_path)
    out.chmod(0o555)
    with pytest.raises(OutputError, match="read-only"):
        put(out, "new")
    assert out.stat().st_mode & 0o777 == 0o555
    assert content(tmp_path) == before
    out.chmod(0o755)


def test_links_that_go_round_are_refused(tmp_path: Path) -> None:
    (tmp_path / "out").symlink_to(tmp_path / "out")
    with pytest.raises(OutputError, match="out"):
        put(tmp_path / "out")
    assert names(tmp_path) == {"out"}
