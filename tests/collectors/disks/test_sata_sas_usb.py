import errno
from typing import Any

import pySMART  # noqa: F401 (found before a fake file system hides it)
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.disks.sata_sas_usb import DriveCache, DriveIdentity, parse_kept_identity, read_drives
from laneproof_collectors.host import Host
from laneproof_collectors.questions import Smartctl
from laneproof_collectors.snapshot import SataDrive
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, Tree, recorded, replay
from support.unread_answers import known, unread

ROOT, SOC = "/sys/devices/pci0000:00", "/sys/devices/platform/soc"
CONTROLLER, FIRST = f"{ROOT}/0000:00:17.0", "host0/target0:0:0/0:0:0:0"
ATA3 = f"{CONTROLLER}/ata3/host2/target2:0:0/2:0:0:0"
MISSING = Unread("x", "there is no such file (ENOENT)", Reason.ABSENT, "ENOENT")

SMARTCTL: dict[str, Any] = {
    "device": {"type": "sat", "protocol": "ATA"},
    "model_name": "SHOAL AR8000",
    "serial_number": "KELPS007",
    "firmware_version": "0C.7",
    "smart_status": {"passed": True},
    "power_on_time": {"hours": 34567},
    "temperature": {"current": 31},
    "ata_smart_attributes": {
        "table": [{"id": number, "raw": {"value": 0, "string": "0"}} for number in (5, 197, 198, 199)]
    },
}
STANDBY: dict[str, Any] = {
    "smartctl": {"messages": [{"string": "Device is in STANDBY mode, exit(2)"}], "exit_status": 2}
}


def disk(name: str = "sda", device: str = ATA3, **changes: str | bytes) -> Tree:
    """Lay out one disk as the kernel does."""
    files = {
        f"block/{name}/size": "15628053168\n",
        f"block/{name}/removable": "0\n",
        f"block/{name}/queue/rotational": "1\n",
        "wwid": f"naa.5000c500a000{name}\n",
        "model": "SHOAL AR8000    \n",
        "rev": "0C.7\n",
        "power/runtime_status": "active\n",
        **changes,
    }
    tree: Tree = {f"{device}/{path}": content for path, content in files.items()}
    tree[f"/sys/block/{name}"] = f"-> ../{device.removeprefix('/sys/')}/block/{name}"
    tree[f"{CONTROLLER}/power/runtime_status"] = "active\n"
    return tree


def ata_page(model: str, serial: str, firmware: str) -> bytes:
    """Make the ATA Information page as libata does: a header, then IDENTIFY DEVICE with swapped characters."""
    words = bytearray(512)
    for first, length, text in ((10, 20, serial), (23, 8, firmware), (27, 40, model)):
        padded = text.ljust(length).encode()
        for place in range(0, length, 2):
            words[2 * first + place], words[2 * first + place + 1] = padded[place + 1], padded[place]
    return b"\0\x89\x02\x38" + bytes(4) + b"linux   libata          3.00" + bytes(24) + bytes(words)


def box_of(fs: FakeFilesystem, *trees: Tree, **reports: dict[str, Any]) -> FakeMachine:
    """Make a machine of fake files whose smartctl reports so of the disks that are named."""
    box = FakeMachine(fs, *trees)
    box.answers |= {Smartctl(name): report for name, report in reports.items()}
    return box


def read(host: Host, cache: DriveCache | None = None) -> tuple[SataDrive, ...]:
    return known(read_drives(host, cache))


def read_one(host: Host, cache: DriveCache | None = None) -> SataDrive:
    (drive,) = read(host, cache)
    return drive


HEALTH = (
    "healthy", "temperature_celsius", "power_on_hours", "reallocated_sectors", "pending_sectors",
    "uncorrectable_sectors", "interface_errors", "last_self_test",
)  # fmt: skip


def health_of(drive: SataDrive) -> list[object]:
    return [getattr(drive, name) for name in HEALTH]


def test_drive_that_is_awake_is_read_whole(fs: FakeFilesystem) -> None:
    drive = read_one(box_of(fs, disk(), sda=SMARTCTL))
    assert drive == SataDrive(
        name="sda",
        path="0000:00/17.0/ata-3",
        model="SHOAL AR8000",
        serial="KELPS007",
        firmware="0C.7",
        capacity_bytes=8001563222016,
        asleep=False,
        healthy=True,
        temperature_celsius=31.0,
        power_on_hours=34567,
        reallocated_sectors=0,
        pending_sectors=0,
        uncorrectable_sectors=0,
        interface_errors=0,
        last_self_test=None,
        interface="sata",
        wwid="naa.5000c500a000sda",
    )


