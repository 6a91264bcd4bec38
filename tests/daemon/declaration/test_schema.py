import json
import subprocess
import sys
import tomllib
from collections.abc import Callable
from datetime import date, datetime, time
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from laneproof.declaration.build import Build
from laneproof.declaration.schema import build_schema, write_schema

SPINE = """\
schema = 1
[box]
name = "kelp-1"
undeclared = "report"
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
through = ["passive-split", { kind = "flexible-cable", id = "F2" }]
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", role = "data", capacity = "4 TB", model = "Tidewater T4", serial = "TW-1", read = "7 GB/s" }
[[array]]
name = "md0"
level = "raid5"
members = ["riser-1"]
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
position = "riser-1"
until = 2027-06-30
because = "spare cable on order"
"""
SCHEMA_FILE = Path(__file__).resolve().parents[3] / "docs" / "declaration.schema.json"
DATA = tomllib.loads(SPINE)


def _as_json(value: object) -> object:
    match value:
        case dict():
            return {key: _as_json(inner) for key, inner in value.items()}
        case list():
            return [_as_json(inner) for inner in value]
        case datetime() | time():
            return {"no JSON": str(value)}
        case date():
            return value.isoformat()
        case _:
            return value


def _is_accepted(data: object) -> bool:
    return bool(jsonschema.Draft202012Validator(build_schema()).is_valid(_as_json(data)))


def test_schema_is_one_itself() -> None:
    jsonschema.Draft202012Validator.check_schema(build_schema())


def test_schema_in_the_docs_is_the_one_of_the_code() -> None:
    assert SCHEMA_FILE.read_text(encoding="utf-8") == write_schema()


def test_schema_is_printed_by_its_own_module() -> None:
    made = subprocess.run(
        [sys.executable, "-m", "laneproof.declaration.schema"],
        capture_output=True,
        encoding="utf-8",
        check=True,
        env={"PYTHONPATH": ":".join(sys.path)},
    )
    assert json.loads(made.stdout) == build_schema()


def test_schema_accepts_the_spine() -> None:
    jsonschema.validate(_as_json(DATA), build_schema())
    Build.model_validate(DATA)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("schema = 1", "schema = 2"),
        ('name = "kelp-1"', ""),
        ("lanes = 4 }", "lanse = 4 }"),
        ("lanes = 4 }", "lanes = 3 }"),
        ("generation = 4", "generation = 7"),
        ('"0000:00/01.1"', '"0000:01:00.0"'),
        ('"4 TB"', '"four"'),
        ('"passive-split"', '"tape"'),
        ('kind = "nvme"', 'kind = "floppy"'),
        ("2027-06-30", "3"),
    ],
)
def test_schema_refuses_what_the_reader_refuses(old: str, new: str) -> None:
    assert old in SPINE
    data = tomllib.loads(SPINE.replace(old, new, 1))
    assert not _is_accepted(data)
    with pytest.raises(ValidationError):
        Build.model_validate(data)


def test_every_key_is_described_for_the_editor() -> None:
    tables = build_schema()["$defs"]
    bare = [
        f"{name}.{key}"
        for name, table in tables.items()
        for key, one in table["properties"].items()
        if "description" not in one
    ]
    assert not bare


def test_schema_speaks_no_word_that_toml_has_not() -> None:
    assert "null" not in write_schema()


def _places(table: object, put: Callable[[object], object]) -> list[Callable[[object], object]]:
    places = [put]
    if isinstance(table, dict):
        for key, value in table.items():
            places += _places(value, lambda new, key=key: put(table | {key: new}))
    if isinstance(table, list):
        for at, value in enumerate(table):
            places += _places(value, lambda new, at=at: put([*table[:at], new, *table[at + 1 :]]))
    return places


_VALUES: st.SearchStrategy[object] = st.recursive(
    st.one_of(
        st.integers(0, 40),
        st.booleans(),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(max_size=5),
        st.dates(),
    )
    | st.sampled_from(["4 TB", "0000:00/01.2", "board", "nvme", "off", "7 GB/s", {"kind": "board"}]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@given(place=st.sampled_from(_places(DATA, lambda new: new)), value=_VALUES)
def test_schema_refuses_nothing_that_the_reader_accepts(place: Callable[[object], object], value: object) -> None:
    data = place(value)
    try:
        Build.model_validate(data)
    except ValidationError:
        return
    assert _is_accepted(data)
