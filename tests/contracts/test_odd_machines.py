"""Machines that are not the usual: small trees, five-digit domains, other platforms, no bridges, SATA, dumb drives."""

import gzip
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from contracts.hand_made import (
    BRIDGE_CLASS,
    NVME_CLASS,
    SATA_CLASS,
    T0,
    TB,
    Ended,
    JsonObject,
    Machine,
    found,
    health,
    inside,
    program,
    told,
    write,
)

Audit = Callable[[Machine, str], Ended]
HEAD = 'schema = 1\n[box]\nname = "kelp-1"\n'


def bay(path: str, *, label: str = "bay-1", link: str = "", occupant: str = '{ kind = "nvme" }') -> str:
    link = f"link = {link}\n" if link else ""
    return f'{HEAD}[[position]]\nlabel = "{label}"\npath = "{path}"\n{link}occupant = {occupant}\n'


@pytest.fixture
def audit(tmp_path: Path) -> Audit:
    def run(machine: Machine, build: str) -> Ended:
        write(tmp_path / "box.jsonl", machine.frame())
        (tmp_path / "build.toml").write_text(build)
        return inside("audit", "--from", tmp_path / "box.jsonl", "--build", tmp_path / "build.toml", "--json")

    return run


GEN4 = "{ generation = 4, lanes = 4 }"


@pytest.mark.parametrize(
    ("ports", "device", "path"),
    [
        # An Arm board: the root complex lies below a platform device.
        (["platform/axi/1000110000.pcie/pci0001:00/0001:00:00.0"], "0001:01:00.0", "0001:00/00.0"),
        # Domains of five digits, as nested host bridges get them.
        (["pci10000:e0/10000:e0:06.0"], "10000:e1:00.0", "10000:e0/06.0"),
        # A nested root below a function of the first domain (VMD and the like).
        (["pci0000:00/0000:00:0e.0/pci10000:e0/10000:e0:06.0"], "10000:e1:00.0", "10000:e0/06.0"),
        (["soc/40000000.pcie/pci0002:00/0002:00:00.0"], "0002:01:00.0", "0002:00/00.0"),
        (
            ["pci0000:00/0000:00:01.2", "pci0000:00/0000:00:01.2/0000:02:00.0", "0000:03:04.0"],
            "0000:05:00.0",
            "0000:00/01.2/00.0/04.0",
        ),
    ],
)
def test_paths_of_every_platform(audit: Audit, ports: list[str], device: str, path: str) -> None:
    machine, place = Machine(), ""
    for port in ports:
        place = port if port.count("/") and not place else f"{place}/{port.rpartition('/')[2]}"
        machine.port(place)
    machine.drive(0, f"{place}/{device}")
    ended = audit(machine, bay(path, link=GEN4))
    assert (ended.status, ended.json()["findings"]) == (0, [])
    machine.files[f"/sys/devices/{place}/{device}/current_link_width"] = "1\n"
    machine.files[f"/sys/devices/{place}/current_link_width"] = "1\n"
    assert told(audit(machine, bay(path, link=GEN4)).json()) == {("link-narrow", "bay-1")}


@pytest.mark.parametrize(
    ("place", "path"),
    [
        ("pci0000:00/0000:00:05.0", "0000:00/05.0"),
        ("platform/axi/1000110000.pcie/pci0001:00/0001:00:03.0", "0001:00/03.0"),
        ("pci1001:00/1001:00:00.0", "1001:00/00.0"),
    ],
)
def test_no_bridge_before_the_device(audit: Audit, place: str, path: str) -> None:
    """Virtual machines: the last hop is the device itself."""
    machine = Machine()
    machine.drive(0, place)
    assert audit(machine, bay(path, link=GEN4)).status == 0
    assert audit(machine, bay(path, occupant='{ kind = "nvme", capacity = "4 TB" }')).status == 0
    assert told(audit(machine, bay(path.replace("0.0", "7.0").replace("3.0", "7.0").replace("5.0", "7.0"))).json()) >= {
        ("position-empty", "bay-1")
    }


