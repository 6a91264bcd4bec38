"""PCI functions on a machine of fake files: what is asked, what is left alone, what odd and hostile trees give."""

import base64
import errno

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from boxes.pci_tree import (
    AER,
    DRIVE,
    DRIVE_CONFIG,
    ISA,
    NO_LINK,
    PORT,
    PORT_CONFIG,
    ROOT,
    SATA,
    lay_box,
    lay_function,
    lay_linked,
)
from laneproof_collectors.host import Host
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.pcie.functions import DEVICES, PcieCache, read_functions
from laneproof_collectors.questions import Answer, Question, ReadLink
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recorder import RecordingHost
from laneproof_collectors.recording import parse_frames, parse_header
from laneproof_collectors.snapshot import ExpressRegisters, LinkEnd, PciFunction
from laneproof_collectors.unread import Reason, Unread
from simulation.box import RecordingWriter, SimulatedBox
from simulation.fake_machine import FakeMachine, Tree, recorded
from simulation.hardware import Drive, Port
from simulation.registers import DEVICE, VENDOR, ExpressValues, lay_config
from support.unread_answers import known, unread


@pytest.fixture
def box(fs: FakeFilesystem) -> FakeMachine:
    return FakeMachine(fs, lay_box())


def read_all(host: Host, cache: PcieCache | None = None) -> dict[str, PciFunction]:
    functions = read_functions(host, cache=cache)
    assert not isinstance(functions, Unread), functions
    return {function.address: function for function in functions}


def read_one(host: Host, folder: str, cache: PcieCache | None = None) -> PciFunction:
    return read_all(host, cache)[folder.rpartition("/")[2]]


# --- what there is ----------------------------------------------------------------------------------------------------


def test_a_drive_with_its_link_its_errors_and_its_power(box: FakeMachine) -> None:
    drive = read_one(box, DRIVE)
    assert (drive.address, drive.root, drive.hops) == ("0000:01:00.0", "0000:00", ("01.1", "00.0"))
    assert (drive.path, drive.own_path) == ("0000:00/01.1", "0000:00/01.1/00.0")
    assert (drive.class_code, drive.vendor_id, drive.device_id) == (0x010802, VENDOR, DEVICE)
    assert (drive.driver, drive.label, drive.answers) == ("nvme", None, True)
    assert drive.link == LinkEnd(trained_gt_s=5.0, trained_lanes=2, capable_gt_s=8.0, capable_lanes=4)
    assert drive.aer is not None
    assert drive.aer.correctable == {"RxErr": 12, "BadTLP": 3}
    assert (drive.aer.nonfatal, drive.aer.root_correctable) == ({"DLP": 0}, None)
    assert drive.power.link_states == {"l1_aspm": True, "clkpm": False}
    assert (drive.power.state, drive.power.control, drive.power.runtime_status) == ("D0", "on", "active")


def test_both_routes_to_a_link_agree(box: FakeMachine) -> None:
    """The second witness of the sysfs attributes is configuration space, and the other way round."""
    for path in (PORT, DRIVE):
        function = read_one(box, path)
        assert isinstance(function.express, ExpressRegisters)
        registers = known(function.express.link)
        assert (registers.trained_gt_s, registers.trained_lanes) == (
            function.link.trained_gt_s,
            function.link.trained_lanes,
        )
        assert (registers.capable_gt_s, registers.capable_lanes) == (
            function.link.capable_gt_s,
            function.link.capable_lanes,
        )


def test_a_port_with_its_slot_and_its_totals(box: FakeMachine) -> None:
    port = read_one(box, PORT)
    assert port.is_bridge
    assert isinstance(port.express, ExpressRegisters)
    assert port.express.slot is not None
    assert port.express.slot.number == 3
    assert port.correctable_mask == 0x2000
    assert port.aer is not None
    assert (port.aer.root_correctable, port.aer.root_nonfatal, port.aer.root_fatal) == (0, 0, 0)
    assert port.power.link_states == {}


def test_a_function_without_a_link_has_none(box: FakeMachine) -> None:
    bridge = read_one(box, ISA)
    assert bridge.link == NO_LINK
    assert (bridge.express, bridge.aer, bridge.correctable_mask) == (None, None, None)


