"""``laneproof schema``: the JSON Schema of the declaration, for editors, or of a report, for programs."""

import argparse

from laneproof.commands.terminal import show_json
from laneproof.declaration.schema import build_schema


def run(arguments: argparse.Namespace) -> int:
    """Print one schema."""
    if arguments.of == "audit":
        from laneproof.outputs.audit_json import audit_schema

        schema = audit_schema()
    elif arguments.of == "prove":
        from laneproof.outputs.prove_json import prove_schema

        schema = prove_schema()
    else:
        schema = build_schema()
    show_json(schema)
    return 0
