"""packaging/package.sh: packages that the distributions' own tools find in order. They are installed in tests/vm."""

import subprocess
from pathlib import Path

import pytest

from support.installed_tree import make_packages

pytestmark = pytest.mark.services("lintian", "rpmbuild", "dpkg-deb")

COMMAND, LIBRARIES, UNIT, MANUAL, SETTINGS = (
    "/usr/bin/laneproof",
    "/usr/lib/laneproof",
    "/usr/lib/systemd/system/laneproof.service",
    "/usr/share/man/man1/laneproof.1.gz",
    "/etc/laneproof/service.toml",
)


def run(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@pytest.fixture(scope="module")
def deb() -> Path:
    (found,) = make_packages().glob("*.deb")
    return found


@pytest.fixture(scope="module")
def rpm() -> Path:
    (found,) = make_packages().glob("*.rpm")
    return found


def test_lintian_has_nothing_to_say_beyond_the_stated_overrides(deb: Path) -> None:
    command = ["lintian", "--allow-root", "--tag-display-limit", "0", "--fail-on", "error,warning", str(deb)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, ""), done.stderr


def test_both_packages_hold_the_same_and_mark_the_settings_as_the_owners(deb: Path, rpm: Path) -> None:
    in_rpm = set(run("rpm", "-qpl", str(rpm)).splitlines())
    in_deb = {line.split()[5][1:].rstrip("/") for line in run("dpkg-deb", "-c", str(deb)).splitlines()}
    assert {COMMAND, LIBRARIES, UNIT, MANUAL, SETTINGS} <= in_rpm & in_deb
    assert {name for name in in_rpm if name.startswith(LIBRARIES)} == {
        name for name in in_deb if name.startswith(LIBRARIES)
    }
    assert run("rpm", "-qpc", str(rpm)).split() == run("dpkg-deb", "-I", str(deb), "conffiles").split() == [SETTINGS]


def test_packages_ask_for_the_python_that_they_were_made_for(deb: Path, rpm: Path) -> None:
    """Libraries that were compiled for one minor version load in no other: PEP 3149."""
    (python,) = [word for word in run("rpm", "-qpR", str(rpm)).split() if word.startswith("/usr/bin/python3.")]
    minor = int(python.rpartition(".")[2])
    assert f"python3 (>= 3.{minor}), python3 (<< 3.{minor + 1})" in run("dpkg-deb", "-f", str(deb), "Depends")
    assert run(python, "--version").startswith(f"Python 3.{minor}.")


@pytest.mark.parametrize(("packages_left", "kept"), [(0, ["laneproof.service.d/owner.conf"]), (1, None)])
def test_a_removed_rpm_takes_what_setup_wrote_for_systemd_and_an_upgrade_does_not(
    rpm: Path, tmp_path: Path, packages_left: int, kept: list[str] | None
) -> None:
    """RPM runs %postun with the number of packages of this name that are left: rpm-scriptlets(7).

    A removal sets a changed service.toml aside, so that a port of before in a drop-in would no longer be its owner's.
    """
    files = [f"laneproof.{unit}.d/setup.conf" for unit in ("service", "socket")] + ["laneproof.service.d/owner.conf"]
    for name in files:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    script = run("rpm", "-qp", "--qf", "%{POSTUN}", str(rpm)).replace("/etc/systemd/system", str(tmp_path))
    run("sh", "-e", "-c", script.replace("systemctl", "true"), "postun", str(packages_left))
    there = sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file())
    assert there == (sorted(files) if kept is None else kept)
    assert (tmp_path / "laneproof.socket.d").exists() == bool(packages_left)
