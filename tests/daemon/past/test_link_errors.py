"""Errors of links: which counts are a rate and which are not, whose history is whose, what stands in for counters."""

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from boxes.simulated_past import HOUR, PATHS, Story, count, counting_box, masked_box
from boxes.snapshot_box import Box
from laneproof.past.ledger import Ledger
from laneproof.past.link_errors import LinkRecord, is_correctable_of_link
from laneproof_collectors.snapshot import AerCounters, Setting
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import known

PATH = PATHS[0]


def one_link(port: AerCounters | None = None, drive: AerCounters | None = None, *, serial: str = "FN1") -> Box:
    box = Box().with_port(PATH, function={"aer": port} if port else {})
    return box.with_drive(PATH, serial=serial, function={"aer": drive} if drive else {})


def link(story: Story) -> LinkRecord:
    return known(story.ledger.links.at(PATH))


def errors(story: Story) -> int:
    return sum(row.errors for row in link(story).series.rows)


def test_what_had_been_counted_before_the_first_pass_is_no_rate() -> None:
    story = Story().observe(counting_box((500, 0, 0, 0)))
    assert link(story).device_end.found == 500
    assert link(story).device_end.found_seconds == pytest.approx(600.0)


def test_what_comes_after_is() -> None:
    story = Story().observe(counting_box((500, 0, 0, 0)))
    story.observe(counting_box((503, 0, 0, 0)), after=HOUR)
    assert errors(story) == 3
    (row,) = link(story).series.rows
    assert row.seconds == HOUR
    assert row.bits == pytest.approx(16e9 * 4 * HOUR)  # 16 GT/s, four lanes, each direction by itself
    assert (row.device_errors, row.port_errors, row.marked, row.units) == (3, 0, 1, 1.0)
    assert link(story).readings == [(story.now, 3)]


# clock_gettime(2): CLOCK_BOOTTIME goes on in suspend, CLOCK_MONOTONIC does not; PCI Express Base Specification, link
# power management: no packet passes in L2 and L3 (from memory)
def test_time_in_which_the_machine_or_the_drive_sleeps_is_not_watched() -> None:
    box = counting_box((0, 0, 0, 0))
    story = Story().observe(box).sleep(8 * HOUR).observe(box, after=HOUR)
    story.observe(box, after=HOUR).sleep(HOUR).observe(box)
    assert [row.seconds for row in link(story).series.rows if row.seconds] == [HOUR, HOUR]
    story.restart().observe(box, after=HOUR).sleep(HOUR).observe(box)
    assert sum(row.seconds for row in link(story).series.rows) == pytest.approx(3 * HOUR + 50.0)

    def resting(errors: int) -> Box:
        return Box().with_port(PATH).with_drive(PATH, serial="FN1", asleep=True, function={"aer": count(errors)})

    story = Story()
    for errors, after in ((0, 0.0), (0, HOUR), (0, HOUR), (3, HOUR)):
        story.observe(resting(errors), after=after)
    assert sum(row.seconds for row in link(story).series.rows) == HOUR  # in which it must have been awake


def test_fewest_and_most_events_that_explain_the_counters() -> None:
    # One error on the wire may set one of a receiver's bits or two (aer.c counts bits); replays are the sender's.
    story = Story().observe(one_link(count(), count()))
    story.observe(
        one_link(count({"Timeout": 2, "RxErr": 1}), count({"RxErr": 3, "BadTLP": 2, "BadDLLP": 1})), after=HOUR
    )
    (row,) = link(story).series.rows
    assert row.device_errors == 3
    assert row.most == 3 + 2 + 1 + 1
    assert row.port_replays == 2
    assert row.errors == 3
    story.observe(one_link(count({"Timeout": 3, "RxErr": 1}), count({"RxErr": 3, "BadTLP": 2, "BadDLLP": 1})), after=60)
    assert sum(row.port_replays for row in link(story).series.rows) == 3


def test_errors_that_are_not_the_signals_are_left_out() -> None:
    story = Story().observe(one_link(count(), count()))
    story.observe(one_link(count(), count({"NonFatalErr": 40, "CorrIntErr": 3, "HeaderOF": 1})), after=HOUR)
    assert errors(story) == 0