def test_functions_come_in_the_order_of_the_kernels_list(box: FakeMachine) -> None:
    assert [function.address for function in read_all(box).values()] == ["0000:00:01.1", "0000:00:1f.0", "0000:01:00.0"]


def test_names_and_labels(box: FakeMachine) -> None:
    box.put(
        {
            "/usr/share/misc/pci.ids": "fff3  Fathomline Instruments\n\t4000  Petrel 4000\n",
            f"{DRIVE}/label": " M.2 \u00e0 droite\x07\n",
        }
    )
    drive = read_one(box, DRIVE)
    assert (drive.vendor_name, drive.device_name) == ("Fathomline Instruments", "Petrel 4000")
    assert drive.label == "M.2 \u00e0 droite"


# --- frugal -----------------------------------------------------------------------------------------------------------


def test_only_functions_with_a_link_are_asked_for_more(box: FakeMachine) -> None:
    read_all(box)
    asked_of_bridge = {path.removeprefix(f"{ISA}/") for path in box.asked if path.startswith(f"{ISA}/")}
    assert not asked_of_bridge & {"config", "aer_dev_correctable", "link"}
    assert {"class", "power/runtime_status", "current_link_speed"} <= asked_of_bridge


def test_all_functions_are_asked_in_few_batches(fs: FakeFilesystem) -> None:
    tree = lay_box()
    for number in range(2, 30):
        port = f"{ROOT}/0000:00:{number:02x}.0"
        tree |= lay_linked(port, 0x060400, PORT_CONFIG)
        tree |= lay_linked(f"{port}/0000:{number:02x}:00.0", 0x010802, DRIVE_CONFIG)
    machine = FakeMachine(fs, tree)
    batches: list[int] = []
    ask = machine.ask
    machine.ask = lambda questions: batches.append(len(questions)) or ask(questions)  # type: ignore[method-assign] # counted
    assert len(read_all(machine)) == 59
    assert len(batches) <= 12
    assert sum(batches) < 59 * 30


def test_names_labels_and_offsets_are_not_asked_again(box: FakeMachine) -> None:
    far = lay_config(ExpressValues(), extended=[(0x100, 0x0003, b""), (0x180, 0x0019, b""), (0x200, *AER[1:])])
    box.put({"/usr/share/misc/pci.ids": "fff3  Fathomline Instruments\n", f"{DRIVE}/config": far})
    cache = PcieCache()
    first = read_all(box, cache)
    asked, box.asked = box.asked, []
    assert read_all(box, cache) == first
    again = set(asked) - set(box.asked)
    fixed = {f"{folder}/{name}" for folder in (PORT, ISA, DRIVE) for name in ("label", "removable")}
    assert again == {"/usr/share/misc/pci.ids", *fixed}
    assert box.asked.count(f"{DRIVE}/config") == 2 < asked.count(f"{DRIVE}/config")


def test_the_cache_forgets_functions_that_left(box: FakeMachine) -> None:
    cache = PcieCache()
    read_all(box, cache)
    assert ("0000:01:00.0", VENDOR, DEVICE) in cache.labels
    box.remove(f"{DEVICES}/0000:01:00.0")
    read_all(box, cache)
    assert ("0000:01:00.0", VENDOR, DEVICE) not in cache.labels
    assert {address for address, _, _ in cache.aer_offsets} == {"0000:00:01.1"}


def test_another_device_at_the_same_address_is_not_taken_for_the_first(box: FakeMachine) -> None:
    box.put({"/usr/share/misc/pci.ids": "fff3  Fathomline Instruments\n\t4000  Petrel 4000\n\t4002  Petrel Mini\n"})
    cache = PcieCache()
    assert read_one(box, DRIVE, cache).device_name == "Petrel 4000"
    box.put({f"{DRIVE}/device": "0x4002\n", f"{DRIVE}/label": "lid\n"})
    drive = read_one(box, DRIVE, cache)
    assert (drive.device_name, drive.label) == ("Petrel Mini", "lid")


# --- sleepers ---------------------------------------------------------------------------------------------------------

WAKING = ("config", "current_link_speed", "current_link_width", "max_link_speed", "max_link_width")


