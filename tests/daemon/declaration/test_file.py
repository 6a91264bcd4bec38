import re

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from laneproof.declaration.build import Build
from laneproof.declaration.file import BuildError, parse_build
from support.declared_spine import SPINE, VALUES, Put, complaints, ways_to_put


def _read(text: str) -> Build | BuildError:
    try:
        return parse_build(text, name="build.toml")
    except BuildError as error:
        return error


def test_whole_spine_is_read() -> None:
    build = parse_build(SPINE, name="build.toml")
    position = build.position[0]
    assert position.occupant is not None
    assert position.occupant.capacity == 4_000_000_000_000
    assert build.memory is not None
    assert build.memory.total == 64 * 2**30
    assert build.slot["riser"].split == (4, 4, 4, 4)
    assert [part.kind for part in position.through] == ["passive-split", "flexible-cable"]


def test_ten_lines_are_enough_to_begin() -> None:
    text = 'schema = 1\nbox.name = "kelp-1"\n[[position]]\nlabel = "m2-1"\npath = "0000:00/01.1"\n'
    assert parse_build(text, name="build.toml").position[0].link is None


def test_all_problems_are_reported_at_once_in_the_order_of_the_file() -> None:
    text = SPINE.replace('name = "kelp-1"', 'nmae = "kelp-1"').replace("lanes = 16", 'lanes = "16"')
    text = text.replace('members = ["riser-1", "riser-2"]', 'members = ["riser-1", "riser-9"]')
    found = complaints(text)
    assert [line.split(":")[0] for line in found] == [
        "build.toml, line 2",
        "build.toml, line 3",
        "build.toml, line 12",
    ]
    assert "box.name is missing" in found[0]
    assert "did you mean 'name'?" in found[1]
    assert "'16'" in found[2]


def test_file_of_a_later_format_is_reported_as_such_and_nothing_else() -> None:
    assert complaints("schema = 2\nnew_thing = 1\n") == [
        "build.toml, line 1: schema is not 1, the only format that this program reads"
    ]


def test_empty_file_says_how_to_begin() -> None:
    assert complaints("") == [
        'build.toml: box is missing; name the box: [box] name = "..."',
        "build.toml: schema is missing; begin the file with: schema = 1",
    ]


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 100_000,
        "x = " + "{a = " * 250 + "1" + "}" * 250,  # the parser still reads these, what finds their lines does not
        ".".join(["a"] * 1500) + " = 1",
        "schema = 1\n[" + " . ".join(['"a.b"'] * 50_000) + "]",
        f"{'k' * 500_000} = 1\nschema = 1\n[box]\nname = 'x'",
    ],
    ids=["lists", "tables", "key of 1,500 parts", "heading of 50,000 parts", "key of 500,000 letters"],
)
def test_nesting_without_end_is_refused_in_one_sentence(text: str) -> None:
    (found,) = complaints(text)
    assert re.match(r"build\.toml(, line \d)?: ", found)
    assert len(found) < 300


def test_number_too_long_for_python_is_refused_in_one_sentence() -> None:
    (found,) = complaints(f"schema = {'1' * 10_000}")
    assert "a number too long" in found


@given(st.text())
def test_any_text_is_a_declaration_or_a_problem(text: str) -> None:
    read = _read(text)
    assert isinstance(read, Build) or read.problems


@given(st.data())
def test_any_change_to_a_declaration_is_read_or_refused_with_a_line(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(SPINE)))
    until = data.draw(st.integers(at, min(at + 30, len(SPINE))))
    put = data.draw(
        st.sampled_from(["", "true", "-1", '"', "[", "]", "=", "1e999", "{}", "\n[x]\n", "[[position]]\n", "'a.b'"])
    )
    text = SPINE[:at] + put + SPINE[until:]
    read = _read(text)
    lines = text.count("\n") + 1
    assert isinstance(read, Build) or all(0 <= problem.line <= lines and problem.message for problem in read.problems)


@given(put=st.sampled_from(ways_to_put()), value=VALUES)
def test_any_value_anywhere_is_read_or_refused(put: Put, value: object) -> None:
    data = put(value)
    read = _read(tomlkit.dumps(data if isinstance(data, dict) else {"schema": data}))
    assert isinstance(read, Build) or (str(read) and "Input should" not in str(read))
