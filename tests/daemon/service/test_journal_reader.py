"""What is read back from the journal: what of it is news, for whom, and when it was."""

import json
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from boxes.running_daemon import DROPPED, Rig
from boxes.turned_box_host import START
from laneproof.engine import LIVE_CONFIRMATIONS, Engine
from laneproof.history.events import RECORDS_LOST
from laneproof.past.ledger import Ledger
from laneproof.service import journal_reader
from laneproof.service.journal_reader import (
    BOOT_BEFORE,
    BOOT_ID_FILE,
    FIRST_LINES,
    MOST_LINES,
    SLACK_SECONDS,
    THIS_BOOT,
    JournalReader,
    LastRead,
    find_new_events,
    is_same_boot,
)
from laneproof_collectors.host import Host
from laneproof_collectors.kernel_log.reading import KernelEvents, TimedKernelEvent, kernel_events, parse_journal_record
from laneproof_collectors.questions import Answer, Question, ReadFile, ReadJournal
from laneproof_collectors.unread import Reason, Unread
from support.waiting import PATIENCE_SECONDS, wait_for

EARLIER = "0b5e55ed-0000-4000-8000-000000000001"
RUNNING = "0b5e55ed-0000-4000-8000-000000000002"
OLDER = "0b5e55ed-0000-4000-8000-000000000003"
KNOWN = LastRead(boot_id=EARLIER, up_seconds=5000.0, unix_seconds=1_790_000_000.0)
DOWN = "nvme nvme2: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0xffff"


def entry(up: float, *, boot: str = EARLIER, message: str = DOWN, received: float = 1.0) -> str:
    return json.dumps(
        {
            "_TRANSPORT": "kernel",
            "MESSAGE": message,
            "PRIORITY": "4",
            "SYSLOG_FACILITY": "0",
            "_SOURCE_MONOTONIC_TIMESTAMP": str(round(up * 1e6)),
            "__REALTIME_TIMESTAMP": str(round(received * 1e6)),
            "_BOOT_ID": boot.replace("-", ""),
        }
    )


def events(*lines: str) -> tuple[TimedKernelEvent, ...]:
    return kernel_events([one for line in lines if not isinstance(one := parse_journal_record(line), Unread)])


class JournalHost(Host):
    """Answers for a boot and its journal."""

    def __init__(self, *lines: str, problem: Unread | None = None) -> None:
        self.lines, self.problem = lines, problem
        self.asked: list[ReadJournal] = []
        self.may_go = threading.Event()
        self.may_go.set()

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        return [self._answer(question) for question in questions]

    def _answer(self, question: Question) -> Answer:
        match question:
            case ReadFile(path) if path == BOOT_ID_FILE:
                return f"{RUNNING}\n".encode()
            case ReadJournal():
                self.asked.append(question)
                self.may_go.wait(PATIENCE_SECONDS)
                return self.problem or self.lines
        raise AssertionError(question)


def _read(host: JournalHost, ask: Callable[[JournalReader], None]) -> JournalReader:
    woken = threading.Event()
    back = JournalReader(host, woken.set)
    ask(back)
    assert woken.wait(PATIENCE_SECONDS)
    return back


# --- what of it is news -----------------------------------------------------------------------------------------------


def test_what_the_boot_before_said_after_the_last_pass_is_to_be_judged() -> None:
    found = find_new_events(BOOT_BEFORE, events(entry(4000.0), entry(5100.0)), KNOWN)
    assert [event.up_seconds for event in found.to_judge] == [5100.0]
    assert found.to_report == ()


def test_it_is_dated_by_the_last_pass_and_not_by_when_the_journal_received_it() -> None:
    (one,) = find_new_events(BOOT_BEFORE, events(entry(5100.0, received=4e9)), KNOWN).to_judge
    assert one.unix_seconds == KNOWN.unix_seconds + 100.0
    assert is_same_boot(one.boot_id or "", EARLIER)


