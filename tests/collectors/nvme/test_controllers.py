import base64
import errno
import struct
from typing import Any

import pySMART  # noqa: F401 (found before a fake file system hides it)
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.host import Host
from laneproof_collectors.nvme.controllers import NvmeCache, read_controllers
from laneproof_collectors.questions import (
    FeatureValue,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Smartctl,
    name_question,
    unread_from_errno,
    unread_from_nvme_status,
)
from laneproof_collectors.snapshot import (
    AutonomousTransitions,
    HealthLog,
    NvmeController,
    NvmeIdentity,
    TemperatureReading,
)
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, Tree, recorded, replay
from support.unread_answers import known, unread

FUNCTION = "/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0"
STAT = "100 0 2000 30 40 0 5000 60 0 70 90\n"


def controller(name: str = "nvme0", function: str = FUNCTION, **changes: Any) -> Tree:
    """Lay out one controller as the kernel does; a change of ``None`` leaves that file out."""
    number = name.removeprefix("nvme")
    here = f"{function}/nvme/{name}"
    files: dict[str, Any] = {
        "model": "TIDELINE ARC 4T                         \n",
        "serial": f"KELP000{number}            \n",
        "firmware_rev": "2.14    \n",
        "state": "live\n",
        "cntlid": "5\n",
        "power/pm_qos_latency_tolerance_us": "100000\n",
        f"nvme{number}n1/nsid": "1\n",
        f"nvme{number}n1/size": "7814037168\n",
        f"nvme{number}n1/wwid": f"eui.0025385b71b0112{number}\n",
        f"nvme{number}n1/stat": STAT,
    } | changes
    tree: Tree = {f"{here}/{path}": text for path, text in files.items() if text is not None}
    tree[f"{function}/power/runtime_status"] = "active\n"
    tree[f"{function}/power_state"] = "D0\n"
    tree[f"/sys/class/nvme/{name}"] = f"-> ../../{function.removeprefix('/sys/')}/nvme/{name}"
    return tree


def health_page(*, kelvin: int = 315, spare: int = 100) -> bytes:
    page = bytearray(512)
    page[1:3] = kelvin.to_bytes(2, "little")
    page[3:6] = bytes((spare, 10, 3))
    page[112:114] = (41).to_bytes(2, "little")  # power cycles
    return bytes(page)


def identify_page(*, transitions: bool = True) -> bytes:
    page = bytearray(4096)
    struct.pack_into(
        "<HH20s40s8s", page, 0, 0x1D0F, 0x1D0F, b"KELP0000".ljust(20), b"TIDELINE ARC 4T".ljust(40), b"2.14"
    )
    page[265] = int(transitions)
    page[280:296] = (4_000_787_030_016).to_bytes(16, "little")
    return bytes(page)


TRANSITIONS = struct.pack("<32Q", (3 << 3) | (100 << 8), *([0] * 31))


class Box(FakeMachine):
    """A machine of fake files whose drives answer as they are made to; others have no device node."""

    def answer_all(self, name: str = "nvme0") -> None:
        self.answers |= {
            NvmeIdentify(name): identify_page(),
            NvmeLog(name, 2, 512): health_page(),
            NvmeFeature(name, 0x0C, 256): FeatureValue(value=1, data=TRANSITIONS),
        }

    def fail_all(self, number: int, name: str = "nvme0") -> None:
        self.answer_all(name)
        for question in [question for question in self.answers if name_question(question).endswith(f" of {name}")]:
            self.answers[question] = unread_from_errno(name_question(question), number)

    def asked_of_drives(self) -> list[str]:
        """Give what was asked of drives since the last call, in order."""
        asked = [question for question in self.asked if " of nvme" in question]
        self.asked.clear()
        return asked


@pytest.fixture
def box(fs: FakeFilesystem) -> Box:
    return Box(fs, controller())


def read(host: Host, cache: NvmeCache | None = None) -> tuple[NvmeController, ...]:
    return known(read_controllers(host, cache))


def read_one(host: Host, cache: NvmeCache | None = None) -> NvmeController:
    (found,) = read(host, cache)
    return found


def test_healthy_drive_is_read_whole(box: Box) -> None:
    box.answer_all()
    found = read_one(box)
    assert (found.name, found.address, found.state) == ("nvme0", "0000:01:00.0", "live")
    assert (found.model, found.serial, found.firmware) == ("TIDELINE ARC 4T", "KELP0000", "2.14")
    assert (found.controller_id, found.latency_tolerance_us) == (5, 100000)
    assert found.capacity_bytes == 4_000_787_030_016
    assert isinstance(found.identity, NvmeIdentity)
    assert isinstance(found.health, HealthLog)
    assert (found.health.composite_temperature_celsius, found.health.power_cycles) == (42.0, 41)
    assert found.autonomous_transitions == AutonomousTransitions(enabled=True, transitions={0: (3, 100)})
    (namespace,) = found.namespaces
    assert (namespace.name, namespace.number, namespace.size_bytes) == ("nvme0n1", 1, 4_000_787_030_016)
    assert found.temperatures == ()  # hwmon was not needed, and each of its readings sends a command