# --- asleep -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", [f"{ATA3}/power/runtime_status", f"{CONTROLLER}/power/runtime_status"])
def test_drive_or_controller_that_the_kernel_put_to_sleep_is_not_opened(fs: FakeFilesystem, place: str) -> None:
    box = box_of(fs, disk(), {place: "suspended\n"}, sda=SMARTCTL)
    drive = read_one(box)
    assert "smartctl of sda" not in box.asked
    assert drive.asleep
    for value in map(unread, health_of(drive)):
        assert value.reason is Reason.NOT_ASKED
        assert "suspended" in value.why
    assert drive.capacity_bytes == 8001563222016  # the kernel's own account


def test_drive_in_standby_is_asleep_and_not_unhealthy(fs: FakeFilesystem) -> None:
    drive = read_one(box_of(fs, disk(), sda=STANDBY))
    assert drive.asleep
    for value in map(unread, health_of(drive)):
        assert value.reason is Reason.NOT_ASKED


def test_sleeping_drive_keeps_the_name_it_had_while_awake(fs: FakeFilesystem) -> None:
    box = box_of(fs, disk(), sda=SMARTCTL)
    cache = DriveCache()
    read(box, cache)
    box.answers[Smartctl("sda")] = STANDBY
    drive = read_one(box, cache)
    assert (drive.model, drive.serial, drive.firmware) == ("SHOAL AR8000", "KELPS007", "0C.7")


def test_another_drive_does_not_inherit_a_name(fs: FakeFilesystem) -> None:
    box = box_of(fs, disk(), sda=SMARTCTL)
    cache = DriveCache()
    read(box, cache)
    box.put({f"{ATA3}/wwid": "naa.5000c500b0000001\n"})
    box.answers[Smartctl("sda")] = STANDBY
    assert isinstance(read_one(box, cache).serial, Unread)
    assert not cache.identities


def test_sleeping_stranger_is_known_by_the_pages_that_the_kernel_kept(fs: FakeFilesystem) -> None:
    page = ata_page("SHOAL AR8000 FOR ARCHIVES", "KELPS007", "0C.7")
    drive = read_one(box_of(fs, disk(vpd_pg80=b"\0\x80\0\x14" + b"KELPS007".ljust(20), vpd_pg89=page), sda=STANDBY))
    assert (drive.model, drive.serial, drive.firmware) == ("SHOAL AR8000 FOR ARCHIVES", "KELPS007", "0C.7")


def test_kept_pages_of_a_sas_drive_hold_its_serial_number() -> None:
    # SPC-4, Unit Serial Number page: code 80h, length, then the text
    serial = b"\0\x80\0\x0f" + b"KELPSAS00000001"
    identity = parse_kept_identity(serial, MISSING, model="AR12000S", revision="0C07")
    assert identity == DriveIdentity(model="AR12000S", serial="KELPSAS00000001", firmware="0C07")


def test_pages_that_are_not_there_say_nothing() -> None:
    assert parse_kept_identity(MISSING, MISSING, model=MISSING, revision=MISSING) == DriveIdentity()


@given(st.binary(max_size=600), st.binary(max_size=600))
def test_any_bytes_of_kept_pages_give_an_identity(serial: bytes, page: bytes) -> None:
    assert isinstance(parse_kept_identity(serial, page, model="", revision=""), DriveIdentity)
    assert isinstance(parse_kept_identity(serial, b"\0\x89" + page, model="", revision=""), DriveIdentity)


