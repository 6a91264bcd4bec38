"""Recordings and declarations spoilt at random, from fixed seeds: each command ends with a sentence, none with a fault.

The seeds below ran clean; a longer hunt is ``LANEPROOF_FUZZ_SECONDS=600 pytest tests/contracts/test_hostile_input.py``.
"""

import gzip
import json
import os
import random
import time
from pathlib import Path
from typing import Any, NoReturn

import pytest

from contracts.hand_made import CHECKOUT, T0, Ended, JsonObject, inside, write
from contracts.hand_made_boxes import TWO, bonded, power, raid, remembering, sata
from contracts.mutations import kernel_words, spoil_frame, spoil_text

MESSAGES = CHECKOUT / "tests" / "collectors" / "kernel_log" / "messages.jsonl"
LINES = [json.loads(row)["line"] for row in MESSAGES.read_text(encoding="utf-8").splitlines()]
DEMO = CHECKOUT / "daemon" / "laneproof" / "demo"
STATUSES = {0, 1, 2, 64, 65, 66, 73}
NAMES = ("nvme0", "bay-1", "riser-1", "md0", "md0:1", "sda", "PEL00001", "0000:01:00.0", "/dev/nvme1n1", "")
BUILD = (
    'schema = 1\n[box]\nname = "kelp-1"\nundeclared = "ignore"\n[kernel]\n'
    'command_line = ["pcie_aspm.policy=performance"]\n'
    'aspm_policy = "performance"\nlinks_aspm = "off"\nnvme_default_ps_max_latency_us = 0\n'
    '[slot.riser]\npath = "0000:00"\nlanes = 16\nsplit = [4, 4, 4, 4]\n'
    + "".join(
        f'[[position]]\nlabel = "bay-{number}"\nslot = "riser"\nbranch = {number}\npath = "0000:00/01.{number}"\n'
        "link = { generation = 4, lanes = 4 }\n"
        f'occupant = {{ kind = "nvme", capacity = "4 TB", serial = "PEL0000{number}", firmware = "1.0.3" }}\n'
        for number in (1, 2, 3, 4)
    )
    + '[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["bay-1", "bay-2", "bay-3"]\n'
    '[memory]\ntotal = "64 GiB"\nmodules = 2\nspeed_mt_s = 5600\n'
    '[[bond]]\nname = "bond0"\nmode = "802.3ad"\nmembers = ["enp1s0f0", "enp1s0f1"]\nmember_speed_mbit_s = 10000\n'
    '[[accept]]\nrule = "link-slow"\nposition = "bay-4"\nuntil = 2027-06-30\nbecause = "spare on order"\n'
)


def whole_box() -> JsonObject:
    """One frame with everything that this folder knows to make."""
    machine, kernel, memory = raid(bonded()), power(), remembering(*TWO)
    for other in (kernel, memory):
        machine.files |= other.files
        machine.binary |= other.binary
    machine.nvme = kernel.nvme
    sata(machine)
    return machine.frame()


def demo_frame() -> JsonObject:
    with gzip.open(DEMO / "kelp-1.jsonl.gz", "rt") as lines:
        next(lines)
        frame: JsonObject = json.loads(next(lines))
    return frame


@pytest.fixture(scope="module")
def boxes() -> list[tuple[JsonObject, str]]:
    return [(whole_box(), BUILD), (demo_frame(), (DEMO / "kelp-1.toml").read_text())]


def test_unspoilt_box_holds(tmp_path: Path) -> None:
    """Else the search below would look at nothing but findings."""
    (tmp_path / "build.toml").write_text(BUILD)
    recording = write(tmp_path / "box.jsonl", whole_box())
    assert inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json").json()["findings"] == []


def spoilt_frames(chance: random.Random, base: JsonObject) -> list[JsonObject]:
    """Make one to six frames, each with only what changed since the one before, most of it nonsense."""
    state = spoil_frame(chance, base, chance.choice((0, 1, 3, 10, 60)))
    t = float(T0)
    frames = [state | {"t": t}]
    for _ in range(chance.choice((0, 0, 2, 5))):
        t += chance.choice((1, 60, 600, 86_400, -100, 0))
        now = spoil_frame(chance, base if chance.random() < 0.6 else state, chance.choice((1, 5, 20)))
        if chance.random() < 0.15:
            frames.append(now | {"t": t, "boot_id": f"boot-{chance.randrange(3)}", "up": 5.0})
        else:
            frame: JsonObject = {"t": t, "nvme": now.get("nvme", {}), "kmsg": kernel_words(chance, LINES)}
            for key in ("files", "errors", "links", "binary"):
                before = state.get(key, {})
                frame[key] = {path: value for path, value in now.get(key, {}).items() if value != before.get(path)}
            frame["gone"] = [path for path in state.get("files", {}) if path not in now["files"]]
            if chance.random() < 0.3:
                frame["uevents"] = [
                    {"action": "remove", "devpath": "/devices/pci0000:00/0000:00:01.1", "subsystem": "pci"},
                    {"action": chance.choice(("add", "change", "")), "devpath": "x"},
                    {},
                ]
            frames.append(frame)
        state = now
    return frames


def refuse(word: str) -> NoReturn:
    raise AssertionError(f"{word} is no JSON")


def commands(chance: random.Random, folder: Path, last: JsonObject) -> list[list[Any]]:
    recording, build = folder / "box.jsonl", folder / "build.toml"
    here: list[Any] = ["--from", recording, "--build", build]
    return [
        ["audit", *here, "--json"],
        ["audit", *here],
        ["audit", "--from", recording],
        ["replay", recording, "--build", build, "--json"],
        ["replay", recording],
        ["draft", "--from", recording],
        ["draft", "--from", recording, "--update", build],
        ["budget", build, "--json"],
        ["budget", build, "--picture", folder / "lanes.svg"],
        ["where", chance.choice(NAMES), *here],
        ["changes", recording, f"{recording}@{last['t']:.0f}", "--json", "--build", build],
        ["replace", chance.choice(NAMES[1:3]), *here],
        ["trend", chance.choice(NAMES), *here, "--json"],
        ["events", *here],
        ["record", folder / "copy.jsonl", "--from", recording, "--hide-serials"],
    ]


