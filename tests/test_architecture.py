"""The arrows of imports run one way, and the check that says so can fail."""

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = {"laneproof": ROOT / "daemon", "laneproof_collectors": ROOT / "collectors"}
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
LAYERS = [
    {name.strip() for name in layer.split("|")} for layer in SETTINGS["tool"]["importlinter"]["contracts"][0]["layers"]
]
PROGRAMS = "collectors/laneproof_collectors/programs.py"
DOOR = tuple(f"collectors/laneproof_collectors/{name}.py" for name in ("live_host", "hung_devices"))
READER = tuple(
    f"collectors/laneproof_collectors/{name}.py" for name in ("reader", "reader_host", "reader_seal", "passed_socket")
)
LOAD = "collectors/laneproof_collectors/fio.py"  # starts the load of an acceptance run, which only reads
"""The door's own half that runs one program; only the door may call it."""
WITHOUT_LAYER = {"laneproof.demo"}
"""Holds data files and no code. This list may only shrink."""


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    """Check the arrows of the packages that a folder holds."""
    lint_imports = Path(sys.executable).with_name("lint-imports")
    return subprocess.run(
        [str(lint_imports), "--no-cache", "--no-logo", "pyproject.toml"],
        cwd=folder,
        env={"PATH": "/usr/bin:/bin", "PYTHONPATH": f"{folder / 'daemon'}:{folder / 'collectors'}"},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """Copy both packages, so that an arrow can be turned round."""
    for folder in PACKAGES.values():
        shutil.copytree(folder, tmp_path / folder.name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_imports_run_one_way() -> None:
    done = lint(ROOT)
    assert done.returncode == 0, done.stdout
    assert "1 kept, 0 broken" in done.stdout


@pytest.mark.parametrize(
    ("module", "turned"),
    [
        ("daemon/laneproof/findings.py", "import laneproof.outputs.audit_text"),
        ("daemon/laneproof/rules/rule.py", "from laneproof import service"),
        ("daemon/laneproof/outputs/metrics.py", "from laneproof.engine import Engine"),  # siblings
        ("collectors/laneproof_collectors/unread.py", "from laneproof.declaration import units"),
    ],
)
def test_an_arrow_turned_round_is_found(copy: Path, module: str, turned: str) -> None:
    file = copy / module
    file.write_text(file.read_text("utf-8") + f"\n{turned}\n")
    done = lint(copy)
    assert done.returncode == 1, done.stdout
    assert "Dependencies run one way BROKEN" in done.stdout


def test_each_module_of_the_top_level_has_a_layer() -> None:
    top = {
        f"laneproof.{path.stem}"
        for path in (ROOT / "daemon" / "laneproof").iterdir()
        if path.name not in ("__init__.py", "__pycache__") and (path.suffix == ".py" or (path / "__init__.py").exists())
    }
    assert top - set.union(*LAYERS) == WITHOUT_LAYER


def modules() -> list[Path]:
    return [path for folder in PACKAGES.values() for path in sorted(folder.rglob("*.py"))]


def named_imports(file: Path) -> Iterator[str]:
    """Give each module that a file names in an import."""
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        match node:
            case ast.Import(names=names):
                yield from (alias.name for alias in names)
            case ast.ImportFrom(module=str(module)):
                yield module


def test_only_the_door_reaches_the_machine() -> None:
    """Ruff bans the same names; here is who is let off, and that nobody else asks for leave."""
    let_off = SETTINGS["tool"]["ruff"]["lint"]["per-file-ignores"]
    may = {
        pattern
        for pattern, codes in let_off.items()
        if "TID251" in codes and not pattern.startswith(("tests", "packaging"))
    }
    assert may == {
        LOAD,
        "collectors/laneproof_collectors/live_host.py",
        "daemon/laneproof/cli.py",
        "daemon/laneproof/commands/*",
        "daemon/laneproof/history/*",
        "daemon/laneproof/line_inbox.py",
        "daemon/laneproof/notification/{delivery,state_folder}.py",
        "daemon/laneproof/service/*",
    }
    pleas = {str(module.relative_to(ROOT)) for module in modules() if "noqa: TID251" in module.read_text("utf-8")}
    assert pleas == {PROGRAMS}


def test_no_pure_module_opens_files_or_sockets() -> None:
    """What the list of banned names cannot say: the built-in `open`, and modules that reach out."""
    outside = {
        "socket", "subprocess", "urllib", "http", "sqlite3", "threading", "select", "shutil", "tempfile", "ctypes",
    }  # fmt: skip
    found = []
    for file in modules():
        place = file.relative_to(ROOT).as_posix()
        if place.startswith(("daemon/laneproof/service/", "daemon/laneproof/commands/", "daemon/laneproof/history/")):
            continue
        if place in ("daemon/laneproof/cli.py", *DOOR, PROGRAMS, LOAD, *READER):
            continue
        if place in (f"daemon/laneproof/notification/{name}.py" for name in ("delivery", "notifier", "state_folder")):
            continue
        names = [name for name in named_imports(file) if name.split(".")[0] in outside and name != "urllib.parse"]
        calls = (node.func for node in ast.walk(ast.parse(file.read_text("utf-8"))) if isinstance(node, ast.Call))
        names += ["open" for called in calls if isinstance(called, ast.Name) and called.id == "open"]
        found += [f"{place}: {name}" for name in names]
    assert found == []


def test_only_the_door_calls_its_journal() -> None:
    callers = {
        file.relative_to(ROOT).as_posix() for file in modules() if "laneproof_collectors.journal" in named_imports(file)
    }
    assert callers == {"collectors/laneproof_collectors/live_host.py"}


def test_each_library_that_is_installed_is_used() -> None:
    named = (name for file in modules() for name in named_imports(file))
    imported = {name.split(".")[0].lower().replace("_", "-") for name in named}
    wanted = {re.split(r"[^\w-]", each)[0].lower() for each in SETTINGS["project"]["dependencies"]}
    assert not wanted - imported


def test_each_suppression_names_its_code_and_its_reason() -> None:
    bare = [
        f"{file.relative_to(ROOT)}:{number}"
        for folder in ("daemon", "collectors", "tests", "packaging")
        for file in (ROOT / folder).rglob("*.py")
        for number, line in enumerate(file.read_text("utf-8").splitlines(), start=1)
        if re.search(r"# (noqa|noqa: [A-Z0-9, ]+|type: ignore(\[[a-z, -]+\])?)$", line)
    ]
    assert bare == []
