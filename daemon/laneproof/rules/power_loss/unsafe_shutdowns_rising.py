"""unsafe-shutdowns-rising: a drive lost its power without warning while the machine ran on."""

from collections.abc import Iterator

from laneproof.advice import OPEN_CASE, Step, advise
from laneproof.findings import Finding, Kind, Severity, format_time, write_time
from laneproof.past.drives import Rise
from laneproof.rules.drives.episode_series import find_series
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, HOUR, Watched, make_sign, say_times, watched_drives

CLEAR_SECONDS = 30 * DAY
"""How long the sign stays after the last one. Our choice."""


def _judge(current: Pass) -> Iterator[Finding]:
    ledger = current.past.ledger
    for watched, record in watched_drives(current):
        if record.external:
            continue  # an enclosure that is unplugged takes the drive's power away
        # between two boots the whole machine may have lost its power, which says nothing of this drive
        rises = [rise for rise in record.risen("unsafe_shutdowns", ledger.now - CLEAR_SECONDS) if rise.same_boot]
        episodes = [episode for episode in ledger.episodes.of(watched.path, watched.serial or None) if episode.dropped]
        if rises and find_series(ledger, watched.path, episodes) is None:  # else reported by drops-off-bus
            yield _report(watched, rises, ledger.timeline.to_wall(rises[-1].at))


def _report(watched: Watched, rises: list[Rise], last_at: float) -> Finding:
    number = sum(rise.by for rise in rises)
    again = len({rise.at // (12 * HOUR) for rise in rises}) > 1
    return make_sign(
        UNSAFE_SHUTDOWNS_RISING,
        watched,
        severity=Severity.WARNING if again else Severity.NOTICE,
        summary=(
            f"{watched.full_name} lost its power without warning {say_times(number)} while the machine ran "
            f"on, last seen at {write_time(last_at)}"
        ),
        observed="loses power while the machine runs on" if again else "lost power while the machine ran on",
        evidence={"unsafe_shutdowns": number, "occasions": len(rises), "last_at": format_time(last_at)},
        follows_drive=True,
    )


UNSAFE_SHUTDOWNS_RISING = Rule(
    name="unsafe-shutdowns-rising",
    kind=Kind.SIGN,
    statement="No drive loses its power while the machine runs on.",
    why=(
        "A drive counts each time that its power went without notice. After a power cut all of them do, and that is "
        "no sign; one that does while the machine runs on has a bad supply line, connector or adapter. A drive that "
        "dropped at that moment is reported by drops-off-bus. The sign clears after thirty days without."
    ),
    next_steps=advise(
        "Compare with the other drives: those that count at the same time share what fails.",
        Step("Look at what feeds the drive: supply cable, connector, adapter, what else hangs on them.", (OPEN_CASE,)),
    ),
    judge=_judge,
    examples=(
        holds("87 of them before the first pass"),
        sign(
            "one more, and the machine was not restarted",
            "riser-1 (nvme0) lost its power without warning 1 time while the machine ran on, last seen at "
            "2026-09-24 20:13 UTC",
        ),
    ),
    sources=("NVM Express Base Specification 2.0, 5.16.1.3: Unsafe Shutdowns",),
)
