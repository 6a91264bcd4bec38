"""The declaration's JSON Schema, for editors that complete and check TOML.

What no schema can say stays with the reader of the file: that names agree, and where the near miss is.
"""

from typing import Any

from laneproof.declaration.build import Build

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def build_schema() -> dict[str, Any]:
    """Give the JSON Schema (draft 2020-12) of a declaration.

    Source: TOML's own tables, arrays and values stand for JSON's; a TOML date is a string of format ``date``.
    """
    schema = Build.model_json_schema(by_alias=True, mode="validation")
    return {"$schema": DIALECT, "title": "laneproof declaration", **_tidy(schema)}


def _tidy(schema: Any) -> Any:  # noqa: ANN401 (JSON)
    # Titles made of the keys' own names say nothing to an editor's user, and TOML has no null.
    if isinstance(schema, list):
        return [_tidy(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    tidy = {key: _tidy(value) for key, value in schema.items() if not _is_noise(key, value)}
    options = [option for option in tidy.get("anyOf", ()) if option != {"type": "null"}]
    if len(options) == 1:
        del tidy["anyOf"]
        tidy = options[0] | tidy
    elif options:
        tidy["anyOf"] = options
    return tidy


def _is_noise(key: str, value: object) -> bool:
    return (key == "title" and isinstance(value, str)) or (key == "default" and value is None)
