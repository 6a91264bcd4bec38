"""array-errors: what an array itself counted against its members or found to disagree.

Mismatches of mirrors can be harmless (a block that was rewritten while it was on its way to both, swap above all), so
they are a notice there; with parity they are not.
"""

from collections.abc import Iterator

from laneproof.advice import DEGRADED_ARRAY, advise
from laneproof.box.placement import Arrangement
from laneproof.declaration.raid_levels import LEVELS
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.arrays.member_positions import locate_disks
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import say_times
from laneproof_collectors.snapshot import Array
from laneproof_collectors.unread import Unread, if_read

_WITH_PARITY = tuple(level.name for level in LEVELS.values() if level.parity)
_LOST_DATA = ("corruption_errs", "generation_errs")
"""btrfs: a block whose checksum, or whose age, is not as written. Source: fs/btrfs/sysfs.c, error_stats."""

Said = tuple[str, Severity]


def _judge(current: Pass) -> Iterator[Finding]:
    arrangement = current.arrangement
    for array in if_read(current.snapshot.arrays):
        said = [*_find_mismatches(array), *_find_bad_blocks(arrangement, array), *_find_statistics(arrangement, array)]
        counts = (
            array.mismatch_sectors,
            *(member.bad_block_sectors for member in array.members),
            *array.error_statistics.values(),
        )
        gap = next((count for count in counts if isinstance(count, Unread)), None)
        if said:
            yield _report(array, said)
        elif gap is not None:
            yield ARRAY_ERRORS.report_unverified(gap, about=f"errors of array {array.name}", key=array.name)


def _find_mismatches(array: Array) -> Iterator[Said]:
    """Source: Documentation/admin-guide/md.rst, mismatch_cnt; md(4), on mirrors."""
    count = array.mismatch_sectors
    if not isinstance(count, int) or not count:
        return
    if array.level in _WITH_PARITY:
        yield f"its last check found {say_times(count, 'sector')} whose parity disagrees", Severity.WARNING
    else:
        yield f"its last check found {say_times(count, 'sector')} not the same in all copies", Severity.NOTICE


def _find_bad_blocks(arrangement: Arrangement, array: Array) -> Iterator[Said]:
    positions = locate_disks(arrangement)
    for member in array.members:
        if isinstance(member.bad_block_sectors, int) and member.bad_block_sectors:
            where = positions.get(member.disk) or member.name
            yield f"it lists {say_times(member.bad_block_sectors, 'sector')} of {where} as bad", Severity.WARNING


def _find_statistics(arrangement: Arrangement, array: Array) -> Iterator[Said]:
    positions = locate_disks(arrangement)
    disks = {member.name: member.disk for member in array.members}
    for device, counts in array.error_statistics.items():
        if isinstance(counts, Unread):
            continue  # said by _judge
        if above_zero := {name: count for name, count in counts.items() if count}:
            where = positions.get(disks.get(device, device)) or device
            words = ", ".join(
                say_times(count, f"{name.removesuffix('_errs')} error") for name, count in above_zero.items()
            )
            severity = Severity.CRITICAL if any(name in above_zero for name in _LOST_DATA) else Severity.WARNING
            yield f"{where} has {words}", severity


def _report(array: Array, said: list[Said]) -> Finding:
    words = "; ".join(text for text, _ in said)
    return ARRAY_ERRORS.report(
        severity=max((severity for _, severity in said), key=lambda severity: severity.rank),
        key=array.name,
        summary=f"array {array.name}: {words}",
        evidence={
            "array": array.name,
            "mismatch_sectors": array.mismatch_sectors,
            "bad_block_sectors": {member.name: member.bad_block_sectors for member in array.members},
            "error_statistics": array.error_statistics,
        },
    )


ARRAY_ERRORS = Rule(
    name="array-errors",
    kind=Kind.SIGN,
    statement="No array found its members to disagree, or lists sectors or errors of theirs.",
    why=(
        "An array hides its members' errors as long as it can; what it keeps of them is the only trace. Parity that "
        "disagrees means that one member returned something else than was written, and nobody noticed."
    ),
    next_steps=advise(
        "Make sure that a good backup exists before anything else; a repair chooses one version, not the right one.",
        "Look for the reason: memory-errors, signal-errors, unsafe shutdowns, a member that is failing.",
        "Check the array once more: a count that returns to 0 was an interrupted write, one that grows is not.",
        DEGRADED_ARRAY,
        "btrfs keeps its counts until they are reset by hand: note them before, then see whether they grow.",
    ),
    judge=_judge,
    examples=(
        holds("nothing was counted"),
        sign(
            "the last check found parity that disagrees",
            "array md0: its last check found 128 sectors whose parity disagrees",
        ),
        sign("a checksum of btrfs did not fit", "array md0: riser-2 has 3 corruption errors"),
    ),
    sources=(
        "Linux Documentation/admin-guide/md.rst: mismatch_cnt, bad_blocks; md(4)",
        "Linux fs/btrfs/sysfs.c: error_stats",
    ),
)
