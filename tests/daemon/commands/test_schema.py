"""The schemas are printed as JSON that editors and programs can read."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from laneproof.cli import main
from laneproof.declaration.schema import build_schema
from laneproof.outputs.audit_json import audit_schema

DOCS = Path(__file__).resolve().parents[3] / "docs"


def test_the_one_in_the_docs_is_the_one_that_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    assert (DOCS / "declaration.schema.json").read_text(encoding="utf-8") == capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "schema"),
    [(("schema", "build"), build_schema()), (("schema", "audit"), audit_schema())],
)
def test_a_schema_is_printed(
    arguments: tuple[str, ...], schema: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == schema
    Draft202012Validator.check_schema(printed)