def test_what_did_not_change_is_not_asked_again(box: Box) -> None:
    box.answer_all()
    cache = NvmeCache()
    first = read_one(box, cache)
    assert box.asked_of_drives() == ["Identify of nvme0", "log 02h of nvme0", "feature 0Ch of nvme0"]  # each once
    assert read_one(box, cache) == first
    assert box.asked_of_drives() == ["log 02h of nvme0", "feature 0Ch of nvme0"]


def test_another_drive_under_the_same_name_is_asked_again(box: Box) -> None:
    box.answer_all()
    cache = NvmeCache()
    read(box, cache)
    box.asked_of_drives()
    box.put({f"{FUNCTION}/nvme/nvme0/serial": "KELP0777\n"})
    read(box, cache)
    assert "Identify of nvme0" in box.asked_of_drives()
    assert [key[1] for key in cache.identities] == ["KELP0777"]


def test_drive_that_left_is_forgotten(box: Box) -> None:
    box.answer_all()
    cache = NvmeCache()
    read(box, cache)
    assert cache.identities
    box.remove("/sys/class/nvme/nvme0")
    assert read(box, cache) == ()
    assert not cache.identities


def test_drive_without_autonomous_transitions_has_none(box: Box) -> None:
    box.answer_all()
    box.answers[NvmeIdentify("nvme0")] = identify_page(transitions=False)
    assert read_one(box).autonomous_transitions is None
    assert "feature 0Ch of nvme0" not in box.asked_of_drives()


@pytest.mark.parametrize(
    ("text", "tolerance"), [("any\n", "any"), ("auto\n", "auto"), ("0\n", 0), (None, None), ("soon\n", Unread)]
)
def test_latency_tolerance_is_a_number_or_the_kernels_word(
    fs: FakeFilesystem, text: str | None, tolerance: int | str | type[Unread] | None
) -> None:
    changes: dict[str, Any] = {"power/pm_qos_latency_tolerance_us": text}
    found = read_one(Box(fs, controller(**changes))).latency_tolerance_us
    assert isinstance(found, Unread) if tolerance is Unread else found == tolerance


# --- what no PCI function carries -----------------------------------------------------------------------------------

BOARD = "/sys/devices/platform/soc/27bcc0000.nvme"


def test_a_drive_on_the_board_has_a_path_and_no_address(fs: FakeFilesystem) -> None:
    box = Box(fs, controller(function=BOARD))
    box.answer_all()
    found = read_one(box)
    assert (found.address, found.path) == (None, "platform/27bcc0000.nvme")
    assert isinstance(found.health, HealthLog)


def test_a_drive_across_a_network_is_known_by_its_serial_number(fs: FakeFilesystem) -> None:
    """Linux drivers/nvme/host/fabrics.c: such controllers are virtual devices of ``nvme-fabrics``."""
    here = "/sys/devices/virtual/nvme-fabrics/ctl/nvme0"
    tree = {f"{here}/state": "live\n", f"{here}/serial": "KELP 0009\n"}
    box = Box(fs, {**tree, "/sys/class/nvme/nvme0": "-> ../../devices/virtual/nvme-fabrics/ctl/nvme0"})
    found = read_one(box)
    assert (found.address, found.path) == (None, "fabrics/KELP_0009")


def test_a_drive_of_a_pci_function_has_no_other_path(box: Box) -> None:
    assert read_one(box).path is None


# --- left alone -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tree", "word"),
    [
        *(
            (controller(state=f"{state}\n"), state)
            for state in ("dead", "resetting", "connecting", "new", "deleting (no IO)", "unknown state")
        ),
        (controller() | {f"{FUNCTION}/power/runtime_status": "suspended\n"}, "suspended"),
        (controller() | {f"{FUNCTION}/power_state": "D3cold\n"}, "D3cold"),
        (controller(function=BOARD) | {f"{BOARD}/power/runtime_status": "suspended\n"}, "suspended"),
    ],
)
def test_controller_that_is_not_live_or_sleeps_is_sent_no_command(fs: FakeFilesystem, tree: Tree, word: str) -> None:
    box = Box(fs, tree)
    box.answer_all()
    found = read_one(box)
    assert box.asked_of_drives() == []
    for value in map(unread, (found.identity, found.health, found.autonomous_transitions)):
        assert value.reason is Reason.NOT_ASKED
        assert word in value.why
    assert found.serial == "KELP0000"
    assert found.capacity_bytes == 4_000_787_030_016  # the namespaces still tell


