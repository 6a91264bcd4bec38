from pathlib import Path

from laneproof.declaration.reference import write_reference
from laneproof.declaration.schema import build_schema

REFERENCE_FILE = Path(__file__).resolve().parents[3] / "docs" / "declaration.md"


def test_reference_in_the_docs_is_the_one_of_the_code() -> None:
    assert REFERENCE_FILE.read_text(encoding="utf-8") == write_reference()


def test_every_key_of_the_declaration_is_in_the_reference() -> None:
    text = write_reference()
    schema = build_schema()
    missing = [key for key in schema["properties"] if f"`{key}`" not in text and f"## {key}\n" not in text]
    missing += [
        f"{name}.{key}"
        for name, table in schema["$defs"].items()
        for key in table["properties"]
        if f"| `{key}` |" not in text
    ]
    assert missing == []


def test_values_are_said_in_plain_words() -> None:
    text = write_reference()
    assert "| `lanes` | how many lanes | `1`, `2`, `4`, `8`, `12`, `16` or `32` |" in text
    assert "| `capacity` | its size, as on its label: '4 TB' | a size or a whole number |" in text
    assert "| `through` | what stands between the position and the device, in order | a list, each" in text
    assert "| `until` | the last day it is accepted | a date |" in text
    assert "[position.link](#positionlink)" in text
    assert "## position.link\n" in text
