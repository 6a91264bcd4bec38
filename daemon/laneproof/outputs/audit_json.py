"""The audit as JSON, and the schema it keeps to."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.box.inventory.inventory import Inventory
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, format_time, order_findings, verdict
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Unread

if TYPE_CHECKING:  # an audit without a run that is kept needs none of what judges runs
    from laneproof.proof.last_proven import LastRun

SCHEMA = 1
RFC_3339 = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"


class Strict(BaseModel):
    """A part of a report: keys of its own alone."""

    model_config = ConfigDict(extra="forbid", defer_build=True)


class CauseReport(Strict):
    """One possible cause."""

    cause: str
    probability: float = Field(ge=0, le=1)
    because: list[str]


class FindingReport(Strict):
    """One finding."""

    rule: str
    kind: Literal["differs", "sign", "unverified"]
    severity: Literal["notice", "warning", "critical"]
    position: str | None
    subject: str
    summary: str
    declared: str | None
    observed: str | None
    evidence: dict[str, Any]
    causes: list[CauseReport]
    next_steps: list[str]
    since: str | None = Field(pattern=RFC_3339)
    accepted: str | None = Field(default=None, description="the owner's reason, where the declaration accepts it")


class CountsReport(Strict):
    """How many findings of each kind, accepted ones apart."""

    differs: int
    sign: int
    unverified: int
    accepted: int


class ProvenAloneReport(Strict):
    """A later acceptance run of one position alone."""

    position: str
    at: str = Field(pattern=RFC_3339)
    mode: str
    verdict: Literal["holds", "differs", "unverified"]


class ProvenReport(Strict):
    """The last acceptance run that was kept."""

    at: str = Field(pattern=RFC_3339)
    mode: str
    verdict: Literal["holds", "differs", "unverified"]
    changed_since: list[str] = Field(description="what is otherwise than it was then: the box is not proven since")
    alone: list[ProvenAloneReport] = Field(default_factory=list, description="runs of one position since")


class AuditReport(Strict):
    """The whole audit."""

    schema_version: Literal[1] = Field(alias="schema")
    box: str
    taken_at: str = Field(pattern=RFC_3339)
    verdict: Literal["holds", "differs", "unverified"]
    declared: bool = Field(description="whether there was a declaration to compare with")
    counts: CountsReport
    findings: list[FindingReport]
    inventory: Inventory
    proven: ProvenReport | None = Field(default=None, description="only where an acceptance run was kept")


def audit_schema() -> dict[str, Any]:
    """Make the JSON Schema of the audit."""
    return AuditReport.model_json_schema(by_alias=True) | {"$schema": "https://json-schema.org/draft/2020-12/schema"}


def name_box(build: Build | None, snapshot: Snapshot, *, otherwise: str = "this box") -> str:
    """Name the box: as declared, else as the machine calls itself, if it does."""
    if build is not None:
        return build.box.name
    firmware = snapshot.firmware
    host_name = None if isinstance(firmware, Unread) else firmware.host_name
    return host_name if isinstance(host_name, str) and host_name else otherwise


def count_findings(findings: Sequence[Finding]) -> dict[str, int]:
    """Count by kind; what the owner accepted is counted apart."""
    standing = [finding for finding in findings if finding.accepted is None]
    counts = {str(kind): sum(finding.kind is kind for finding in standing) for kind in Kind}
    return counts | {"accepted": len(findings) - len(standing)}


def as_json(
    build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], proven: "LastRun | None" = None
) -> dict[str, Any]:
    """Give the audit as a JSON object, which `audit_schema` describes."""
    return {
        "schema": SCHEMA,
        "box": name_box(build, snapshot),
        "taken_at": format_time(snapshot.taken_at),
        "verdict": verdict(findings, declared=build is not None),
        "declared": build is not None,
        "counts": count_findings(findings),
        "findings": [finding.as_json() for finding in order_findings(findings)],
        "inventory": make_inventory(build, snapshot).model_dump(mode="json"),
        **({} if proven is None else {"proven": _report_proven(proven)}),
    }


def _report_proven(run: "LastRun") -> dict[str, Any]:
    report = run.model_dump(mode="json")
    for part in (report, *report["alone"]):
        part["at"] = format_time(part["at"])
    return report
