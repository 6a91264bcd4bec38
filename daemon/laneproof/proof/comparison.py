"""Two runs of one box compared: what a new cable, adapter, slot, firmware or fan did, with a bound."""

import math
from collections.abc import Iterator

from laneproof.declaration.units import format_rate
from laneproof.evidence.fix_trial import TrialOutcome, TrialVerdict, judge_trial
from laneproof.evidence.rate_comparison import RatioTest, against_siblings
from laneproof.proof.figure_text import say_count, say_microseconds, say_power
from laneproof.proof.judgement import say_errors, say_link
from laneproof.proof.run_record import DriveRun, KeptModel, LinkRun, ProofRun, StageName

_ALPHA = 0.05
_TELLING_SHARE = 0.1
"""A rate that moved by less than a tenth is the same. Our choice: a run's own scatter is some per cent."""
_TELLING_CELSIUS = 3.0
_WAKE_RATIO = 2.0


class Compared(KeptModel):
    """What became of one position from one run to the other, in sentences; none where nothing moved."""

    name: str
    says: tuple[str, ...]


def compare_runs(before: ProofRun, after: ProofRun) -> tuple[Compared, ...]:
    """Compare two runs, position by position; a drive that is in another position now is followed."""
    earlier = {drive.path: drive for drive in before.drives}
    compared = []
    for drive in after.drives:
        known = earlier.get(drive.path)
        says = [*_follow_drive(before, after, drive)]
        if known is not None:
            says += [*_say_changes(before, after, known, drive), *_compare_links(before, after, known, drive)]
            says += _compare_drives(known, drive)
        elif not says:
            says = ["it was not in the earlier run"]
        compared.append(Compared(name=drive.name, says=tuple(says)))
    return tuple(compared)


def _say_changes(before: ProofRun, after: ProofRun, known: DriveRun, drive: DriveRun) -> Iterator[str]:
    parts = before.parts.get(known.name, ""), after.parts.get(drive.name, "")
    if parts[0] != parts[1]:
        yield f"changed: through {parts[0] or 'nothing'}, now {parts[1] or 'nothing'}"
    if known.serial != drive.serial:
        yield f"changed: another drive, {drive.serial or 'no number'}, for {known.serial or 'no number'}"
    elif known.firmware != drive.firmware:
        yield f"changed: firmware {known.firmware}, now {drive.firmware}"


def _follow_drive(before: ProofRun, after: ProofRun, drive: DriveRun) -> Iterator[str]:
    """Say whether errors went with a drive that was moved, or stayed with its position."""
    came_from = next(
        (old for old in before.drives if drive.serial and old.serial == drive.serial and old.path != drive.path),
        None,
    )
    if came_from is None:
        return
    then, now = before.link_of(came_from), after.link_of(drive)
    left = next((link for link in after.links if link.path == came_from.path), None)
    yield f"changed: its drive was in {came_from.name}"
    if then is None or now is None or left is None or not (then.errors and _counts(now) and _counts(left)):
        return
    if now.errors and not left.errors:
        yield f"the errors went with the drive: {say_count(now.errors, 'error')} here, none in {came_from.name} now"
    elif left.errors and not now.errors:
        yield f"the errors stayed with {came_from.name}: they are of socket, adapter or cable"


def _compare_links(before: ProofRun, after: ProofRun, known: DriveRun, drive: DriveRun) -> Iterator[str]:
    then, now = before.link_of(known), after.link_of(drive)
    if then is None or now is None:
        return
    was, is_ = (say_link(link.trained_gt_s, link.trained_lanes) for link in (then, now))
    if was != is_:
        yield f"its link trained at {was}, now at {is_}"
    if then.errors or now.errors:
        if _counts(then) and _counts(now):
            yield from _compare_errors(then, now)
        else:
            yield "its errors are not compared: in one of the runs it carried nothing, or neither end counted"


def _counts(link: LinkRun) -> bool:
    """Whether no error says anything of a link."""
    return bool(link.counting_ends and link.bits)


def _compare_errors(then: LinkRun, now: LinkRun) -> Iterator[str]:
    yield f"{say_errors(then).replace('it carried', 'then')}; {say_errors(now).replace('it carried', 'now')}"
    worse = against_siblings(now.errors, now.bits, then.errors, then.bits)
    if isinstance(worse, RatioTest) and now.errors:
        bounds = worse.ratio_bounds()
        high = "any number of" if math.isinf(bounds.upper) else f"{bounds.upper:.2g}"
        yield f"that is at least {bounds.lower:.2g} and at most {high} times as many a bit (95 %)"
    fix = judge_trial(then.errors, then.bits, now.errors, now.bits, _ALPHA)
    if not isinstance(fix, TrialVerdict):
        return
    yield {
        TrialOutcome.CURED: "cured: so few errors come by chance in fewer than one of twenty runs",
        TrialOutcome.BETTER: "better, and not clean",
        TrialOutcome.NOT_CURED: "not cured",
        TrialOutcome.COUNTING: f"clean so far: {say_power(fix.remaining_seconds)} bits more would show a cure",
    }[fix.outcome]


def _compare_drives(known: DriveRun, drive: DriveRun) -> Iterator[str]:
    was, is_ = known.rate(StageName.ALONE), drive.rate(StageName.ALONE)
    if was and is_ and abs(is_ - was) > _TELLING_SHARE * was:
        yield f"it gave {format_rate(was)} alone, now {format_rate(is_)}"
    if known.hottest_celsius is not None and drive.hottest_celsius is not None:
        cooler = known.hottest_celsius - drive.hottest_celsius
        if abs(cooler) >= _TELLING_CELSIUS and known.stages.keys() == drive.stages.keys():
            yield f"its hottest was {known.hottest_celsius:.0f} °C, now {drive.hottest_celsius:.0f} °C"
    then, now = (run_drive.wake.median_us if run_drive.wake else None for run_drive in (known, drive))
    if then and now and not 1 / _WAKE_RATIO < now / then < _WAKE_RATIO:
        yield f"waking took {say_microseconds(then)}, now {say_microseconds(now)}"