# --- where it hangs ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("device", "path", "interface"),
    [
        (ATA3, "0000:00/17.0/ata-3", "sata"),
        (f"{ROOT}/0000:00:1c.4/0000:03:00.0/ata12/host11/target11:2:0/11:2:0:0", "0000:00/1c.4/00.0/ata-12.2", "sata"),
        (f"{ROOT}/0000:00:14.0/usb2/2-1/2-1.2/2-1.2:1.0/host6/target6:0:0/6:0:0:0", "0000:00/14.0/usb-1.2", "usb"),
        (f"{ROOT}/0000:00:14.0/usb2/2-3/2-3:1.0/host6/target6:0:0/6:0:0:1", "0000:00/14.0/usb-3/lun-1", "usb"),
        (f"{ROOT}/0000:00:05.0/virtio2/host0/target0:0:4/0:0:4:0", "0000:00/05.0/scsi-0.4", "scsi"),
        (f"{SOC}/pci10000:e0/10000:e0:06.0/10000:e1:00.0/ata1/{FIRST}", "10000:e0/06.0/00.0/ata-1", "sata"),
        (f"{SOC}/fe800000.sata/ata1/{FIRST}", "platform/fe800000.sata/ata-1", "sata"),
    ],
)
def test_position_is_the_controllers_and_the_drives_own_hop(
    fs: FakeFilesystem, device: str, path: str | None, interface: str
) -> None:
    drive = read_one(FakeMachine(fs, disk(device=device)))
    assert (drive.path, drive.interface) == (path, interface)


SAS = "/sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0/host7/port-7:0"
SAS_DEVICE = f"{SAS}/end_device-7:0/target7:0:0/7:0:0:0"


INNER = f"{SAS}/expander-7:0/port-7:0:5"


@pytest.mark.parametrize(
    ("device", "phys", "path"),
    [
        (SAS_DEVICE, {f"{SAS}/phy-7:{number}": f"-> ../phy-7:{number}" for number in (10, 3, 4)}, "phy-3"),
        (f"{INNER}/end_device-7:0:5/target7:0:5/7:0:5:0", {f"{SAS}/phy-7:0": None, f"{INNER}/phy-7:0:12": None},
         "phy-0/phy-12"),
        (SAS_DEVICE, {}, "port-0"),
    ],
)  # fmt: skip
def test_sas_drive_hangs_on_the_lowest_phy_of_each_port(fs: FakeFilesystem, device: str, phys: Tree, path: str) -> None:
    assert read_one(FakeMachine(fs, disk(device=device), phys)).path == f"0000:00/01.0/00.0/{path}"


def test_sata_drive_on_a_sas_controller_is_sata(fs: FakeFilesystem) -> None:
    assert read_one(box_of(fs, disk(device=SAS_DEVICE), sda=SMARTCTL)).interface == "sata"


# --- failures ---------------------------------------------------------------------------------------------------------


def test_without_smartctl_the_sentence_says_what_to_install(fs: FakeFilesystem) -> None:
    drive = read_one(FakeMachine(fs, disk()))
    assert not drive.asleep
    for value in map(unread, health_of(drive)):
        assert value.reason is Reason.ABSENT
        assert "install smartmontools" in value.why
    assert drive.model == "SHOAL AR8000"  # from the kernel's INQUIRY data


def test_without_rights_the_sentence_says_what_to_do(fs: FakeFilesystem) -> None:
    said = "Smartctl open device: /dev/sda failed: Permission denied"
    report = {"smartctl": {"messages": [{"string": said, "severity": "error"}], "exit_status": 2}}
    healthy = unread(read_one(box_of(fs, disk(), sda=report)).healthy)
    assert healthy.reason is Reason.DENIED
    assert str(healthy) == f"could not read smartctl of sda: smartctl says: {said}; run laneproof as root"


def test_drive_that_keeps_no_record_has_none(fs: FakeFilesystem) -> None:
    lines = ["", "", "", "", "Product: VIRTUAL DISK", "SMART support is: Unavailable - device lacks SMART capability."]
    report = {"smartctl": {"output": lines}, "device": {"protocol": "SCSI"}, "serial_number": "KELPSCSI1"}
    drive = read_one(box_of(fs, disk(), sda=report))
    assert health_of(drive) == [None] * 8
    assert (drive.model, drive.serial) == ("VIRTUAL DISK", "KELPSCSI1")


@pytest.mark.parametrize(
    ("left_out", "unread_fields"), [("ata_smart_attributes", set(HEALTH[3:7])), ("smart_status", {"healthy"})]
)
def test_what_a_sata_drive_does_not_show_is_unread_and_not_clean(
    fs: FakeFilesystem, left_out: str, unread_fields: set[str]
) -> None:
    drive = read_one(box_of(fs, disk(), sda={key: value for key, value in SMARTCTL.items() if key != left_out}))
    assert {name for name in HEALTH if isinstance(getattr(drive, name), Unread)} == unread_fields
    assert {str(getattr(drive, name)) for name in unread_fields} == {
        "could not read smartctl of sda: it does not report it"
    }


