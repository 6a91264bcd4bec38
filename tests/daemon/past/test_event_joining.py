"""One disconnect is one episode, however many lines it wrote; what merely goes along with one does not begin one."""

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.evidence.episode_patterns import merge_into_episodes
from laneproof.past.event_joining import REMOVED, PositionEvent, from_device, from_kernel, join_events, path_of
from laneproof_collectors.hotplug import parse_uevent
from laneproof_collectors.kernel_log.classification import classify
from support.unread_answers import known

HERE, THERE = "0000:00/01.1", "0000:00/01.2"
POSITIONS = {"nvme0": HERE, "0000:01:00.0": HERE, "0000:00:01.1": HERE, "nvme1": THERE, "0000:02:00.0": THERE}
DAY = 86400.0


def said(t: float, message: str, lines: int = 1) -> PositionEvent:
    event = classify(message)
    assert event is not None, message
    return known(from_kernel(event, t=t, paths=POSITIONS, lines=lines))


def device(t: float, action: str, devpath: str, subsystem: str = "pci") -> PositionEvent:
    event = known(parse_uevent({"ACTION": action, "DEVPATH": devpath, "SUBSYSTEM": subsystem}))
    return known(from_device(event, t=t, paths=POSITIONS))


def loss(t: float, path: str = HERE) -> PositionEvent:
    return PositionEvent(t=t, path=path, device="nvme0", kind="device_removed", opens=True, dropped=True)


FUNCTION = "/devices/pci0000:00/0000:00:01.1/0000:01:00.0"

# A drive that leaves the bus under load: the lines that kernel 6.12 prints, with the device events between them.
BURST = [
    said(970.0, "nvme nvme0: I/O tag 5 (1005) opcode 0x2 (Read) QID 3 timeout, aborting req_op:READ(0) size:4096"),
    said(1000.0, "nvme nvme0: I/O tag 5 (1005) opcode 0x2 (Read) QID 3 timeout, reset controller"),
    said(1000.1, "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"),
    said(1000.2, "nvme 0000:01:00.0: Unable to change power state from D3cold to D0, device inaccessible"),
    said(1000.3, "nvme nvme0: Disabling device after reset failure: -19"),
    said(1000.4, "I/O error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2"),
    said(1000.4, "Buffer I/O error on dev nvme0n1p1, logical block 1, async page read"),
    said(1001.0, "pcieport 0000:00:01.1: pciehp: Slot(1): Link Down"),
    said(1001.0, "pcieport 0000:00:01.1: pciehp: Slot(1): Card not present"),
    device(1001.2, "remove", FUNCTION + "/nvme/nvme0", "nvme"),
    device(1001.3, "remove", FUNCTION),
]


def test_a_disconnect_is_one_episode_however_many_lines_it_wrote() -> None:
    (episode,) = join_events(BURST)
    assert episode.path == HERE
    assert episode.devices == ("0000:00:01.1", "0000:01:00.0", "nvme0", "nvme0n1", "nvme0n1p1")
    assert (episode.started, episode.dropped_at, episode.ended) == (970.0, 1000.0, 1001.3)
    assert episode.lines == len(BURST)
    assert episode.dropped
    assert episode.config_space_gone is True
    assert not episode.asked
    assert {"controller_down", "device_removed", "io_error", "io_timeout", "link_down", REMOVED} == set(episode.kinds)


def test_events_in_any_order_give_the_same_episodes() -> None:
    events = [*BURST, loss(1000.0 + DAY), loss(1002.0, THERE)]
    shuffled = random.Random(1).sample(events, len(events))
    assert join_events(shuffled) == join_events(events)


def test_the_worked_example_of_merging_gives_three_episodes() -> None:
    # Times in days from the table of tests for disconnects: 10, 10.02, 10.05, 40.1, 40.12 and 71.3 are three episodes.
    days = (10.0, 10.02, 10.05, 40.1, 40.12, 71.3)
    found = join_events([loss(day * DAY) for day in days])
    assert [episode.dropped_at for episode in found] == [10.0 * DAY, 40.1 * DAY, 71.3 * DAY]


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=30))
def test_episodes_begin_when_the_statistics_say(times: list[float]) -> None:
    assert tuple(episode.dropped_at for episode in join_events([loss(t) for t in times])) == merge_into_episodes(times)


@pytest.mark.parametrize(("gap", "count"), [(3599.9, 1), (3600.0, 2)])
def test_an_hour_parts_two_episodes(gap: float, count: int) -> None:
    assert len(join_events([loss(0.0), loss(gap)])) == count


@pytest.mark.parametrize(
    "message",
    [
        "nvme nvme0: I/O 5 QID 3 timeout, aborting",
        "nvme nvme0: I/O 5 QID 3 timeout, completion polled",
        "I/O error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0",
        "critical medium error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0",
        "pcieport 0000:00:01.1: AER: Correctable error message received from 0000:01:00.0",
        "pcieport 0000:00:01.1: pciehp: Slot(1): Card present",
    ],
)
def test_what_goes_along_with_a_disconnect_begins_none(message: str) -> None:
    assert join_events([said(1000.0, message)]) == ()


