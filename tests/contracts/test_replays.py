"""laneproof replay: frame in, change out. A line a change, at the recording's own times; nothing twice."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from contracts.hand_made import T0, JsonObject, Machine, health, inside, program, write
from contracts.hand_made_boxes import HEAD, place, port

Replay = Callable[..., list[JsonObject]]

SECOND = "99999999-2222-4333-8444-555555555555"
LINK = 'link = { generation = 4, lanes = 4 }\noccupant = { kind = "nvme" }\n'
BUILD = HEAD + "".join(
    f'[[position]]\nlabel = "bay-{number}"\npath = "0000:00/01.{number}"\n{LINK}' for number in (1, 2, 3)
)
AER = (
    "RxErr 0\nBadTLP {}\nBadDLLP 0\nRollover 0\nTimeout 0\nNonFatalErr 0\nCorrIntErr 0\nHeaderOF 0\nTOTAL_ERR_COR {}\n"
)


def box(
    *, without: tuple[int, ...] = (), logs: dict[int, str] | None = None, widths: dict[int, int] | None = None
) -> Machine:
    machine = Machine()
    for number in (1, 2, 3):
        width = (widths or {}).get(number, 4)
        machine.port(port(number), width=width if number not in without else 0)
        for folder in (port(number), place(number)) if number not in without else (port(number),):
            machine.files[f"/sys/devices/{folder}/aer_dev_correctable"] = AER.format(0, 0)
        if number not in without:
            machine.drive(number, place(number), width=width, log=(logs or {}).get(number, ""))
    return machine


@pytest.fixture
def replay(tmp_path: Path) -> Replay:
    (tmp_path / "build.toml").write_text(BUILD)

    def run(*frames: JsonObject, name: str = "box.jsonl") -> list[JsonObject]:
        ended = inside("replay", write(tmp_path / name, *frames), "--build", tmp_path / "build.toml", "--json")
        assert (ended.status, ended.err) == (0, "")
        return ended.lines()

    return run


def short(lines: list[JsonObject]) -> list[tuple[float, str, str, str | None]]:
    return [(line["t"] - T0, line["change"], line["finding"]["rule"], line["finding"]["position"]) for line in lines]


def test_calm_box_says_nothing(replay: Replay) -> None:
    assert replay(box().frame(), *({"t": T0 + 60 * n} for n in range(1, 50))) == []


def test_lines_are_what_the_contract_says(replay: Replay) -> None:
    (line,) = replay(box(widths={2: 2}).frame(T0 + 0.5))
    assert set(line) == {"t", "change", "finding"}
    assert line["t"] == T0 + 0.5
    assert line["change"] == "raised"
    finding = line["finding"]
    assert (finding["rule"], finding["position"], finding["kind"]) == ("link-narrow", "bay-2", "differs")
    assert (finding["declared"], finding["observed"]) == ("x4", "x2")
    assert re.fullmatch(r"2026-09-21T\d\d:\d\d:\d\dZ", finding["since"])
    assert isinstance(finding["causes"], list)


def test_one_frame_is_a_confirmed_reading(replay: Replay) -> None:
    """What a live machine must show several times, a recording need show once."""
    empty = box(without=(2,))
    assert short(replay(box().frame(), empty.frame(T0 + 60, gone=["/sys/devices/" + place(2)])))[:1] != []
    assert short(replay(box(widths={1: 1}).frame())) == [(0, "raised", "link-narrow", "bay-1")]


def vanish(t: float, number: int) -> JsonObject:
    """A drive that is gone: its tree, its links, its controller; the port reads no lanes."""
    return {
        "t": t,
        "gone": [
            f"/sys/devices/{place(number)}",
            f"/sys/bus/pci/devices/0000:0{number}:00.0",
            f"/sys/class/nvme/nvme{number}",
            f"/sys/block/nvme{number}n1",
            f"/sys/class/block/nvme{number}n1",
        ],
        "nvme": {f"nvme{number}": None},
        "files": {f"/sys/devices/{port(number)}/current_link_width": "0\n"},
    }


def test_other_bus_numbers_are_no_change(replay: Replay) -> None:
    """A card was added: every bus behind it has another number, every path is what it was."""
    before, after = box(widths={1: 2}), Machine()
    for number in (1, 2, 3):
        width = 2 if number == 1 else 4
        after.port(port(number), width=width)
        after.drive(number, f"{port(number)}/0000:1{number}:00.0", width=width)
    lines = replay(before.frame(), after.frame(T0 + 600, boot_id=SECOND, up=30.0))
    assert [line for line in short(lines) if line[2] == "link-narrow"] == [(0, "raised", "link-narrow", "bay-1")]
    assert not [line for line in short(lines) if line[2] in {"position-empty", "occupant-differs"}]


def test_link_that_fell_while_running(replay: Replay) -> None:
    lines = replay(box().frame(), *({"t": T0 + 60 * n} for n in (1, 2)), box(widths={2: 1}).frame(T0 + 180))
    changes = short(lines)
    assert (180, "raised", "link-narrow", "bay-2") in changes
    assert (180, "raised", "link-retrained-down", "bay-2") in changes


def test_link_that_came_up_short_after_a_boot_is_no_fall(replay: Replay) -> None:
    lines = replay(box().frame(), box(widths={2: 1}).frame(T0 + 600, boot_id=SECOND, up=30.0))
    assert {line[2] for line in short(lines)} == {"link-narrow"}


def health_frame(t: float, number: int, **fields: int) -> JsonObject:
    return {"t": t, "nvme": {f"nvme{number}": {"log:2": health(**fields)}}}


def test_media_errors_are_reported_at_once(replay: Replay) -> None:
    lines = replay(box().frame(), {"t": T0 + 600}, health_frame(T0 + 1200, 1, media=1))
    assert short(lines) == [(1200, "raised", "media-errors-rising", "bay-1")]
    finding = lines[0]["finding"]
    assert finding["kind"] == "sign"
    assert finding["severity"] in {"warning", "critical"}
    assert finding["causes"]


def test_drive_that_dropped_off_the_bus(replay: Replay) -> None:
    """The kernel's own words (drivers/nvme/host/pci.c), in records as /dev/kmsg gives them."""
    said = [
        "3,900,700000000,-;nvme nvme2: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff\n",
        "4,901,700500000,-;nvme nvme2: Disabling device after reset failure: -19\n",
    ]
    lines = replay(box().frame(), {"t": T0 + 60}, vanish(T0 + 120, 2) | {"kmsg": said})
    raised = {(rule, where) for _, change, rule, where in short(lines) if change == "raised"}
    assert ("position-empty", "bay-2") in raised
    assert ("drops-off-bus", "bay-2") in raised


