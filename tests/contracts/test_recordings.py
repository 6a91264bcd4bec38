"""The recording's format as other programs write it: what frames add up to, and what is refused with a sentence."""

from collections.abc import Callable
from pathlib import Path

import pytest

from contracts.hand_made import T0, Ended, JsonObject, health, inside, list_reported, program, write
from contracts.hand_made_boxes import GEN4, HEAD, box, one_drive, place, port, position

BUILD = HEAD + position("0000:00/01.1", link=GEN4, occupant='{ kind = "nvme", capacity = "4 TB", serial = "PEL00001" }')
Audit = Callable[..., Ended]


@pytest.fixture
def audit(tmp_path: Path) -> Audit:
    (tmp_path / "build.toml").write_text(BUILD)

    def run(*frames: JsonObject, name: str = "box.jsonl") -> Ended:
        recording = write(tmp_path / name, *frames)
        return inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")

    return run


SPEED = f"/sys/devices/{place(1)}/current_link_speed"
GONE = [f"/sys/devices/{place(1)}", "/sys/bus/pci/devices/0000:01:00.0", "/sys/class/nvme/nvme1"]
DENIED = {"t": T0 + 60, "errors": {SPEED: "EACCES"} | {f"/sys/devices/{port(1)}/current_link_speed": "EINVAL"}}
ANOTHER_BOOT = {"boot_id": "99999999-2222-4333-8444-555555555555", "up": 20.0}


@pytest.mark.parametrize(
    ("later", "status", "said"),
    [
        ([], 0, set()),
        ([{"t": T0 + 60}], 0, set()),
        ([{"t": T0 + 60, "gone": GONE, "nvme": {"nvme1": None}}], 1, {("position-empty", "bay-1")}),
        ([{"t": T0 + 60, "nvme": {"nvme1": None}}], 2, {("critical-warning", "bay-1")}),
        # Identify of the first frame still stands.
        (
            [{"t": T0 + 60, "nvme": {"nvme1": {"log:2": health(critical_warning=8)}}}],
            1,
            {("critical-warning", "bay-1")},
        ),
        ([DENIED], 2, {("link-slow", "bay-1")}),
        ([DENIED, {"t": T0 + 120, "files": {SPEED: "16.0 GT/s PCIe\n"}}], 0, set()),
        ([box(without=(1, 2, 3, 4)).frame(T0 + 600, **ANOTHER_BOOT)], 1, {("position-empty", "bay-1")}),
    ],
)
def test_an_audit_judges_what_the_frames_add_up_to(
    audit: Audit, later: list[JsonObject], status: int, said: set[tuple[str, str]]
) -> None:
    ended = audit(one_drive().frame(), *later)
    assert (ended.status, list_reported(ended.json())) == (status, said)
    at = (T0 if not later else int(later[-1]["t"])) - T0
    assert ended.json()["taken_at"] == f"2026-09-21T14:{13 + (20 + at) // 60}:{(20 + at) % 60:02}Z"


def test_plain_and_packed_recordings_are_one(audit: Audit, tmp_path: Path) -> None:
    frame = one_drive(width=2).frame()
    assert audit(frame).out == audit(frame, name="box.jsonl.gz").out
    packed = tmp_path / "box.jsonl.gz"
    assert packed.read_bytes()[:2] == b"\x1f\x8b"
    assert list_reported(program("audit", "--from", packed, "--json").json()) == {("link-narrow", None)}


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[: len(text) // 2],
        lambda text: text.replace('"version": 1', '"version": 7', 1),
        lambda _: "not json\n",
        lambda text: text + '{"t": 1790000001, "surprise": 1}\n',
    ],
)
def test_malformed_recording_is_65_with_what_and_where(tmp_path: Path, spoil: Callable[[str], str]) -> None:
    recording = write(tmp_path / "box.jsonl", one_drive().frame())
    recording.write_text(spoil(recording.read_text()))
    (tmp_path / "build.toml").write_text(BUILD)
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