@pytest.mark.parametrize(
    ("size", "removable", "capacities"),
    [
        ("0\n", "1\n", []),  # a card reader without a card
        ("0\n", "0\n", [0]),
        ("big\n", "0\n", [4096]),  # smartctl's, where the kernel's cannot be read
    ],
)
def test_size_of_a_disk(fs: FakeFilesystem, size: str, removable: str, capacities: list[int]) -> None:
    tree, report = (
        disk(**{"block/sda/size": size, "block/sda/removable": removable}),
        {"user_capacity": {"bytes": 4096}},
    )
    box = box_of(fs, tree, sda=SMARTCTL | report)
    assert [drive.capacity_bytes for drive in read(box)] == capacities


def test_disks_come_in_the_kernels_order_and_other_kinds_are_passed_over(fs: FakeFilesystem) -> None:
    trees = [disk(name, ATA3.replace("ata3", f"ata{n}")) for n, name in enumerate(("sdaa", "sdb", "sda"), start=1)]
    others: Tree = {"/sys/block/nvme0n1/size": "16\n", "/sys/block/loop0/size": "0\n", "/sys/block/sr0": None}
    assert [drive.name for drive in read(FakeMachine(fs, *trees, others))] == ["sda", "sdb", "sdaa"]


def test_link_that_cannot_be_read_still_gives_the_drive(fs: FakeFilesystem) -> None:
    box = FakeMachine(fs, disk(), {f"{ATA3}/block/sda/device": f"-> {ATA3}"})
    box.faults["/sys/block/sda"] = errno.EIO
    drive = read_one(box)
    assert (drive.path, drive.capacity_bytes, drive.model) == (None, 8001563222016, "SHOAL AR8000")


def test_disk_that_vanishes_is_unread_field_by_field(fs: FakeFilesystem) -> None:
    drive = read_one(FakeMachine(fs, {"/sys/block/sda": "-> ../devices/gone/block/sda"}))
    assert isinstance(drive.capacity_bytes, Unread)
    assert isinstance(drive.serial, Unread)


def test_machine_without_disks_has_no_drives_and_one_without_sysfs_is_unread(fs: FakeFilesystem) -> None:
    box = FakeMachine(fs)
    assert unread(read_drives(box)).reason is Reason.ABSENT
    box.put({"/sys/class": None})
    assert read_drives(box) == ()
    box.faults["/sys/block"] = errno.EACCES
    assert unread(read_drives(box)).reason is Reason.DENIED


def test_recording_of_a_pass_reads_the_same(fs: FakeFilesystem) -> None:
    page = ata_page("SHOAL AR8000", "KELPS008", "0C.7")
    phys: Tree = {f"{SAS}/phy-7:3": "-> ../phy-7:3", f"{SAS}/../phy-7:3/x": "1"}
    box = box_of(fs, disk(), disk("sdb", SAS_DEVICE, vpd_pg89=page), phys, sda=SMARTCTL, sdb=STANDBY)
    live, replayed = replay(box, read)
    assert replayed == live
    assert [drive.path for drive in live] == ["0000:00/17.0/ata-3", "0000:00/01.0/00.0/phy-3"]


PARTS = ["..", "devices", "pci0000:00", "0000:00:17.0", "ata3", "port-7:0", "phy-7:1", "2-1.2", "2:0:0:0", "block", ""]


@given(
    st.lists(st.sampled_from([*PARTS, "sda"]), max_size=12).map("/".join),
    st.dictionaries(st.sampled_from(["size", "removable", "queue/rotational", "device/wwid"]), st.text(max_size=20)),
    st.sampled_from([SMARTCTL, STANDBY, {}]),
)
@example("../devices/devices/devices/ata3", {}, SMARTCTL)  # no PCI function above it
def test_any_folder_and_any_content_give_drives(target: str, files: dict[str, str], reported: dict[str, Any]) -> None:
    tree = {f"/sys/block/sda/{name}": text for name, text in files.items()}
    frame = {"links": {"/sys/block/sda": target}, "files": tree, "smartctl": {"sda": reported}}
    for drive in read(recorded(frame)):
        assert drive.name == "sda"
        assert drive.asleep is (reported is STANDBY)
        assert drive.path is None or drive.path.startswith(("0000:00/17.0/", "platform/"))
