"""The standing cases as JSON, and read back: what another process needs to say what is wrong, and where.

A finding is named here as it is known over restarts: by its rule, and by `about`, which is the position's label, else a
path, a serial number or a setting's name, never a bus address.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.declaration.build import Build
from laneproof.findings import Cause, Finding, Kind, Severity, format_time, order_findings
from laneproof.outputs.audit_json import RFC_3339, FindingReport, Strict, name_box
from laneproof.outputs.cases import group_cases
from laneproof_collectors.snapshot import Snapshot

SCHEMA = 1


class NamedFinding(FindingReport):
    """One finding, with the name that it keeps over restarts."""

    about: str = Field(description="with the rule, the finding's identity")


class CaseReport(Strict):
    """The findings of one position that share a cause, the most severe first."""

    about: str
    findings: list[NamedFinding] = Field(min_length=1)


class PositionReport(Strict):
    """Where a declared position is, and what is in it now."""

    path: str
    slot: str | None
    serial: str | None


class CasesReport(Strict):
    """All standing cases, the most severe first; what the owner accepted is left out."""

    schema_version: Literal[1] = Field(alias="schema")
    box: str
    taken_at: str = Field(pattern=RFC_3339)
    age_seconds: float = Field(ge=0, description="how long ago this was judged, by the machine's own clock")
    cases: list[CaseReport]
    positions: dict[str, PositionReport] = Field(description="by label")


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionFacts:
    """What is known of a declared position: its slot, and the serial number in it now; empty where there is none."""

    slot: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingFindings:
    """What the daemon said last, and so many seconds ago: without what is accepted, the most severe first."""

    box: str
    age_seconds: float
    findings: tuple[Finding, ...]
    positions: Mapping[str, PositionFacts]


def cases_as_json(
    build: Build | None, snapshot: Snapshot, findings: Sequence[Finding], *, age_seconds: float
) -> dict[str, Any]:
    """Give the standing cases as a JSON object that `CasesReport` describes."""
    standing = order_findings(finding for finding in findings if finding.accepted is None)
    occupants = {shown.position: shown.occupant for shown in make_inventory(build, snapshot).positions}
    return {
        "schema": SCHEMA,
        "box": name_box(build, snapshot),
        "taken_at": format_time(snapshot.taken_at),
        "age_seconds": round(age_seconds, 1),
        "cases": [
            {"about": case.about, "findings": [name_finding(finding) for finding in case.findings]}
            for case in group_cases(standing)
        ],
        "positions": {
            position.label: {
                "path": position.path,
                "slot": position.slot,
                "serial": occupant.serial if (occupant := occupants.get(position.label)) else None,
            }
            for position in (build.position if build else ())
        },
    }


def name_finding(finding: Finding) -> dict[str, Any]:
    """Give a finding as the audit has it, and what it is about under the name that stays."""
    return finding.as_json() | {"about": finding.identity[1]}


def read_cases(document: Any) -> StandingFindings:  # noqa: ANN401 (parsed JSON)
    """Read what `cases_as_json` made; a newer daemon's further keys are passed over.

    Raises:
        ValueError: It is no such document.
    """
    try:
        return StandingFindings(
            box=str(document["box"]),
            age_seconds=float(document["age_seconds"]),
            findings=tuple(read_finding(finding) for case in document["cases"] for finding in case["findings"]),
            positions={
                str(label): PositionFacts(slot=position["slot"] or "", serial=position["serial"] or "")
                for label, position in document["positions"].items()
            },
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not the cases of a box: {type(error).__name__} {error}") from error


def read_finding(report: Any) -> Finding:  # noqa: ANN401 (parsed JSON)
    """Read a finding as `name_finding` made it.

    Raises:
        ValueError, KeyError, TypeError: It is none.
    """
    return Finding(
        rule=report["rule"],
        kind=Kind(report["kind"]),
        severity=Severity(report["severity"]),
        position=report["position"],
        subject=report["subject"],
        summary=report["summary"],
        declared=report["declared"],
        observed=report["observed"],
        key=report["about"],
        evidence=report["evidence"],
        causes=tuple(
            Cause(cause=cause["cause"], probability=cause["probability"], because=tuple(cause["because"]))
            for cause in report["causes"]
        ),
        next_steps=tuple(report["next_steps"]),
        since=None if report["since"] is None else datetime.fromisoformat(report["since"]).timestamp(),
    )
