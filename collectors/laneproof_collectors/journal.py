"""The journal's half of the door (see ``host.py``, which alone calls it): asks journalctl.

What it does not do: understand a line (see ``kernel_log/reading.py``).
"""

from laneproof_collectors.programs import run_program
from laneproof_collectors.unread import Reason, Unread

DEADLINE_SECONDS = 30.0
"""How long it may take: the journal is searched, on storage that may be slow, and in no pass's way."""

LIMIT_BYTES = 16 << 20
"""How much is taken: some 40,000 lines of the fields that are asked for."""

_FIELDS = ("MESSAGE", "PRIORITY", "SYSLOG_FACILITY", "_TRANSPORT", "_SOURCE_MONOTONIC_TIMESTAMP", "_KERNEL_DEVICE")
"""What of an entry is wanted, beside its times and boot, which are always there (journalctl(1), --output-fields)."""


def run_journalctl(what: str, boot: int, lines: int, since_unix: float | None = None) -> tuple[str, ...] | Unread:
    """Read the kernel's messages of one boot, as `ReadJournal` asks for them.

    Returns:
        One JSON object a line, oldest first; or why there are none.
    """
    call = ["-k", "-b", str(boot), "-o", "json", "--no-pager", "-n", str(lines), f"--output-fields={','.join(_FIELDS)}"]
    if since_unix is not None:
        call.append(f"--since=@{max(0, int(since_unix))}")  # systemd.time(7): unix seconds
    run = run_program(what, ["journalctl", *call], deadline_seconds=DEADLINE_SECONDS, limit_bytes=LIMIT_BYTES)
    if isinstance(run, Unread):
        return run
    text = run.output.decode("utf-8", "replace")
    if run.status and not text:
        return _no_journal(what, run.complaint.decode("utf-8", "replace").strip())
    return tuple(line for line in text.split("\n") if line.startswith("{"))


def _no_journal(what: str, said: str) -> Unread:
    """Say why there is nothing in journalctl's own last words: the reason comes after its hints."""
    why = said.rsplit("\n", 1)[-1] or "journalctl gave nothing"
    if "permission" in said.lower():
        return Unread(what, why, Reason.DENIED, "EACCES")
    return Unread(what, why, Reason.ABSENT, "ENOENT")
