"""A run as JSON, and the schema it keeps to."""

from typing import Any, Literal

from pydantic import Field

from laneproof.findings import format_time
from laneproof.proof.judgement import Proof, ProvenLink, ProvenPosition, Verdict
from laneproof.proof.run_record import KeptModel, ProofRun


class ProofReport(KeptModel):
    """The whole report: what the run proves, and the run itself, from which it can be judged again."""

    schema_version: Literal[1] = Field(default=1, alias="schema")
    box: str
    began_at: str
    verdict: Verdict
    positions: tuple[ProvenPosition, ...]
    shared_links: tuple[ProvenLink, ...]
    notes: tuple[str, ...]
    run: ProofRun


def prove_schema() -> dict[str, Any]:
    """Make the JSON Schema of the report."""
    return ProofReport.model_json_schema(by_alias=True) | {"$schema": "https://json-schema.org/draft/2020-12/schema"}


def as_json(run: ProofRun, proof: Proof) -> dict[str, Any]:
    """Give the report as a JSON object that `prove_schema` describes."""
    report = ProofReport(
        box=run.box,
        began_at=format_time(run.began_at),
        verdict=proof.verdict,
        positions=proof.positions,
        shared_links=proof.shared_links,
        notes=proof.box,
        run=run,
    )
    return report.model_dump(mode="json", by_alias=True)
