"""Acceptance runs on a real kernel, real NVMe drivers and a real fio: what is put to which position, and safe ends.

The links of an emulated machine are made up, so none of them can hold; what differs on them differs all the same.
"""

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from vm.boot import GUEST, Boot
from vm.boxes import PROVEN, PROVEN_DISTURBED_PORT

pytestmark = pytest.mark.vm("fio")


def digests(folder: Path) -> dict[str, str]:
    return {image.name: hashlib.sha256(image.read_bytes()).hexdigest() for image in sorted(folder.glob("*.img"))}


@pytest.fixture(scope="module")
def boot(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    folder = tmp_path_factory.mktemp("proof")
    serials = ",".join(drive.serial for drive in PROVEN.drives if drive.port.startswith("riser"))
    with Boot(PROVEN, (GUEST / "proof.py", PROVEN_DISTURBED_PORT, serials), folder, seconds=900) as boot:
        boot.steps["before"] = {"digests": digests(folder)}
        boot.wait("begin-warned")
        boot.set_critical_warning("hydro-1", 0b10)
        boot.answer()
        boot.wait("after-warned")
        boot.set_critical_warning("hydro-1", 0)  # while a drive has one, no run begins
        boot.answer()
        boot.wait("begin-removed")
        boot.control("device_del", id="hydro-2")
        boot.answer()
        boot.wait("after-removed")
        boot.answer()
        boot.finish()
        boot.steps["after"] = {"digests": digests(folder)}
    return boot


@pytest.fixture
def positions(boot: Boot) -> dict[str, Mapping[str, Any]]:
    report = boot.facts("all")["report"]
    return {position["name"]: position for position in report["positions"]}


def test_every_image_is_byte_for_byte_as_it_was(boot: Boot) -> None:
    assert boot.facts("before") == boot.facts("after")
    assert len(boot.facts("before")["digests"]) == len(PROVEN.drives)


def test_a_sound_drive_holds_and_its_link_is_unverified_with_its_bound(positions: dict[str, Mapping[str, Any]]) -> None:
    sound = positions["riser-1"]
    assert sound["drive"]["verdict"] == "holds"
    assert sound["link"]["verdict"] == "unverified"
    assert "virtual machine" in sound["link"]["because"][0]
    assert sound["link"]["errors"] == 0
    assert 3 / sound["link"]["bits"] == pytest.approx(sound["link"]["upper"], rel=0.01)  # the rule of three


def test_errors_at_one_port_are_put_to_its_position_and_no_other(positions: dict[str, Mapping[str, Any]]) -> None:
    errors = {name: position["link"]["errors"] for name, position in positions.items() if position["link"]}
    assert errors.pop("riser-2") >= 4
    assert set(errors.values()) == {0}
    assert positions["riser-2"]["link"]["verdict"] == "differs"


def test_a_drive_at_a_tenth_of_its_siblings_is_slow(positions: dict[str, Mapping[str, Any]]) -> None:
    assert "less than half of what it should" in " ".join(positions["riser-4"]["drive"]["because"])


def test_a_read_error_is_put_to_its_drive(positions: dict[str, Mapping[str, Any]]) -> None:
    assert "a read failed" in " ".join(positions["riser-3"]["drive"]["because"])
    assert "a read failed" not in " ".join(positions["riser-1"]["drive"]["because"])


def test_a_disk_of_the_board_s_sata_controller_is_read_too(boot: Boot) -> None:
    """How it is judged is not asked: the emulated controller aborts a queued read now and then."""
    report = boot.facts("all")["report"]
    (disk,) = (drive for drive in report["run"]["drives"] if drive["interface"] == "sata")
    assert disk["path"].startswith("0000:00/1f.2/ata-")
    assert disk["serial"] == "TIDE-0005"
    assert disk["stages"]["alone"]["read_bytes"] > 1 << 20
    assert disk["stages"]["small"]["reads"] > 0
    assert disk["transfer_errors"] is None, "the emulated disk does not count them"


def test_the_run_is_left_for_the_daemon(boot: Boot) -> None:
    facts = boot.facts("all")
    assert facts["status"] == 1
    assert '"kind": "proof_began"' in facts["left"]
    assert '"kind": "proof"' in facts["left"]


def test_a_temperature_warning_of_the_drive_stops_its_load(boot: Boot) -> None:
    facts = boot.facts("warned")
    assert facts["began"]
    (position,) = facts["report"]["positions"]
    assert "critical warning (0x02)" in position["drive"]["because"][0]
    assert facts["report"]["run"]["stages"][0]["seconds"] < 60


def test_a_drive_that_goes_in_the_midst_ends_the_run_with_what_was_known(boot: Boot) -> None:
    facts = boot.facts("removed")
    assert facts["began"]
    assert facts["report"]["run"]["stopped"] == "riser-2 is gone"
    assert facts["report"]["positions"][0]["link"]["bits"] > 0
    assert facts["status"] == 1


@pytest.mark.parametrize("step", ["all", "warned", "removed"])
def test_no_load_outlives_its_run(boot: Boot, step: str) -> None:
    assert boot.facts(step)["loads_left"] == []
