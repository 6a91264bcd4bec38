"""The tests' tree mirrors both packages, and each test that stands in it is run.

Each module has a file of tests in the folder where one looks for it. What pytest collects is what the files hold: a
folder that pytest passes over, by its name or by a setting, is a failure here.
"""

import ast
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from support.mirror import MIRRORS, files_of_tests

ROOT = Path(__file__).resolve().parents[1]

# Values without behaviour of their own: every test of what makes or reads them is a test of them.
WITHOUT_TESTS = {
    "collectors/laneproof_collectors/snapshot.py",
    "collectors/laneproof_collectors/unread.py",
    "daemon/laneproof/past/past.py",
}
"""This list may only shrink."""
MOST_WITHOUT_TESTS = 3


def test_each_module_has_its_tests() -> None:
    missing = {module for module, tests in files_of_tests(ROOT).items() if not tests.exists()}
    assert missing - WITHOUT_TESTS == set()
    assert WITHOUT_TESTS - missing == set(), "these have tests now: take them off the list"
    assert len(WITHOUT_TESTS) <= MOST_WITHOUT_TESTS


def test_each_file_of_tests_has_its_module() -> None:
    wanted = set(files_of_tests(ROOT).values())
    strays = [
        test.relative_to(ROOT).as_posix()
        for tests in MIRRORS.values()
        for test in sorted((ROOT / tests).rglob("test_*.py"))
        if test not in wanted
    ]
    assert strays == []


def standing(checkout: Path) -> set[str]:
    """Name the functions of tests that stand in the tree's files, whatever pytest makes of them."""
    return {
        f"{file.relative_to(checkout).as_posix()}::{node.name}"
        for file in (checkout / "tests").rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_")
    }


def collected_cases(checkout: Path) -> set[str]:
    """Name the cases that pytest collects when it is started in a checkout without arguments."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider"],
        cwd=checkout,
        env={name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return {line for line in done.stdout.splitlines() if "::" in line}


def functions(cases: set[str]) -> set[str]:
    return {f"{file}::{name}" for case in cases for file, name in re.findall(r"^(\S+\.py)::(?:\w+::)*(\w+)", case)}


def test_each_test_that_stands_in_the_tree_is_collected(request: pytest.FixtureRequest) -> None:
    cases = collected_cases(ROOT)
    assert functions(cases) == standing(ROOT)
    # a name that holds the time of its collection differs between the processes that share the work
    assert {item.nodeid for item in request.session.items} - cases == set()


def test_each_file_of_tests_holds_a_test() -> None:
    with_tests = {name.partition("::")[0] for name in standing(ROOT)}
    files = {file.relative_to(ROOT).as_posix() for file in (ROOT / "tests").rglob("test_*.py")}
    assert with_tests == files


@pytest.mark.parametrize(
    ("file", "setting"),
    [
        ("tests/daemon/build/test_arrays.py", "norecursedirs"),  # pytest's own list holds "build"
        ("tests/daemon/arrays.py", ""),  # no name of a file of tests
        ("tests/.arrays/test_arrays.py", ""),
    ],
)
def test_what_nobody_collects_is_found(tmp_path: Path, file: str, setting: str) -> None:
    settings = (ROOT / "pyproject.toml").read_text("utf-8").splitlines()
    (tmp_path / "pyproject.toml").write_text(
        "\n".join(line for line in settings if not setting or not line.startswith(setting)), "utf-8"
    )
    for name in (file, "tests/test_others.py"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("def test_something():\n    pass\n", "utf-8")
    assert standing(tmp_path) - functions(collected_cases(tmp_path)) == {f"{file}::test_something"}


def test_a_folder_of_any_plain_name_is_collected(tmp_path: Path) -> None:
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    for folder in ("build", "dist", "venv", "node_modules", "CVS"):
        (tmp_path / "tests" / folder).mkdir(parents=True)
        (tmp_path / "tests" / folder / "test_arrays.py").write_text("def test_something():\n    pass\n", "utf-8")
    assert functions(collected_cases(tmp_path)) == standing(tmp_path) != set()
