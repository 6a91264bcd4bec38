"""Contrasts between stages: what was seen, looked for and absent, or is not known, as features of the diagnosis.

Since a run changes one thing at a time, a difference between two of its stages is no coincidence of the day: what comes
with bits is the signal's, what comes on waking is power management's, and so on.
"""

from collections.abc import Mapping
from statistics import median

from laneproof.evidence.distributions import log_binomial_at_least
from laneproof.evidence.rate_comparison import RatioTest, against_siblings, each_against_the_others
from laneproof.past.drives import NEAR_WARNING_CELSIUS
from laneproof.proof.figure_text import say_microseconds
from laneproof.proof.run_record import LOADED, DriveRun, Exposure, Happening, LinkRun, ProofRun, StageName, WakeRun

Known = bool | None

FAILURES = ("gone", "reset", "time-out", "read-error", "media-error", "serious")
"""What is no mere error count."""
SLOW_SHARE = 0.5
"""Half of what its siblings give is slow. Source: NVMe fail-slow field study, USENIX ATC 2022 (twice as slow)."""
SLOWED_SHARE = 0.8
"""A drive that gives so much less at the end of the soak was slowed down. Our choice."""
SIBLINGS_P, SIBLINGS_RATIO = 1e-3, 3.0
FEWEST_ERRORS = 4
"""Fewer errors tell nothing of where they come from: any link makes one now and then. Our choice."""
AWAKE_READ_US = 500.0
"""A read of a flash drive that is awake and idle takes less. Common practice, no source."""
EXIT_SHARE = 0.1
"""A read that took so much of the stated time longer waited for the drive to wake. Our choice."""
MANY_MEDIA_ERRORS = 10
"""So many within one run are again and again. Our choice."""
_LOG_CONTRAST = -6.9  # ln 0.001
_LOG_RARE = -3.0  # ln 0.05, for the few failures that a run ever sees
_MOST, _FEW = 0.8, 0.2
_CONTRAST_RATIO = 10.0
_SPAN_CELSIUS = 15
_TOGETHER_SECONDS = 5.0


def find_features(run: ProofRun, drive: DriveRun) -> dict[str, Known]:
    """Find what a run shows of one drive and its link.

    Returns:
        By feature of the diagnosis, seen, absent or unknown.
    """
    link = run.link_of(drive)
    failures = [happened for happened in run.happenings if happened.name == drive.name and happened.kind in FAILURES]
    hot = _hot_only(link, drive)
    on_wake, all_loaded = _on_wake_only(run, link, failures), _all_loaded_only(link, hot)
    if on_wake is False and find_sleep(drive)[0] is False:
        on_wake = None  # a drive that never slept never woke
    above = None if link is None else is_above_siblings(run, link)
    # where it is known what brings the errors, that there are more than elsewhere says nothing besides
    is_explained = bool(above and (on_wake or hot or all_loaded))
    return {
        "aer_above_siblings": None if is_explained else above,
        "link_below_expected": None if link is None else is_below(link),
        "only_replays": _only_replays(link),
        "errors_follow_bits": _follow_bits(link, (on_wake, hot, all_loaded)),
        "errors_on_wake_only": on_wake,
        "errors_when_hot_only": hot,
        "errors_all_loaded_only": all_loaded,
        "slow_alone": is_slow_alone(run, drive),
        "slow_against_siblings": is_slow_alone(run, drive),
        "fails_on_small_reads": _fails_on_small_reads(drive, failures),
        "idle_states_on": drive.idle_states_on,
        # heat that shows below the drive's own limits is heat all the same, so cool minutes are none against it then
        "warning_minutes_rising": _was_too_warm(drive) or (None if hot else _was_too_warm(drive)),
        "media_errors_rising": bool(drive.media_errors or any(seen.kind == "media-error" for seen in failures)),
        "media_errors_often": True if drive.media_errors >= MANY_MEDIA_ERRORS else None,
        **_features_of_failures(run, drive, failures),
    }


def _features_of_failures(run: ProofRun, drive: DriveRun, failures: list[Happening]) -> dict[str, Known]:
    losses = [failure for failure in failures if failure.kind in ("gone", "reset", "time-out")]
    if not losses:
        return {}
    others = [
        happened
        for happened in run.happenings
        if happened.name != drive.name and happened.kind in ("gone", "reset", "time-out")
    ]
    company = [other for other in others if any(abs(other.at - loss.at) <= _TOGETHER_SECONDS for loss in losses)]
    warm = [
        loss.celsius >= drive.warning_celsius - NEAR_WARNING_CELSIUS
        for loss in losses
        if loss.celsius is not None and drive.warning_celsius is not None
    ]
    alike = {other.name for other in run.drives if (other.model, other.firmware) == (drive.model, drive.firmware)}
    names = {other.name for other in others}
    return {
        "drops_or_resets": True,
        "drops_after_idle_exit": all(loss.stage is StageName.WAKE for loss in losses),
        "drops_under_load": all(loss.stage in LOADED for loss in losses),
        "hot_before_drop": (any(warm) if warm else None),
        "several_drives_together": bool(company) if len(run.drives) > 1 else None,
        "same_model_affected": None if len(alike) == 1 else bool(names & alike) and not names - alike,
    }


