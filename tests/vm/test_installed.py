"""The package on a machine with a real systemd: installed, set up, scraped, upgraded, removed, purged."""

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from installed_tree import make_packages
from laneproof.declaration.file import parse_build
from vm.boot import GUEST, Boot
from vm.boxes import NEW_BOX
from vm.guest.installed import PLACES
from vm.start import start_systemd_alone

pytestmark = [pytest.mark.vm, pytest.mark.services("systemctl", "dpkg-deb")]

OWN = ["/etc/laneproof/build.toml", "/etc/laneproof/service.toml", "/etc/laneproof"]
STATE = ["/var/lib/laneproof/history.db", "/var/lib/laneproof"]
Facts = dict[str, Any]


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    folder = tmp_path_factory.mktemp("installed")
    old, new = make_both(next(make_packages().glob("*.deb")), folder)
    with Boot(NEW_BOX, (GUEST / "installed.py", old, new), folder, start=start_systemd_alone, seconds=900) as boot:
        boot.finish()
    return boot


def make_both(package: Path, folder: Path) -> tuple[Path, Path]:
    """Make the version before of a package, and the package itself, both without what only messages need.

    Unpacking is slow under emulation: half of the files are enough for all else.
    """
    tree = folder / "tree"
    subprocess.run(["dpkg-deb", "-R", str(package), str(tree)], check=True)
    for name in ("apprise", "certifi", "click", "idna", "markdown", "oauthlib", "requests", "urllib3", "yaml"):
        for library in tree.glob(f"usr/lib/laneproof/lib/python3.*/*/{name}*"):
            shutil.rmtree(library)
    control = tree / "DEBIAN/control"
    text = control.read_text()
    made = []
    for version in ("0~", ""):
        control.write_text(text.replace("\nVersion: ", f"\nVersion: {version}"))
        made.append(folder / f"laneproof-{version}.deb")
        subprocess.run(["dpkg-deb", "-Zgzip", "-z1", "-b", str(tree), str(made[-1])], check=True, capture_output=True)
    return made[0], made[1]


def test_installing_starts_nothing_before_anything_is_declared(box: Boot) -> None:
    facts = box.facts("install")
    assert facts["dpkg"]["status"] == 0, facts["dpkg"]
    assert facts["unit"]["ActiveState"] == "inactive"


def test_setup_leads_to_a_box_that_is_watched_from_each_boot_on(box: Boot) -> None:
    facts = box.facts("setup")
    assert (facts["setup"]["status"], facts["setup"]["err"]) == (0, "")
    assert (facts["enabled"], facts["unit"]["ActiveState"]) == ("enabled", "active")
    assert {path: answer["status"] for path, answer in facts["answers"].items()} == dict.fromkeys(facts["answers"], 200)
    served = json.loads(facts["answers"]["/api/v1/audit"]["text"])
    build = parse_build(facts["build"], name="written")
    assert (served["box"], len(build.position)) == (build.box.name, 2)
    assert "laneproof_declaration_in_force 1.0" in facts["answers"]["/metrics"]["text"]


def test_the_unit_lets_in_who_was_named_at_the_port_that_was_named(box: Boot) -> None:
    allowed = dict(line.split("=", 1) for line in box.facts("setup")["allowed"]["out"].splitlines())
    assert "192.168.7.0/24" in allowed["IPAddressAllow"]
    assert allowed["SocketBindAllow"].replace(":", "").split() == ["tcp7800"]  # systemd 252 leaves the colon out


def test_an_upgrade_starts_the_new_version_and_loses_nothing(box: Boot) -> None:
    before, after = box.facts("setup"), box.facts("upgrade")
    assert after["dpkg"]["status"] == 0, after["dpkg"]
    assert after["unit"]["ActiveState"] == "active"
    assert after["unit"]["MainPID"] != before["unit"]["MainPID"]
    assert after["ready"] == 200
    assert after["build"] == before["build"]
    assert sum(before["kept"].values()) > 0
    assert [name for name, count in before["kept"].items() if after["kept"][name] < count] == []


def test_a_service_with_wrong_settings_is_not_started_again_and_again(box: Boot) -> None:
    unit = box.facts("wrong")["unit"]
    assert (unit["ActiveState"], unit["ExecMainStatus"], unit["NRestarts"]) == ("failed", "78", "0")


def test_a_removal_keeps_what_is_the_owners_and_a_purge_keeps_nothing(box: Boot) -> None:
    facts = box.facts("remove")
    assert facts["before"] == list(PLACES)
    assert facts["dpkg"]["status"] == 0, facts["dpkg"]
    assert facts["there"] == [*OWN, *STATE, "/etc/systemd/system/laneproof.service.d"]
    assert facts["known"] != 0
    assert box.facts("purge")["there"] == []
