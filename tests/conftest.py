"""What all tests share: which ones need something that may be missing, and the samples that lie outside the repository.

A test marked ``vm``, ``browser``, ``services`` or ``witness`` is skipped, with the reason, where a program that it
needs is missing. Where ``LANEPROOF_REQUIRE_VM`` (``_BROWSER``, ``_SERVICES``, ``_WITNESS``) is set, any skip of such a
test is a failure. A test names the programs and files that it needs in its marker: ``@pytest.mark.witness("lspci")``.
One that reads the samples outside the repository is a test with a witness too.

``LANEPROOF_EXAMPLES=20000`` lets Hypothesis try each property that often.
"""

import os
import platform
import shutil
from collections.abc import Generator
from pathlib import Path

import hypothesis
import pytest

# How long an example takes says how busy the machine is, and nothing of what is tested.
hypothesis.settings.register_profile(
    "untimed",
    deadline=None,
    max_examples=int(os.environ.get("LANEPROOF_EXAMPLES", "100")),
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
    print_blob=True,
)
hypothesis.settings.load_profile("untimed")

pytest.register_assert_rewrite("support.rule_examples")  # so that a wrong example shows both values

CHECKOUT = Path(__file__).resolve().parents[1]

# Marker -> the programs without which none of its tests can run, each as alternatives.
NEEDED_PROGRAMS = {
    "vm": (
        ("qemu-system-x86_64",), ("busybox",), ("modprobe",), ("depmod",), ("cpio",), ("setpriv",), ("smartctl",),
        ("lspci",),
    ),
    "browser": (("chromium", "chromium-browser", "google-chrome"),),
    "services": (),
    "witness": (),
}  # fmt: skip
SEARCHED = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"))
"""Some of the witnesses are tools of root."""


def _is_required(marker: str) -> bool:
    return os.environ.get(f"LANEPROOF_REQUIRE_{marker.upper()}", "0") not in ("", "0")


def _missing(item: pytest.Item) -> str:
    """Say what a test needs and this machine lacks; empty where nothing is missing."""
    for marker, programs in NEEDED_PROGRAMS.items():
        if (mark := item.get_closest_marker(marker)) is None:
            continue
        for names in (*programs, *((name,) for name in mark.args)):
            if not any(Path(name).exists() if "/" in name else shutil.which(name, path=SEARCHED) for name in names):
                return f"needs {' or '.join(names)}, which is not installed"
        if marker == "vm" and platform.machine() != "x86_64":
            return "the emulated machine runs the x86-64 kernel package and programs of this machine"
    return ""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "reference" in getattr(item, "fixturenames", ()):
            item.add_marker("witness")


def pytest_runtest_setup(item: pytest.Item) -> None:
    if reason := _missing(item):
        pytest.skip(reason)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and not hasattr(report, "wasxfail"):
        required = [name for name in NEEDED_PROGRAMS if item.get_closest_marker(name) and _is_required(name)]
        if required:
            report.outcome = "failed"
            report.longrepr = f"skipped, but LANEPROOF_REQUIRE_{required[0].upper()} is set: {report.longrepr}"
    return report


@pytest.fixture(scope="session")
def reference() -> Path:
    """Give the folder of samples that are kept outside the repository."""
    for place in (os.environ.get("LANEPROOF_REFERENCE"), CHECKOUT.parent / "shared" / "reference"):
        if place and Path(place).is_dir():
            return Path(place)
    pytest.skip("needs the reference samples: LANEPROOF_REFERENCE=FOLDER")