# --- the link ---------------------------------------------------------------------------------------------------------


def compare_siblings(run: ProofRun, link: LinkRun) -> RatioTest | None:
    """Compare a link with the others that carried data and count; corrected for having asked so often."""
    counted = {
        other.path: (other.errors, other.bits)
        for other in run.links
        if other.counting_ends and other.bits and (not other.is_shared or other is link)
    }
    test = each_against_the_others(counted).get(link.path) if len(counted) > 1 else None
    return test if isinstance(test, RatioTest) else None


def is_above_siblings(run: ProofRun, link: LinkRun) -> Known:
    """Whether a link makes more errors for its bits than its siblings; None where there is nothing to compare."""
    test = compare_siblings(run, link)
    if test is None:
        return None
    enough = test.events >= FEWEST_ERRORS
    return enough and test.p <= SIBLINGS_P and (test.ratio or 0.0) >= SIBLINGS_RATIO


def is_below(link: LinkRun) -> Known:
    """Whether a link trained below what is declared, or without a declaration below what both ends can do."""
    wanted = (link.declared_gt_s or link.capable_gt_s, link.declared_lanes or link.capable_lanes)
    pairs = [(is_, want) for is_, want in zip((link.trained_gt_s, link.trained_lanes), wanted, strict=True) if want]
    if not pairs or any(is_ is None for is_, _ in pairs):
        return None
    return any(is_ < want for is_, want in pairs if is_ is not None)


def _only_replays(link: LinkRun | None) -> Known:
    if link is None or len(link.counting_ends) < 2 or not (link.repeats or link.errors):  # noqa: PLR2004 (both ends)
        return None
    return not link.errors


def _follow_bits(link: LinkRun | None, others: tuple[Known, ...]) -> Known:
    if link is None or link.errors < FEWEST_ERRORS:
        return None
    if any(others):
        return False
    under_load = link.exposure(*LOADED).errors
    if under_load < _MOST * link.errors or not link.exposure(StageName.ALONE, StageName.SMALL).errors:
        return None
    return True


def _on_wake_only(run: ProofRun, link: LinkRun | None, failures: list[Happening]) -> Known:
    if StageName.WAKE not in {stage.name for stage in run.stages}:
        return None
    if link is not None and max(link.errors, link.repeats) >= FEWEST_ERRORS:
        tally = link.stages.get(StageName.WAKE)
        whole = max(link.errors, link.repeats)
        on_wake = 0 if tally is None else max(tally.errors, tally.repeats)
        return True if on_wake >= _MOST * whole else False if on_wake <= _FEW * whole else None
    if not failures:
        return None
    seconds = {stage.name: stage.seconds for stage in run.stages}
    return _come_in_one_stage(StageName.WAKE, failures, seconds[StageName.WAKE] / max(sum(seconds.values()), 1.0))


def _come_in_one_stage(stage: StageName, failures: list[Happening], share: float) -> Known:
    """Whether all failures came in a stage that has this share of the time, and not by chance."""
    inside = sum(failure.stage is stage for failure in failures)
    if inside < len(failures):
        return None if inside else False
    return True if log_binomial_at_least(inside, inside, min(share, 1.0)) <= _LOG_RARE else None


def _all_loaded_only(link: LinkRun | None, hot: Known) -> Known:
    if link is None or hot or link.errors < FEWEST_ERRORS:
        return None
    alone, together = link.exposure(StageName.ALONE, StageName.SMALL), link.exposure(StageName.TOGETHER, StageName.HEAT)
    if not alone.bits or not together.bits:
        return None
    if _differ(together, alone):
        return True
    return False if alone.errors and not _differ(alone, together) else None


def _hot_only(link: LinkRun | None, drive: DriveRun) -> Known:
    """Whether trouble came only once it was hot: errors of the link, or the drive's own pace."""
    first, last = drive.first_heat_bytes, drive.last_heat_bytes
    slowed = first is not None and last is not None and last < SLOWED_SHARE * first
    if drive.throttled or (slowed and _was_too_warm(drive)):
        return True
    if link is None or sum(row.errors for row in link.by_celsius.values()) < FEWEST_ERRORS:
        return None
    steps = sorted(link.by_celsius)
    for split in steps[1:]:
        cold, hot = (_add(link.by_celsius, [at for at in steps if (at >= split) is is_hot]) for is_hot in (False, True))
        if cold.bits and _differ(hot, cold):
            return True
    return False if steps[-1] - steps[0] >= _SPAN_CELSIUS else None


