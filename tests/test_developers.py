"""DEVELOPERS.md is a map: each package has its line, and each file and function that it names is there."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
PACKAGES = {"laneproof": ROOT / "daemon" / "laneproof", "collectors": ROOT / "collectors" / "laneproof_collectors"}
FAMILIES_OF_RULES = "laneproof/rules/"
"""They are many and alike; docs/findings.md lists them."""


def section(title: str) -> str:
    return TEXT.partition(f"## {title}\n")[2].partition("\n## ")[0]


def names_in(module: Path) -> set[str]:
    """Name what a module defines: functions, classes with their methods, constants."""
    found = set()
    for node in ast.parse(module.read_text("utf-8")).body:
        match node:
            case ast.FunctionDef():
                found.add(node.name)
            case ast.ClassDef():
                found |= {node.name, *(f"{node.name}.{part.name}" for part in node.body
                                       if isinstance(part, ast.FunctionDef))}  # fmt: skip
            case ast.Assign(targets=[ast.Name(id=name)]) | ast.AnnAssign(target=ast.Name(id=name)):
                found.add(name)
    return found


def is_defined(dotted: str) -> bool:
    """Whether a dotted name of a walk leads to something that a module defines."""
    first, _, rest = dotted.partition(".")
    folder, parts = (PACKAGES["collectors"], rest.split(".")) if first == "collectors" else (
        PACKAGES["laneproof"], dotted.split("."))  # fmt: skip
    for length in range(1, len(parts)):
        module = folder.joinpath(*parts[:length]).with_suffix(".py")
        if module.is_file():
            return ".".join(parts[length:]) in names_in(module)
    return False


WALKED = re.findall(r"`([a-z_.]+\.[A-Za-z_]+(?:\.[a-z_]+)?)`", section("Four walks"))


@pytest.mark.parametrize("name", WALKED)
def test_each_name_of_a_walk_is_there(name: str) -> None:
    assert is_defined(name)


def test_a_name_that_is_not_there_is_found() -> None:
    assert len(WALKED) > 35
    for gone in ("box.topology.no_such", "no.such.module", "collectors.pcie.aer.parse_no", "past.ledger.Ledger.no"):
        assert not is_defined(gone)


def test_each_package_has_its_line() -> None:
    listed = {
        name.rstrip("/") for name in re.findall(r"^\| `(laneproof[a-z_/]*)` \|", section("The house"), re.MULTILINE)
    }
    standing = {
        file.parent.relative_to(folder.parent).as_posix()
        for folder in PACKAGES.values()
        for file in folder.rglob("__init__.py")
    }
    assert listed == {name for name in standing if not name.startswith(FAMILIES_OF_RULES)}


def test_the_evening_is_there_and_no_longer_than_an_evening() -> None:
    files = dict.fromkeys(re.findall(r"`((?:daemon|collectors)/[a-z_/]+\.py)`", section("One evening")))
    lines = {name: len((ROOT / name).read_text("utf-8").splitlines()) for name in files}
    lines |= {  # of these, what is named
        "collectors/laneproof_collectors/snapshot.py": 120,
        "daemon/laneproof/box/link_ends.py": 75,
        "daemon/laneproof/rules/links/link_subjects.py": 80,
        "daemon/laneproof/past/saved_state.py": 60,
        "daemon/laneproof/past/ledger.py": 70,
    }
    assert 1200 < sum(lines.values()) < 2100


@pytest.mark.parametrize("path", sorted(set(re.findall(r"`((?:tests|packaging|docs)/[\w/.]+\.(?:py|sh|md))`", TEXT))))
def test_each_file_that_is_named_is_there(path: str) -> None:
    assert (ROOT / path).exists()
