"""The schemas are printed as JSON that editors and programs can read."""

from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from contracts.hand_made import JsonObject, inside
from laneproof.declaration.schema import build_schema
from laneproof.outputs.audit_json import audit_schema

DOCS = Path(__file__).resolve().parents[3] / "docs"


@pytest.mark.parametrize(
    ("words", "schema"), [((), build_schema()), (("build",), build_schema()), (("audit",), audit_schema())]
)
def test_a_schema_is_printed(words: tuple[str, ...], schema: JsonObject) -> None:
    ended = inside("schema", *words)
    assert (ended.status, ended.json()) == (0, schema)
    Draft202012Validator.check_schema(schema)


def test_the_one_in_the_docs_is_the_one_that_is_printed() -> None:
    assert (DOCS / "declaration.schema.json").read_text(encoding="utf-8") == inside("schema").out
