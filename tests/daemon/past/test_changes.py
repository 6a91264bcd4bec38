"""What changed, with when: of the machine, of its drives, and of the declaration."""

import pytest

from boxes.simulated_past import DAY, PATHS, Story
from boxes.snapshot_box import Box, declare
from laneproof.declaration.build import Build
from laneproof.past.changes import ChangeBook, changes_of_notes, paths_moved
from laneproof.past.ledger import Ledger
from laneproof.past.notes import Note
from laneproof_collectors.snapshot import AutonomousTransitions

PATH = PATHS[0]
ON = AutonomousTransitions(enabled=True, transitions={0: (3, 500)})


def box(*, serial: str = "FN1", firmware: str = "2.1", target: int | None = None, idle: bool = False) -> Box:
    controller = {"autonomous_transitions": ON} if idle else {}
    made = Box().with_port(PATH, target=target)
    return made.with_drive(PATH, serial=serial, firmware=firmware, controller=controller)


def changed(story: Story) -> list[tuple[str, str, str]]:
    return [(change.what, change.before, change.after) for change in story.ledger.changes.changes]


def test_the_first_pass_changes_nothing() -> None:
    assert changed(Story().observe(box())) == []


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (box(), box(firmware="2.2"), ("drive-firmware", "2.1", "2.2")),
        (box(), box(serial="FN2"), ("occupant", "FN1", "FN2")),
        (box(), box(target=3), ("link-cap", "16 GT/s (generation 4)", "8 GT/s (generation 3)")),
        (box(idle=True), box(), ("idle-states", "on", "off")),
        (box(), box().with_firmware(kernel_release="6.13.0"), ("kernel", "6.12.9-station", "6.13.0")),
        (
            box(),
            box().with_firmware(bios_version="1.50"),
            ("bios", "1.40 of 03/14/2026", "1.50 of 03/14/2026"),
        ),
    ],
)
def test_what_changes_is_kept(before: Box, after: Box, expected: tuple[str, str, str]) -> None:
    story = Story().observe(before).restart(after=DAY).observe(after, after=60)
    assert expected in changed(story)
    assert story.ledger.changes.changes[-1].at == pytest.approx(story.now)


def test_a_drive_that_moves_is_shown_with_both_positions() -> None:
    story = (
        Story().observe(box()).restart().observe(Box().with_port(PATHS[1]).with_drive(PATHS[1], serial="FN1"), after=60)
    )
    assert ("moved", PATH, PATHS[1]) in changed(story)


def plan(through: str, generation: int = 4) -> Build:
    return declare(
        f'[[position]]\nlabel = "a"\npath = "{PATH}"\nthrough = [{through}]\nlink = {{ generation = {generation} }}'
    )


def test_the_declarations_parts_and_limits_are_followed() -> None:
    ledger = Ledger()
    first = box().snapshot()
    ledger.update(first, build=plan('"flexible-cable"'))
    ledger.update(first, build=plan('{ kind = "flexible-cable", id = "blue 15 cm" }', generation=3))
    found = [(change.what, change.before, change.after) for change in ledger.changes.changes]
    assert ("parts", "flexible-cable", "flexible-cable blue 15 cm") in found
    assert ("link-cap", "generation 4", "generation 3") in found


def test_what_the_owner_wrote_is_a_change_or_tells_which_positions_begin_again() -> None:
    paths = {"a": PATHS[0], "b": PATHS[1]}
    build = declare("".join(f'[[position]]\nlabel = "{label}"\npath = "{path}"\n' for label, path in paths.items()))
    notes = [
        Note(at=0.0, position=position, text=what, what=what, to=to)
        for position, what, to in (
            ("a", "adapter", None), ("b", "cooling", None), (None, "cooling", None), ("z", "adapter", None),
            ("a", "moved", "b"), ("b", "taken-out", None), ("a", "other", "b"),
        )
    ]  # fmt: skip
    found = list(changes_of_notes(notes, build, at=5.0))
    assert [(change.at, change.what, change.path) for change in found] == [
        (5.0, "parts", PATHS[0]), (5.0, "cooling", PATHS[1]),
    ]  # fmt: skip
    assert found[0].describe() == "your note: adapter"
    assert list(paths_moved(notes, build)) == [PATHS[0], PATHS[1], PATHS[1]]
    assert list(changes_of_notes(notes, None, at=5.0)) == list(paths_moved(notes, None)) == []


def test_those_near_a_moment_are_found() -> None:
    book = ChangeBook()
    for at, value in ((0.0, "a"), (5 * DAY, "b"), (20 * DAY, "c")):
        book.note("kernel", value, at=at)
    book.note("drive-firmware", "1", at=0.0, serial="FN1")
    book.note("drive-firmware", "2", at=6 * DAY, serial="FN1")
    near = list(book.near(7 * DAY, path=PATH, serial="FN1", before=7 * DAY, after=DAY))
    assert [change.describe() for change in near] == [
        "the kernel changed from a to b", "the drive's firmware changed from 1 to 2",
    ]  # fmt: skip
    assert not list(book.near(22 * DAY, path=None, serial=None, before=DAY, after=DAY))
    assert [change.after for change in book.near(20 * DAY, path=None, serial=None, before=0.0, after=0.0)] == ["c"]
    other = book.near(7 * DAY, path=PATH, serial="FN2", before=7 * DAY, after=DAY)
    assert [change.after for change in other] == ["b"]


def test_what_is_not_known_is_no_change() -> None:
    book = ChangeBook()
    book.note("kernel", "a", at=0.0)
    assert book.note("kernel", None, at=1.0) is None
    assert book.note("kernel", "a", at=2.0) is None
    assert [book.note("kernel", "b", at=3.0)] == book.changes


def test_old_changes_are_forgotten() -> None:
    book = ChangeBook()
    for number in range(400):
        book.note("kernel", str(number), at=float(number))
    assert len(book.changes) == 300