@pytest.mark.parametrize(("after", "counted", "aside"), [(120.0, 0, 60), (121.0, 60, 0)])
def test_what_is_counted_while_a_link_settles_belongs_to_its_training(after: float, counted: int, aside: int) -> None:
    story = Story().observe(one_link(count(), count()))
    story.observe(one_link(count(), count(60)), after=after)
    assert (errors(story), link(story).aside) == (counted, aside)


DROP = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
REPORT = "nvme 0000:01:00.0: PCIe Bus Error: severity=Correctable, type=Physical Layer, (Receiver ID)"
SOON = 60.0
QUIET = (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("passes", "counted", "aside"),
    [
        ([(QUIET, 0, ()), ((9, 0, 0, 0), SOON, ())], 9, 0),  # its siblings are as young, and make none: p = 4^-9
        ([(QUIET, 0, ()), ((60, 50, 55, 45), SOON, ())], 0, 60),  # all make as many: they may all have come back then
        ([(QUIET, 0, ()), ((7, 0, 0, 0), SOON, ())], 0, 7),  # seven of one by chance: p = 4^-7, once in 16,384 times
        ([(QUIET, 0, ()), (None, 60, ()), (QUIET, 10, ()), ((60, 0, 0, 0), SOON, ())], 0, 60),  # soon after a boot
        ([((9, 0, 0, 0), 0, ()), (None, 60, ()), ((12, 0, 0, 0), HOUR, ()), ((14, 0, 0, 0), HOUR, ())], 2, 0),
        ([((99, 0, 0, 0), 0, ()), ((7, 0, 0, 0), HOUR, ()), ((9, 0, 0, 0), HOUR, ())], 2, 0),  # it fell: no wrapping
        ([(QUIET, 0, ()), ((90, 0, 0, 0), HOUR, (DROP,))], 0, 90),  # they go along with a disconnect
        ([(QUIET, 0, ()), ((1, 0, 0, 0), HOUR, (REPORT,) * 5)], 1, 0),  # reports are not added to counters
    ],
)
def test_errors_count_or_are_set_aside(
    passes: list[tuple[tuple[int, ...] | None, float, tuple[str, ...]]], counted: int, aside: int
) -> None:
    story = Story()  # it has run for ten minutes
    for counts, after, log in passes:
        if counts is None:
            story.restart(after=after)
        else:
            story.observe(counting_box(counts), after=after, log=log)
    assert (errors(story), link(story).aside) == (counted, aside)


def test_the_drives_history_follows_the_drive_and_the_position_keeps_its_own() -> None:
    story = Story().observe(one_link(count(), count(), serial="FN1"))
    story.observe(one_link(count(), count(4), serial="FN1"), after=HOUR)
    story.restart().observe(one_link(count(), count(), serial="FN2"), after=HOUR)
    story.observe(one_link(count(), count(1), serial="FN2"), after=HOUR)
    totals = {
        record.serial: sum(row.errors for row in record.series.rows) for record in story.ledger.links.of_path(PATH)
    }
    assert totals == {"FN1": 4, "FN2": 1}
    (gone,) = story.ledger.links.of_drive("FN1")
    assert not gone.device_end.present


def test_a_link_that_no_end_counts_is_not_watched() -> None:
    story = Story().observe(Box().with_port(PATH).with_drive(PATH))
    assert not link(story).watched
    assert not link(story).counted


def test_where_nobody_counts_the_logs_reports_are_the_least_that_happened() -> None:
    story = Story().observe(Box().with_port(PATH).with_drive(PATH))
    story.observe(Box().with_port(PATH).with_drive(PATH), after=HOUR, log=(REPORT, REPORT))
    assert errors(story) == 2
    assert link(story).from_log
    assert link(story).watched
    assert not link(story).counted


def test_uncorrectable_errors_of_the_link_are_counted_apart() -> None:
    story = Story().observe(one_link(count(), count()))
    failed = AerCounters(
        correctable=count().correctable, nonfatal={"DLP": 0, "UnsupReq": 4}, fatal={"DLP": 1, "SDES": 0}
    )
    story.observe(one_link(failed, count()), after=HOUR)
    (row,) = link(story).series.rows
    assert row.fatal == 1  # an unsupported request is none of the link's errors