def try_seed(seed: int, boxes: list[tuple[JsonObject, str]], folder: Path, runs: int) -> None:
    chance = random.Random(seed)
    base, build = chance.choice(boxes)
    frames = spoilt_frames(chance, base)
    write(folder / "box.jsonl", *frames)
    (folder / "build.toml").write_text(spoil_text(chance, build, chance.choice((0, 0, 1, 2, 6))), encoding="utf-8")
    for command in chance.sample(commands(chance, folder, frames[-1]), runs):
        for made in ("copy.jsonl", "lanes.svg"):
            (folder / made).unlink(missing_ok=True)
        ended = inside(*command, lines=None)
        assert ended.status in STATUSES, (seed, command, ended)
        assert (ended.status >= os.EX_USAGE) == bool(ended.err), (seed, command, ended)
        hold_product(seed, command, ended, folder)
        if "--json" in command and ended.status < os.EX_USAGE:
            for text in ended.out.splitlines() if command[0] == "replay" else [ended.out]:
                json.loads(text, parse_constant=refuse)


def hold_product(seed: int, command: list[Any], ended: Ended, folder: Path) -> None:
    """Whatever was read: a draft is a declaration, a copy is a recording."""
    if ended.status:
        return
    if command[0] == "draft":
        (folder / "drafted.toml").write_text(ended.out, encoding="utf-8")
        again = inside(
            "audit", "--from", folder / "box.jsonl", "--build", folder / "drafted.toml", "--json", lines=None
        )
        assert again.status in {0, 1, 2}, (seed, command, again.err)
    if command[0] == "record":
        assert inside("audit", "--from", folder / "copy.jsonl").status in {0, 1, 2}, (seed, command)


@pytest.mark.parametrize("start", range(0, 40, 5))
def test_spoilt_input_ends_every_command_with_a_sentence(
    boxes: list[tuple[JsonObject, str]], tmp_path: Path, start: int
) -> None:
    for seed in range(start, start + 5):
        try_seed(seed, boxes, tmp_path, runs=3)


def test_longer_hunt(boxes: list[tuple[JsonObject, str]], tmp_path: Path) -> None:
    seconds = float(os.environ.get("LANEPROOF_FUZZ_SECONDS", "0"))
    if not seconds:
        pytest.skip("only on demand: LANEPROOF_FUZZ_SECONDS=600")
    until, seed = time.monotonic() + seconds, int(time.time()) * 1000
    while time.monotonic() < until:
        try_seed(seed, boxes, tmp_path, runs=4)
        seed += 1


# What the declaration asks of the box above, and the one or two answers that would tell it.
NEEDED = [
    ["/proc/cmdline"],
    ["/sys/module/pcie_aspm/parameters/policy"],
    ["/sys/module/nvme_core/parameters/default_ps_max_latency_us"],
    *(
        [f"/sys/devices/pci0000:00/0000:00:01.2{below}/{name}" for below in ("", "/0000:02:00.0")]
        for name in ("current_link_speed", "current_link_width")
    ),
    ["/sys/devices/pci0000:00/0000:00:01.2/0000:02:00.0/link/l1_aspm"],
    ["/sys/devices/virtual/block/md0/md/level"],
    ["/sys/devices/virtual/block/md0/md/degraded"],
    ["/sys/devices/virtual/net/bond0/bonding/mode"],
    ["/sys/devices/pci0000:00/0000:00:1c.0/0000:09:00.1/net/enp1s0f1/bonding_slave/ad_aggregator_id"],
    ["/sys/devices/pci0000:00/0000:00:1c.0/0000:09:00.1/net/enp1s0f1/speed"],
]


# What is a word or an address can be any; that it cannot be read is reported all the same.
WORDS = [
    ["/sys/devices/virtual/block/md0/md/dev-nvme2n1/state"],
    ["/sys/devices/virtual/net/bond0/bonding/ad_partner_mac"],
]


@pytest.mark.parametrize("paths", NEEDED, ids=lambda paths: paths[0].rpartition("/")[2])
@pytest.mark.parametrize("nonsense", ["denied", "", "?", "99999999999999999999999"])
def test_what_is_declared_and_cannot_be_read_never_holds(tmp_path: Path, paths: list[str], nonsense: str) -> None:
    hold_spoilt(tmp_path, paths, nonsense)


@pytest.mark.parametrize("paths", WORDS, ids=lambda paths: paths[0].rpartition("/")[2])
def test_word_that_cannot_be_read_never_holds(tmp_path: Path, paths: list[str]) -> None:
    hold_spoilt(tmp_path, paths, "denied")


def hold_spoilt(tmp_path: Path, paths: list[str], nonsense: str) -> None:
    frame = whole_box()
    for path in paths:
        assert path in frame["files"], path
        if nonsense == "denied":
            del frame["files"][path]
            frame.setdefault("errors", {})[path] = "EACCES"
        else:
            frame["files"][path] = nonsense + "\n"
    (tmp_path / "build.toml").write_text(BUILD)
    recording = write(tmp_path / "box.jsonl", frame)
    ended = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
    assert ended.status in {1, 2}
    assert ended.json()["verdict"] != "holds"
    if nonsense == "denied":
        assert ended.status == 2, [finding["summary"] for finding in ended.json()["findings"]]
