"""drive-port-lost: a drive that two ports or paths led to has only one left."""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, OPEN_CASE, Step, advise
from laneproof.findings import Finding, Kind, Severity, format_time, write_time
from laneproof.past.drive_ports import LostPort
from laneproof.past.episodes import IN_HAND_SECONDS, Episode
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import DAY, make_sign, watch_drive

_SETTLES_SECONDS = IN_HAND_SECONDS  # a controller that is reset, or bound again, is back by then
_OTHER_RULES_SECONDS = 2 * DAY  # drops-off-bus reports a failure for at least so long


def _judge(current: Pass) -> Iterator[Finding]:
    ledger = current.past.ledger
    for occupant in current.arrangement.drives:
        record = ledger.drives.of(occupant)
        for port in record.ports.lost if record is not None else ():
            last = next((episode for episode in reversed(ledger.episodes.episodes) if episode.path == port.path), None)
            if record is not None and _is_ours(current, port, last):
                watched, when = watch_drive(current.arrangement, record), ledger.timeline.to_wall(port.at)
                gone = f"nothing answers at {port.path}"
                yield make_sign(
                    DRIVE_PORT_LOST,
                    watched,
                    severity=Severity.NOTICE if _was_asked(port, last) else Severity.WARNING,
                    summary=f"{watched.name} has had one port or path less since {write_time(when)}: {gone}",
                    observed=gone,
                    evidence={"lost_path": port.path, "since": format_time(when), "paths": record.ports.here},
                )
                break


def _is_ours(current: Pass, port: LostPort, last: Episode | None) -> bool:
    """Whether a port is lost for good, and neither position-empty nor drops-off-bus speaks of it."""
    arrangement, now = current.arrangement, current.past.ledger.now
    there = arrangement.topology.occupant_at(port.path)
    if now - port.at < _SETTLES_SECONDS or (there is not None and there.answers):
        return False
    if last is not None and not last.asked and last.returned_at is None:
        return now - last.dropped_at >= _OTHER_RULES_SECONDS
    return port.path not in arrangement.label_by_path


def _was_asked(port: LostPort, last: Episode | None) -> bool:
    """Whether somebody took it away: in good order, or while the machine was off."""
    return not port.ran_on or (last is not None and last.asked and abs(port.at - last.dropped_at) < IN_HAND_SECONDS)


DRIVE_PORT_LOST = Rule(
    name="drive-port-lost",
    kind=Kind.SIGN,
    statement="A drive with two ports, or behind several paths, keeps all of them.",
    why=(
        "Such a drive works on over the port that is left, so nobody notices that the second failure will take it. A "
        "port that went in good order, or while the machine was off, is a notice. A port that does not come back is "
        "forgotten after thirty days; a drive that was moved elsewhere has lost none."
    ),
    next_steps=advise(
        "Leave the port that still works alone: it is the drive's only one.",
        "If it was taken away on purpose, nothing is wrong.",
        Step(
            "Else look at the lost side: its controller or card, its cable, its half of the backplane.",
            (DEGRADED_ARRAY, OPEN_CASE),
        ),
    ),
    judge=_judge,
    examples=(
        holds("both ports of a drive"),
        sign(
            "one of two ports stopped to answer while the machine ran",
            "nvme0 at 0000:00/01.1 has had one port or path less since 2026-09-21 15:13 UTC: nothing answers at "
            "0001:00/01.1",
        ),
    ),
    sources=("NVM Express Base Specification 2.0, 2.4.1: multi-path and namespace sharing (from memory)",),
)