def test_hwmon_of_a_controller_left_alone_is_not_read(fs: FakeFilesystem) -> None:
    box = Box(fs, controller(state="resetting\n", **{"hwmon0/temp1_input": "41850\n"}))
    assert read_one(box).temperatures == ()
    assert not [path for path in box.asked if "temp1" in path]


def test_state_that_could_not_be_read_is_not_taken_for_live(box: Box) -> None:
    box.answer_all()
    box.faults[f"{FUNCTION}/nvme/nvme0/state"] = errno.ENODEV
    found = read_one(box)
    assert isinstance(found.state, Unread)
    assert box.asked_of_drives() == []


def test_drive_that_does_not_answer_in_time_is_asked_no_other_way(box: Box) -> None:
    box.fail_all(errno.ETIMEDOUT)
    found = read_one(box)
    assert unread(found.health).reason is Reason.TIMED_OUT
    assert "smartctl of nvme0" not in box.asked_of_drives()


def test_one_bad_drive_does_not_spoil_the_others(fs: FakeFilesystem) -> None:
    other = FUNCTION.replace("01.1", "01.2").replace(":01:", ":02:")
    box = Box(fs, controller(), controller("nvme1", other))
    box.answer_all("nvme1")
    box.fail_all(errno.ENODEV, "nvme0")
    bad, good = read(box)
    assert unread(bad.health).reason is Reason.GONE
    assert isinstance(good.health, HealthLog)
    assert good.address == "0000:02:00.0"


# --- other ways to the health -----------------------------------------------------------------------------------------

SMARTCTL_TEXT = """\
smartctl 7.3 2022-02-28 r5338 [x86_64-linux] (local build)
Copyright (C) 2002-22, Bruce Allen, Christian Franke, www.smartmontools.org

=== START OF SMART DATA SECTION ===
SMART/Health Information (NVMe Log 0x02)
Critical Warning:                   0x00
Temperature:                        42 Celsius
Available Spare:                    100%
Power Cycles:                       41
"""
SMARTCTL: dict[str, Any] = {"smartctl": {"output": SMARTCTL_TEXT.splitlines()}}


def test_where_the_log_is_denied_smartctl_may_know(box: Box) -> None:
    box.fail_all(errno.EACCES)
    box.answers[Smartctl("nvme0")] = SMARTCTL
    health = known(read_one(box).health)
    assert (health.source, health.power_cycles, health.composite_temperature_celsius) == ("smartctl", 41, 42.0)
    assert "data_units_read" in health.absent


def test_where_nothing_may_be_read_the_sentence_says_what_to_do(box: Box) -> None:
    box.fail_all(errno.EACCES)
    found = read_one(box)
    assert unread(found.health).reason is Reason.DENIED
    assert "permission denied (EACCES)" in str(found.health)
    assert "run laneproof as root, or give it CAP_SYS_ADMIN" in str(found.health)
    assert "install smartmontools" in str(found.health)
    for value in map(unread, (found.identity, found.autonomous_transitions)):
        assert value.reason is Reason.DENIED
        assert "CAP_SYS_ADMIN" in value.why


def test_smartctls_own_complaint_is_passed_on(box: Box) -> None:
    box.fail_all(errno.EACCES)
    complaint = "Smartctl open device: /dev/nvme0 failed: Permission denied"
    box.answers[Smartctl("nvme0")] = {"smartctl": {"messages": [{"string": complaint}], "exit_status": 2}}
    assert complaint in unread(read_one(box).health).why


@pytest.mark.parametrize("page", [b"\xff" * 512, bytes(512), b"", b"\1" * 511])
def test_page_that_is_none_is_one_clear_unread(box: Box, page: bytes) -> None:
    box.answer_all()
    box.answers[NvmeLog("nvme0", 2, 512)] = page
    assert unread(read_one(box).health).what == "log 02h of nvme0"


def test_drive_that_refuses_the_log_says_its_status(box: Box) -> None:
    box.answer_all()
    box.answers[NvmeLog("nvme0", 2, 512)] = unread_from_nvme_status("log 02h of nvme0", 0x109)
    health = unread(read_one(box).health)
    assert (health.reason, health.detail) == (Reason.REFUSED, str(0x109))


HWMON = {"hwmon3/temp1_input": "41850\n", "hwmon3/temp1_label": "Composite\n"}


