"""The declaration's spine as the format describes it: each table and key is known, and only what stands is compared."""

import tomllib
from pathlib import Path

import pytest

from contracts.hand_made import Machine, inside, write

SPINE = """
schema = 1
[box]
name = "kelp-1"                                   # the demo's scenario
undeclared = "report"                             # report | ignore
[kernel]
command_line = ["pcie_aspm=off"]
aspm_policy = "performance"
links_aspm = "off"
nvme_default_ps_max_latency_us = 0
[slot.riser]
path = "0000:00"
lanes = 16
split = [4, 4, 4, 4]
[[position]]
label = "riser-1"
slot = "riser"
branch = 1
path = "0000:00/01.1"
through = ["passive-split"]
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", role = "data", capacity = "4 TB", model = "...", serial = "..." }
[[position]]
label = "riser-2"
slot = "riser"
branch = 2
path = "0000:00/01.2"
through = ["board", "passive-split", "switch-card", "key-adapter", "flexible-cable"]
occupant = { kind = "none" }
[[position]]
label = "riser-3"
path = "0000:00/01.3/00.0/04.0"
[[position]]
label = "riser-4"
path = "10000:e0/06.0"
[[position]]
label = "disk-1"
path = "0000:00/17.0/ata-3"
occupant = { kind = "sata" }
[[position]]
label = "stick"
path = "0000:00/14.0/usb-1.2"
occupant = { kind = "other" }
[[array]]
name = "md0"
level = "raid5"
members = ["riser-1", "riser-2", "riser-3"]
[memory]
total = "64 GiB"
modules = 2
speed_mt_s = 5600
[[bond]]
name = "bond0"
mode = "802.3ad"
members = ["enp1s0f0", "enp1s0f1"]
member_speed_mbit_s = 10000
[[accept]]
rule = "link-slow"
position = "riser-4"
until = 2027-06-30
because = "spare cable on order"
"""


def test_spine_of_the_format_is_read(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(SPINE)
    recording = write(tmp_path / "box.jsonl", Machine(files={"/proc/cmdline": "pcie_aspm=off\n"}).frame())
    ended = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
    assert ended.status in {1, 2}
    assert inside("budget", tmp_path / "build.toml").status in {0, 1}
    assert inside("replay", recording, "--build", tmp_path / "build.toml").status == 0


def test_name_alone_is_a_declaration(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text('schema = 1\nbox = { name = "kelp-1" }\n')
    recording = write(tmp_path / "box.jsonl", Machine(files={"/proc/cmdline": "quiet\n"}).frame())
    assert inside("audit", "--from", recording, "--build", tmp_path / "build.toml").status in {0, 2}
    assert inside("budget", tmp_path / "build.toml").status == 0


@pytest.mark.parametrize("size", ["4 TB", "4TB", "4.0 TB", "4000 GB", "64 GiB", "0.5 TiB", "4_000", "100 B"])
def test_sizes_as_people_write_them(tmp_path: Path, size: str) -> None:
    written = f'"{size}"' if " " in size or "B" in size else size
    text = f'schema = 1\n[box]\nname = "x"\n[memory]\ntotal = {written}\n'
    tomllib.loads(text)
    (tmp_path / "build.toml").write_text(text)
    assert inside("budget", tmp_path / "build.toml").status == 0


@pytest.mark.parametrize("size", ['"4"', '"TB"', '"-4 TB"', "-4", '"4 XB"', "1.5", "true", '"1e3 TB"', '""', '"4 TB "'])
def test_sizes_that_nobody_writes(tmp_path: Path, size: str) -> None:
    (tmp_path / "build.toml").write_text(f'schema = 1\n[box]\nname = "x"\n[memory]\ntotal = {size}\n')
    ended = inside("budget", tmp_path / "build.toml")
    if size == '"4 TB "':
        assert ended.status == 0
    else:
        assert ended.status == 65
        assert "memory.total" in ended.err


@pytest.mark.parametrize(
    "path",
    [
        "00:01.1",
        "0000:00:01.1",
        "0000:00/1.1",
        "0000:00/01.8",
        "/sys/bus/pci",
        "0000:00/",
        "",
        "0000:00/01.1/ata3",
        "zz:00",
    ],
)
def test_paths_that_are_none(tmp_path: Path, path: str) -> None:
    text = f'schema = 1\n[box]\nname = "x"\n[[position]]\nlabel = "a"\npath = "{path}"\n'
    (tmp_path / "build.toml").write_text(text)
    ended = inside("budget", tmp_path / "build.toml")
    assert ended.status == 65
    assert "position[0].path" in ended.err


def test_paths_may_be_written_in_capitals_or_are_refused_clearly(tmp_path: Path) -> None:
    text = 'schema = 1\n[box]\nname = "x"\n[[position]]\nlabel = "a"\npath = "0000:0A/1F.0"\n'
    (tmp_path / "build.toml").write_text(text)
    ended = inside("budget", tmp_path / "build.toml")
    assert ended.status == 0 or "path" in ended.err
