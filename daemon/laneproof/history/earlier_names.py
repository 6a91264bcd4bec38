"""From version 1 to version 2: what was kept under earlier names gets today's, so that no finding is raised twice.

Rules of this module: it belongs to one released version and is not changed any more. A row that cannot be read is left
as it is.
"""

import json
import sqlite3
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from laneproof.history.compressed_json import pack, unpack

_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "aggregate-incomplete": "bond-incomplete",
        "link-above-plan": "link-above-limit",
        "network-link-unsteady": "network-link-flapping",
        "slow-against-siblings": "drive-fail-slow",
        "split-not-active": "bifurcation-not-active",
        "trains-short-on-some-boots": "link-degraded-on-some-boots",
        "wear-ahead": "endurance-ending",
        "aggregate": "bond",
        "aggregates": "bonds",
    }
)
"""Rules, and the words that stood as a key, a subject or a reason of a finding."""

_CAUSES: Mapping[str, str] = MappingProxyType({"overheating": "heat"})
"""Apart from the names, for there is a rule called overheating as well, and it keeps its name."""

_OLD_KIND, _NEW_KIND = "outcome", "confirmed"


def rename_kept(connection: sqlite3.Connection) -> None:
    """Give everything that is kept today's names."""
    for number, text in connection.execute("SELECT id, finding FROM findings").fetchall():
        if (finding := _rename_finding(text)) is not None:
            subject = finding["position"] or finding["key"] or finding["subject"]  # its identity, beside the rule
            connection.execute(
                "UPDATE findings SET rule = ?, subject = ?, finding = ? WHERE id = ?",
                (finding["rule"], subject, _dump(finding), number),
            )
    for number, text in connection.execute("SELECT id, content FROM changes").fetchall():
        if (finding := _rename_finding(text)) is not None:
            connection.execute("UPDATE changes SET content = ? WHERE id = ?", (_dump(finding), number))
    for number, packed in connection.execute("SELECT id, content FROM inventories").fetchall():
        if (inventory := _rename_inventory(packed)) is not None:
            connection.execute("UPDATE inventories SET content = ? WHERE id = ?", (inventory, number))
    asked = "SELECT id, kind, text, detail FROM notes WHERE kind = ?"
    for number, kind, text, detail in connection.execute(asked, (_OLD_KIND,)).fetchall():
        if (content := _parse_detail(detail)) is not None:
            *named, content = rename_note(kind, text, content)
            row = (*named, json.dumps(content), number)
            connection.execute("UPDATE notes SET kind = ?, text = ?, detail = ? WHERE id = ?", row)


def _rename_finding(text: str) -> dict[str, Any] | None:
    """Give a finding's JSON with today's names; None where it cannot be read."""
    try:
        kept = json.loads(text)
        finding = _rename(kept) | {"position": kept.get("position")}  # a label is the owner's own word
        for cause in finding["causes"]:
            cause["cause"] = _CAUSES.get(cause["cause"], cause["cause"])
        return {"position": None, "key": "", "subject": "", **finding} if finding["rule"] else None
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _rename(value: Any) -> Any:  # noqa: ANN401 (any JSON value)
    match value:
        case str():
            return _NAMES.get(value, value)
        case list():
            return [_rename(part) for part in value]
        case dict():
            return {_NAMES.get(key, key): _rename(each) for key, each in value.items()}
    return value


def _rename_inventory(packed: bytes) -> bytes | None:
    try:
        content = unpack(packed)
        for keys in (content, content.get("unread") or {}):
            if "aggregates" in keys:
                keys["bonds"] = keys.pop("aggregates")
        return pack(content)
    except (ValueError, AttributeError, TypeError):
        return None


def rename_note(kind: str, text: str, detail: Mapping[str, Any]) -> tuple[str, str, dict[str, Any]]:
    """Give a note's kind, words and detail with today's names."""
    content = dict(detail)
    if kind != _OLD_KIND:
        return kind, text, content
    cause = content.get("cause")
    if isinstance(cause, str) and cause in _CAUSES:
        content["cause"] = _CAUSES[cause]
        text = f"{text.removesuffix(cause)}{_CAUSES[cause]}" if text.endswith(cause) else text
    return _NEW_KIND, text, content


def _parse_detail(text: str | None) -> dict[str, Any] | None:
    try:
        content = json.loads(text or "{}")
    except ValueError:
        return None
    return content if isinstance(content, dict) else None


def _dump(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))
