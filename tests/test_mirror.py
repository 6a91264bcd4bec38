"""The tests' tree mirrors both packages: each module has a file of tests in the place where one looks for it."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
MIRRORS = ((ROOT / "collectors" / "laneproof_collectors", ROOT / "tests" / "collectors"),
           (ROOT / "daemon" / "laneproof", ROOT / "tests" / "daemon"))  # fmt: skip

# Values without behaviour of their own: every test of what makes or reads them is a test of them.
WITHOUT_TESTS = {
    "collectors/laneproof_collectors/snapshot.py",
    "collectors/laneproof_collectors/unread.py",
    "daemon/laneproof/past/past.py",
    "daemon/laneproof/rules/rule.py",
}
"""This list may only shrink."""
MOST_WITHOUT_TESTS = 4


def pairs() -> dict[str, Path]:
    """Give each module and the file where its tests belong."""
    found = {}
    for package, tests in MIRRORS:
        for module in sorted(package.rglob("*.py")):
            if module.name != "__init__.py":
                inside = module.relative_to(package)
                found[module.relative_to(ROOT).as_posix()] = tests / inside.parent / f"test_{inside.name}"
    return found


def test_each_module_has_its_tests() -> None:
    missing = {module for module, tests in pairs().items() if not tests.exists()}
    assert missing - WITHOUT_TESTS == set()
    assert WITHOUT_TESTS - missing == set(), "these have tests now: take them off the list"
    assert len(WITHOUT_TESTS) <= MOST_WITHOUT_TESTS


def test_each_file_of_tests_has_its_module() -> None:
    wanted = set(pairs().values())
    strays = [
        test.relative_to(ROOT).as_posix()
        for _, tests in MIRRORS
        for test in sorted(tests.rglob("test_*.py"))
        if test not in wanted
    ]
    assert strays == []
