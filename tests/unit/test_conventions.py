"""The habits of the house, held by tests: what may import what, how public things are documented, what is pinned."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tidebench import errors
from tidebench.findings import FINDINGS
from tidebench.readers import READERS

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "tidebench"
SOURCES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("test_*.py"))

# From the bottom up; docs/architecture.md draws it. A line is one layer: its rooms don't import each other.
LAYERS = (
    ("_version", "caution", "errors", "interval", "mode"),
    ("_quantities", "units"),
    ("quantities", "kernels"),
    ("formulas", "recording", "records"),
    ("entries", "tensions"),
    ("case_errors",),
    ("case",),
    ("gas_contradictions",),
    ("contradictions",),
    ("doubts",),
    ("apnoea", "case_interview", "readers"),
    ("forms",),
    ("case_form",),
    ("inflations",),
    ("efforts",),
    ("interaction",),
    ("measures",),
    ("line",),
    ("steps",),
    ("limits",),
    ("findings",),
    ("store",),
    ("pictures", "simulation"),
    ("review",),
    ("kept", "marks", "sampled"),
    ("fitting",),
    ("care",),
    ("views",),
    ("report",),
    ("results",),
    ("bench", "case_columns", "casebook", "handouts", "handover", "logbook", "rehearsal"),
    ("lessons",),
    ("web",),
    ("cli",),
    ("__main__",),
    ("__init__",),
)
LEVEL = {room: level for level, rooms in enumerate(LAYERS) for room in rooms}

LATE = {"numpy", "scipy", "numba", "polars", "pydantic", "matplotlib", "typst"}
NETWORK = {"socket", "ssl", "http", "urllib", "ftplib", "smtplib", "asyncio", "requests", "httpx", "aiohttp"}


def names(paths: list[Path]) -> list[str]:
    """Paths as test ids."""
    return [path.relative_to(ROOT).as_posix() for path in paths]


def room(path: Path) -> str:
    """The room of a module: the package or module right below ``tidebench``."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(tree: ast.AST) -> Iterator[str]:
    """Every module that code imports, late imports and those for types included."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
            assert node.level == 0, f"line {node.lineno}: imports are absolute"


def rooms_imported(tree: ast.AST) -> Iterator[str]:
    """Rooms of this package that code imports; ``__init__`` for a name taken from the top."""
    for module in imported(tree):
        top, _, rest = module.partition(".")
        if top == "tidebench":
            below = rest.partition(".")[0]
            yield below if below in LEVEL else "__init__"


@pytest.mark.parametrize("path", SOURCES, ids=names(SOURCES))
def test_nothing_later_is_imported_by_anything_earlier(path: Path) -> None:
    here = room(path)
    assert here in LEVEL, f"{here} has no place in the order yet: give it one in LAYERS and in docs/architecture.md"
    wrong = {
        other
        for other in rooms_imported(ast.parse(path.read_text(encoding="utf-8")))
        if other != here and LEVEL[other] >= LEVEL[here]
    }
    assert not wrong, f"{here} may not import {', '.join(sorted(wrong))}"


LIBRARY = [path for path in SOURCES if room(path) != "web"]


@pytest.mark.parametrize("path", LIBRARY, ids=names(LIBRARY))
def test_no_library_module_opens_the_network(path: Path) -> None:
    tops = {module.partition(".")[0] for module in imported(ast.parse(path.read_text(encoding="utf-8")))}
    assert not tops & NETWORK


def test_command_line_loads_nothing_heavy() -> None:
    code = "import sys, tidebench.cli; print(*{name.partition('.')[0] for name in sys.modules})"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "cyclopts" in loaded
    assert not LATE & set(loaded)


def test_workbench_waits_for_statistics_until_they_are_asked() -> None:
    code = "import sys, tidebench.web.app; print('scipy.stats' in sys.modules, 'scipy.signal' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["False", "False"]  # 70 MiB of a server's memory


@pytest.mark.parametrize("path", [*SOURCES, *TESTS], ids=names([*SOURCES, *TESTS]))
def test_random_numbers_come_from_a_generator_with_a_seed(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert "random" not in {module.partition(".")[0] for module in imported(tree)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) in ("np.random", "numpy.random"):
            assert node.attr in ("Generator", "default_rng"), f"line {node.lineno}: np.random.{node.attr}"
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("default_rng"):
            assert node.args or node.keywords, f"line {node.lineno}: a generator without a seed"


def public(body: list[ast.stmt], prefix: str = "") -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Public classes, functions and methods, with their dotted names."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield f"{prefix}{node.name}", node
            if isinstance(node, ast.ClassDef):
                yield from public(node.body, f"{prefix}{node.name}.")


@pytest.mark.parametrize("path", SOURCES, ids=names(SOURCES))
def test_everything_public_says_what_it_is(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "the module has no docstring"
    silent = [name for name, node in public(tree.body) if not ast.get_docstring(node)]
    assert not silent, f"no docstring: {', '.join(silent)}"


def checks(node: ast.AST, helpers: set[str]) -> bool:
    """True where code asserts something, itself or by one of its module's helpers."""
    for inner in ast.walk(node):
        if isinstance(inner, ast.Assert):
            return True
        if isinstance(inner, ast.Call):
            name = ast.unparse(inner.func)
            if name in helpers or re.search(r"(^|\.)(raises|warns|fail|assert_\w+|expect)$", name):
                return True
    return False