def test_only_class_and_links_of_a_drive(audit: Audit) -> None:
    """A tree with hardly an attribute: what is declared and cannot be read is unverified, the rest is silent."""
    machine = Machine()
    machine.files["/sys/devices/pci0000:00/0000:00:01.1/class"] = "0x060400\n"
    machine.files["/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0/class"] = "0x010802\n"
    for address, place in (
        ("0000:00:01.1", "pci0000:00/0000:00:01.1"),
        ("0000:01:00.0", "pci0000:00/0000:00:01.1/0000:01:00.0"),
    ):
        machine.links[f"/sys/bus/pci/devices/{address}"] = f"../../../devices/{place}"
    ended = audit(machine, bay("0000:00/01.1", link=GEN4, occupant='{ kind = "nvme", capacity = "4 TB" }'))
    assert ended.status == 2
    assert not told(ended.json(), "differs")
    assert {"link-slow", "link-narrow", "occupant-differs"} <= {rule for rule, _ in told(ended.json())}


def test_drive_without_a_driver(audit: Audit) -> None:
    """The function answers on the bus, and no controller exists: it is there, its health is unknown."""
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    machine.function(
        "pci0000:00/0000:00:01.1/0000:01:00.0",
        NVME_CLASS,
        current_link_speed="16.0 GT/s PCIe",
        max_link_speed="16.0 GT/s PCIe",
        current_link_width="4",
        max_link_width="4",
    )
    ended = audit(machine, bay("0000:00/01.1", link=GEN4))
    assert ended.status in {1, 2}
    assert not found(ended.json(), "position-empty")


def test_identity_from_the_drive_itself_where_sysfs_tells_none(audit: Audit) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    folder = machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    for name in ("model", "serial", "firmware_rev"):
        del machine.files[f"{folder}/nvme/nvme0/{name}"]
    occupant = '{ kind = "nvme", model = "Pelagic D4", serial = "PEL00000", firmware = "1.0.3" }'
    assert audit(machine, bay("0000:00/01.1", occupant=occupant)).status == 0
    other = audit(machine, bay("0000:00/01.1", occupant=occupant.replace("PEL00000", "PEL00009")))
    assert told(other.json(), "differs") == {("occupant-differs", "bay-1")}


def test_controller_that_the_kernel_gave_up(audit: Audit) -> None:
    """A port without hot plug says nothing when a drive dies: its controller is listed, and dead."""
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    folder = machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    machine.files[f"{folder}/nvme/nvme0/state"] = "dead\n"
    ended = audit(machine, bay("0000:00/01.1", link=GEN4))
    assert ended.status == 1
    assert told(ended.json(), "differs") == {("position-empty", "bay-1")}
    assert "dead" in ended.json()["findings"][0]["summary"]


def test_controller_at_work_on_itself_is_unverified(audit: Audit) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    folder = machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    for state in ("resetting", "connecting", "new", "unknown state"):
        machine.files[f"{folder}/nvme/nvme0/state"] = state + "\n"
        ended = audit(machine, bay("0000:00/01.1", link=GEN4))
        assert ended.status == 2
        assert {where for _, where in told(ended.json())} == {"bay-1"}


