"""The wordings that the simulator writes are understood as what they stand for, whichever kernel says them."""

import pytest

from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.reading import kernel_events
from simulation.kernel_words import HARMLESS, KernelLog, Line, Words

ADDRESS, PORT = "0000:03:00.0", "0000:00:01.1"
VERSIONS = ((5, 10), (5, 15), (6, 1), (6, 6), (6, 8), (6, 12))


def kinds_of(lines: list[Line]) -> list[tuple[str, str | None]]:
    log = KernelLog()
    log.write(lines, up=12.5)
    return [(timed.event.kind, timed.event.device) for timed in kernel_events(log.take())]


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("by_address", [False, True])
def test_a_lost_controller_is_understood(version: tuple[int, int], *, by_address: bool) -> None:
    words = Words(version=version, by_address=by_address)
    who = ADDRESS if by_address else "nvme1"
    assert kinds_of(words.controller_down(1, ADDRESS)) == [(EventKind.CONTROLLER_DOWN, who)]
    assert kinds_of(words.timed_out(1, ADDRESS, queue=2, tag=7, action="reset controller")) == [
        (EventKind.IO_TIMEOUT, who)
    ]
    assert (EventKind.DEVICE_REMOVED, who) in kinds_of(words.given_up(1, ADDRESS, silent=True))
    assert kinds_of(words.came_back(1, ADDRESS, fresh=True)) == []


@pytest.mark.parametrize("version", VERSIONS)
def test_a_corrected_error_is_one_report_of_its_source(version: tuple[int, int]) -> None:
    lines = Words(version=version).corrected(
        port=PORT, source=ADDRESS, driver="nvme", name="BadTLP", ids="fff3:4000", many=False
    )
    assert kinds_of(lines) == [(EventKind.AER_CORRECTABLE, ADDRESS)]


@pytest.mark.parametrize("version", VERSIONS)
def test_lost_data_is_reported_of_the_disk(version: tuple[int, int]) -> None:
    found = kinds_of(Words(version=version).bad_medium(1, sector=4711))
    assert set(found) == {(EventKind.MEDIA_ERROR, "nvme1n1")}


def test_a_slot_tells_that_its_link_went_and_came() -> None:
    words = Words()
    assert (EventKind.LINK_DOWN, PORT) in kinds_of(words.slot(PORT, 4, "Link Down", "Card not present"))
    assert (EventKind.LINK_UP, PORT) in kinds_of(words.slot(PORT, 4, "Card present", "Link Up"))


def test_what_any_box_says_means_nothing() -> None:
    assert kinds_of([Line(text, 6) for text in HARMLESS]) == []


def test_what_a_program_wrote_is_not_the_kernel() -> None:
    lines = Words().controller_down(0, ADDRESS)
    assert kinds_of([Line(line.text, level=12) for line in lines]) == []
