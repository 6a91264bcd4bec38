"""What to do about what could not be read, by the reason why."""

from laneproof_collectors.unread import Reason, Unread

AS_ROOT = "Run the audit as the service does, or as root."
SHORT_OF = (
    "This says nothing of the machine: what reads it lacked files, memory or threads. Restart laneproof.service; if it "
    "comes back, raise LimitNOFILE=, MemoryMax= or TasksMax= of the unit (in a shell: ulimit -n 1024)."
)
LEFT_ALONE = "It was left alone on purpose and not woken for a reading; it is judged when it is awake."
STEP_BY_REASON = {
    Reason.DENIED: AS_ROOT,
    Reason.EXHAUSTED: SHORT_OF,
    Reason.NOT_ASKED: LEFT_ALONE,
    Reason.ABSENT: "The machine does not offer this reading; no other rights would give it.",
    Reason.GONE: "It stopped answering while it was read: audit again, and see what else is reported of it.",
    Reason.TIMED_OUT: "It gave no answer in time: audit again; a reading that stays away is reported by reading-stuck.",
    Reason.REFUSED: "The device itself refused: see whether its maker has newer firmware.",
}
LOOK_CLOSER = "The answer was not what it should be; 'laneproof record FILE' keeps it for a closer look."


def step_for(gap: Unread) -> str:
    """Give the step that fits the reason why something could not be read: rights are advised only where they lack."""
    return STEP_BY_REASON.get(gap.reason, LOOK_CLOSER)
