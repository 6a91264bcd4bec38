"""The declaration's spine as the format describes it: each table and key is known, and only what stands is compared."""

from pathlib import Path

import pytest

from contracts.hand_made import Machine, inside, write
from declared_spine import SPINE


def test_spine_of_the_format_is_read(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(SPINE)
    recording = write(tmp_path / "box.jsonl", Machine(files={"/proc/cmdline": "quiet\n"}).frame())
    ended = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
    assert ended.status in {1, 2}
    assert inside("budget", tmp_path / "build.toml").status in {0, 1}
    assert inside("replay", recording, "--build", tmp_path / "build.toml").status == 0


def test_name_alone_is_a_declaration(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text('schema = 1\nbox = { name = "kelp-1" }\n')
    recording = write(tmp_path / "box.jsonl", Machine(files={"/proc/cmdline": "quiet\n"}).frame())
    assert inside("audit", "--from", recording, "--build", tmp_path / "build.toml").status in {0, 2}
    assert inside("budget", tmp_path / "build.toml").status == 0


@pytest.mark.parametrize("size", ['"4 TB "', '"0.5 TiB"', "4_000"])
def test_sizes_as_people_write_them(tmp_path: Path, size: str) -> None:
    (tmp_path / "build.toml").write_text(f'schema = 1\n[box]\nname = "x"\n[memory]\ntotal = {size}\n')
    assert inside("budget", tmp_path / "build.toml").status == 0


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('[memory]\ntotal = "4 XB"', "memory.total"),
        ("[memory]\ntotal = 1.5", "memory.total"),
        ('[[position]]\nlabel = "a"\npath = "00:01.1"', "position[0].path"),
        ('[[position]]\nlabel = "a"\npath = "0000:0A/1F.0"', "position[0].path"),
    ],
)
def test_value_of_the_wrong_form_is_refused_with_its_key(tmp_path: Path, text: str, key: str) -> None:
    (tmp_path / "build.toml").write_text(f'schema = 1\n[box]\nname = "x"\n{text}\n')
    ended = inside("budget", tmp_path / "build.toml")
    assert ended.status == 65
    assert key in ended.err
