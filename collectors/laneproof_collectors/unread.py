"""What could not be read is a value with a reason: never zero, never ``None``, never fine.

``None`` is kept for what the machine says is not there (a function without a link has no lanes).
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

_Fact = TypeVar("_Fact")


class Reason(StrEnum):
    """Why a reading is missing; a rule may depend on it, the sentence in `Unread.why` is for people."""

    ABSENT = "absent"  # nothing there under that name
    DENIED = "denied"  # there, but this process may not
    TIMED_OUT = "timed-out"  # asked, and no answer within the deadline
    GONE = "gone"  # it vanished, or the device stopped answering, while it was read
    REFUSED = "refused"  # the device itself said no (an NVMe status)
    MALFORMED = "malformed"  # an answer that is not what the format allows
    FAILED = "failed"  # any other error of the system
    EXHAUSTED = "exhausted"  # no file, memory or thread to read it with: this says nothing of what was asked
    NOT_ASKED = "not-asked"  # left alone on purpose: a sleeping device is not woken by a reading


@dataclass(frozen=True, slots=True)
class Unread:
    """One thing that could not be read.

    Attributes:
        what: What was asked for, as a person would name it: a path, ``log 02h of nvme0``.
        why: One clause that completes "could not read WHAT: ".
        reason: The same, for programs.
        detail: The error's own code where there is one: an errno name, or an NVMe status in decimal.
    """

    what: str
    why: str
    reason: Reason = Reason.MALFORMED
    detail: str = ""

    def __str__(self) -> str:
        """Give the one clear sentence."""
        return f"could not read {self.what}: {self.why}"


def if_read(facts: tuple[_Fact, ...] | Unread) -> tuple[_Fact, ...]:
    """Give what was read; nothing where it could not be, which must be reported elsewhere."""
    return () if isinstance(facts, Unread) else facts
