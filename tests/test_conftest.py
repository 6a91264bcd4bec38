"""What a test run does where a program is missing: skip and say why, or fail where nothing may be skipped."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).with_name("conftest.py")

TESTS = """
import pytest

@pytest.mark.services("no-such-program")
def test_needs_what_is_missing():
    pass

@pytest.mark.services("sh")
def test_needs_what_is_there():
    pass

@pytest.mark.services
def test_skips_by_itself():
    pytest.skip("not today")

def test_skips_without_a_marker():
    pytest.skip("neither")

@pytest.mark.witness("/no/such/header.h")
def test_needs_a_file_that_is_missing():
    pass

@pytest.mark.witness(__file__)
def test_needs_a_file_that_is_there():
    pass

def test_reads_the_samples(reference):
    pass
"""


def _run(folder: Path, **variables: str) -> str:
    shutil.copy(CONFTEST, folder / "conftest.py")
    (folder / "test_some.py").write_text(TESTS)
    (folder / "pytest.ini").write_text("[pytest]\nmarkers =\n services: programs\n witness: others\n")
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("LANEPROOF_", "PYTEST_"))}
    command = [sys.executable, "-m", "pytest", "-ra", "-p", "no:cacheprovider", "-p", "no:xdist", str(folder)]
    done = subprocess.run(
        command, cwd=folder, env=environment | variables, capture_output=True, encoding="utf-8", check=False, timeout=60
    )
    return done.stdout


def test_what_needs_a_missing_program_is_skipped_with_the_reason(tmp_path: Path) -> None:
    output = _run(tmp_path)
    assert "2 passed, 5 skipped" in output
    assert "needs no-such-program, which is not installed" in output
    assert "needs /no/such/header.h, which is not installed" in output


@pytest.mark.parametrize("value", ["", "0"])
def test_an_empty_or_zero_variable_requires_nothing(tmp_path: Path, value: str) -> None:
    assert "2 passed, 5 skipped" in _run(tmp_path, LANEPROOF_REQUIRE_SERVICES=value)


def test_where_the_program_is_required_a_skip_is_a_failure(tmp_path: Path) -> None:
    output = _run(tmp_path, LANEPROOF_REQUIRE_SERVICES="1")
    assert "1 failed, 2 passed, 3 skipped, 1 error" in output
    assert "skipped, but LANEPROOF_REQUIRE_SERVICES is set" in output
    assert "needs no-such-program, which is not installed" in output


def test_where_witnesses_are_required_missing_headers_and_samples_are_failures(tmp_path: Path) -> None:
    printed = _run(tmp_path, LANEPROOF_REQUIRE_WITNESS="1")
    assert "2 passed, 3 skipped, 2 errors" in printed
    assert "skipped, but LANEPROOF_REQUIRE_WITNESS is set" in printed
    errors = {line.split("::")[1].split()[0] for line in printed.splitlines() if line.startswith("ERROR ")}
    assert errors == {"test_needs_a_file_that_is_missing", "test_reads_the_samples"}
