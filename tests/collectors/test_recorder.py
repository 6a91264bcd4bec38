"""What a recording host keeps is answered alike by a recorded host, pass after pass."""

from collections.abc import Iterable

from laneproof_collectors.host import Host
from laneproof_collectors.questions import (
    Answer,
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    KernelLogRead,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    ReadUevents,
    Smartctl,
    name_question,
    unread_from_errno,
    unread_from_nvme_status,
)
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recorder import RecordingHost
from laneproof_collectors.recording import Frame, parse_frames, parse_header
from laneproof_collectors.unread import Unread
from support.table_hosts import TableHost

DEVICE = "/sys/devices/pci0000:00/0000:00:01.1"
LINK = "/sys/bus/pci/devices/0000:00:01.1"
TARGET = "../../../devices/pci0000:00/0000:00:01.1"
CONTROLLER = "../../devices/pci0000:00/0000:00:01.1/nvme/nvme0"
VENDOR, SPEED, CONFIG = ReadFile(f"{LINK}/vendor"), ReadFile(f"{DEVICE}/speed"), f"{DEVICE}/config"
IDENTIFY, HEALTH, TRANSITIONS = NvmeIdentify("nvme0"), NvmeLog("nvme0", 2, 512), NvmeFeature("nvme0", 12, 256)
DEVICES, CONTROLLERS = ListFolder("/sys/bus/pci/devices"), ListFolder("/sys/class/nvme")
FIGURES = FileSystemFigures(size_bytes=4096, free_bytes=512, available_bytes=256, read_only=False)
BOX: dict[Question, Answer] = {
    DEVICES: ("0000:00:01.1",),
    ReadLink(LINK): TARGET,
    ReadLink("/sys/class/nvme/nvme0"): CONTROLLER,
    VENDOR: b"0x1b36\n",
    SPEED: b"8.0 GT/s PCIe\n",
    ReadFile("/sys/kernel/blob"): b"\xff\xfe",
    ReadRange(CONFIG, 0, 64): bytes(range(64)),
    ReadRange(CONFIG, 256, 4): b"\x01\x00\x02\x00",
    CONTROLLERS: ("nvme0",),
    ListFolder("/sys/class/hwmon"): (),
    IDENTIFY: bytes(4096),
    HEALTH: bytes(512),
    TRANSITIONS: FeatureValue(value=1, data=bytes(256)),
    NvmeFeature("nvme0", 2): FeatureValue(value=7),
    Smartctl("/dev/sda"): {"model_name": "SHOAL AR8000"},
    FileSystem("/srv"): FIGURES,
    ReadKernelLog(): KernelLogRead(),
    ReadUevents(): (),
}


def ask_all(host: Host) -> list[object]:
    return [(answer.reason, answer.detail) if isinstance(answer, Unread) else answer for answer in host.ask([*BOX])]


def parse_frame(line: str) -> Frame:
    (frame,) = parse_frames([line])
    return frame


def replay_to_the_end(recorder: RecordingHost, lines: Iterable[str]) -> RecordedHost:
    host = RecordedHost(parse_header(recorder.header()), parse_frames(lines))
    while host.advance():
        pass
    return host


def denied(question: Question) -> Unread:
    return unread_from_errno(name_question(question), 13)


CHANGES: list[dict[Question, Answer | None]] = [
    {SPEED: b"Unknown\n"},
    {SPEED: None},
    {SPEED: denied(SPEED)},
    {SPEED: b"2.5 GT/s PCIe\n"},
    {SPEED: denied(SPEED)},
    {SPEED: b"2.5 GT/s PCIe\n", HEALTH: unread_from_nvme_status("log 02h of nvme0", 0x109)},
    {HEALTH: unread_from_errno("log 02h of nvme0", 110), TRANSITIONS: FeatureValue(value=0, data=bytes(256))},
    {HEALTH: b"\1" * 512, Smartctl("/dev/sda"): {"model_name": "SHOAL AR8000", "power_on_time": {"hours": 3}}},
    {CONTROLLERS: (), IDENTIFY: None, HEALTH: None, TRANSITIONS: None, NvmeFeature("nvme0", 2): None,
     ReadLink("/sys/class/nvme/nvme0"): None},
    {DEVICES: (), ReadLink(LINK): None, VENDOR: None},
    {DEVICES: ("0000:00:01.1",), ReadLink(LINK): TARGET, VENDOR: b"0x1b36\n", CONTROLLERS: None},
    {ReadKernelLog(): KernelLogRead(records=("6,1,1,-;x", "6,2,2,-;y")),
     ReadUevents(): ({"action": "add", "devpath": "/d", "subsystem": "nvme"},)},
    {ReadKernelLog(): KernelLogRead(), ReadUevents(): (), CONTROLLERS: ("nvme0",), HEALTH: bytes(512),
     ReadLink("/sys/class/nvme/nvme0"): CONTROLLER},
    {ReadRange(CONFIG, 256, 4): b"\x02\x00\x02\x00", ReadFile("/sys/kernel/blob"): b"text\n"},
]  # fmt: skip


