"""What the owner wrote."""

from dataclasses import replace

from laneproof.history.notes import KeptNote
from laneproof.history.store import Store


def test_notes_come_back_as_left_oldest_first() -> None:
    store = Store.open(":memory:")
    late = KeptNote(t=200.0, kind="confirmed", text="signal-path", detail={"episode": 4}, drive="FN0001")
    early = KeptNote(t=100.0, kind="note", text="moved drive to riser-2", path="0000:00/01.1")
    store.add_note(late)
    store.add_note(early)
    assert store.read_notes() == (early, late)
    assert store.read_notes(since=150.0) == (late,)
    store.close()


def test_a_note_that_is_read_again_is_kept_once() -> None:
    store = Store.open(":memory:")
    note = KeptNote(t=1.0, kind="note", text="new cable", path="0000:00/01.1")
    assert [store.add_note(note), store.add_note(note)] == [True, False]
    assert store.add_note(replace(note, text="new fan"))
    assert [note.text for note in store.read_notes()] == ["new cable", "new fan"]