@pytest.mark.parametrize(("status", "state"), [("suspended", "D3cold"), ("suspending", "D0"), ("unsupported", "D3hot")])
def test_a_sleeping_drive_is_not_woken(box: FakeMachine, status: str, state: str) -> None:
    box.put({f"{DRIVE}/power/runtime_status": f"{status}\n", f"{DRIVE}/power_state": f"{state}\n"})
    drive = read_one(box, DRIVE)
    assert not {f"{DRIVE}/{name}" for name in WAKING} & set(box.asked)
    left = (drive.link.trained_gt_s, drive.link.capable_lanes, drive.express, drive.correctable_mask)
    for value in map(unread, left):
        assert value.reason is Reason.NOT_ASKED
        assert "sleeps" in value.why
    assert drive.vendor_id == VENDOR
    assert drive.answers
    assert drive.aer is not None
    assert drive.aer.correctable == {"RxErr": 12, "BadTLP": 3}
    assert drive.power.link_states == {"l1_aspm": True, "clkpm": False}


def test_what_is_behind_a_sleeping_port_is_left_alone(box: FakeMachine) -> None:
    """The kernel resumes the parent before it reads a function's registers (drivers/pci/pci.c)."""
    box.put({f"{PORT}/power/runtime_status": "suspended\n", f"{PORT}/power_state": "D3hot\n"})
    functions = read_all(box)
    assert not {f"{folder}/{name}" for folder in (PORT, DRIVE) for name in WAKING} & set(box.asked)
    assert "a port above it sleeps" in unread(functions["0000:01:00.0"].express).why


def test_power_is_asked_before_anything_that_wakes(box: FakeMachine) -> None:
    read_all(box)
    first_waking = min(box.asked.index(f"{folder}/{name}") for folder in (PORT, DRIVE) for name in WAKING)
    assert all(
        box.asked.index(f"{folder}/{name}") < first_waking
        for folder in (PORT, DRIVE, ISA)
        for name in ("power/runtime_status", "power_state")
    )


# --- what could not be read -------------------------------------------------------------------------------------------


def test_without_the_kernels_list_nothing_is_known(fs: FakeFilesystem) -> None:
    functions = unread(read_functions(FakeMachine(fs, {"/sys/devices": None})))
    assert (functions.what, functions.reason) == (DEVICES, Reason.ABSENT)


def test_an_empty_list_is_an_answer(fs: FakeFilesystem) -> None:
    assert read_functions(FakeMachine(fs, {DEVICES: None})) == ()


def test_a_folder_that_may_not_be_read_leaves_no_half_truth(box: FakeMachine) -> None:
    box.faults[f"{DEVICES}/0000:01:00.0"] = errno.EACCES
    assert unread(read_functions(box)).what == f"{DEVICES}/0000:01:00.0"


def test_without_root_the_link_is_known_and_the_registers_are_denied(box: FakeMachine) -> None:
    box.put({f"{DRIVE}/config": DRIVE_CONFIG[:64]})
    drive = read_one(box, DRIVE)
    assert (drive.link.trained_gt_s, drive.link.trained_lanes) == (5.0, 2)
    for value in map(unread, (drive.express, drive.correctable_mask)):
        assert value.reason is Reason.DENIED
        assert "need root" in value.why


@pytest.mark.parametrize("name", ["class", "vendor", "device"])
@pytest.mark.parametrize("content", ["", "8086\n", "0x12345678\n", "0x\n", "0x80_86\n", "-0x1\n"])
def test_an_identity_that_is_no_number_is_unread(box: FakeMachine, name: str, content: str) -> None:
    box.put({f"{DRIVE}/{name}": content})
    drive = read_one(box, DRIVE)
    value = unread({"class": drive.class_code, "vendor": drive.vendor_id, "device": drive.device_id}[name])
    assert value.what == f"{DRIVE}/{name}"
    assert drive.link.trained_lanes == 2


def test_a_kernel_that_does_not_own_error_reporting_counts_nothing(box: FakeMachine) -> None:
    for name in ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal"):
        box.remove(f"{DRIVE}/{name}")
    drive = read_one(box, DRIVE)
    assert drive.aer is None
    assert isinstance(drive.correctable_mask, int)


# --- gone -------------------------------------------------------------------------------------------------------------


def test_a_drive_whose_registers_read_all_ones_does_not_answer(box: FakeMachine) -> None:
    box.put({f"{DRIVE}/config": b"\xff" * 4096})
    drive = read_one(box, DRIVE)
    assert not drive.answers
    assert unread(drive.express).reason is Reason.GONE