def _add(rows: Mapping[int, Exposure], steps: list[int]) -> Exposure:
    return Exposure(bits=sum(rows[at].bits for at in steps), errors=sum(rows[at].errors for at in steps))


def _differ(more: Exposure, less: Exposure) -> bool:
    """Whether errors came at ten times the rate, and not by chance."""
    if not more.bits or not less.bits:
        return False
    test = against_siblings(more.errors, more.bits, less.errors, less.bits)
    return isinstance(test, RatioTest) and test.log_p <= _LOG_CONTRAST and (test.ratio or 0.0) >= _CONTRAST_RATIO


# --- the drive --------------------------------------------------------------------------------------------------------


def find_sleep(drive: DriveRun) -> tuple[Known, str]:
    """Find whether a drive really slept when it was left alone.

    It is not asked: a command for its power state may itself end the rest. What shows is the first read after it, which
    waits until the drive has left the state; the time that the drive states for that is the longest, so a tenth tells.

    Returns:
        Whether it did, None where that cannot be known; and by what that shows, or why it cannot.

    Source: NVM Express Base Specification 2.0, Identify Controller, Power State Descriptor, EXLAT (a maximum).
    """
    wake = drive.wake or WakeRun(why_unknown="it was not tried")
    if not wake.reads or wake.median_us is None or wake.longest_us is None:
        return None, wake.why_unknown or "no read after its rest ended"
    if wake.state is None:
        return None, "only its link rests, and a link wakes within the time of a read"
    awake = max(drive.small_read_us or 0.0, AWAKE_READ_US)
    if wake.exit_us is None or wake.exit_us < awake:
        stated = "not stated" if wake.exit_us is None else f"{say_microseconds(wake.exit_us)} at most"
        return None, f"the time to leave state {wake.state} is {stated}, which no read can show"
    telling = awake + EXIT_SHARE * wake.exit_us
    if wake.median_us >= telling:
        return True, f"a read after rest took {say_microseconds(wake.median_us)}: it came back from a state of rest"
    if wake.longest_us >= telling:
        return None, "some reads after rest took longer than one awake does, and most did not"
    return False, (
        f"it never entered state {wake.state}: the longest of {wake.reads} reads after {wake.idle_seconds:g} s of rest "
        f"took {say_microseconds(wake.longest_us)}, as awake; other use may keep it awake"
    )


def is_slow_alone(run: ProofRun, drive: DriveRun) -> Known:
    """Whether a drive gave alone less than half of what its siblings give, each by its own link.

    Siblings are drives of its model; where there is none, what its maker states stands for them.
    """
    own = _share(drive)
    if own is None or _was_cut_short(run, drive):
        return None
    siblings = [
        share for other in run.drives if other is not drive and other.model == drive.model and (share := _share(other))
    ]
    if siblings:
        return own < SLOW_SHARE * median(siblings)
    if drive.declared_read_bytes is not None:
        most = min(rate for rate in (drive.declared_read_bytes, drive.ceiling_bytes, run.rate_bytes) if rate)
        return (drive.rate(StageName.ALONE) or 0.0) < SLOW_SHARE * most
    return False if drive.ceiling_bytes and own >= SLOW_SHARE else None


def _was_cut_short(run: ProofRun, drive: DriveRun) -> bool:
    """Whether an error ended its load, so that its rate is not its pace."""
    return any(
        happened.name == drive.name and happened.kind == "read-error" and happened.stage is StageName.ALONE
        for happened in run.happenings
    )


def _share(drive: DriveRun) -> float | None:
    """Give a drive's rate alone as a share of what its link can carry; plain bytes a second where that is not known."""
    rate = drive.rate(StageName.ALONE)
    return None if rate is None else rate / (drive.ceiling_bytes or 1.0)


def _was_too_warm(drive: DriveRun) -> Known:
    if drive.warning_minutes or drive.held_back_seconds or (drive.stopped and "temperature" in drive.stopped):
        return True
    if drive.hottest_celsius is None or drive.warning_celsius is None:
        return None
    return drive.hottest_celsius >= drive.warning_celsius


def _fails_on_small_reads(drive: DriveRun, failures: list[Happening]) -> Known:
    small = drive.stages.get(StageName.SMALL)
    if not failures or small is None or not small.seconds:
        return None
    loaded = sum(tally.seconds for stage, tally in drive.stages.items() if stage in LOADED)
    return _come_in_one_stage(StageName.SMALL, failures, small.seconds / loaded)
