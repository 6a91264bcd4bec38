"""The package on a machine with a real systemd: installed, set up, upgraded, started again, removed."""

import json
import shutil
import statistics
import subprocess
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from laneproof.declaration.file import parse_build
from support.installed_tree import make_packages
from vm.boot import GUEST, Boot, EmulatorError
from vm.boxes import NEW_BOX
from vm.guest.installed import PLACES
from vm.guest.returned import PULLS_AT_LEAST
from vm.start import start_systemd_again, start_systemd_alone

pytestmark = [pytest.mark.vm, pytest.mark.services("systemctl", "dpkg-deb", "mkfs.ext4")]

OWN = [f"/etc/laneproof{name}" for name in ("/build.toml", "/service.toml", "/notify.toml", "")]
STATE = ["/var/lib/laneproof/history.db", "/var/lib/laneproof", "/var/lib/private/laneproof-notify"]
READ_ONLY = 1 << 3
"""Critical Warning, bit 3: the media is read-only. Source: NVM Express Base 2.0, figure 207 (number from memory)."""


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    folder = tmp_path_factory.mktemp("installed")
    old, new = make_both(next(make_packages().glob("*.deb")), folder)
    machine = replace(NEW_BOX, keeps_mib=1024)
    with Boot(machine, (GUEST / "installed.py", old, new), folder, start=start_systemd_alone, seconds=900) as boot:
        boot.finish()
    return boot


@pytest.fixture(scope="module")
def again(box: Boot) -> Boot:
    """Start the same machine once more, and again where QEMU crashes, which it was seen to do while drives went."""
    for attempt in range(3):
        began = time.monotonic()
        with Boot(box.machine, (GUEST / "returned.py",), box.folder, start=start_systemd_again, seconds=900) as boot:
            try:
                boot.wait("answers")
                boot.steps["answers"]["after"] = round(time.monotonic() - began, 1)
                boot.wait("begin-warning")
                boot.set_critical_warning("hydro-2", READ_ONLY)
                boot.answer()
                boot.finish()
            except EmulatorError:
                if attempt == 2:
                    raise
                continue
        break
    return boot


def make_both(package: Path, folder: Path) -> tuple[Path, Path]:
    """Make the version before of a package, and the package itself, both without what it does not need here.

    Unpacking is slow under emulation, so of the hundred ways to deliver a message one is left.
    """
    tree = folder / "tree"
    subprocess.run(["dpkg-deb", "-R", str(package), str(tree)], check=True)
    (libraries,) = tree.glob("usr/lib/laneproof/lib/python3.*/site-packages")
    for name in ("oauthlib", "requests_oauthlib", "click", "apprise/i18n"):
        for library in libraries.glob(f"{name}*"):
            shutil.rmtree(library)
    for way in (libraries / "apprise/plugins").rglob("*"):
        if way.is_file() and way.name.split(".")[0] not in ("__init__", "base", "custom_json"):
            way.unlink()
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
    shown = dict(line.split("=", 1) for line in box.facts("setup")["socket"]["out"].splitlines())
    assert "192.168.7.0/24" in shown["IPAddressAllow"]
    assert shown["Listen"] == "192.168.7.2:7800 (Stream)"


def test_an_upgrade_starts_the_new_version_and_loses_nothing(box: Boot) -> None:
    before, after = box.facts("setup"), box.facts("upgrade")
    assert after["dpkg"]["status"] == 0, after["dpkg"]
    assert after["unit"]["ActiveState"] == "active"
    assert after["unit"]["MainPID"] != before["unit"]["MainPID"]
    assert after["ready"] == 200
    assert after["build"] == before["build"]
    assert sum(before["kept"].values()) > 0
    assert [name for name, count in before["kept"].items() if after["kept"][name] < count] == []


