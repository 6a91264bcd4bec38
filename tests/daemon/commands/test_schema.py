"""The schemas are printed as JSON that editors and programs can read."""

import json

import pytest
from jsonschema import Draft202012Validator

from laneproof.cli import main
from laneproof.declaration.schema import build_schema
from laneproof.outputs.audit_json import audit_schema


@pytest.mark.parametrize(
    ("arguments", "schema"),
    [(("schema",), build_schema()), (("schema", "build"), build_schema()), (("schema", "audit"), audit_schema())],
)
def test_a_schema_is_printed(
    arguments: tuple[str, ...], schema: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == schema
    Draft202012Validator.check_schema(printed)
