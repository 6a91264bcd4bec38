"""What the owner wrote: notes about a position, and confirmed causes."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something that the owner did or saw."""

    at: float  # when, unix seconds
    position: str | None  # the position's label, None for the whole box
    text: str
    what: str = "other"  # moved, adapter, cap, idle-states, cooling, taken-out or other; what the words came to
    to: str | None = None  # the other position that the words name, where they do


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmedCause:
    """Trouble whose cause the owner confirmed."""

    at: float  # when the owner said so, unix seconds
    episode: int | None  # the episode's number; None where it is about what else a position showed
    cause: str
    evidence: Mapping[str, bool | None] = field(default_factory=dict)  # the features as they were known, by name


AFTER_RUN_SECONDS = 60.0
"""What is read so soon after an acceptance run still counts its last errors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofNote:
    """An acceptance run: that it began, or what it showed."""

    at: float  # when it began, or ended, unix seconds
    until: float | None = None  # when it will have ended at the latest; None once it has ended
    # by position's path, the drive's serial number, and what was seen or looked for and absent
    features: Mapping[str, tuple[str, Mapping[str, bool]]] = field(default_factory=dict)


_KINDS = (
    ("moved", r"\b(?:moved|swapped|exchanged|changed places)\b.*\b(?:to|into|with|in)\b"),
    ("adapter", r"\b(?:adapter|adaptor|cable|ribbon|riser|carrier|shield|reseated|split card|socket)\b"),
    ("cap", r"\b(?:cap|capped|limit|limited|gen ?[1-6]|generation [1-6])\b"),
    ("idle-states", r"\b(?:aspm|apst|idle states?|power saving|latency)\b"),
    ("cooling", r"\b(?:fan|heat ?sink|cool\w*|dust|air ?flow|thermal pad)\b"),
    ("taken-out", r"\b(?:took|taken|pulled|removed|unplugged|plugged|inserted|put back|back in)\b"),
)


def parse_note(text: str, *, at: float, position: str | None, labels: tuple[str, ...] = ()) -> Note:
    """Find out what a note is about, and which other label its words name; what says nothing known is ``other``."""
    lowered = text.casefold()
    what = next((kind for kind, pattern in _KINDS if re.search(pattern, lowered)), "other")
    named = [
        label
        for label in labels
        if label != position and re.search(rf"(?<![\w-]){re.escape(label.casefold())}(?![\w-])", lowered)
    ]
    return Note(at=at, position=position, text=text, what=what, to=max(named, key=len, default=None))