def test_burst_of_correctable_errors_on_one_link(replay: Replay) -> None:
    """Hundreds of thousands of bad packets in hours on one of three links: far out of specification, 1e-12 a bit."""
    frames = [box().frame()]
    for step in range(1, 60):
        count = 40_000 * step
        text = AER.format(count, count)
        frames.append({"t": T0 + 300 * step, "files": {f"/sys/devices/{port(1)}/aer_dev_correctable": text}})
    lines = replay(*frames)
    raised = [line for line in lines if line["finding"]["rule"] == "signal-errors"]
    assert raised
    assert {line["finding"]["position"] for line in raised} == {"bay-1"}
    assert raised[0]["t"] <= T0 + 3600
    assert raised[-1]["finding"]["severity"] in {"warning", "critical"}
    assert raised[-1]["finding"]["causes"]


def test_counters_that_start_anew_at_a_boot_are_no_errors(replay: Replay) -> None:
    before, after = box(), box()
    for number in (1, 2, 3):
        before.files[f"/sys/devices/{port(number)}/aer_dev_correctable"] = AER.format(9, 9)
    assert replay(before.frame(), after.frame(T0 + 600, boot_id=SECOND, up=20.0)) == []


def test_reporting_that_the_command_line_switches_off_is_reported(replay: Replay) -> None:
    """Blind is not clean: under pci=noaer the counters stay at zero, or are not there."""
    for keep in (True, False):
        machine = box()
        machine.files["/proc/cmdline"] = "quiet pci=noaer\n"
        if not keep:
            machine.files = {path: text for path, text in machine.files.items() if "aer_dev" not in path}
        lines = replay(machine.frame(), {"t": T0 + 600})
        assert [line[:3] for line in short(lines)] == [(0, "raised", "errors-not-counted")]
        assert (lines[0]["finding"]["kind"], lines[0]["finding"]["severity"]) == ("unverified", "notice")


def test_drives_power_that_went_while_the_box_ran(replay: Replay) -> None:
    lines = replay(box().frame(), {"t": T0 + 600}, health_frame(T0 + 1200, 1, unsafe=4))
    assert short(lines) == [(1200, "raised", "unsafe-shutdowns-rising", "bay-1")]
    after = box(logs={1: health(unsafe=4)}).frame(T0 + 900, boot_id=SECOND, up=30.0)
    assert replay(box().frame(), after) == [], "the box itself went down"


def test_reading_that_hangs_is_stuck(replay: Replay) -> None:
    frames = [{"t": T0 + 60 * n, "nvme": {"nvme1": {"log:2": {"error": "ETIMEDOUT"}}}} for n in range(1, 6)]
    lines = replay(box().frame(), *frames)
    assert {where for _, _, _, where in short(lines)} == {"bay-1"}
    assert "reading-stuck" in {rule for _, _, rule, _ in short(lines)}


def test_frames_that_step_back_in_time_are_no_traceback(replay: Replay) -> None:
    lines = replay(box().frame(), {"t": T0 - 5000, "up": 700.0}, box(widths={1: 2}).frame(T0 - 4000, up=1700.0))
    assert ("raised", "link-narrow", "bay-1") in {line[1:] for line in short(lines)}


def test_replay_without_declaration_judges_what_needs_none(tmp_path: Path) -> None:
    recording = write(tmp_path / "box.jsonl.gz", box(widths={1: 2}).frame())
    ended = program("replay", recording, "--json")
    assert ended.status == 0
    assert {line["finding"]["rule"] for line in ended.lines()} == {"link-narrow"}
    words = program("replay", recording)
    assert words.status == 0
    assert "link-narrow" in words.out