def test_a_boot_that_nobody_watched_is_reported_and_judges_nothing() -> None:
    found = find_new_events(BOOT_BEFORE, events(entry(10.0, boot=OLDER)), KNOWN)
    assert (len(found.to_report), found.to_judge) == (1, ())
    assert len(find_new_events(BOOT_BEFORE, events(entry(10.0)), LastRead()).to_report) == 1


def test_what_the_ring_gave_is_not_given_again() -> None:
    seen = kernel_events([f"4,77,6000000000,-;{DOWN}"])
    found = find_new_events(THIS_BOOT, events(entry(5500.0, boot=RUNNING), entry(6000.0, boot=RUNNING)), KNOWN, seen)
    assert [event.up_seconds for event in found.to_judge] == [5500.0]


def test_of_this_boot_only_what_an_earlier_run_in_it_had_not_taken() -> None:
    known = LastRead(boot_id=RUNNING, up_seconds=5000.0, unix_seconds=1.0)
    found = find_new_events(THIS_BOOT, events(entry(4999.0, boot=RUNNING), entry(5001.0, boot=RUNNING)), known)
    assert [(event.up_seconds, event.unix_seconds, event.boot_id) for event in found.to_judge] == [(5001.0, None, None)]


def test_a_line_that_a_program_wrote_is_no_event() -> None:
    forged = json.loads(entry(6000.0, boot=RUNNING)) | {"_TRANSPORT": "syslog"}
    assert find_new_events(THIS_BOOT, events(json.dumps(forged)), KNOWN).to_judge == ()


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (EARLIER, EARLIER.replace("-", "") + "\n", True),
        (EARLIER, RUNNING, False),
        ("", "", False),
        (EARLIER, "", False),
    ],
)
def test_names_of_boots_are_compared_without_dashes(one: str, other: str, same: bool) -> None:
    assert is_same_boot(one, other) is same


# --- what is asked ----------------------------------------------------------------------------------------------------


def test_the_boot_before_is_asked_for_from_the_last_pass_on() -> None:
    host = JournalHost(entry(5100.0))
    back = _read(host, lambda one: one.begin(KNOWN))
    assert host.asked == [ReadJournal(-1, MOST_LINES, KNOWN.unix_seconds - SLACK_SECONDS)]
    (found,) = back.collect()
    assert (found.boot, len(found.to_judge), found.problem) == (BOOT_BEFORE, 1, None)
    assert not back.is_away


def test_a_first_run_looks_a_little_way_back() -> None:
    host = JournalHost()
    _read(host, lambda one: one.begin(LastRead()))
    assert host.asked == [ReadJournal(-1, FIRST_LINES, None)]


def test_a_run_that_goes_on_in_the_same_boot_asks_nothing() -> None:
    host = JournalHost()
    back = JournalReader(host, lambda: None)
    back.begin(LastRead(boot_id=RUNNING, up_seconds=10.0, unix_seconds=1.0))
    assert (host.asked, back.is_away) == ([], False)


def test_nothing_is_asked_where_it_cannot_be_read_which_boot_runs() -> None:
    class NamelessHost(JournalHost):
        def _answer(self, question: Question) -> Answer:
            return Unread(BOOT_ID_FILE, "denied") if isinstance(question, ReadFile) else super()._answer(question)

    host = NamelessHost()
    back = JournalReader(host, lambda: None)
    back.begin(KNOWN)
    assert (host.asked, back.is_away) == ([], False)


def test_while_it_is_away_it_is_not_asked_again() -> None:
    host = JournalHost()
    host.may_go.clear()
    back = JournalReader(host, lambda: None)
    for _ in range(3):
        back.ask_this_boot(KNOWN, ())
    wait_for(lambda: host.asked)
    assert back.is_away
    assert back.collect() == []
    host.may_go.set()
    wait_for(lambda: not back.is_away or back.collect())
    assert len(host.asked) == 1


def test_a_journal_that_cannot_be_read_is_reported_with_its_reason() -> None:
    gap = Unread("the journal of this boot", "journalctl is not installed", Reason.ABSENT)
    back = _read(JournalHost(problem=gap), lambda one: one.ask_this_boot(KNOWN, ()))
    (found,) = back.collect()
    assert (found.problem, found.to_judge) == (gap, ())


