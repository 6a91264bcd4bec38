"""The package on a machine with a real systemd: installed, set up, scraped, upgraded, removed, purged."""

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from installed_tree import make_packages
from laneproof.declaration.file import parse_build
from vm.boot import GUEST, Boot
from vm.boxes import NEW_BOX
from vm.guest.installed import NOTE, OTHER, PLACES
from vm.start import start_systemd_alone

pytestmark = [pytest.mark.vm, pytest.mark.services("systemctl", "dpkg-deb")]

OWN = ["/etc/laneproof/build.toml", "/etc/laneproof/service.toml", "/etc/laneproof"]
STATE = ["/var/lib/laneproof/history.db", "/var/lib/laneproof"]
Facts = dict[str, Any]


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    folder = tmp_path_factory.mktemp("installed")
    (new,) = make_packages().glob("*.deb")
    old = make_older(new, folder)
    with Boot(NEW_BOX, (GUEST / "installed.py", old, new), folder, start=start_systemd_alone, seconds=600) as boot:
        boot.finish()
    return boot


def make_older(package: Path, folder: Path) -> Path:
    """Make the version before of a package: the same, but for its number."""
    tree, older = folder / "tree", folder / "older.deb"
    subprocess.run(["dpkg-deb", "-R", str(package), str(tree)], check=True)
    control = tree / "DEBIAN/control"
    control.write_text(control.read_text().replace("\nVersion: ", "\nVersion: 0~"))
    subprocess.run(["dpkg-deb", "-Zgzip", "-z1", "-b", str(tree), str(older)], check=True, stdout=subprocess.DEVNULL)
    return older


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
    assert "laneproof_declaration_in_force 1" in facts["answers"]["/metrics"]["text"].replace(".0", "")


def test_another_address_and_port_are_opened_and_the_old_ones_shut(box: Boot) -> None:
    facts = box.facts("listen")
    assert (facts["setup"]["status"], facts["setup"]["err"]) == (0, "")
    assert facts["answers"] == {OTHER: 200, "http://127.0.0.1:7766": 0}
    allowed = dict(line.split("=", 1) for line in facts["allowed"]["out"].splitlines())
    assert "192.168.7.0/24" in allowed["IPAddressAllow"]
    assert allowed["SocketBindAllow"].replace("ipv4:", "").split() == ["tcp:7800"]


def test_an_upgrade_starts_the_new_version_and_loses_nothing(box: Boot) -> None:
    before, after = box.facts("listen"), box.facts("upgrade")
    assert after["dpkg"]["status"] == 0, after["dpkg"]
    assert after["unit"]["ActiveState"] == "active"
    assert after["unit"]["MainPID"] != before["unit"]["MainPID"]
    assert after["ready"] == 200
    assert after["build"] == box.facts("setup")["build"]
    assert NOTE in after["events"]["out"]


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
