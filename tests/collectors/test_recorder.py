"""What a recording host keeps is answered alike by a recorded host, pass after pass."""

import os
from pathlib import Path

from laneproof_collectors.host import Host
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import FileSystem, ListFolder, ReadFile, ReadLink, ReadRange
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recorder import RecordingHost
from laneproof_collectors.recording import Frame, parse_frames, parse_header
from laneproof_collectors.unread import Unread

DEVICE = "/sys/devices/pci0000:00/0000:00:01.1"
LINK = "/sys/bus/pci/devices/0000:00:01.1"
QUESTIONS = [
    ListFolder("/sys/bus/pci/devices"),
    ReadLink(LINK),
    ReadFile(f"{LINK}/vendor"),
    ReadFile(f"{DEVICE}/speed"),
    ReadRange(f"{DEVICE}/config", 0, 64),
    ReadRange(f"{DEVICE}/config", 256, 4),
    ReadFile("/sys/kernel/blob"),
    ListFolder("/sys/class/nvme"),
    FileSystem("/"),
]


def lay_out(root: Path) -> None:
    device = root / DEVICE[1:]
    device.mkdir(parents=True)
    (device / "vendor").write_text("0x1b36\n")
    (device / "speed").write_text("8.0 GT/s PCIe\n")
    (device / "config").write_bytes(os.urandom(4096))
    (root / "sys/kernel").mkdir()
    (root / "sys/kernel/blob").write_bytes(b"\xff\xfe")
    (root / "sys/class/nvme").mkdir(parents=True)
    (root / "sys/bus/pci/devices").mkdir(parents=True)
    (root / LINK[1:]).symlink_to("../../../devices/pci0000:00/0000:00:01.1")


def answers(host: Host) -> list[object]:
    return [(answer.reason, answer.detail) if isinstance(answer, Unread) else answer for answer in host.ask(QUESTIONS)]


def parse_frame(line: str) -> Frame:
    (frame,) = parse_frames([line])
    return frame


def test_each_pass_is_answered_alike(tmp_path: Path) -> None:
    lay_out(tmp_path)
    recorder = RecordingHost(LiveHost(str(tmp_path)))
    lines, reported = [recorder.header()], []

    def take() -> None:
        reported.append(answers(recorder))
        lines.append(recorder.take_frame())

    take()
    (tmp_path / DEVICE[1:] / "speed").write_text("Unknown\n")
    take()
    (tmp_path / DEVICE[1:] / "speed").unlink()
    take()
    (tmp_path / LINK[1:]).unlink()
    take()
    (tmp_path / LINK[1:]).symlink_to("../../../devices/pci0000:00/0000:00:01.1")
    (tmp_path / DEVICE[1:] / "speed").write_text("2.5 GT/s PCIe\n")
    take()

    replayed = RecordedHost(parse_header(lines[0]), parse_frames(lines[1:]))
    for expected in reported:
        assert replayed.advance()
        assert answers(replayed) == expected
    assert not replayed.advance()


def test_an_unchanged_pass_is_an_almost_empty_frame(tmp_path: Path) -> None:
    lay_out(tmp_path)
    recorder = RecordingHost(LiveHost(str(tmp_path)))
    recorder.ask(QUESTIONS[:-1])
    recorder.take_frame()
    recorder.ask(QUESTIONS[:-1])
    (frame,) = parse_frames([recorder.take_frame()])
    assert frame.model_fields_set == {"t", "up", "mono"}


def test_a_range_is_laid_into_the_file_as_it_was(tmp_path: Path) -> None:
    lay_out(tmp_path)
    config = tmp_path / DEVICE[1:] / "config"
    recorder = RecordingHost(LiveHost(str(tmp_path)))
    recorder.ask([ReadRange(f"{DEVICE}/config", 0, 256)])
    first = recorder.take_frame()
    before = config.read_bytes()
    recorder.ask([ReadRange(f"{DEVICE}/config", 128, 24)])
    assert parse_frame(recorder.take_frame()).binary == {}
    config.write_bytes(before[:130] + b"\0\1\2\3" + before[134:])
    recorder.ask([ReadRange(f"{DEVICE}/config", 128, 24)])
    second = recorder.take_frame()
    replayed = RecordedHost(parse_header(recorder.header()), parse_frames([first, second]))
    while replayed.advance():
        pass
    assert replayed.file(f"{DEVICE}/config") == config.read_bytes()[:256]


def test_a_short_range_is_the_files_end(tmp_path: Path) -> None:
    lay_out(tmp_path)
    recorder = RecordingHost(LiveHost(str(tmp_path)))
    whole = [ReadRange(f"{DEVICE}/config", 0, 256), ReadRange(f"{DEVICE}/config", 256, 24)]
    recorder.ask(whole)
    first = recorder.take_frame()
    config = tmp_path / DEVICE[1:] / "config"
    config.write_bytes(config.read_bytes()[:64])
    reported = recorder.ask(whole)
    replayed = RecordedHost(parse_header(recorder.header()), parse_frames([first, recorder.take_frame()]))
    while replayed.advance():
        pass
    assert replayed.ask(whole) == reported
    assert reported[1] == b""


def test_of_pci_ids_only_the_names_of_recorded_functions_are_kept(tmp_path: Path) -> None:
    lay_out(tmp_path)
    (tmp_path / DEVICE[1:] / "device").write_text("0x000c\n")
    (tmp_path / "usr/share/misc").mkdir(parents=True)
    others = "".join(f"{number:04x}  Maker {number}\n" for number in range(0x1B36))
    table = f"{others}1b36  Skerry Works\n\t000b  Other\n\t000c  Root Port\nfff3  Fathomline\n"
    (tmp_path / "usr/share/misc/pci.ids").write_text(table)
    recorder = RecordingHost(LiveHost(str(tmp_path)))
    names = ReadRange("/usr/share/misc/pci.ids", 0, 1 << 21)
    recorder.ask([*QUESTIONS, ReadFile(f"{LINK}/device"), names])
    frame = parse_frame(recorder.take_frame())
    assert frame.files["/usr/share/misc/pci.ids"] == "1b36  Skerry Works\n\t000c  Root Port\n"
    recorder.ask([names])
    assert parse_frame(recorder.take_frame()).files == {}


def test_what_a_pass_did_not_ask_stays(tmp_path: Path) -> None:
    lay_out(tmp_path)
    recorder = RecordingHost(LiveHost(str(tmp_path)))
    recorder.ask(QUESTIONS)
    first = recorder.take_frame()
    recorder.ask(QUESTIONS[:1])
    second = recorder.take_frame()
    replayed = RecordedHost(parse_header(recorder.header()), parse_frames([first, second]))
    while replayed.advance():
        pass
    assert replayed.file(f"{DEVICE}/speed") == b"8.0 GT/s PCIe\n"
