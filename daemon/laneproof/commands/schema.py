"""``laneproof schema``: the JSON Schema of the declaration, for editors, or of the audit's JSON, for programs."""

import argparse
import json


def run(arguments: argparse.Namespace) -> int:
    """Print one schema."""
    if arguments.of == "audit":
        from laneproof.outputs.audit_json import make_schema
    else:
        from laneproof.build.schema import make_schema
    print(json.dumps(make_schema(), indent=2))  # noqa: T201 (the output)
    return 0
