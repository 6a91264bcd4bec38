"""``laneproof schema``: the JSON Schema of the declaration, for editors, or of the audit's JSON, for programs."""

import argparse
import json

from laneproof.declaration.schema import build_schema


def run(arguments: argparse.Namespace) -> int:
    """Print one schema."""
    if arguments.of == "audit":
        from laneproof.outputs.audit_json import audit_schema

        schema = audit_schema()
    else:
        schema = build_schema()
    print(json.dumps(schema, indent=2))  # noqa: T201 (the output)
    return 0