def test_what_is_lost_while_the_journal_is_asked_is_asked_for_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_reader, "APART_SECONDS", 0.0)
    host = JournalHost()
    host.may_go.clear()
    back = JournalReader(host, lambda: None)
    back.ask_this_boot(KNOWN, ())
    later = LastRead(boot_id=RUNNING, up_seconds=9000.0, unix_seconds=1_790_005_000.0)
    back.ask_this_boot(later, ())
    back.ask_this_boot(KNOWN, ())
    wait_for(lambda: host.asked)
    host.may_go.set()
    found: list[object] = []
    assert back.is_behind
    wait_for(lambda: found.extend(back.collect()) or len(host.asked) > 1)
    wait_for(lambda: found.extend(back.collect()) or not back.is_behind)
    assert host.asked == [ReadJournal(0, MOST_LINES, None), ReadJournal(0, MOST_LINES, 1_790_005_000.0 - SLACK_SECONDS)]


def test_the_journal_is_not_asked_for_this_boot_again_and_again() -> None:
    host = JournalHost()
    back = _read(host, lambda one: one.ask_this_boot(KNOWN, ()))
    back.collect()
    for _ in range(5):
        back.ask_this_boot(KNOWN, ())
        assert back.collect() == []
    assert len(host.asked) == 1
    assert not back.is_away


def test_this_boots_journal_is_asked_from_a_time_only_where_that_time_is_of_it() -> None:
    host = JournalHost()
    _read(host, lambda one: one.ask_this_boot(KNOWN, ()))
    known = LastRead(boot_id=RUNNING, up_seconds=10.0, unix_seconds=1_790_000_500.0)
    _read(host, lambda one: one.ask_this_boot(known, ()))
    assert [question.since_unix for question in host.asked] == [None, 1_790_000_500.0 - SLACK_SECONDS]


# --- what is lost -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lost", "begins", "known", "has_lost"),
    [
        (0, 5.0, LastRead(), False),
        (100, 9000.0, LastRead(), True),
        (100, 4000.0, LastRead(boot_id=RUNNING, up_seconds=5000.0), False),  # the run before read on until after it
        (100, 6000.0, LastRead(boot_id=RUNNING, up_seconds=5000.0), True),
        (100, 6000.0, LastRead(boot_id=EARLIER, up_seconds=9000.0), True),
        (100, None, LastRead(boot_id=RUNNING, up_seconds=5000.0), True),
    ],
)
def test_records_are_lost_only_if_no_run_in_this_boot_read_them(
    *, lost: int, begins: float | None, known: LastRead, has_lost: bool
) -> None:
    back = JournalReader(JournalHost(), lambda: None)
    back.begin(known)
    assert back.has_lost(KernelEvents((), lost, 10, begins), known) is has_lost


def test_only_what_the_run_before_had_read_is_not_lost() -> None:
    known = LastRead(boot_id=RUNNING, up_seconds=5000.0, unix_seconds=1.0)
    back = JournalReader(JournalHost(), lambda: None)
    back.begin(known)
    assert not back.has_lost(KernelEvents((), 100, 10, 4000.0), known)
    assert back.has_lost(KernelEvents((), 7, 10, 4999.0), known)  # in mid-run, by a clock that lags a little


def test_what_is_known_is_the_ledgers_time_of_its_last_pass_and_the_last_stamp_that_it_read() -> None:
    ledger = Ledger()
    assert LastRead.of(ledger) == LastRead()
    ledger.timeline.advance(taken_at=1_790_000_000.0, up_seconds=5000.0, boot_id=EARLIER)
    assert LastRead.of(ledger) == KNOWN
    ledger.kernel_until = 4970.0
    assert LastRead.of(ledger) == replace(KNOWN, stamp=4970.0)