def test_what_happened_well_before_or_at_another_position_does_not_belong() -> None:
    early = said(600.0, "nvme nvme0: I/O 5 QID 3 timeout, aborting")
    elsewhere = said(1000.0, "I/O error, dev nvme1n1, sector 8 op 0x0:(READ) flags 0x0")
    assert join_events([early, elsewhere, *BURST]) == join_events(BURST)


def test_a_reset_on_the_bus_is_not_a_disconnect() -> None:
    reset = join_events(
        [
            said(1000.0, "nvme nvme0: I/O 5 QID 3 timeout, reset controller"),
            said(1001.0, "nvme nvme0: Device not ready; aborting reset, CSTS=0x1"),
        ]
    )
    silent = join_events([said(1000.0, "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10")])
    assert [episode.dropped for episode in reset] == [False]
    assert [episode.config_space_gone for episode in reset] == [None]
    assert [episode.dropped for episode in silent] == [True]
    assert [episode.config_space_gone for episode in silent] == [False]


def out(t: float, *, is_log_whole: bool = True) -> PositionEvent:
    return replace(device(t, "remove", FUNCTION), is_log_whole=is_log_whole)


def back(t: float) -> PositionEvent:
    return device(t, "add", FUNCTION)


LET_GO = device(900.0, "remove", FUNCTION + "/nvme/nvme0", "nvme")


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([LET_GO, out(900.1), back(960.0)], [(True, 900.0, 960.0)]),
        # without the log nobody knows whether a removal was in good order
        ([out(1000.0), back(1060.0), out(DAY, is_log_whole=False)], [(True, 1000.0, 1060.0), (False, DAY, DAY)]),
        # a failure after a removal in good order, and the other way round, are two where the device was back between
        ([out(700.0), back(760.0), *BURST], [(True, 700.0, 760.0), (False, 1000.0, 1001.3)]),
        ([*BURST, back(1060.0), out(1090.0), back(1200.0)], [(False, 1000.0, 1060.0), (True, 1090.0, 1200.0)]),
        ([LET_GO, *BURST], [(False, 900.0, 1001.3)]),
        # each removal in good order is one, however close
        (
            [event for n in range(4) for event in (out(1000.0 + 60.0 * n), back(1020.0 + 60.0 * n))],
            [(True, 1000.0 + 60.0 * n, 1020.0 + 60.0 * n) for n in range(4)],
        ),
    ],
)
def test_removals_in_good_order_stand_apart_from_failures(
    events: list[PositionEvent], expected: list[tuple[bool, float, float]]
) -> None:
    found = join_events(events)
    assert [(episode.asked, episode.dropped_at, episode.ended) for episode in found] == expected
    assert all(episode.dropped for episode in found)


def test_several_drives_within_seconds_are_together() -> None:
    found = join_events([loss(0.0), loss(4.0, THERE), loss(4.5, "0000:00/01.3"), loss(DAY), loss(DAY + 6.0, THERE)])
    assert [episode.together for episode in found] == [
        (THERE, "0000:00/01.3"),
        (HERE, "0000:00/01.3"),
        (HERE, THERE),
        (),
        (),
    ]


def test_lines_that_stand_for_several_count_as_such() -> None:
    (episode,) = join_events(
        [
            said(10.0, "pcieport 0000:00:01.1: DPC: containment event, status:0x1f01 source:0x0000", lines=2),
            said(10.0, "pcieport 0000:00:01.1: AER: Uncorrected (Fatal) error received: 0000:01:00.0", lines=4),
        ]
    )
    assert episode.lines == 6


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("nvme0", HERE),
        ("nvme0n1", HERE),
        ("nvme0n1p2", HERE),
        ("nvme1n12", THERE),
        ("0000:02:00.0", THERE),
        ("nvme7n1", "nvme7n1"),
        ("md0", "md0"),
        ("0000:09:00.0", "0000:09:00.0"),
    ],
)
def test_a_name_in_the_log_leads_to_its_position(name: str, path: str) -> None:
    assert path_of(name, POSITIONS) == path


def test_sata_names_lead_to_their_positions_too() -> None:
    paths = {"sda": "0000:00/17.0/ata-3", "ata3": "0000:00/17.0/ata-3"}
    assert [path_of(name, paths) for name in ("sda2", "ata3.00", "sdb1")] == [*paths.values(), "sdb1"]


def test_a_message_about_nobody_has_no_position() -> None:
    event = known(classify("md: super_written gets error=-5"))
    assert from_kernel(event, t=0.0, paths=POSITIONS) is None


@pytest.mark.parametrize(
    ("action", "devpath", "subsystem"),
    [
        ("change", FUNCTION, "pci"),
        ("remove", FUNCTION + "/nvme/nvme0/nvme0n1", "block"),
        ("remove", "/devices/virtual/nvme-subsystem/nvme-subsys0", "nvme"),
    ],
)
def test_other_device_events_are_no_disconnect(action: str, devpath: str, subsystem: str) -> None:
    event = known(parse_uevent({"ACTION": action, "DEVPATH": devpath, "SUBSYSTEM": subsystem}))
    assert from_device(event, t=0.0, paths=POSITIONS) is None
