"""The owner's words: what they are about."""

import pytest

from laneproof.past.notes import parse_note


@pytest.mark.parametrize(
    ("text", "what", "to"),
    [
        ("moved drive to riser-2", "moved", "riser-2"),
        ("swapped with riser-3", "moved", "riser-3"),
        ("put a shorter cable in", "adapter", None),
        ("shorter cable", "adapter", None),
        ("reseated the adapter", "adapter", None),
        ("capped at generation 3", "cap", None),
        ("limited to Gen3 in setup", "cap", None),
        ("ASPM off in setup", "idle-states", None),
        ("new fan", "cooling", None),
        ("dust cleaned out", "cooling", None),
        ("took the drive home", "taken-out", None),
        ("put back in", "taken-out", None),
        ("pulled the cable", "adapter", None),
        ("the lights flickered", "other", None),
    ],
)
def test_note(text: str, what: str, to: str | None) -> None:
    note = parse_note(text, at=1.0, position="riser-1", labels=("riser-1", "riser-2", "riser-3"))
    assert (note.what, note.to, note.text) == (what, to, text)


def test_a_label_is_found_only_as_a_whole_word() -> None:
    labels = ("riser-1", "riser-11")
    assert parse_note("moved to riser-11", at=0.0, position=None, labels=labels).to == "riser-11"
    assert parse_note("moved to xriser-1", at=0.0, position=None, labels=labels).to is None
