"""The journal through the door: what journalctl tells, and what becomes of one that tells nothing, or without end."""

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof_collectors import journal, live_host
from laneproof_collectors.kernel_log.reading import kernel_events, parse_journal_record
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import ReadJournal
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import Header
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import unread

Install = Callable[[str, str], None]

ENTRY = {
    "_TRANSPORT": "kernel", "MESSAGE": "nvme nvme0: I/O 12 QID 3 timeout, aborting", "PRIORITY": "4",
    "SYSLOG_FACILITY": "0", "_SOURCE_MONOTONIC_TIMESTAMP": "480500000", "__REALTIME_TIMESTAMP": "1790000000000000",
    "_BOOT_ID": "0b5e55ed000040008000000000000001",
}  # fmt: skip


@pytest.fixture
def host() -> LiveHost:
    return LiveHost()


def test_the_program_is_asked_for_one_boots_kernel_messages(install: Install, host: LiveHost, tmp_path: Path) -> None:
    install("journalctl", f'echo "$@" > {tmp_path}/called')
    assert host.journal(-1, 500) == ()
    called = (tmp_path / "called").read_text().split()
    assert called[:8] == ["-k", "-b", "-1", "-o", "json", "--no-pager", "-n", "500"]
    assert called[8].startswith("--output-fields=MESSAGE,")


def test_it_is_asked_for_what_was_received_since_a_time(install: Install, host: LiveHost, tmp_path: Path) -> None:
    install("journalctl", f'echo "$@" > {tmp_path}/called')
    assert host.journal(-1, since_unix=1_790_000_000.7) == ()
    assert (tmp_path / "called").read_text().split()[-1] == "--since=@1790000000"


def test_entries_come_as_they_were_reported_and_are_understood(install: Install, host: LiveHost) -> None:
    reported = json.dumps(ENTRY)
    install("journalctl", f"echo '{reported}'; echo '-- no entry --'; echo '{reported}'")
    lines = host.journal()
    assert lines == (reported, reported)
    records = [parse_journal_record(line) for line in lines]
    (event, _) = kernel_events([record for record in records if not isinstance(record, Unread)])
    assert (event.event.device, event.unix_seconds, event.up_seconds) == ("nvme0", 1_790_000_000.0, 480.5)


def test_text_that_is_no_utf_8_is_reported_with_marks(install: Install, host: LiveHost) -> None:
    install("journalctl", r"""printf '{"MESSAGE":"\377"}\n'""")
    assert host.journal() == ('{"MESSAGE":"\ufffd"}',)


_HINT = "Hint: You are currently not seeing messages from other users and the system."


@pytest.mark.parametrize(
    ("said", "reason"),
    [  # The sentences are those of journalctl 252, as printed.
        ("Data from the specified boot (-1) is not available: No such boot ID in journal", Reason.ABSENT),
        (f"{_HINT}\nNo journal files were opened due to insufficient permissions.", Reason.DENIED),
        ("", Reason.ABSENT),
    ],
)
def test_a_journal_that_cannot_be_given_says_why(install: Install, host: LiveHost, said: str, reason: Reason) -> None:
    install("journalctl", f"echo '{said}' >&2; exit 1")
    answer = unread(host.journal(-1))
    assert answer.reason is reason
    assert answer.why == (said.rpartition("\n")[2] or "journalctl gave nothing")
    assert answer.what == "the journal of boot -1"


def test_what_was_reported_counts_though_the_program_failed_in_the_end(install: Install, host: LiveHost) -> None:
    install("journalctl", "echo '{}'; echo 'Journal file is truncated, ignoring file.' >&2; exit 1")
    assert host.journal() == ("{}",)


def _is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_program_that_never_ends_is_ended(
    install: Install, host: LiveHost, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal, "DEADLINE_SECONDS", 0.3)
    install("journalctl", f"echo $$ > {tmp_path}/pid; exec sleep 60")
    assert unread(host.journal()).reason is Reason.TIMED_OUT
    assert not _is_running(int((tmp_path / "pid").read_text()))


def test_it_may_take_longer_than_other_questions(install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
    install("journalctl", "sleep 0.5; echo '{}'")
    monkeypatch.setattr(live_host, "DEFAULT_DEADLINE_SECONDS", 0.1)
    assert LiveHost(deadline_seconds=0.1).journal() == ("{}",)


def test_a_tree_of_files_has_none(tmp_path: Path) -> None:
    assert unread(LiveHost(str(tmp_path)).journal()).reason is Reason.ABSENT


def test_a_recording_has_none() -> None:
    host = RecordedHost(Header(format="laneproof-recording", version=1))
    (answer,) = host.ask([ReadJournal(-1)])
    assert isinstance(answer, Unread)
    assert (answer.reason, answer.what) == (Reason.ABSENT, "the journal of boot -1")


@pytest.mark.services("journalctl")
def test_the_real_program_answers_or_says_why() -> None:
    answer = LiveHost().journal(lines=5)
    raw = subprocess.run(
        ["journalctl", "-k", "-b", "0", "-o", "cat", "--no-pager", "-n", "5"],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    if isinstance(answer, Unread):
        assert raw.returncode
        return
    texts = [one.text for line in answer if not isinstance(one := parse_journal_record(line), Unread)]
    assert texts == raw.stdout.splitlines()
