import json
import tomllib
from datetime import date, datetime, time

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from laneproof.declaration.build import Build
from laneproof.declaration.schema import build_schema
from support.declared_spine import DATA, SPINE, VALUES, Put, ways_to_put


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
        for key, shape in table["properties"].items()
        if "description" not in shape
    ]
    assert not bare


def test_schema_speaks_no_word_that_toml_has_not() -> None:
    assert "null" not in json.dumps(build_schema())


@given(put=st.sampled_from(ways_to_put()), value=VALUES)
def test_schema_refuses_nothing_that_the_reader_accepts(put: Put, value: object) -> None:
    data = put(value)
    try:
        Build.model_validate(data)
    except ValidationError:
        return
    assert _is_accepted(data)
