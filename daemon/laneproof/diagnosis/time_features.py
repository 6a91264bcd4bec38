"""When episodes come: after an update, or at regular times."""

import math
from itertools import accumulate, pairwise
from statistics import fmean, median

from laneproof.diagnosis.case import DAY, Case
from laneproof.diagnosis.link_features import errors_before
from laneproof.diagnosis.three_valued import Known
from laneproof.evidence.episode_patterns import Clockwork, clockwork, merge_into_episodes, repeats_with_boot
from laneproof.past.changes import UPDATES

_NEAR_UPDATE_SECONDS = 7 * DAY
_FAR_UPDATE_SECONDS = 30 * DAY
_FEWEST_EVEN_GAPS, _EVEN, _SPARE_PERIODS = 2, 0.2, 1.5
_CLOCK_VARIATION = 0.5  # what varies more is no clock, however sure it is that it is not chance either
_STEADY, _SCHEDULE_SHARE = 0.15, 0.02
_SAME_HOUR = 0.1  # days
_OFF_BEAT, _MOST_BEATS, _FEWEST_BEATS, _MOST_ON_TIME = 0.06, 3, 6, 0.9


def began_after_update(case: Case) -> Known:
    """It began soon after an update of the kernel or of firmware."""
    return _began_after(case, UPDATES)


def began_after_drive_firmware(case: Case) -> Known:
    """It began soon after an update of the drive's own firmware."""
    return _began_after(case, ("drive-firmware",))


def _began_after(case: Case, kinds: tuple[str, ...]) -> Known:
    since = case.since
    if since is None:
        return None
    reach = _firmware_reach(case)
    near = _NEAR_UPDATE_SECONDS if reach is None else reach
    found = case.ledger.changes.near(since, path=case.path, serial=case.serial, before=_FAR_UPDATE_SECONDS, after=0.0)
    changes = [change for change in found if change.what in kinds]
    explaining = [change for change in changes if not errors_before(case, change.at)]
    ages = [(change.what, since - change.at) for change in explaining]
    if any(age <= (near if what == "drive-firmware" else _NEAR_UPDATE_SECONDS) for what, age in ages):
        return True
    if len(explaining) < len(changes):
        return None  # its link made errors before that update
    if reach is None and any(what == "drive-firmware" for what, _ in ages):
        return None  # it may yet turn out to be a slow clock that the update set going
    return False if since - case.ledger.timeline.began_at >= near else None


def _firmware_reach(case: Case) -> float | None:
    """Say how long before the first episode an update of the drive's firmware may lie; None while that is not known.

    A counter in new firmware brings the first episode only when it runs out. So where episodes come at even gaps, the
    update may lie one and a half gaps back. Where they come at random, it may lie a week back, as a kernel or the
    board's firmware always may and no more: these are updated so often that some update lies within a month before the
    first episode of a bad cable too.
    """
    times = merge_into_episodes(episode.dropped_at for episode in case.episodes)
    gaps = [later - earlier for earlier, later in pairwise(times)]
    if len(gaps) < _FEWEST_EVEN_GAPS:
        return None
    usual = median(gaps)
    if any(abs(gap - usual) > _EVEN * usual for gap in gaps):
        return _NEAR_UPDATE_SECONDS
    return max(_NEAR_UPDATE_SECONDS, min(_SPARE_PERIODS * usual, _FAR_UPDATE_SECONDS))


def regular_period(case: Case) -> Known:
    """It comes at regular times."""
    found = _find_clock(case)
    if found is None:
        return None
    clock, gaps = found
    is_regular = (clock.is_periodic and clock.variation <= _CLOCK_VARIATION) or _keeps_beat(gaps)
    if is_regular and _come_at_one_hour(gaps):
        return None  # a nightly job is regular, whatever fails under it
    return is_regular


def period_of_its_own(case: Case) -> Known:
    """It comes by a clock that is no hour of the day."""
    regular, found = regular_period(case), _find_clock(case)
    if not regular or found is None:
        return regular
    clock, gaps = found
    if clock.variation > _STEADY and not _keeps_beat(gaps):
        return None
    hours = median(gaps) / 3600.0
    scheduled = (*(hour for hour in range(1, 25) if 24 % hour == 0), *(24 * day for day in range(2, 32)))
    return True if all(abs(hours - period) > _SCHEDULE_SHARE * period for period in scheduled) else None


def _find_clock(case: Case) -> tuple[Clockwork, list[float]] | None:
    """Judge how regular the last gaps are, and give all; None where they are too few, or passes too rare for them."""
    times = merge_into_episodes(episode.dropped_at for episode in case.episodes)
    clock = clockwork(times)
    coarse = max((episode.uncertain_seconds for episode in case.episodes), default=0.0)
    if not isinstance(clock, Clockwork) or clock.mean_gap_seconds < 10 * coarse:
        return None  # the passes are regular, not the episodes
    if repeats_with_boot(times, case.ledger.boot_times):
        return None
    return clock, [later - earlier for earlier, later in pairwise(times)]


def _keeps_beat(gaps: list[float]) -> bool:
    """Whether nearly all gaps are one beat long, or two or three where a beat was missed."""
    beat = median(gaps)
    beats = [gap / beat for gap in gaps]
    on_time = sum(abs(beat - round(beat)) <= _OFF_BEAT and 1 <= round(beat) <= _MOST_BEATS for beat in beats)
    return len(gaps) >= _FEWEST_BEATS and on_time >= _MOST_ON_TIME * len(gaps)


def _come_at_one_hour(gaps: list[float]) -> bool:
    """Whether nearly all episodes come at one hour of the day, as what comes with a nightly job does.

    A clock of the drive's own wanders through the day, unless its period is a whole number of days to the minute.
    """
    hours = [moment % DAY / DAY for moment in accumulate(gaps, initial=0.0)]
    x = fmean(math.cos(math.tau * hour) for hour in hours)
    y = fmean(math.sin(math.tau * hour) for hour in hours)
    middle = math.atan2(y, x) / math.tau
    off = [abs((hour - middle + 0.5) % 1.0 - 0.5) for hour in hours]
    return sum(distance <= _SAME_HOUR for distance in off) >= _MOST_ON_TIME * len(off)