def test_uncorrectable_errors_that_were_not_read_for_once_are_not_reported_again() -> None:
    def with_fatal(fatal: dict[str, int] | Unread) -> AerCounters:
        return AerCounters(correctable=count().correctable, nonfatal={"DLP": 0}, fatal=fatal)

    gap = Unread("aer_dev_fatal", "the device did not answer in time", Reason.TIMED_OUT)
    story = Story().observe(one_link(with_fatal({"DLP": 3}), count()))
    story.observe(one_link(with_fatal(gap), count()), after=HOUR)
    story.observe(one_link(with_fatal({"DLP": 3}), count()), after=HOUR)
    assert sum(row.fatal for row in link(story).series.rows) == 0
    story.observe(one_link(with_fatal({"DLP": 4}), count()), after=HOUR)
    assert sum(row.fatal for row in link(story).series.rows) == 1


def test_errors_of_one_minute_mark_it_once() -> None:
    story = Story().observe(counting_box((0, 0, 0, 0)))
    story.observe(counting_box((0, 0, 0, 0)), after=HOUR)
    for number in range(1, 6):
        story.observe(counting_box((number, 0, 0, 0)), after=5.0)
    marked = sum(row.marked for row in link(story).series.rows)
    assert errors(story) == 5
    assert marked in (1, 2)  # the minute may have turned in between
    assert sum(row.units for row in link(story).series.rows) == pytest.approx(1.0 + 5 * 5 / 60, abs=1.0)


def test_counters_that_the_kernel_is_set_to_leave_are_no_counting() -> None:
    off = Setting(value="off", origin="command-line")
    story = Story().observe(counting_box((0, 0, 0, 0)).with_power(aer_owner=off))
    assert not link(story).counted
    kept = Setting(value="off", origin="firmware")  # the firmware hands its findings on, and they are counted (aer.c)
    assert link(Story().observe(counting_box((0, 0, 0, 0)).with_power(aer_owner=kept))).counted


def test_an_end_that_counted_and_keeps_its_errors_to_itself_is_known_by_when() -> None:
    story = Story().observe(counting_box((0, 0, 0, 0))).observe(masked_box(), after=HOUR)
    hidden = story.now
    story.observe(masked_box(), after=HOUR)
    assert [end.hidden_since for end in link(story).ends] == [hidden, hidden]
    story.observe(counting_box((0, 0, 0, 0)), after=HOUR)
    assert [end.hidden_since for end in link(story).ends] == [None, None]
    assert Story().observe(masked_box()).ledger.links.records[f"{PATH}|FN0000"].device_end.hidden_since is None


UNCORRECTABLE = "nvme 0000:01:00.0: PCIe Bus Error: severity=Uncorrectable (Fatal), type=Data Link Layer, (Receiver ID)"


def uncounted() -> Box:
    return Box().with_port(PATH).with_drive(PATH)


def counting() -> Box:
    return one_link(count(), count())


def switched_off() -> Box:
    return counting().with_power(aer_owner=Setting(value="off", origin="command-line"))


RECEIVED = "pcieport 0000:00:01.1: AER: Uncorrectable (Fatal) error message received from 0000:00:01.1"


def with_bits(bits: str) -> str:
    return f"{UNCORRECTABLE}\n    {bits}                    (First)"


@pytest.mark.parametrize(
    ("box", "log", "kept"),
    [
        (uncounted, (UNCORRECTABLE,), 1),
        (uncounted, (RECEIVED, UNCORRECTABLE), 1),  # both ends' reports of one moment
        (counting, (UNCORRECTABLE,), 0),  # an end counts such errors itself
        (lambda: one_link(count()), (UNCORRECTABLE,), 0),  # one that does suffices
        (switched_off, (UNCORRECTABLE,), 1),  # the kernel does not own the counters, which stay at zero
        (uncounted, (with_bits("[20] UnsupReq"),), 0),
        (uncounted, (with_bits("[14] CmpltTO"),), 0),
        (uncounted, (with_bits("[ 4] DLP"),), 1),
        (uncounted, (with_bits("[18] MalfTLP"),), 1),
        (uncounted, (UNCORRECTABLE, DROP), 0),  # part of a disconnect
    ],
)
def test_uncorrectable_errors_of_a_link_that_only_the_log_reports_are_kept(
    box: Callable[[], Box], log: Sequence[str], kept: int
) -> None:
    story = Story().observe(box()).observe(box(), after=HOUR, log=log)
    assert link(story).reported == [story.now - 30.0] * kept