def test_disk_of_several_paths_belongs_to_its_controller(audit: Audit) -> None:
    """With multipath the disk lies below the subsystem, and the controller holds a hidden node, nvme0c0n1."""
    machine = Machine()
    for number in (0, 1):
        machine.port(f"pci0000:00/0000:00:01.{number + 1}")
        place = f"pci0000:00/0000:00:01.{number + 1}/0000:0{number + 1}:00.0"
        folder = machine.drive(number, place, capacity_bytes=0)
        name, subsystem = f"nvme{number}", f"/sys/devices/virtual/nvme-subsystem/nvme-subsys{number}"
        del machine.files[f"{folder}/nvme/{name}/{name}n1/size"]
        machine.files[f"{folder}/nvme/{name}/{name}c{number}n1/size"] = f"{4 * TB // 512}\n"
        machine.files[f"{subsystem}/{name}n1/size"] = f"{4 * TB // 512}\n"
        machine.links[f"/sys/block/{name}n1"] = f"../devices/virtual/nvme-subsystem/nvme-subsys{number}/{name}n1"
        machine.links[f"/sys/class/block/{name}n1"] = (
            f"../../devices/virtual/nvme-subsystem/nvme-subsys{number}/{name}n1"
        )
        md = "/sys/devices/virtual/block/md0/md"
        machine.attributes(f"{md}/dev-{name}n1", {"state": "in_sync", "slot": str(number), "errors": "0"})
        machine.links[f"{md}/dev-{name}n1/block"] = f"../../../../nvme-subsystem/nvme-subsys{number}/{name}n1"
    machine.links["/sys/block/md0"] = "../devices/virtual/block/md0"
    machine.attributes(
        "/sys/devices/virtual/block/md0/md",
        {"level": "raid1", "raid_disks": "2", "array_state": "clean", "degraded": "0", "sync_action": "idle"},
    )
    build = bay("0000:00/01.1", occupant='{ kind = "nvme", capacity = "4 TB" }')
    build += '[[position]]\nlabel = "bay-2"\npath = "0000:00/01.2"\noccupant = { kind = "nvme", capacity = "4 TB" }\n'
    build += '[[array]]\nname = "md0"\nlevel = "raid1"\nmembers = ["bay-1", "bay-2"]\n'
    ended = audit(machine, build)
    assert not told(ended.json(), "differs"), ended.json()["findings"]


def test_nothing_at_all_recorded_is_never_fine(audit: Audit) -> None:
    ended = audit(Machine(), bay("0000:00/01.1", link=GEN4))
    assert ended.status in {1, 2}


@pytest.mark.parametrize("controller", [{"error": "EACCES"}, {"status": 2}, {}])
def test_controller_whose_every_answer_is_an_error(audit: Audit, controller: JsonObject) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    machine.nvme["nvme0"] = {"identify": controller, "log:2": controller} if controller else {}
    ended = audit(machine, bay("0000:00/01.1", link=GEN4))
    assert ended.status == 2
    assert {rule for rule, _ in told(ended.json())} == {"critical-warning"}


def test_controller_that_vanished_answers_nothing(tmp_path: Path) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    (tmp_path / "build.toml").write_text(bay("0000:00/01.1", link=GEN4))
    recording = write(tmp_path / "box.jsonl", machine.frame(), {"t": T0 + 60, "nvme": {"nvme0": None}})
    ended = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
    assert ended.status in {1, 2}, "its health is no longer known"


def test_nvme_answers_are_merged_key_by_key(tmp_path: Path) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    (tmp_path / "build.toml").write_text(
        bay("0000:00/01.1", occupant='{ kind = "nvme", capacity = "4 TB", serial = "PEL00000" }')
    )
    second = {"t": T0 + 60, "nvme": {"nvme0": {"log:2": health(critical_warning=8)}}}
    recording = write(tmp_path / "box.jsonl", machine.frame(), second)
    ended = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
    assert told(ended.json()) == {("critical-warning", "bay-1")}, "Identify of the first frame still stands"


def test_latest_of_text_and_error_wins(tmp_path: Path) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    folder = machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    (tmp_path / "build.toml").write_text(bay("0000:00/01.1", link=GEN4))
    for name in ("current_link_speed", "max_link_speed"):
        machine.errors[f"/sys/devices/pci0000:00/0000:00:01.1/{name}"] = "EINVAL"
        del machine.files[f"/sys/devices/pci0000:00/0000:00:01.1/{name}"]
    path = f"{folder}/current_link_speed"
    denied = {"t": T0 + 60, "errors": {path: "EACCES"}}
    again = {"t": T0 + 120, "files": {path: "16.0 GT/s PCIe\n"}}
    for frames, status in (([machine.frame(), denied], 2), ([machine.frame(), denied, again], 0)):
        recording = write(tmp_path / "box.jsonl", *frames)
        assert inside("audit", "--from", recording, "--build", tmp_path / "build.toml").status == status