def test_without_root_a_silent_drive_is_known_by_its_link(box: FakeMachine) -> None:
    box.put({f"{DRIVE}/current_link_speed": "Unknown\n", f"{DRIVE}/current_link_width": "63\n"})
    box.faults[f"{DRIVE}/config"] = errno.EACCES
    drive = read_one(box, DRIVE)
    assert not drive.answers
    assert unread(drive.link.trained_lanes).reason is Reason.GONE


class VanishingMachine(FakeMachine):
    """A machine from which a function leaves in the middle of a pass, before the question that names `at`."""

    at = ""
    leaves: tuple[str, ...] = ()

    def _answer(self, question: Question) -> Answer:
        path = getattr(question, "path", "")
        if self.at and path.endswith(self.at):
            self.at = ""
            for place in self.leaves:
                self.remove(place)
        return super()._answer(question)


@pytest.mark.parametrize(
    "at",
    [
        f"{DEVICES}/0000:01:00.0", f"{DRIVE}/power/runtime_status", f"{DRIVE}/class", f"{DRIVE}/current_link_speed",
        f"{DRIVE}/max_link_speed", f"{DRIVE}/aer_dev_correctable", f"{DRIVE}/config", f"{DRIVE}/link/l1_aspm",
    ],
)  # fmt: skip
def test_a_drive_that_leaves_while_it_is_read_is_left_out(fs: FakeFilesystem, at: str) -> None:
    machine = VanishingMachine(fs, lay_box())
    machine.at, machine.leaves = at, (DRIVE, f"{DEVICES}/0000:01:00.0")
    assert read_all(machine).keys() == {"0000:00:01.1", "0000:00:1f.0"}
    assert machine.at == ""


def test_a_listed_function_with_nothing_behind_it_is_left_out(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, lay_box())
    machine.remove(DRIVE)
    assert read_all(machine).keys() == {"0000:00:01.1", "0000:00:1f.0"}


def test_a_function_that_lost_its_identity_alone_is_kept(box: FakeMachine) -> None:
    for name in ("class", "vendor", "device"):
        box.remove(f"{DRIVE}/{name}")
    drive = read_one(box, DRIVE)
    assert isinstance(drive.vendor_id, Unread)
    assert drive.link.trained_lanes == 2


# --- functions within the root complex --------------------------------------------------------------------------------

BLANK = {
    "current_link_speed": "Unknown\n", "current_link_width": "0\n", "max_link_speed": "Unknown\n",
    "max_link_width": "0\n",
}  # fmt: skip


@pytest.mark.parametrize("config", [lay_config(ExpressValues(flags=0x92, lnkcap=0, lnksta=0)), DRIVE_CONFIG[:64]])
def test_what_is_within_the_root_complex_has_no_link(fs: FakeFilesystem, config: bytes) -> None:
    """The kernel shows the link attributes of every PCI Express function, of those without a link too (pci-sysfs.c)."""
    folder = f"{ROOT}/0000:00:14.0"
    assert read_one(FakeMachine(fs, lay_linked(folder, 0x0C0330, config, **BLANK)), folder).link == NO_LINK


def test_a_port_whose_link_is_blank_stays_unread(box: FakeMachine) -> None:
    box.put({f"{PORT}/{name}": content for name, content in BLANK.items()} | {f"{PORT}/config": PORT_CONFIG[:64]})
    link = read_one(box, PORT).link
    assert link.trained_lanes == 0
    assert isinstance(link.capable_lanes, Unread)


# --- trees of other kinds ---------------------------------------------------------------------------------------------


def test_plain_folders_in_place_of_links(fs: FakeFilesystem) -> None:
    place = f"{DEVICES}/0000:01:00.0"
    tree = {path: content for path, content in lay_linked(place, 0x010802, DRIVE_CONFIG).items() if path != place}
    drive = read_one(FakeMachine(fs, tree), place)
    assert (drive.root, drive.hops) == ("0000:01", ("00.0",))
    assert drive.link.trained_lanes == 4


def test_names_that_are_no_addresses_are_passed_over(box: FakeMachine) -> None:
    box.put({f"{DEVICES}/README": "x", f"{DEVICES}/0000:01:00.9": None})
    assert len(read_all(box)) == 3