def test_a_reboot_keeps_everything_and_the_watch_starts_with_the_system(
    box: Boot, again: Boot, record_property: Callable[[str, object], None]
) -> None:
    before, after = box.facts("upgrade"), again.facts("returned")
    assert (after["unit"]["ActiveState"], after["ready"], after["build"]) == ("active", 200, before["build"])
    assert [name for name, count in before["kept"].items() if after["kept"][name] < count] == []
    assert json.loads(after["audit"]["text"])["inventory"]
    starts, first = (
        next(moment for moment, line in after["log"] if words in line) for words in ("starts", "first verdict")
    )
    for name, seconds in (
        ("power-on to the answer of a complete audit", again.facts("answers")["after"]),
        ("kernel's start to the first verdict", first / 1e6),
        ("service's start to the first verdict", (first - starts) / 1e6),
        ("an answer of /metrics at rest", after["answer_seconds"]),
    ):
        record_property(name, seconds)
        print(f"{name}: {seconds:.1f} s")  # noqa: T201 (the record of the run)


def test_each_pull_of_a_drive_and_each_return_changes_the_metric(
    again: Boot, record_property: Callable[[str, object], None]
) -> None:
    pulls = again.facts("pulls")
    assert "never" not in pulls, pulls["never"]
    for name in ("gone_after", "back_after"):
        assert len(pulls[name]) >= PULLS_AT_LEAST
        shown = f"{len(pulls[name])} times, median {statistics.median(pulls[name])} s, worst {max(pulls[name])} s"
        record_property(name, shown)
        print(f"{name}: {shown}")  # noqa: T201 (the record of the run)
    print("\n".join(pulls["readings"]))  # noqa: T201 (likewise)


def test_what_is_critical_is_a_warning_of_the_journal_with_what_was_seen_and_the_next_step(again: Boot) -> None:
    for name, *words in (
        ("warnings", "raised critical-warning (critical): ", "nvme", "the media is read-only", "; next: "),
        ("lines", "raised position-empty (", " is empty, declared ", "TIDE-0001", "; next: "),
    ):
        lines = again.facts("notify")[name].splitlines()
        assert any(all(word in line for word in words) for line in lines), lines


def test_the_log_says_what_starts_where_it_answers_and_what_is_in_force(again: Boot) -> None:
    said = "\n".join(line for _, line in again.facts("returned")["log"])
    assert all(words in said for words in (" starts", "listening at http://192.168.7.2:7800/", "in force: "))


def test_the_notifier_runs_without_a_user_of_its_own_and_sends_each_thing_once(again: Boot) -> None:
    facts = again.facts("notify")
    assert (facts["start"]["status"], facts["start"]["err"].count("Failed")) == (0, 0), facts["start"]
    assert facts["sent"], facts["said"]
    assert (facts["state"]["ActiveState"], facts["state"]["NRestarts"], facts["folder"]) == ("active", "0", True)
    critical = [message for message in facts["messages"] if "critical-warning" in message["title"]]
    assert len(critical) == 1, critical
    assert all(word in critical[0]["message"] for word in ("TIDE-0002", "read-only", "Next: ", "Since: ")), critical


def test_a_service_with_wrong_settings_is_not_started_again_and_again(again: Boot) -> None:
    facts = again.facts("wrong")
    unit = facts["unit"]
    assert (facts["port"], facts["mended"]["status"]) == ("inactive", 0), facts
    assert (unit["ActiveState"], unit["ExecMainStatus"], unit["NRestarts"]) == ("failed", "78", "0")


def test_a_removal_keeps_what_is_the_owners_and_a_purge_keeps_nothing(again: Boot) -> None:
    facts = again.facts("remove")
    assert facts["before"] == list(PLACES)
    assert facts["dpkg"]["status"] == 0, facts["dpkg"]
    assert facts["there"] == [*OWN, *STATE, "/etc/systemd/system/laneproof.socket.d"]
    assert facts["known"] != 0
    assert again.facts("purge")["there"] == []