def test_an_uncorrectable_error_of_the_log_is_taken_back_once_a_disconnect_follows_it() -> None:
    story = Story().observe(uncounted())
    story.observe(uncounted(), after=HOUR, log=(UNCORRECTABLE,))
    assert len(link(story).reported) == 1
    story.observe(uncounted(), after=90.0, log=(DROP,))
    assert link(story).reported == []
    story.observe(uncounted(), after=100.0, log=(UNCORRECTABLE,))  # the kernel still tries to bring it back
    assert link(story).reported == []


def test_an_uncorrectable_error_while_the_machine_starts_belongs_to_its_training() -> None:
    story = Story().observe(uncounted()).restart()
    story.observe(uncounted(), after=40.0, log=(UNCORRECTABLE,))
    assert link(story).reported == []


def learned(story: Story) -> float:
    return link(story).watch.learned_hours


def counted(*, gt_s: int = 4, **firmware: str) -> Box:
    box = Box().with_port(PATH, trained=(gt_s, 4), function={"aer": count()})
    return box.with_drive(PATH, serial="FN1", trained=(gt_s, 4), function={"aer": count()}).with_firmware(**firmware)


def test_what_error_rate_is_normal_is_learned_by_the_hour() -> None:
    story = Story()
    for _ in range(6):
        story.observe(counted(), after=HOUR)
    assert learned(story) == pytest.approx(4.0)  # the first look has no time before it, and the last hour is open


@pytest.mark.parametrize(
    ("gt_s", "change"),
    [(4, {"kernel_release": "6.13.0"}), (4, {"bios_version": "9.99"}), (3, {})],
)
def test_after_an_update_or_at_another_speed_what_is_normal_is_learned_again(gt_s: int, change: dict[str, Any]) -> None:
    story, firmware = Story(), dict[str, Any](kernel_release="6.12.0", bios_version="1.00")
    for _ in range(6):
        story.observe(counted(**firmware), after=HOUR)
    assert learned(story) > 0.0
    story.restart().observe(counted(gt_s=gt_s, **{**firmware, **change}), after=HOUR)
    assert learned(story) == 0.0


def test_with_other_parts_between_what_is_normal_is_learned_again_and_of_no_uncounted_link() -> None:
    story, blind = Story(), Story()
    for _ in range(6):
        story.observe(counted(), after=HOUR)
        blind.observe(uncounted(), after=HOUR)
    story.ledger.links.learn_again("0000:00/1f.0")
    assert learned(story) > 0.0
    story.ledger.links.learn_again(PATH)
    assert learned(story) == learned(blind) == 0.0


def test_a_state_from_before_rates_were_followed_still_loads() -> None:
    story = Story()
    for _ in range(6):
        story.observe(counted(), after=HOUR)
    state = story.ledger.as_state()
    for record in state["links"]["records"].values():
        del record["watch"]
    older = known(Ledger.from_state(state).links.at(PATH))
    assert older.watch.learned_hours == 0.0
    assert older.series == link(story).series


@pytest.mark.parametrize(
    ("detail", "expected"),
    [
        ({"bits": "RxErr"}, True),
        ({"bits": "NonFatalErr"}, False),  # advisory: what could not be corrected was no harm
        ({"bits": "CorrIntErr HeaderOF"}, False),
        ({"bits": "NonFatalErr BadTLP"}, True),
        ({"layer": "Transaction Layer"}, False),
        ({"layer": "Data Link Layer"}, True),
        ({}, True),  # a line of the port alone names no kind
    ],
)
def test_advisory_lines_of_the_log_are_no_errors_of_the_link(detail: dict[str, str], expected: bool) -> None:
    # Linux drivers/pci/pcie/aer.c: the transaction layer's classes are about a request, not about the signal
    assert is_correctable_of_link(detail) is expected