@pytest.mark.parametrize("target", ["", "/", "../../../../../../etc", "0000:01:00.0", "../../../devices/x\udcff"])
def test_a_link_that_leads_nowhere_is_no_trouble(fs: FakeFilesystem, target: str) -> None:
    class Misled(FakeMachine):
        def _answer(self, question: Question) -> Answer:
            is_link = isinstance(question, ReadLink) and question.path == f"{DEVICES}/0000:01:00.0"
            return target if is_link else super()._answer(question)

    functions = known(read_functions(Misled(fs, lay_box())))
    assert {function.address for function in functions} >= {PORT.rpartition("/")[2], ISA.rpartition("/")[2]}


def test_the_live_host_gives_the_same_of_real_files(tmp_path_factory: pytest.TempPathFactory, box: FakeMachine) -> None:
    fake = read_functions(box)
    box._fs.pause()
    try:
        folder = tmp_path_factory.mktemp("root")
        for path, content in lay_box().items():
            place = folder / path.lstrip("/")
            place.parent.mkdir(parents=True, exist_ok=True)
            if content is None:
                place.mkdir(exist_ok=True)
            elif isinstance(content, str) and content.startswith("-> "):
                place.symlink_to(content[3:])
            else:
                place.write_bytes(content if isinstance(content, bytes) else content.encode())
        assert read_functions(LiveHost(str(folder))) == fake
    finally:
        box._fs.resume()


def make_recording(box: SimulatedBox) -> RecordedHost:
    writer = RecordingWriter(box)
    writer.take(box, t=1.8e9, up=60.0)
    return RecordedHost(parse_header(writer.lines[0]), parse_frames(writer.lines[1:]))


def test_a_recording_of_a_split_slot_and_a_switch_card() -> None:
    drive = Drive(serial="PT0001", counters={"RxErr": 4})
    box = SimulatedBox(
        ports=[
            Port(hop="01.1", drive=drive),
            Port(hop="01.2"),
            Port(hop="02.1", switch=[Port(hop="00.0", drive=Drive(serial="PT0002", generation=3)), Port(hop="04.0")]),
        ]
    )
    host = make_recording(box)
    host.advance()
    functions = {function.own_path: function for function in read_all(host).values()}
    assert functions.keys() == {
        "0000:00/01.1", "0000:00/01.1/00.0", "0000:00/01.2", "0000:00/02.1", "0000:00/02.1/00.0",
        "0000:00/02.1/00.0/00.0", "0000:00/02.1/00.0/00.0/00.0", "0000:00/02.1/00.0/04.0",
    }  # fmt: skip
    first = functions["0000:00/01.1/00.0"]
    assert first.aer is not None
    assert known(first.aer.correctable)["RxErr"] == 4
    assert functions["0000:00/01.2"].link.trained_lanes == 0
    behind = functions["0000:00/02.1/00.0/00.0/00.0"]
    assert (behind.path, behind.link.trained_gt_s) == ("0000:00/02.1/00.0/00.0", 8.0)
    for function in functions.values():
        assert isinstance(function.express, ExpressRegisters)
        assert isinstance(function.correctable_mask, int)


def test_a_recording_of_passes_that_remember_replays_alike(box: FakeMachine) -> None:
    """What a later pass did not read again is still in its frame, so that a replay may begin anywhere."""
    far = lay_config(ExpressValues(), extended=[(0x100, 0x0003, b""), (0x200, *AER[1:])])
    box.put({"/usr/share/misc/pci.ids": "fff3  Fathomline Instruments\n", f"{DRIVE}/config": far})
    recorder, cache = RecordingHost(box), PcieCache()
    reported, lines = [], [recorder.header()]
    for count in range(3):
        box.put({f"{DRIVE}/aer_dev_correctable": f"RxErr {count}\nTOTAL_ERR_COR {count}\n"})
        reported.append(read_functions(recorder, cache=cache))
        lines.append(recorder.take_frame())
    replayed = RecordedHost(parse_header(lines[0]), parse_frames(lines[1:]))
    for expected in reported:
        assert replayed.advance()
        assert read_functions(replayed) == expected


# --- hostile ----------------------------------------------------------------------------------------------------------


