"""The schemas of what is answered below ``/api/v1``, and the OpenAPI document that is made of them.

Source: OpenAPI Specification 3.1.0, whose schemas are JSON Schema 2020-12.
"""

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, Field
from pydantic.json_schema import models_json_schema

from laneproof import __version__
from laneproof.box.inventory.inventory import KeptPosition
from laneproof.findings import FindingChange, format_time
from laneproof.outputs.audit_json import RFC_3339, AuditReport, Strict
from laneproof.outputs.cases_json import CasesReport, NamedFinding, name_finding

ROOT, POSITIONS = "/api/v1/", "positions/"
MOST_CHANGES = 1000
"""How many changes are given at once."""


class ErrorReport(Strict):
    """Why there is no document."""

    error: str


class ChangeReport(Strict):
    """What became of one finding."""

    t: float = Field(description="unix seconds")
    at: str = Field(pattern=RFC_3339)
    change: Literal["raised", "changed", "cleared"]
    finding: NamedFinding


class ChangesReport(Strict):
    """Changes of findings, the newest first."""

    complete: bool = Field(description="false where older ones since then were left out")
    changes: list[ChangeReport]


class EpisodeReport(Strict):
    """One disconnect or reset."""

    t: float = Field(description="when it began, unix seconds")
    time: str = Field(pattern=RFC_3339)
    kind: Literal["episode"]
    position: str | None
    path: str | None
    drive: str | None = Field(description="its serial number")
    device: str | None
    text: str
    count: int
    last_t: float
    boot_id: str | None
    detail: dict[str, Any] = Field(description="what held before, as far as it is known")


class EpisodesReport(Strict):
    """Disconnects and resets, the oldest first."""

    schema_version: Literal[1] = Field(alias="schema")
    since: str | None = Field(pattern=RFC_3339)
    episodes: list[EpisodeReport]


class ChartReport(Strict):
    """One counter or reading in columns; a column in which nothing was read is null."""

    about: str | None
    end: str | None
    name: str
    unit: str | None
    counter: bool
    last: float | None
    low: float | None
    high: float | None
    gained: float | None
    columns: list[dict[str, float | None] | None]


class PositionReport(Strict):
    """A position, drive or part: as it is now, what stands of it, and how it went."""

    schema_version: Literal[1] = Field(alias="schema")
    subject: str
    path: str
    drive: str | None
    now: KeptPosition | None = Field(description="as the audit's inventory has it")
    findings: list[NamedFinding]
    since: str = Field(pattern=RFC_3339)
    until: str = Field(pattern=RFC_3339)
    column_seconds: float
    charts: list[ChartReport]
    series: list[dict[str, Any]]


_DOCUMENTS: Mapping[str, tuple[type[BaseModel], str, tuple[int, ...]]] = {
    "audit": (AuditReport, "The audit of the last pass, with since when each finding stands.", (503,)),
    "cases": (CasesReport, "What stands, findings that share a cause together.", (503,)),
    "changes": (ChangesReport, "What became of findings: the latest fifty, or all since a time.", (400, 503)),
    "episodes": (EpisodesReport, "Disconnects and resets of drives.", (400, 503)),
    f"{POSITIONS}{{name}}": (PositionReport, "One position with its history.", (400, 404, 503)),
}
_SINCE = {
    "name": "since",
    "in": "query",
    "description": "from this time on (RFC 3339)",
    "schema": {"type": "string", "format": "date-time"},
}
_NAME = {
    "name": "name",
    "in": "path",
    "required": True,
    "description": "a label, a path, a serial number, or what the kernel calls the device",
    "schema": {"type": "string"},
}


def change_as_json(change: FindingChange) -> dict[str, Any]:
    """Give one change as `ChangeReport` describes it."""
    finding = name_finding(change.finding)
    return {"t": change.at, "at": format_time(change.at), "change": str(change.change), "finding": finding}


def make_openapi() -> dict[str, Any]:
    """Make the OpenAPI document."""
    models: list[type[BaseModel]] = [ErrorReport, *(model for model, _, _ in _DOCUMENTS.values())]
    names, schemas = models_json_schema(
        [(model, "serialization") for model in models], by_alias=True, ref_template="#/components/schemas/{model}"
    )
    references = {model: names[model, "serialization"] for model in models}

    def reply(description: str, model: type[BaseModel]) -> dict[str, Any]:
        return {"description": description, "content": {"application/json": {"schema": references[model]}}}

    paths: dict[str, Any] = {}
    for name, (model, says, refusals) in _DOCUMENTS.items():
        parameters = [_NAME] if "{name}" in name else []
        replies = {str(status): reply("Why not.", ErrorReport) for status in refusals}
        paths[ROOT + name] = {
            "get": {
                "summary": says,
                "parameters": [*parameters, *([_SINCE] if 400 in refusals else [])],  # noqa: PLR2004 (what can be wrong with it)
                "responses": {"200": reply(says, model), **replies},
            }
        }
    return {
        "openapi": "3.1.0",
        "info": {"title": "laneproof", "version": __version__, "description": "Reads only; nothing can be changed."},
        "paths": paths,
        "components": {"schemas": schemas["$defs"]},
    }