def test_frame_with_a_new_boot_id_replaces_everything(tmp_path: Path) -> None:
    machine, after = Machine(), Machine()
    for one in (machine, after):
        one.port("pci0000:00/0000:00:01.1")
    machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    (tmp_path / "build.toml").write_text(bay("0000:00/01.1"))
    boot = after.frame(T0 + 600, boot_id="99999999-2222-4333-8444-555555555555", up=20.0)
    recording = write(tmp_path / "box.jsonl", machine.frame(), boot)
    ended = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
    assert told(ended.json(), "differs") == {("position-empty", "bay-1")}


def test_plain_and_packed_recordings_are_one(tmp_path: Path) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0", width=2)
    (tmp_path / "build.toml").write_text(bay("0000:00/01.1", link=GEN4))
    plain = write(tmp_path / "box.jsonl", machine.frame())
    packed = write(tmp_path / "box.jsonl.gz", machine.frame())
    assert packed.read_bytes()[:2] == b"\x1f\x8b"
    said = [inside("audit", "--from", one, "--build", tmp_path / "build.toml", "--json").out for one in (plain, packed)]
    assert said[0] == said[1]


def sata(machine: Machine, *, ata: int = 3, folder: str = "pci0000:00/0000:00:17.0", disk: str = "sda") -> None:
    machine.function(folder, SATA_CLASS)
    target = f"{folder}/ata{ata}/host{ata - 1}/target{ata - 1}:0:0/{ata - 1}:0:0:0"
    machine.attributes(
        f"/sys/devices/{target}", {"model": "Abyssal A12     ", "vendor": "ATA     ", "rev": "A1  ", "type": "0"}
    )
    machine.attributes(
        f"/sys/devices/{target}/block/{disk}", {"size": str(12 * TB // 512), "removable": "0", "queue/rotational": "1"}
    )
    machine.links |= {
        f"/sys/block/{disk}": f"../devices/{target}/block/{disk}",
        f"/sys/class/block/{disk}": f"../../devices/{target}/block/{disk}",
        f"/sys/devices/{target}/block/{disk}/device": f"../../../{ata - 1}:0:0:0",
    }
    machine.smartctl[f"/dev/{disk}"] = {
        "json_format_version": [1, 0],
        "smartctl": {"version": [7, 3], "exit_status": 0},
        "device": {"name": f"/dev/{disk}", "info_name": f"/dev/{disk} [SAT]", "type": "sat", "protocol": "ATA"},
        "model_name": "Abyssal A12",
        "serial_number": "ABY777",
        "firmware_version": "A1",
        "user_capacity": {"blocks": 12 * TB // 512, "bytes": 12 * TB},
        "rotation_rate": 7200,
        "smart_support": {"available": True, "enabled": True},
        "smart_status": {"passed": True},
        "ata_smart_attributes": {
            "revision": 16,
            "table": [
                smart_attribute(5, "Reallocated_Sector_Ct", 0),
                smart_attribute(197, "Current_Pending_Sector", 0),
                smart_attribute(194, "Temperature_Celsius", 34),
                smart_attribute(199, "UDMA_CRC_Error_Count", 0),
            ],
        },
        "temperature": {"current": 34},
        "power_on_time": {"hours": 9000},
    }


def smart_attribute(number: int, name: str, raw: int) -> JsonObject:
    flags = {"value": 50, "string": "-O--CK ", "prefailure": False, "updated_online": True}
    return {
        "id": number,
        "name": name,
        "value": 100,
        "worst": 100,
        "thresh": 10,
        "when_failed": "",
        "flags": flags,
        "raw": {"value": raw, "string": str(raw)},
    }


ATA = bay(
    "0000:00/17.0/ata-3",
    label="disk-1",
    occupant='{ kind = "sata", capacity = "12 TB", model = "Abyssal A12", serial = "ABY777" }',
)


def test_sata_drive_behind_its_controller(audit: Audit) -> None:
    machine = Machine()
    sata(machine)
    ended = audit(machine, ATA)
    assert (ended.status, ended.json()["findings"]) == (0, [])


def test_box_without_any_nvme_class_has_no_such_drives(audit: Audit) -> None:
    """The driver is not loaded where nothing needs it; a function that would need it is not passed over."""
    machine = Machine()
    sata(machine)
    machine.links = {path: to for path, to in machine.links.items() if not path.startswith("/sys/class")}
    assert audit(machine, ATA).json()["findings"] == []
    machine.function("pci0000:00/0000:00:1d.0", NVME_CLASS)
    ended = audit(
        machine, ATA.replace("[[position]]", '[[position]]\nlabel = "m2"\npath = "0000:00/1d.0"\n[[position]]')
    )
    assert ended.status == 2
    assert told(ended.json()) == {("critical-warning", "m2")}


def test_sata_drive_on_another_port(audit: Audit) -> None:
    machine = Machine()
    sata(machine, ata=4)
    ended = audit(machine, ATA)
    assert ended.status == 1
    assert ("position-empty", "disk-1") in told(ended.json())
    sata(machine, ata=3, disk="sdb")
    machine.smartctl["/dev/sdb"] |= {"serial_number": "ABY778"}
    assert ("occupant-differs", "disk-1") in told(audit(machine, ATA).json())


def test_sata_drive_that_lost_sectors(audit: Audit) -> None:
    machine = Machine()
    sata(machine)
    table = machine.smartctl["/dev/sda"]["ata_smart_attributes"]["table"]
    table[1] = smart_attribute(197, "Current_Pending_Sector", 8)
    ended = audit(machine, ATA)
    assert ended.status == 1
    assert told(ended.json(), "sign") == {("sectors-failing", "disk-1")}


def test_sata_drive_that_failed_its_own_verdict(audit: Audit) -> None:
    machine = Machine()
    sata(machine)
    machine.smartctl["/dev/sda"]["smart_status"] = {"passed": False}
    machine.smartctl["/dev/sda"]["smartctl"]["exit_status"] = 8
    ended = audit(machine, ATA)
    assert ended.status == 1
    assert told(ended.json(), "sign") == {("critical-warning", "disk-1")}


def test_sata_drive_that_smartctl_cannot_ask(audit: Audit) -> None:
    machine = Machine()
    sata(machine)
    machine.smartctl = {}
    ended = audit(machine, ATA.replace(', serial = "ABY777"', ""))
    assert ended.status == 2
    assert not told(ended.json(), "differs")


def test_usb_disk_keeps_its_hop(audit: Audit) -> None:
    machine = Machine()
    machine.function("pci0000:00/0000:00:14.0", "0x0c0330")
    target = "pci0000:00/0000:00:14.0/usb1/1-1/1-1.2/1-1.2:1.0/host6/target6:0:0/6:0:0:0"
    machine.attributes(f"/sys/devices/{target}", {"model": "Shoal S1", "vendor": "Tide", "rev": "1", "type": "0"})
    machine.attributes(f"/sys/devices/{target}/block/sdc", {"size": str(TB // 512), "removable": "0"})
    machine.links |= {
        "/sys/block/sdc": f"../devices/{target}/block/sdc",
        "/sys/devices/" + target + "/block/sdc/device": "../../../6:0:0:0",
    }
    ended = audit(machine, HEAD)
    (finding,) = found(ended.json(), "occupant-unexpected")
    assert "/usb-1.2" in finding["summary"] + json.dumps(finding["evidence"])


def test_switch_port_that_reads_no_maximum(audit: Audit) -> None:
    """An emulated switch tells a maximum of Unknown and 0 lanes; what trained is still judged."""
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1", max_link_speed="Unknown", max_link_width="0")
    machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0", width=2)
    said = audit(machine, bay("0000:00/01.1", link=GEN4)).json()
    assert ("link-narrow", "bay-1") in told(said, "differs")
    assert ("link-beyond-hardware", "bay-1") not in told(said, "differs")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[: len(text) // 2],
        lambda text: text.replace('"version": 1', '"version": 7', 1),
        lambda text: text.replace("laneproof-recording", "some-other-format", 1),
        lambda _: "",
        lambda _: "\n",
        lambda _: "not json\n",
        lambda _: "[1, 2]\n",
        lambda text: text.replace('"t": ', '"when": '),
        lambda text: text.replace('"files": {', '"files": [{', 1),
        lambda text: text + '{"t": "noon"}\n',
        lambda text: text + '{"t": 1790000001, "surprise": 1}\n',
        lambda text: text + '{"t": 1790000001, "binary": {"/x": "%%%"}}\n',
        lambda text: text + "[" * 100_000,
        lambda text: text + '{"t": 1e999}\n',
        lambda text: text + '{"t": NaN}\n',
        lambda text: text + '{"t": -5}\n',
        lambda text: text + '{"t": 9e15}\n',
    ],
)
def test_malformed_recording_is_65_with_what_and_where(tmp_path: Path, spoil: Callable[[str], str]) -> None:
    machine = Machine()
    machine.port("pci0000:00/0000:00:01.1")
    machine.drive(0, "pci0000:00/0000:00:01.1/0000:01:00.0")
    recording = write(tmp_path / "box.jsonl", machine.frame())
    recording.write_text(spoil(recording.read_text()))
    (tmp_path / "build.toml").write_text(bay("0000:00/01.1", link=GEN4))
    for command in (
        ["audit", "--from", recording, "--build", tmp_path / "build.toml"],
        ["draft", "--from", recording],
        ["replay", recording, "--build", tmp_path / "build.toml"],
    ):
        ended = inside(*command)
        assert ended.status == 65, (command, ended)
        assert "box.jsonl" in ended.err


def test_recording_without_a_frame(tmp_path: Path) -> None:
    """There is nothing to judge, and a replay of nothing ran to its end."""
    recording = write(tmp_path / "box.jsonl")
    assert inside("audit", "--from", recording).status == 65
    assert inside("draft", "--from", recording).status == 65
    assert inside("replay", recording, "--json") == Ended(status=0, out="", err="")


def test_packed_recording_that_is_cut_off(tmp_path: Path) -> None:
    machine = Machine()
    machine.drive(0, "pci0000:00/0000:00:01.0")
    recording = write(tmp_path / "box.jsonl.gz", machine.frame())
    recording.write_bytes(recording.read_bytes()[:-20])
    assert inside("audit", "--from", recording).status == 65
    recording.write_bytes(gzip.compress(b"\xff\xfe\x00"))
    assert inside("audit", "--from", recording).status == 65
    recording.write_bytes(b"\x1f\x8b")
    assert inside("audit", "--from", recording).status == 65


def test_links_that_run_in_circles_end(audit: Audit) -> None:
    machine = Machine()
    machine.drive(0, "pci0000:00/0000:00:01.0")
    machine.links |= {
        "/sys/bus/pci/devices/0000:00:02.0": "../devices/0000:00:02.0",
        "/sys/class/nvme/nvme3": "nvme4",
        "/sys/class/nvme/nvme4": "nvme3",
        "/sys/class/nvme": "/sys/class/nvme",
        "/sys/block/sda": "/sys/block/sda",
    }
    ended = audit(machine, bay("0000:00/01.0"))
    assert ended.status in {0, 1, 2}


def test_bridge_class_is_known_without_a_drive(audit: Audit) -> None:
    machine = Machine()
    machine.function("pci0000:00/0000:00:01.1", BRIDGE_CLASS)
    assert told(audit(machine, bay("0000:00/01.1")).json(), "differs") == {("position-empty", "bay-1")}


def test_packed_recording_through_a_real_process(tmp_path: Path) -> None:
    machine = Machine()
    machine.port("platform/axi/1000110000.pcie/pci0001:00/0001:00:00.0")
    machine.drive(
        0, "platform/axi/1000110000.pcie/pci0001:00/0001:00:00.0/0001:01:00.0", speed="5.0 GT/s PCIe", width=1
    )
    recording = write(tmp_path / "arm.jsonl.gz", machine.frame())
    ended = program("audit", "--from", recording, "--json")
    assert ended.status == 1
    assert {rule for rule, _ in told(ended.json())} == {"link-slow", "link-narrow"}