@pytest.mark.parametrize("path", TESTS, ids=names(TESTS))
def test_every_test_checks_something(path: Path) -> None:
    functions = [n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.FunctionDef)]
    helpers = {f.name for f in functions if not f.name.startswith("test_") and checks(f, set())}
    tests = [f for f in functions if f.name.startswith("test_")]
    assert tests
    idle = [f.name for f in tests if not checks(f, helpers)]
    assert not idle, f"checks nothing: {', '.join(idle)}"


def test_drawn_error_tree_is_the_class_tree() -> None:
    drawing = (errors.__doc__ or "").partition("::")[2]
    drawn: list[tuple[str, str | None]] = []
    above: dict[int, str] = {}
    for line in drawing.splitlines():
        if match := re.search(r"\w+Error", line):
            above[match.start()] = match[0]
            outer = [column for column in above if column < match.start()]
            drawn.append((match[0], above[max(outer)] if outer else None))
    real = [
        (name, kind.__base__.__name__ if kind.__base__ is not Exception else None)
        for name, kind in vars(errors).items()
        if isinstance(kind, type) and issubclass(kind, Exception) and kind.__base__
    ]
    assert sorted(drawn, key=str) == sorted(real, key=str)


def test_top_of_the_package_is_complete_and_sorted() -> None:
    import tidebench

    homes = {name for names in tidebench._HOMES.values() for name in names}
    assert tidebench.__all__ == sorted({"__version__", *homes})
    assert all(getattr(tidebench, name) is not None for name in tidebench.__all__)
    assert set(tidebench.__all__) <= set(dir(tidebench))
    with pytest.raises(AttributeError, match="no attribute 'nonesuch'"):
        tidebench.nonesuch  # noqa: B018


@pytest.mark.parametrize("suffix", READERS)
def test_every_reader_has_a_test_and_a_page(suffix: str) -> None:
    texts = [path.read_text(encoding="utf-8") for path in TESTS if path != Path(__file__)]
    tested = [text for text in texts if suffix in text or "READERS" in text]
    described = [path for path in (ROOT / "docs").rglob("*.md") if f"`{suffix}`" in path.read_text(encoding="utf-8")]
    assert tested, f"no test reads a {suffix} file"
    assert described, f"no page under docs/ speaks of `{suffix}` files"


@pytest.mark.parametrize("kind", FINDINGS)
def test_every_finding_has_a_test_and_a_page(kind: str) -> None:
    home = FINDINGS[kind].__module__.rpartition(".")[2]
    tests = [path.read_text(encoding="utf-8") for path in TESTS if path != Path(__file__)]
    pages = [path.read_text(encoding="utf-8") for path in (ROOT / "docs").rglob("*.md")]
    assert any(f'"{kind}"' in text or re.search(rf"findings import .*\b{home}\b", text) for text in tests)
    assert any(f"`{kind}`" in text for text in pages), f"no page under docs/ speaks of `{kind}`"


@pytest.mark.parametrize("path", SOURCES, ids=names(SOURCES))
def test_module_loads_by_itself(path: Path) -> None:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    assert importlib.import_module(".".join(part for part in parts if part != "__init__"))


# --- what is pinned, and what is kept out of the tree ---


def pins(name: str) -> dict[str, str]:
    """Package and version of each line of a lock file."""
    text = (ROOT / name).read_text(encoding="utf-8")
    return dict(re.findall(r"^([a-z0-9-]+)==(\S+)", text, flags=re.MULTILINE))


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-dev.lock"])
def test_lock_pins_everything_and_names_no_host(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    entries = re.split(r"\n(?=\S)", re.sub(r"^#.*\n", "", text, flags=re.MULTILINE).strip())
    assert len(entries) == len(pins(name)) > 20
    assert all("--hash=sha256:" in entry for entry in entries)
    assert not re.search(r"://|index-url|find-links|trusted-host|resolved", text)


def test_locks_agree_and_hold_what_the_project_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    run, dev = pins("requirements.lock"), pins("requirements-dev.lock")
    wanted = {re.split(r"[<>=~!; \[]", line)[0].lower() for line in project["project"]["dependencies"]}
    groups = {re.split(r"[<>=~!; \[]", line)[0].lower() for line in project["dependency-groups"]["dev"]}
    assert wanted <= run.keys()
    assert groups <= dev.keys()
    assert run.items() <= dev.items()


def tracked() -> list[Path]:
    """Files that git keeps; every file where this is no clone."""
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listing.returncode:
        return [path for path in ROOT.rglob("*") if path.is_file() and ".venv" not in path.parts]
    return [ROOT / name for name in listing.stdout.decode().split("\0") if name]


def test_no_tracked_file_names_a_machine_or_a_registry() -> None:
    words = ["/" + "work/", "/" + "root/", "/" + "home/", "/" + "Users/", "/" + "tmp/", "pythonhosted", "pypi" + ".org"]
    banned = re.compile("|".join([*words, r'"resolved"\s*:']).encode())
    found = [path for path in tracked() if path.is_file() and banned.search(path.read_bytes())]
    assert [path.relative_to(ROOT).as_posix() for path in found if path != Path(__file__)] == []