def test_each_pass_is_answered_alike() -> None:
    machine = TableHost(BOX)
    recorder = RecordingHost(machine)
    lines, reported = [recorder.header()], []
    for change in ({}, *CHANGES):
        machine.table |= {question: answer for question, answer in change.items() if answer is not None}
        for question in [question for question, answer in change.items() if answer is None]:
            del machine.table[question]
        reported.append(ask_all(recorder))
        lines.append(recorder.take_frame())
    replayed = RecordedHost(parse_header(lines[0]), parse_frames(lines[1:]))
    for number, expected in enumerate(reported):
        assert replayed.advance()
        assert ask_all(replayed) == expected, number
    assert not replayed.advance()


def test_an_unchanged_pass_is_an_almost_empty_frame() -> None:
    recorder = RecordingHost(TableHost(BOX))
    for _ in range(2):
        recorder.ask([*BOX])
        frame = parse_frame(recorder.take_frame())
    assert frame.model_fields_set == {"t", "up", "mono"}


def test_a_range_is_laid_into_the_file_as_it_was() -> None:
    machine, part = TableHost({ReadRange(CONFIG, 0, 256): bytes(range(256))}), ReadRange(CONFIG, 128, 24)
    recorder = RecordingHost(machine)
    recorder.ask([ReadRange(CONFIG, 0, 256)])
    lines = [recorder.take_frame()]
    machine.table[part] = bytes(range(128, 152))
    recorder.ask([part])
    lines.append(recorder.take_frame())
    assert parse_frame(lines[1]).files == parse_frame(lines[1]).binary == {}
    machine.table[part] = b"\xff" * 24
    recorder.ask([part])
    lines.append(recorder.take_frame())
    now = replay_to_the_end(recorder, lines).file(CONFIG)
    assert now == bytes(range(128)) + b"\xff" * 24 + bytes(range(152, 256))


def test_a_gap_that_was_never_read_reads_as_a_silent_device_does() -> None:
    recorder = RecordingHost(TableHost({ReadRange(CONFIG, 8, 4): b"abcd"}))
    recorder.ask([ReadRange(CONFIG, 8, 4)])
    assert replay_to_the_end(recorder, [recorder.take_frame()]).file(CONFIG) == b"\xff" * 8 + b"abcd"


def test_a_short_range_is_the_files_end() -> None:
    first, second = whole = [ReadRange(CONFIG, 0, 256), ReadRange(CONFIG, 256, 24)]
    machine = TableHost({first: bytes(range(256)), second: bytes(24)})
    recorder = RecordingHost(machine)
    recorder.ask(whole)
    lines = [recorder.take_frame()]
    machine.table = {first: bytes(range(64)), second: b""}
    recorder.ask(whole)
    lines.append(recorder.take_frame())
    assert replay_to_the_end(recorder, lines).ask(whole) == [bytes(range(64)), b""]


def test_of_pci_ids_only_the_names_of_recorded_functions_are_kept() -> None:
    others = "".join(f"{number:04x}  Maker {number}\n" for number in range(0x1B36))
    table = f"{others}1b36  Skerry Works\n\t000b  Other\n\t000c  Root Port\nfff3  Fathomline\n"
    names = ReadRange("/usr/share/misc/pci.ids", 0, 1 << 21)
    recorder = RecordingHost(TableHost(BOX | {names: table.encode(), ReadFile(f"{LINK}/device"): b"0x000c\n"}))
    recorder.ask([*BOX, ReadFile(f"{LINK}/device"), names])
    frame = parse_frame(recorder.take_frame())
    assert frame.files["/usr/share/misc/pci.ids"] == "1b36  Skerry Works\n\t000c  Root Port\n"
    recorder.ask([names])
    assert parse_frame(recorder.take_frame()).files == {}


def test_what_a_pass_did_not_ask_stays() -> None:
    recorder = RecordingHost(TableHost(BOX))
    recorder.ask([*BOX])
    lines = [recorder.take_frame()]
    recorder.ask([DEVICES, CONTROLLERS])
    lines.append(recorder.take_frame())
    assert ask_all(replay_to_the_end(recorder, lines)) == [*BOX.values()]
