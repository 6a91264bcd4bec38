"""Whether a drive may be taken out now, and what must not be touched meanwhile.

Rules of this module: a second failure in a degraded array is the disaster, so every reason that could lead to it stops.
What could not be read is a doubt, never an all-clear. Levels that survive "at least" so many losses are taken at that.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from laneproof.box.names import Membership, Position, describe_position
from laneproof.box.placement import Arrangement
from laneproof.diagnosis.weights import say_cause
from laneproof.findings import Finding, Kind, Severity, write_time
from laneproof.past.past import Past
from laneproof.replacement.guide import Keep, SafetyReason, Weight
from laneproof.rules.arrays.redundancy import count_lost, count_spared, is_container
from laneproof_collectors.snapshot import Array, ArrayMember
from laneproof_collectors.unread import Reason, Unread

CHECKED_WITHIN_DAYS = 35
"""A check older than this is mentioned. Distributions check md arrays monthly (Debian's mdadm; common practice)."""

_DAY = 86400.0
_FAILED = ("broken", "inactive")  # Documentation/admin-guide/md.rst, array_state
_AT_WORK = {
    "recover": "is rebuilding a member",
    "resync": "is bringing its members into agreement",
    "reshape": "is changing its shape",
}
_SYSTEM_MOUNTS = ("/", "/boot", "/usr", "/var")
BIFURCATION_NOT_ACTIVE = "bifurcation-not-active"
_OF_THE_DRIVE = ("drive-failing", "drive-firmware")  # causes that another drive cures
_OUT, _STANDBY, _JOURNAL = frozenset({"faulty", "missing"}), "spare", "journal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the question is judged by: the position, the build laid over the machine, now in unix seconds."""

    position: Position
    arrangement: Arrangement
    findings: Sequence[Finding]
    past: Past
    now: float

    @property
    def arrays(self) -> tuple[Array, ...]:
        """The arrays, none where they could not be read; of firmware RAID the volumes, not what contains them."""
        arrays = self.arrangement.snapshot.arrays
        return () if isinstance(arrays, Unread) else tuple(array for array in arrays if not is_container(array))


def is_out(member: ArrayMember) -> bool:
    """Whether an array runs without this member."""
    return isinstance(member.state, str) and not _OUT.isdisjoint(member.state.split(","))


def is_working(member: ArrayMember) -> bool:
    """Whether an array's data are on this member; what could not be read is taken to hold data."""
    if not isinstance(member.state, str):
        return True
    words = set(member.state.split(","))
    return not words & _OUT and (_STANDBY not in words or member.slot is not None)


# --- reasons ----------------------------------------------------------------------------------------------------------


def weigh(facts: Facts) -> tuple[SafetyReason, ...]:
    """Give all reasons for and against taking the drive out now, the heaviest first."""
    occupant = facts.position.occupant
    if occupant is None:
        reasons = [
            SafetyReason(
                weight=Weight.SPEAKS_FOR, says=f"{facts.position.name} is empty, so nothing is taken out of it."
            )
        ]
    else:
        reasons = [*_weigh_uses(facts), *_weigh_drive(facts)]
    reasons += [*_weigh_lost_branch(facts), *_weigh_other_arrays(facts)]
    order = list(Weight)
    return tuple(sorted(dict.fromkeys(reasons), key=lambda reason: order.index(reason.weight)))


def _weigh_uses(facts: Facts) -> Iterator[SafetyReason]:
    snapshot, position = facts.arrangement.snapshot, facts.position
    if isinstance(snapshot.arrays, Unread):
        yield _doubt(
            f"Whether the drive is in an array is not known: {snapshot.arrays}.", _how_to_know(snapshot.arrays)
        )
    for membership in position.memberships:
        if not is_container(membership.array):  # its volumes are arrays themselves
            yield from _weigh_membership(facts, membership)
    if isinstance(snapshot.file_systems, Unread):
        says = f"Which file systems lie on it is not known: {snapshot.file_systems}."
        yield _doubt(says, "See 'findmnt' and 'lsblk' for what uses it.")
    whole_btrfs = any(membership.array.kind == "btrfs" for membership in position.memberships)
    for mounted in position.file_systems:
        if mounted.kind == "btrfs" and whole_btrfs:
            continue  # weighed as an array
        runs = " The system itself runs from it." if mounted.mount in _SYSTEM_MOUNTS else ""
        yield _stop(
            f"The {mounted.kind} file system at {mounted.mount} lies on {mounted.device} alone; it goes with the "
            f"drive.{runs}",
            f"Copy what is on it, check the copy, and unmount {mounted.mount}.",
        )
    known = not isinstance(snapshot.arrays, Unread) and not isinstance(snapshot.file_systems, Unread)
    if known and not position.memberships and not position.file_systems:
        yield _doubt(
            "No array and no mounted file system is seen on it; swap space, a volume manager or a pool could still "
            "use it.",
            "See 'lsblk' for what is on it.",
        )
    for pool in (array for array in facts.arrays if array.kind == "zfs"):
        yield _doubt(
            f"Which drives the pool {pool.name} is made of is not shown by the kernel.",
            "Ask the pool's own tool whether this drive is in it.",
        )


def _weigh_membership(facts: Facts, membership: Membership) -> Iterator[SafetyReason]:
    array, member = membership.array, membership.member
    if array.state in _FAILED:
        yield _stop(
            f"{array.name} has failed ({array.state}). Its data may still be whole on its members.",
            "Take nothing out and force nothing; ask somebody who has brought such an array back before.",
        )
        return
    if array.sync_action in _AT_WORK:
        done = f", {array.sync_completed:.0%} done" if isinstance(array.sync_completed, float | int) else ""
        yield _stop(f"{array.name} {_AT_WORK[str(array.sync_action)]}{done}.", "Wait until it has finished.")
    elif array.sync_action in ("check", "repair"):
        yield _doubt(f"A check of {array.name} is running.", "Let it end: it finds blocks that cannot be read.")
    if _JOURNAL in str(member.state).split(","):
        yield _stop(f"It is the journal of {array.name}.", f"Give {array.name} another journal first, by md's manual.")
    elif is_out(member):
        yield SafetyReason(weight=Weight.SPEAKS_FOR, says=f"{array.name} has put it out already ({member.state}).")
        yield from _weigh_others(facts, array, f"Copy what is on {array.name} before its rebuild reads all of it.")
    elif not is_working(member):
        yield SafetyReason(weight=Weight.SPEAKS_FOR, says=f"It stands by for {array.name} and holds none of its data.")
    else:
        yield from _weigh_working_member(facts, array)


def _how_to_know(gap: Unread) -> str:
    return "Run this as root." if gap.reason is Reason.DENIED else "See what /proc/mdstat says of it."


def _weigh_working_member(facts: Facts, array: Array) -> Iterator[SafetyReason]:
    lost, survived = count_lost(array), count_spared(array)
    if isinstance(lost, Unread):
        yield _doubt(f"Whether {array.name} is whole is not known: {lost}.", _how_to_know(lost))
        return
    if survived is None:
        yield _doubt(
            f"How many drives {array.name} can lose is not known: its level is "
            f"{array.level if isinstance(array.level, str) else 'not shown'}.",
            "Find out from the array's own tool.",
        )
        return
    left = survived - lost - 1
    level = array.level if isinstance(array.level, str) else array.kind
    if left < 0 and lost:
        yield _stop(
            f"{array.name} ({level}) runs without {lost} of its members already: taking {facts.position.name} out "
            "takes all its data. This position must not be touched.",
            _say_what_to_replace(facts, array),
        )
        return
    if left < 0:
        yield _stop(
            f"{array.name} ({level}) survives no loss: without this drive all its data are gone.",
            f"Copy what is on {array.name}, check the copy, and stop using it.",
        )
        return
    yield SafetyReason(
        weight=Weight.MIND,
        says=f"Without it, {array.name} ({level}) survives "
        + (f"{left} more." if left else "no further loss until the new drive is rebuilt."),
    )
    yield from _weigh_last_check(facts, array)
    yield from _weigh_others(facts, array, None, stops=left == 0)


def _say_what_to_replace(facts: Facts, array: Array) -> str:
    tree = facts.arrangement
    homes = {disk: tree.label_of(drive) or drive.path for drive in tree.drives for disk in drive.disks}
    out = [homes.get(member.disk) or member.name for member in array.members if is_out(member)]
    plans = tree.build.array if tree.build else ()
    plan = next((planned for planned in plans if planned.name == array.name), None)
    inside = {homes.get(member.disk) for member in array.members}
    out += [label for label in (plan.members if plan else ()) if label not in inside and label not in out]
    if out:
        return f"Replace {', '.join(out)} first, and let {array.name} rebuild."
    return f"Find the member that {array.name} lost, and let it rebuild first."


def _weigh_last_check(facts: Facts, array: Array) -> Iterator[SafetyReason]:
    """A rebuild reads every block of the others, so one that nobody has read for long is found at the worst time."""
    checks = facts.past.box.checks.get(array.name)
    known = [
        moment for moment in (array.last_check_unix_seconds, checks.ended_at if checks else None) if moment is not None
    ]
    do = f"Let {array.name} check itself first, by md's manual, and see that it finds nothing."
    if array.kind != "md":
        do = f"Let {array.name} check itself first, by its own tool, and see that it finds nothing."
    if not known:
        yield _doubt(f"When all of {array.name} was last read and compared is not known.", do)
    elif (days := (facts.now - max(known)) / _DAY) > CHECKED_WITHIN_DAYS:
        yield _doubt(f"All of {array.name} was last read and compared {days:.0f} days ago.", do)
    else:
        says = f"All of {array.name} was last read and compared at {write_time(max(known))}."
        yield SafetyReason(weight=Weight.SPEAKS_FOR, says=says)
    for finding in facts.findings:
        if finding.rule == "array-errors" and finding.subject == array.name and finding.kind is Kind.SIGN:
            weight = Weight.MIND if finding.severity is Severity.NOTICE else Weight.DOUBTS
            yield SafetyReason(weight=weight, says=f"{_sentence(finding.summary)}", do="See to that first.")


def _weigh_others(facts: Facts, array: Array, do: str | None, *, stops: bool = False) -> Iterator[SafetyReason]:
    """Whether the members that must carry the array until it is rebuilt show signs of failing themselves.

    `do` is what to do about such a sign; None: see to that member first. A critical one `stops` where that member could
    not be lost.
    """
    for home in _homes_of_others(facts, array):
        for finding in facts.findings:
            if not home.is_subject_of(finding) or finding.accepted is not None:
                continue
            says = _sentence(f"{home.name} must carry {array.name} meanwhile, and {finding.rule}: {finding.summary}")
            if finding.kind is Kind.SIGN and finding.severity is not Severity.NOTICE:
                weight = Weight.STOPS if stops and finding.severity is Severity.CRITICAL else Weight.DOUBTS
                see = f"See to {home.name} first: 'laneproof explain {finding.rule}'."
                yield SafetyReason(weight=weight, says=says, do=do or see)
            elif finding.kind is Kind.UNVERIFIED:
                yield _doubt(says, "Find out first.")


def _homes_of_others(facts: Facts, array: Array) -> Iterator[Position]:
    tree = facts.arrangement
    homes = {disk: drive.path for drive in tree.drives for disk in drive.disks}
    paths = {homes[member.disk] for member in array.members if is_working(member) and member.disk in homes} - {
        facts.position.path
    }
    for path in sorted(paths):
        yield describe_position(path, tree.build, tree.snapshot)


def _weigh_drive(facts: Facts) -> Iterator[SafetyReason]:
    occupant = facts.position.occupant
    if occupant is not None and not occupant.answers and not occupant.asleep:
        yield SafetyReason(weight=Weight.SPEAKS_FOR, says="It does not answer any more.")
    advised: set[str | None] = set()
    for finding in facts.findings:
        if finding.kind is Kind.UNVERIFIED or finding.accepted is not None or not facts.position.is_subject_of(finding):
            continue
        says = _sentence(f"It shows {finding.rule}: {finding.summary}")
        cause = finding.causes[0].cause if finding.causes else None
        if cause in _OF_THE_DRIVE or (cause is None and finding.kind is Kind.SIGN):
            yield SafetyReason(weight=Weight.SPEAKS_FOR, says=says)
        else:
            named = say_cause(cause) if cause else None
            likely = f"The likely cause is {named}" if named else "That can lie in the way to the drive"
            do = f"{likely}, which another drive would not cure: see 'laneproof explain {finding.rule}'."
            yield SafetyReason(weight=Weight.MIND, says=says, do="" if cause in advised else do)
            advised.add(cause)


def _weigh_lost_branch(facts: Facts) -> Iterator[SafetyReason]:
    """A slot that is no longer split hides sound drives: another one would be as invisible."""
    label = facts.position.declared.label if facts.position.declared else None
    for finding in facts.findings:
        if label in finding.missing_branches:
            yield _stop(
                f"{finding.summary}. What is in {facts.position.name} may be sound, and another drive would not "
                "be seen either.",
                "Set the slot's bifurcation in the board's firmware setup, and start again: see 'laneproof explain "
                f"{BIFURCATION_NOT_ACTIVE}'.",
            )


def _weigh_other_arrays(facts: Facts) -> Iterator[SafetyReason]:
    own = {membership.array.name for membership in facts.position.memberships}
    for array in facts.arrays:
        lost = count_lost(array)
        if array.name not in own and isinstance(lost, int) and lost:
            says = f"{array.name} runs without {lost} of its members; its other drives must stay where they are."
            yield SafetyReason(weight=Weight.MIND, says=says)


# --- what must not be touched -----------------------------------------------------------------------------------------


def list_keeps(facts: Facts) -> tuple[Keep, ...]:
    """List the positions that must not be touched: they carry an array that has lost, or is about to lose, a member."""
    own = {membership.array.name: membership.member for membership in facts.position.memberships}
    keeps: dict[str, Keep] = {}
    for array in facts.arrays:
        lost, survived = count_lost(array), count_spared(array)
        in_danger = array.state in _FAILED or array.sync_action in _AT_WORK or bool(lost)
        if not in_danger and array.name not in own:
            continue
        member_here = own.get(array.name)
        gone = (lost if isinstance(lost, int) else 0) + (member_here is not None and is_working(member_here))
        for member in array.members:
            keep = _keep(facts, array, member, gone, survived)
            if keep is not None:
                keeps.setdefault(keep.path or keep.name, keep)
    return tuple(keeps.values())


def _keep(facts: Facts, array: Array, member: ArrayMember, gone: int, survived: int | None) -> Keep | None:
    if not is_working(member):
        return None
    tree = facts.arrangement
    home = next((other for other in tree.drives if member.disk in other.disks), None)
    if home is not None and home.path == facts.position.path and survived is not None and gone <= survived:
        return None  # it is the one that may be taken out
    drive = home.name if home else member.name
    if home is not None and isinstance(home.serial, str):
        drive += f", serial {home.serial}"
    return Keep(
        path=home.path if home else None,
        name=(tree.label_of(home) or home.path) if home else member.name,
        drive=drive,
        why=_say_need(array, gone, survived),
    )


def _say_need(array: Array, gone: int, survived: int | None) -> str:
    if survived is None or gone < survived:
        return f"{array.name} needs it"
    loss = "a second loss" if survived else "its loss"
    return f"{loss} takes all data of {array.name}"


def _stop(says: str, do: str) -> SafetyReason:
    return SafetyReason(weight=Weight.STOPS, says=says, do=do)


def _doubt(says: str, do: str) -> SafetyReason:
    return SafetyReason(weight=Weight.DOUBTS, says=says, do=do)


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