def record(tree: Tree, errors: dict[str, str]) -> RecordedHost:
    """Make a recording of one frame of a tree."""
    links = {path: content[3:] for path, content in tree.items() if isinstance(content, str) and content[:3] == "-> "}
    files = {path: content for path, content in tree.items() if content is not None and path not in links}
    binary = {
        path: base64.b64encode(content if isinstance(content, bytes) else content.encode()).decode()
        for path, content in files.items()
    }
    dirs = [path for path, content in tree.items() if content is None]
    return recorded({"binary": binary, "links": links, "errors": errors, "dirs": dirs})


BASE = {path: content for path, content in lay_box().items() if content is not None}
PATHS = sorted(BASE)
CONTENTS = st.one_of(
    st.binary(max_size=80),
    st.sampled_from([b"Unknown\n", b"63\n", b"0\n", b"suspended\n", b"D3cold\n", b"0x060400\n", b"\xff" * 4096]),
    st.sampled_from([PORT_CONFIG, DRIVE_CONFIG]).flatmap(
        lambda config: st.tuples(st.integers(0, 0x140), st.binary(min_size=1, max_size=8)).map(
            lambda change: config[: change[0]] + change[1] + config[change[0] + len(change[1]) :]
        )
    ),
)
CHANGES = st.dictionaries(st.sampled_from(PATHS), st.one_of(CONTENTS, st.none()), max_size=6)
ERRORS = st.dictionaries(
    st.sampled_from(PATHS), st.sampled_from(["EIO", "EACCES", "ENODEV", "EINVAL", "ETIMEDOUT", "X"])
)


def check_types(function: PciFunction) -> None:
    for identity in (function.class_code, function.vendor_id, function.device_id):
        assert isinstance(identity, int | Unread)
    assert function.own_path.startswith(function.root + "/")
    link = function.link
    for rate in (link.trained_gt_s, link.capable_gt_s):
        assert rate is None or isinstance(rate, float | Unread)
    for lanes in (link.trained_lanes, link.capable_lanes):
        assert lanes is None or isinstance(lanes, int | Unread)
    assert isinstance(function.express, ExpressRegisters | Unread | None)
    assert isinstance(function.correctable_mask, int | Unread | None)
    assert isinstance(function.answers, bool)
    assert str(function)


@given(CHANGES, ERRORS)
def test_any_change_of_a_tree_gives_facts_or_reasons(changes: dict[str, bytes | None], errors: dict[str, str]) -> None:
    tree: Tree = dict(BASE)
    for path, content in changes.items():
        tree[path] = content
        if content is None:
            del tree[path]
    functions = read_functions(record(tree, errors))
    if not isinstance(functions, Unread):
        for function in functions:
            check_types(function)


@given(st.sampled_from(PATHS))
def test_a_change_to_one_function_leaves_the_others_as_they_are(path: str) -> None:
    before = read_all(record(dict(BASE), {}))
    after = read_all(record(dict(BASE), {path: "EIO"}))
    for folder in (PORT, ISA):
        if not path.startswith(f"{folder}/") or path.startswith(f"{DRIVE}/"):
            address = folder.rpartition("/")[2]
            assert after[address] == before[address]


@pytest.mark.parametrize(("content", "count"), [("2\n", 2), ("0\n", 0), (None, None)])
def test_drives_that_the_firmware_hides_are_counted(fs: FakeFilesystem, content: str | None, count: int | None) -> None:
    """Linux drivers/ata/ahci.c, ``remapped_nvme``; kernels without it say so in the log alone."""
    tree = lay_function(SATA, 0x010400, driver="-> ../../../bus/pci/drivers/ahci")
    tree |= {f"{SATA}/remapped_nvme": content} if content else {}
    assert read_one(FakeMachine(fs, tree), SATA).remapped_nvme == count


def test_only_the_driver_that_counts_hidden_drives_is_asked(box: FakeMachine) -> None:
    read_all(box)
    assert not [path for path in box.asked if path.endswith("remapped_nvme")]


# Documentation/ABI/testing/sysfs-devices-removable: "removable", "fixed", "unknown"
@pytest.mark.parametrize(("shown", "removable"), [("removable\n", True), ("fixed\n", False), (None, False)])
def test_a_device_that_may_be_unplugged_says_so(box: FakeMachine, shown: str | None, *, removable: bool) -> None:
    if shown is not None:
        box.put({f"{DRIVE}/removable": shown})
    cache = PcieCache()
    for _ in range(2):
        drive = read_all(box, cache)["0000:01:00.0"]
        assert drive.removable is removable