# dmesg(1), --ctime: stamps of messages drift from the clock that programs read; kernel/printk/printk.c, local_clock
@pytest.mark.parametrize("stamp", [4910.0, 5090.0])  # after months, by a minute and a half either way
def test_a_stamp_that_drifted_is_neither_read_twice_nor_missed(stamp: float) -> None:
    logged = events(entry(stamp), entry(stamp + 0.1))
    found = find_new_events(BOOT_BEFORE, logged, replace(KNOWN, stamp=stamp))
    assert [event.up_seconds for event in found.to_judge] == [stamp + 0.1]


def test_after_a_suspend_it_is_known_by_the_clock_that_stamps_messages() -> None:
    ledger = Ledger()
    ledger.timeline.advance(taken_at=1_790_000_000.0, up_seconds=36_000.0, boot_id=EARLIER, monotonic_seconds=7200.0)
    assert LastRead.of(ledger).up_seconds == 7200.0


def said(rig: Rig, up: float, message: str = DROPPED.partition(";")[2]) -> str:
    return entry(up, boot=rig.box.boot_id, message=message, received=START)


def test_what_a_boot_said_last_before_it_hung_is_read_back_and_judged_at_the_next_start(
    rigs: Callable[..., Rig],
) -> None:
    rig = rigs().start()
    rig.passes()
    last_words = said(rig, rig.host.now - START + 30.0)
    rig.end()
    again = Engine(None, confirmations=LIVE_CONFIRMATIONS)
    again.restore((), rig.writer.saved["engine"])
    second = rigs(engine=again, boot=2)
    second.host.journals[-1] = (last_words,)
    second.host.booted_at = START + 900.0
    second.host.change(seconds=1000.0)
    second.start()
    assert ("drops-off-bus", "riser-1") in second.rules()
    assert second.daemon.status.disconnects["0000:00/01.1"] == 1
    (episode,) = second.writer.kept[0].episodes
    assert (episode.serial, episode.boot) == ("A1", 1)
    assert wait_for(lambda: second.writer.reported)[0] == "controller_down"
    assert second.writer.paths[0]["nvme0"] == "0000:00/01.1"


def test_records_that_were_overwritten_are_counted_reported_and_read_back(rig: Rig) -> None:
    rig.start()
    rig.passes()
    rig.host.journals[0] = (said(rig, rig.host.now - START + 0.5),)
    rig.host.lost = 7
    rig.host.change(kmsg=("6,950,11000000,-;usb 1-1: new high-speed USB device number 5 using xhci_hcd",))
    wait_for(lambda: ("drops-off-bus", "riser-1") in rig.rules())
    assert rig.daemon.status.lost_records == 7
    (event,) = wait_for(lambda: rig.writer.happened)
    assert event.kind == RECORDS_LOST
    assert "7 records" in event.text
    assert "events among them that the journal had: 1" in event.text


@pytest.mark.parametrize("has_journal", [True, False])
def test_what_was_overwritten_is_lost_to_the_judgement_only_where_the_journal_cannot_be_read(
    rig: Rig, *, has_journal: bool
) -> None:
    if has_journal:
        rig.host.journals[0] = (said(rig, 1.0, "usb 1-1: USB disconnect, device number 5"),)
    rig.host.lost = 4000
    rig.host.change(kmsg=("6,950,11000000,-;usb 1-1: new high-speed USB device number 5 using xhci_hcd",))
    rig.daemon._read_events()
    wait_for(rig.daemon._collect_journal)
    kernel, _ = rig.daemon._pending.drain()
    assert isinstance(kernel, KernelEvents)
    assert kernel.lost == (0 if has_journal else 4000)


def test_where_the_journal_cannot_be_read_either_the_loss_is_reported_with_the_reason(rig: Rig) -> None:
    rig.start()
    rig.passes()
    rig.host.lost = 3
    rig.host.change(kmsg=("6,950,11000000,-;usb 1-1: new high-speed USB device number 5 using xhci_hcd",))
    (event,) = wait_for(lambda: rig.writer.happened)
    assert "the journal could not be read: " in event.text
