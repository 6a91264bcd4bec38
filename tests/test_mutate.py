"""The tool that makes faults makes those it names, and tells a fault that tests notice from one that they miss."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "packaging"))

import mutate  # noqa: E402 (a script, found where it stands)


@pytest.mark.parametrize(
    ("source", "changes"),
    [
        ("a < b", {"a <= b", "a >= b"}),
        ("a in b", {"a not in b"}),
        ("a and b", {"a or b"}),
        ("not a", {"a"}),
        ("a + 'é'", {"a - 'é'"}),
        ("f(1, x)", {"f(2, x)", "f(x, 1)"}),
        ("min(a, b)", set()),
        ("f(strict=True, deep=True)", {"f(strict=True, deep=False)"}),
        ("x = 'critical'", {"x = 'notice'"}),
        ("x = Severity.NOTICE", {"x = Severity.WARNING"}),
        ("f'{a < b}'", set()),
        ("a: Literal[1] = 2", {"a: Literal[1] = 3"}),
        ("def f() -> bool:\n    return a", {"def f() -> bool:\n    return not a"}),
        ("def f() -> Link:\n    return a", {"def f() -> Link:\n    return None"}),
    ],
)
def test_a_piece_of_code_has_these_faults(source: str, changes: set[str]) -> None:
    text = source.encode()
    made = {
        (text[: fault.start] + fault.new.encode() + text[fault.end :]).decode()
        for fault in mutate.faults_of("module.py", text)
    }
    assert {ast.unparse(ast.parse(changed)) for changed in made} == changes


@pytest.fixture
def checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a checkout: one comparison its own tests hold, one another module's tests, and one is held by none."""
    for name, text in {
        "daemon/laneproof/heat.py": "def same(a, b):\n    return a == b\n\n\ndef other(a, b):\n    return a != b\n",
        "tests/daemon/test_heat.py": "import laneproof.heat\nfrom laneproof import cold\n\n\ndef test_one_is_one():\n"
        "    assert laneproof.heat.same(1, 1)\n    assert not cold.apart(1, 1)\n",
        "daemon/laneproof/cold.py": "def apart(a, b):\n    return a != b\n",
        "tests/daemon/test_cold.py": "def test_nothing():\n    import laneproof.cold\n",
        "daemon/laneproof/__init__.py": "",
        "pyproject.toml": '[tool.pytest.ini_options]\npythonpath = ["daemon"]',
    }.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    subprocess.run(["git", "init", "-q", "."], cwd=tmp_path, check=True)
    monkeypatch.setattr(mutate, "CHECKOUT", tmp_path)
    return tmp_path


def test_what_the_tests_miss_is_listed(checkout: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (checkout / "daemon/laneproof/heat.py").read_text("utf-8")
    mutate.main(["--count", "99"])
    printed = capsys.readouterr().out
    assert "all                                     6         2      1        3" in printed
    survivors = printed.partition("survived:\n")[2]
    assert survivors.count("heat.py:6:") == 2
    assert "comparison: a != b -> (a == b)" in survivors
    assert (checkout / "daemon/laneproof/heat.py").read_text("utf-8") == before


def test_a_run_without_end_is_ended_and_does_not_pass(checkout: Path, tmp_path: Path) -> None:
    tests = checkout / "tests/daemon/test_heat.py"
    tests.write_text("def test_for_ever():\n    while True:\n        pass\n")
    assert not mutate.Copy(tmp_path / "copy").passes(tests, seconds=1)


def test_tests_that_fail_before_any_fault_are_refused(checkout: Path) -> None:
    (checkout / "tests/daemon/test_heat.py").write_text("def test_never():\n    assert False\n")
    with pytest.raises(SystemExit, match="fail before any fault"):
        mutate.main(["--count", "1", "daemon/laneproof/heat.py"])