def test_kernels_thermometers_are_read_where_the_health_log_fails(fs: FakeFilesystem) -> None:
    box = Box(fs, controller(**HWMON))
    box.fail_all(errno.EACCES)
    assert read_one(box).temperatures == (TemperatureReading(label="Composite", celsius=42.0),)


@pytest.mark.parametrize("works", ["log", "smartctl"])
def test_thermometers_are_left_alone_where_the_health_is_known(fs: FakeFilesystem, works: str) -> None:
    box = Box(fs, controller(**HWMON))
    box.answer_all()
    if works == "smartctl":
        box.fail_all(errno.EACCES)
        box.answers[Smartctl("nvme0")] = SMARTCTL
    assert read_one(box).temperatures == ()
    assert not [path for path in box.asked if "temp1" in path]


# --- the tree ---------------------------------------------------------------------------------------------------------


def test_kernel_without_nvme_has_no_controllers_and_a_tree_without_sysfs_is_unread(fs: FakeFilesystem) -> None:
    box = Box(fs)
    assert unread(read_controllers(box)).reason is Reason.ABSENT
    box.put({"/sys/class/net": None})
    assert read_controllers(box) == ()
    box.faults["/sys/class/nvme"] = errno.EACCES
    assert unread(read_controllers(box)).reason is Reason.DENIED


def test_controllers_come_by_number_and_others_names_are_passed_over(fs: FakeFilesystem) -> None:
    trees = [controller(f"nvme{n}", FUNCTION.replace(":01:", f":0{n % 9}:")) for n in (10, 2, 1)]
    box = Box(fs, *trees, {"/sys/class/nvme/nvme-fabrics/x": "\n"})
    assert [found.name for found in read(box)] == ["nvme1", "nvme2", "nvme10"]


def test_hidden_way_to_a_disk_is_reported_by_the_disks_name(fs: FakeFilesystem) -> None:
    way = {"nvme0c0n1/nsid": "1\n", "nvme0c0n1/size": "16\n", "nvme0c0n1/stat": STAT}
    gone: dict[str, Any] = {f"nvme0n1/{name}": None for name in ("nsid", "size", "wwid", "stat")}
    box = Box(fs, controller(**gone, **way))
    (namespace,) = read_one(box).namespaces
    assert (namespace.name, namespace.size_bytes) == ("nvme0n1", 8192)


def test_attributes_that_vanish_are_unread_one_by_one(fs: FakeFilesystem) -> None:
    box = Box(fs, controller(model=None, cntlid="five\n"))
    found = read_one(box)
    assert isinstance(found.model, Unread)
    assert isinstance(found.controller_id, Unread)
    assert found.serial == "KELP0000"


def test_link_that_cannot_be_read_still_gives_the_controller(box: Box) -> None:
    box.faults["/sys/class/nvme/nvme0"] = errno.EIO
    found = read_one(box)
    assert (found.serial, found.address) == ("KELP0000", None)


def test_recording_of_a_pass_reads_the_same(fs: FakeFilesystem) -> None:
    box = Box(fs, controller(**HWMON), controller("nvme1", FUNCTION.replace(":01:", ":02:")))
    box.answer_all("nvme0")
    box.fail_all(errno.EACCES, "nvme1")
    live, replayed = replay(box, read)
    assert replayed == live


TREE = {path: text for path, text in controller(**HWMON).items() if text is not None}
LINKS = {path: str(text)[3:] for path, text in TREE.items() if str(text).startswith("-> ")}
PAGES = {
    "identify": identify_page(),
    "log:2": health_page(),
    "feature:12:data": TRANSITIONS,
}


@given(
    st.dictionaries(st.sampled_from([path for path in TREE if path not in LINKS]), st.binary(max_size=40) | st.none()),
    st.dictionaries(st.sampled_from(list(PAGES)), st.binary(max_size=600) | st.none()),
)
def test_any_mutilated_drive_gives_facts_or_reasons(
    files: dict[str, bytes | None], pages: dict[str, bytes | None]
) -> None:
    tree = {path: str(text).encode() for path, text in TREE.items() if path not in LINKS} | files
    drive = {name: base64.b64encode(page).decode() for name, page in (PAGES | pages).items() if page is not None}
    frame = {
        "links": LINKS,
        "binary": {path: base64.b64encode(raw).decode() for path, raw in tree.items() if raw is not None},
        "nvme": {"nvme0": drive | {"feature:12": 1}},
    }
    found = read_one(recorded(frame))
    assert isinstance(found.health, HealthLog | Unread)
    for name, value in (("log:2", found.health), ("identify", found.identity)):
        if name in pages and len(pages[name] or b"") not in (512, 4096):
            assert isinstance(value, Unread), name
