"""Findings with their whole life: raised, changed, cleared; and those that stand.

Rules of this module: a finding is kept whole, so that a restarted daemon goes on with the same one; one that stands and
was raised once is not raised again because a daemon forgot it.
"""

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from laneproof.findings import Cause, Change, Finding, FindingChange, Kind, Severity
from laneproof.history.batch import Batch

Identity = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLife:
    """One finding from beginning to end."""

    finding: Finding
    raised_at: float  # unix seconds
    cleared_at: float | None  # unix seconds; None while it stands


def dump_finding(finding: Finding) -> str:
    """Write a finding as text that `parse_finding` reads back whole."""
    content = finding.as_json() | {
        "key": finding.key,
        "since": finding.since,
        "causes": [
            {"cause": cause.cause, "probability": cause.probability, "because": list(cause.because)}
            for cause in finding.causes
        ],
    }
    return json.dumps(content, separators=(",", ":"), default=str)


def parse_finding(text: str) -> Finding:
    """Read what `dump_finding` wrote.

    Raises:
        ValueError: It is no finding.
    """
    try:
        content: dict[str, Any] = json.loads(text)
        causes = tuple(
            Cause(cause=cause["cause"], probability=cause["probability"], because=tuple(cause["because"]))
            for cause in content.pop("causes")
        )
        return Finding(
            **content
            | {
                "kind": Kind(content["kind"]),
                "severity": Severity(content["severity"]),
                "next_steps": tuple(content["next_steps"]),
                "causes": causes,
            }
        )
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise ValueError(f"not a finding ({error}): {text!r:.60}") from error


class FindingWriter:
    """Writes down what becomes of findings."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Begin with those that stand."""
        asked = "SELECT rule, subject, id FROM findings WHERE cleared_at IS NULL"
        self._standing: dict[Identity, int] = {
            (rule, subject): number for rule, subject, number in connection.execute(asked)
        }
        self._reconciled = False

    def write(
        self, findings: Iterable[Finding], changes: Iterable[FindingChange], boot: int, t: float, to: Batch
    ) -> None:
        """Keep what changed in one pass; with the first one, all findings that stand."""
        for change in changes:
            self._write_change(change, boot, to)
        if not self._reconciled:
            self._reconcile({finding.identity: finding for finding in findings}, boot, t, to)
            self._reconciled = True

    def reconcile(self) -> None:
        """Compare what is kept with the findings of the next pass, since passes were left out."""
        self._reconciled = False

    def _write_change(self, change: FindingChange, boot: int, to: Batch) -> None:
        finding = change.finding
        number = self._standing.get(finding.identity)
        text = dump_finding(finding)
        if number is None:
            if change.change is Change.CLEARED:
                return  # nobody here ever raised it
            number = self._standing[finding.identity] = to.next_number("findings")
            raised_at = change.at if finding.since is None else finding.since
            row = (number, *finding.identity, raised_at, text)
            to.add("INSERT INTO findings (id, rule, subject, raised_at, finding) VALUES (?, ?, ?, ?, ?)", row)
        elif change.change is Change.CLEARED:
            del self._standing[finding.identity]
            to.add("UPDATE findings SET cleared_at = ?, finding = ? WHERE id = ?", (change.at, text, number))
        else:
            to.add("UPDATE findings SET finding = ? WHERE id = ?", (text, number))
        changed = (to.next_number("changes"), number, change.at, boot, str(change.change), text)
        to.add("INSERT INTO changes (id, finding, t, boot, change, content) VALUES (?, ?, ?, ?, ?, ?)", changed)

    def _reconcile(self, standing: Mapping[Identity, Finding], boot: int, t: float, to: Batch) -> None:
        """Take over what the engine says stands, once after a start, whatever stood here before."""
        for identity in self._standing.keys() - standing.keys():
            number = self._standing.pop(identity)
            to.add("UPDATE findings SET cleared_at = ? WHERE id = ?", (t, number))
            row = (to.next_number("changes"), number, t, boot, str(Change.CLEARED), number)
            to.add(
                "INSERT INTO changes (id, finding, t, boot, change, content)"
                " SELECT ?, ?, ?, ?, ?, finding FROM findings WHERE id = ?",
                row,
            )
        for identity in standing.keys() - self._standing.keys():
            finding = standing[identity]
            since = t if finding.since is None else finding.since
            self._write_change(FindingChange(at=since, change=Change.RAISED, finding=finding), boot, to)


def load_standing(connection: sqlite3.Connection) -> tuple[Finding, ...]:
    """Give the findings that stand, oldest first; what cannot be read any more is left out."""
    asked = "SELECT finding FROM findings WHERE cleared_at IS NULL ORDER BY id"
    return tuple(finding for (text,) in connection.execute(asked) if (finding := _parse_or_none(text)) is not None)


def read_finding_changes(
    connection: sqlite3.Connection, *, since: float | None = None, until: float | None = None
) -> tuple[FindingChange, ...]:
    """Read what became of findings between two times, oldest first."""
    asked = "SELECT t, change, content FROM changes WHERE t >= ? AND t <= ? ORDER BY id"
    rows = connection.execute(asked, (-1e18 if since is None else since, 1e18 if until is None else until))
    return tuple(
        FindingChange(at=t, change=Change(change), finding=finding)
        for t, change, text in rows
        if (finding := _parse_or_none(text)) is not None
    )


def read_finding_lives(connection: sqlite3.Connection) -> tuple[FindingLife, ...]:
    """Read all findings that stand or stood, oldest first."""
    rows = connection.execute("SELECT raised_at, cleared_at, finding FROM findings ORDER BY id")
    return tuple(
        FindingLife(finding=finding, raised_at=raised, cleared_at=cleared)
        for raised, cleared, text in rows
        if (finding := _parse_or_none(text)) is not None
    )


def _parse_or_none(text: str) -> Finding | None:
    try:
        return parse_finding(text)
    except ValueError:
        return None
