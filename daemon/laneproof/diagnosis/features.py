"""What was seen, what was looked for and is not there, and what nobody knows: the features of one case.

Rules of this module: a feature is *absent* only where it was looked for and would have shown; what was not recorded is
unknown, adds nothing, and is never taken for absent. Each question is one small function in the table at the end.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from itertools import accumulate, pairwise
from statistics import fmean, median

from laneproof.diagnosis.case import DAY, LOOK_BACK_SECONDS, Case
from laneproof.evidence.counts import Surprise
from laneproof.evidence.disconnects import Clockwork, clockwork, merge_into_episodes, repeats_with_boot, state_share
from laneproof.evidence.rates import RatioTest, against_history, against_siblings
from laneproof.evidence.trial import TrialOutcome
from laneproof.past.changes import UPDATES
from laneproof.past.drives import NEAR_WARNING_CELSIUS, DriveRecord
from laneproof.past.episodes import HEAT_LASTS_SECONDS, Before, Episode
from laneproof.past.link_errors import MOST_READINGS, LinkRecord
from laneproof.past.load import IDLE, LOADED, WORKING
from laneproof.past.tally import total

Known = bool | None

_NEAR_UPDATE_SECONDS = 7 * DAY
_FAR_UPDATE_SECONDS = 30 * DAY
_FEWEST_EVEN_GAPS, _EVEN, _SPARE_PERIODS = 2, 0.2, 1.5
_ERRORS_SECONDS = 14 * DAY
_FEWEST_ERRORS = 8
_FEWEST_MARKED = 4
_FEWEST_ERROR_DAYS = 4
_SPARE_POINTS = 2
_MANY_OCCASIONS = 5
_ERROR_RATIO = 3.0
_ERROR_P = 1e-3
_HALF = 0.5
_FEW = 0.25
_SURE_SHARE = 0.7
_SURE_P = 0.06
_COMMON_SHARE = 0.65
_TOGETHER_SECONDS = 60.0
_CLOCK_VARIATION = 0.5  # what varies more is no clock, however sure it is that it is not chance either
_STEADY, _SCHEDULE_SHARE = 0.15, 0.02
_SAME_HOUR = 0.1  # days
_OFF_BEAT, _MOST_BEATS, _FEWEST_BEATS, _MOST_ON_TIME = 0.06, 3, 6, 0.9
_MOSTLY_IDLE, _MOSTLY_LOADED = 0.85, 0.7
_LONG_WINDOW_SECONDS = 1000.0
_FEWEST_COMPARED_HOURS = 24
_FEWEST_HEAT_HOURS = 24


def find_features(case: Case) -> dict[str, Known]:
    """Find the features of a case.

    Args:
        case: The place, the drive, and what the ledger holds of both.

    Returns:
        By feature: True for seen, False for looked for and absent, None for unknown.
    """
    found = {name: ask(case) for name, ask in QUESTIONS.items()}
    if case.drops and case.drops[-1].dropped_at < case.ledger.timeline.began_at:
        # all that is known of them is what the log told afterwards: nobody looked for anything while it dropped
        found |= {name: None for name in _LOOKED_FOR if found[name] is False}
    return found


_LOOKED_FOR = (
    "aer_above_siblings",
    "errors_between_drops",
    "warning_minutes_rising",
    "slow_against_siblings",
    "media_errors_rising",
    "spare_falling",
)


def _majority(answers: Iterable[Known]) -> Known:
    """Seen in half of the cases that are known, absent where in hardly any; in between nothing is said."""
    known = [one for one in answers if one is not None]
    if not known:
        return None
    share = sum(known) / len(known)
    return True if share >= _HALF else False if share <= _FEW else None


# --- the link ---------------------------------------------------------------------------------------------------------


def _aer_above_siblings(case: Case) -> Known:
    if "signal-errors" in case.told:
        return True
    mine = [one for one in case.links if one.path == case.path or one.serial == case.serial]
    others = [
        one for one in case.ledger.links.records.values() if one.watched and all(one is not record for record in mine)
    ]
    if any(_is_above(one, others, case.now) for one in mine):
        return True
    here = case.ledger.links.at(case.path)
    records = [here] if here is not None else mine
    watched = any(
        one.last_at - one.first_at >= DAY and any(end.was_counted and end.hidden_since is None for end in one.ends)
        for one in records
    )
    return False if watched else None


def _errors_between_drops(case: Case) -> Known:
    """Errors that go along with a disconnect are not in the series; what is there came in between."""
    above = _aer_above_siblings(case)
    if not above:
        return above
    since = case.now - 2 * _ERRORS_SECONDS
    days = {
        int(row.begins // DAY) for one in case.links for row in one.series.rows if row.begins >= since and row.errors
    }
    return len(days) >= _FEWEST_ERROR_DAYS or None


def _is_above(record: LinkRecord, others: list[LinkRecord], now: float) -> bool:
    since = max(now - _ERRORS_SECONDS, record.steady_since)
    if len(record.readings) < MOST_READINGS and sum(n for at, n in record.readings if at >= since) < _FEWEST_ERRORS:
        return False  # what most links are
    tally = record.series.since(since)
    if tally.errors < _FEWEST_ERRORS or tally.marked < _FEWEST_MARKED:
        return False
    before = record.series.between(record.steady_since, since)
    siblings = total([one.series.since(since) for one in others], begins=since)
    # by minutes with errors, so that one burst is one event
    tests = (
        against_siblings(tally.marked, tally.units, siblings.marked, siblings.units),
        against_history(tally.marked, tally.units, before.marked, before.units),
    )
    return any(
        isinstance(test, RatioTest) and test.p <= _ERROR_P and (test.ratio or 0.0) >= _ERROR_RATIO for test in tests
    )


def _link_below_expected(case: Case) -> Known:
    if {"link-retrained-down", "link-degraded-on-some-boots"} & case.told.keys():
        return True
    reasons = [one for rule in ("link-slow", "link-narrow") for one in case.told.get(rule, ())]
    if any(one in ("training", "wiring", "unknown") for one in reasons):
        return True
    record = case.ledger.training.records.get(case.path)
    if record is None or not record.boots or record.boots[-1].missing:
        return None
    last = record.boots[-1]
    if last.capable_gt_s is None or last.capable_lanes is None:
        return None
    return False if not reasons else None


def _only_replays(case: Case) -> Known:
    whole = total(row for record in case.links for row in record.series.rows)
    if not whole.errors or whole.marked < _FEWEST_MARKED:
        return None
    return whole.most == 0 and whole.port_replays + whole.device_replays > 0


def _cured(what: str) -> Callable[[Case], Known]:
    def ask(case: Case) -> Known:
        trial = case.trial(what)
        if trial is None:
            return None
        return trial.outcome == TrialOutcome.CURED

    return ask


# --- load, idleness, heat ---------------------------------------------------------------------------------------------


def _drops_after_idle_exit(case: Case) -> Known:
    """It came while the drive had been idle, or just as work began again."""
    known = [drop.before for drop in case.drops if drop.before.load is not None]
    # a long window may hold both work and rest, and says nothing where it holds some of both
    is_long = bool(known) and median(one.window_seconds or 0.0 for one in known) > _LONG_WINDOW_SECONDS
    states = [state for one in known if (state := _state_before(one)) is not None]
    answers = [state == IDLE for state in states if not is_long or state != WORKING]
    among = (IDLE, LOADED) if is_long else (IDLE, WORKING, LOADED)
    return _favours(sum(answers), len(answers), _share_of(case, IDLE, among), mostly=_MOSTLY_IDLE)


def _drops_under_load(case: Case) -> Known:
    """It came under load; drops in between, with a little to do, speak neither for it nor against."""
    answers = [one for drop in case.drops if (one := _was_loaded(drop.before)) is not None]
    return _favours(sum(answers), len(answers), _share_of(case, LOADED, (IDLE, LOADED)), mostly=_MOSTLY_LOADED)


def _was_loaded(before: Before) -> Known:
    if {before.load, before.load_during} == {WORKING, LOADED}:
        return True
    state = _state_before(before)
    return True if state == LOADED else False if state == IDLE else None


def _state_before(before: Before) -> str | None:
    """Say how busy a drive was when it dropped; None where that may have changed since the last look."""
    age = before.window_seconds if before.load_age_seconds is None else before.load_age_seconds
    if (age or 0.0) <= _LONG_WINDOW_SECONDS or before.load == before.load_during:
        return before.load
    return None


def _share_of(case: Case, state: str, among: tuple[str, ...]) -> float | None:
    """Give the share of time in a state, of the drives that dropped, as it was by their last drops.

    Time that goes on without a drop would move it to and fro over a threshold, and the cause named with it.
    """
    told = {drop.serial: drop.before.state_seconds for drop in case.drops if drop.before.state_seconds}
    whole = sum(seconds.get(one, 0.0) for seconds in told.values() for one in among)
    return sum(seconds.get(state, 0.0) for seconds in told.values()) / whole if whole > 0 else None


def _favours(count: int, whole: int, share: float | None, *, mostly: float) -> Known:
    """Whether drops favour a state that holds for a share of the time.

    Most drops in a state mean nothing where it holds most of the time: seen are only those that chance would not put
    there, or nearly all of several in a state that does not hold nearly always. Absent it is where hardly any came in
    the state, or where too few did for a fault of that kind, which would put `mostly` of them there.
    """
    if whole == 0:
        return None
    if count <= _FEW * whole or _is_unlikely(whole - count, whole, 1.0 - mostly):
        return False
    if share is None or not 0.0 < share < 1.0 or count < _SURE_SHARE * whole:
        return None
    common = whole >= _FEWEST_MARKED and share <= _COMMON_SHARE
    return True if common or _is_unlikely(count, whole, share) else None


def _is_unlikely(count: int, whole: int, share: float) -> bool:
    surprise = state_share(count, whole, share)
    return isinstance(surprise, Surprise) and surprise.log_p <= _LOG_SURE


_LOG_SURE = -2.81  # ln 0.06: four of four in a state that holds half of the time


def _hot_before_drop(case: Case) -> Known:
    return _majority(_was_hot(case, one) for one in case.drops)


def _was_hot(case: Case, drop: Episode) -> Known:
    """Ask the last reading, and where that was too old, the drive's own minutes above its limits."""
    if drop.before.hot is not None:
        return drop.before.hot
    drive = case.ledger.drives.records.get(drop.serial)
    counts = [one for one in _HOT_MINUTES if drive is not None and drive.counters.get(one)]
    if drive is None or drop.before.celsius is None or drop.returned_at is None or not counts:
        return None
    since = drop.started - drop.uncertain_seconds
    until = drop.returned_at + HEAT_LASTS_SECONDS
    if any(since < rise.at <= until for one in counts for rise in drive.risen(one)):
        return True  # it counted some between the readings before and after
    # a drive that is known to count, and was well below its limit, counted none
    limit = drop.before.warning_celsius
    is_cool = limit is not None and drop.before.celsius < limit - NEAR_WARNING_CELSIUS
    return False if is_cool and drive.counters_at >= drop.returned_at else None


_HOT_MINUTES = ("warning_temperature_minutes", "critical_temperature_minutes")


def _warning_minutes_rising(case: Case) -> Known:
    drive = case.drive
    if drive is None:
        return None
    since = case.now - 30 * DAY
    counted = drive.risen("warning_temperature_minutes", since) + drive.risen("critical_temperature_minutes", since)
    seen = drive.seen_heat(since)
    if counted or seen.minutes or "overheating" in case.told:
        return True
    hot = drive.is_hot()
    if hot is None:
        return None
    is_counted = "warning_temperature_minutes" in drive.counters and case.now - drive.health_since >= DAY
    return False if (is_counted or seen.hours >= _FEWEST_HEAT_HOURS) and not hot else None


def _slow_against_siblings(case: Case) -> Known:
    if "drive-fail-slow" in case.told:
        return True
    if case.drive is None:
        return None
    compared = sum(len(one.hours) for one in case.drive.load.slow_days)
    return False if compared >= _FEWEST_COMPARED_HOURS and not case.drive.load.spells else None


# --- the drive --------------------------------------------------------------------------------------------------------


def _media_errors_rising(case: Case) -> Known:
    if case.media or "spare-low" in case.told:
        return True
    read = case.drive is not None and "media_errors" in case.drive.counters
    return False if read and case.drive is not None and case.now - case.drive.health_since >= DAY else None


def _media_errors_often(case: Case) -> Known:
    """Seen from a handful of occasions on; fewer, or none, say no more than that there were any."""
    return True if len(case.media) >= _MANY_OCCASIONS else None


def _spare_falling(case: Case) -> Known:
    drive = case.drive
    if drive is None or not drive.spare.rows:
        return None
    if drive.spare.rows[0][2] - drive.spare.rows[-1][2] >= _SPARE_POINTS:
        return True
    return False if case.now - drive.health_since >= _NEAR_UPDATE_SECONDS else None


def _still_on_the_bus(case: Case) -> Known:
    # commands that timed out say nothing of it: a drive that is gone does not answer them either. Its config space may
    # answer where its registers do not (nvme_warn_reset tells both): the registers alone tell of a link that carries
    return _majority(one.answered for one in case.drops)


def _power_lost_at_drive(case: Case) -> Known:
    if "unsafe-shutdowns-rising" in case.told:
        return True
    return _majority(one.power_lost for one in case.drops)


def _power_cycle_needed(case: Case) -> Known:
    return _majority(_needed_power(one.boot, one.returned_boot, cycled=one.cycled) for one in case.drops)


def _needed_power(boot: int, returned_boot: int | None, *, cycled: bool | None) -> Known:
    if returned_boot is None:
        return None
    if returned_boot == boot or cycled is False:
        return False  # by itself, or with a plain restart
    if cycled and returned_boot > boot + 1:
        return True  # a plain restart was not enough
    return None


def _idle_states_on(case: Case) -> Known:
    told = [one.before.idle_states for one in case.drops]
    known = [one for one in told if one is not None]
    if known:
        return any(known)
    # where they were switched off for a cure, that is not how it was
    return case.was_tried("idle-states") or case.ledger.idle_states(case.path).on


# --- places, others, times --------------------------------------------------------------------------------------------


def _drops_or_resets(case: Case) -> Known:
    if any(not one.only_aborted for one in case.drops) or _power_losses(case.drive, case.now):
        return True
    if case.drops:
        return None  # commands that were taken back are neither
    return False if case.watched_seconds >= _NEAR_UPDATE_SECONDS else None


def _follows_slot_on_swap(case: Case) -> Known:
    """Seen: the same place had it with another drive. Absent: this drive had it in another place."""
    here = [one for one in case.drops if one.path == case.path and one.serial == case.serial]
    if not here or not case.serial:
        return None
    moved_at = max((at for at, path in case.drive.paths if path == case.path), default=0.0) if case.drive else 0.0
    since = [one for one in here if one.dropped_at >= moved_at]
    if not since:
        return None
    if any(one.path == case.path and one.serial not in ("", case.serial) for one in case.drops):
        return True
    return False if any(one.path != case.path for one in case.drops) else None


def _power_losses(drive: DriveRecord | None, now: float) -> list[float]:
    """Give when a drive was seen to have lost its power while the machine ran on."""
    rises = drive.risen("unsafe_shutdowns", now - LOOK_BACK_SECONDS) if drive is not None else []
    return [one.at for one in rises if one.same_boot]


def _lost_power_together(case: Case) -> Known:
    """Where no disconnect was seen at all, drives that lost their power between the same two looks lost it together."""
    mine = _power_losses(case.drive, case.now)
    others = [
        at
        for one in case.ledger.drives.records.values()
        if one is not case.drive
        for at in _power_losses(one, case.now)
    ]
    return _majority(any(abs(at - other) <= _TOGETHER_SECONDS for other in others) for at in mine)


def _several_drives_together(case: Case) -> Known:
    if not case.drops:
        return _lost_power_together(case)
    others = [
        one
        for one in case.ledger.episodes.episodes
        if one.counts and one.path != case.path and (not case.serial or one.serial != case.serial)
    ]
    if len(case.ledger.drives.records) < 2:  # noqa: PLR2004 (a lone drive has no company)
        return None
    reach = [max(_TOGETHER_SECONDS, one.uncertain_seconds) for one in case.drops]
    answers = [
        bool(drop.together)
        or any(abs(other.dropped_at - drop.dropped_at) <= max(d, other.uncertain_seconds) for other in others)
        for drop, d in zip(case.drops, reach, strict=True)
    ]
    return _majority(answers)


def _same_model_affected(case: Case) -> Known:
    drive = case.drive
    if drive is None or drive.model is None or not case.drops:
        return None
    peers = [
        one
        for one in case.ledger.drives.records.values()
        if one is not drive and one.model == drive.model and one.firmware == drive.firmware
    ]
    strangers = [one for one in case.ledger.drives.records.values() if one.model != drive.model]
    if not peers:
        return None
    lost = {
        one.serial for one in case.ledger.episodes.episodes if one.counts and not one.together and not one.only_aborted
    }
    if not any(one.serial in lost for one in peers):
        return False
    return True if strangers and not any(one.serial in lost for one in strangers) else None


def _began_after_update(case: Case) -> Known:
    return _began_after(case, UPDATES)


def _began_after_drive_firmware(case: Case) -> Known:
    return _began_after(case, ("drive-firmware",))


def _began_after(case: Case, kinds: tuple[str, ...]) -> Known:
    since = case.since
    if since is None:
        return None
    reach = _firmware_reach(case)
    near = _NEAR_UPDATE_SECONDS if reach is None else reach
    changes = case.ledger.changes.near(since, path=case.path, serial=case.serial, before=_FAR_UPDATE_SECONDS, after=0.0)
    ages = [(one.what, since - one.at) for one in changes if one.what in kinds]
    if any(age <= (near if what == "drive-firmware" else _NEAR_UPDATE_SECONDS) for what, age in ages):
        return True
    if reach is None and any(what == "drive-firmware" for what, _ in ages):
        return None  # it may yet turn out to be a slow clock that the update set going
    return False if since - case.ledger.timeline.began_at >= near else None


def _firmware_reach(case: Case) -> float | None:
    """Say how long before the first drop an update of the drive's firmware may lie; None while that is not known.

    A counter that the update set going brings the first drop only after its own period. So where the drops come by a
    slow clock, its period counts, with half of it to spare. Where they come at random it does not; and kernels and the
    board's firmware, which are updated every few weeks anyway, never have more than the week: some update lies within a
    month before the first drop of a bad cable too.
    """
    times = merge_into_episodes(one.dropped_at for one in case.drops)
    gaps = [later - earlier for earlier, later in pairwise(times)]
    if len(gaps) < _FEWEST_EVEN_GAPS:
        return None
    usual = median(gaps)
    if any(abs(gap - usual) > _EVEN * usual for gap in gaps):
        return _NEAR_UPDATE_SECONDS
    return max(_NEAR_UPDATE_SECONDS, min(_SPARE_PERIODS * usual, _FAR_UPDATE_SECONDS))


def _find_clock(case: Case) -> tuple[Clockwork, list[float]] | None:
    """Judge the gaps between episodes; nothing where there are too few, or they were seen only by looking now and then.

    Returns:
        How regular the last ones are, and all gaps.
    """
    times = merge_into_episodes(one.dropped_at for one in case.drops)
    clock = clockwork(times)
    coarse = max((one.uncertain_seconds for one in case.drops), default=0.0)
    if not isinstance(clock, Clockwork) or clock.mean_gap_seconds < 10 * coarse:
        return None  # the looks are regular, not the drops
    if repeats_with_boot(times, case.ledger.boot_times):
        return None
    return clock, [later - earlier for earlier, later in pairwise(times)]


def _keeps_beat(gaps: list[float]) -> bool:
    """Whether nearly all gaps are one beat long, or two or three where a beat was missed."""
    beat = median(gaps)
    beats = [gap / beat for gap in gaps]
    on_time = sum(abs(one - round(one)) <= _OFF_BEAT and 1 <= round(one) <= _MOST_BEATS for one in beats)
    return len(gaps) >= _FEWEST_BEATS and on_time >= _MOST_ON_TIME * len(gaps)


def _regular_period(case: Case) -> Known:
    found = _find_clock(case)
    if found is None:
        return None
    clock, gaps = found
    is_regular = (clock.is_periodic and clock.variation <= _CLOCK_VARIATION) or _keeps_beat(gaps)
    if is_regular and _come_at_one_hour(gaps):
        return None  # a nightly job is regular, whatever fails under it
    return is_regular


def _come_at_one_hour(gaps: list[float]) -> bool:
    """Whether all drops come at one hour of the day: what comes every night, or every few, comes with the night's work.

    A clock of the drive's own wanders through the day, unless its period is a whole number of days to the minute.
    """
    hours = [moment % DAY / DAY for moment in accumulate(gaps, initial=0.0)]
    x = fmean(math.cos(math.tau * one) for one in hours)
    y = fmean(math.sin(math.tau * one) for one in hours)
    middle = math.atan2(y, x) / math.tau
    off = [abs((one - middle + 0.5) % 1.0 - 0.5) for one in hours]
    return sum(one <= _SAME_HOUR for one in off) >= _MOST_ON_TIME * len(off)


def _period_of_its_own(case: Case) -> Known:
    regular, found = _regular_period(case), _find_clock(case)
    if not regular or found is None:
        return regular
    clock, gaps = found
    if clock.variation > _STEADY and not _keeps_beat(gaps):
        return None
    hours = median(gaps) / 3600.0
    scheduled = (*(hour for hour in range(1, 25) if 24 % hour == 0), *(24 * day for day in range(2, 32)))
    return True if all(abs(hours - one) > _SCHEDULE_SHARE * one for one in scheduled) else None


QUESTIONS: Mapping[str, Callable[[Case], Known]] = {
    "aer_above_siblings": _aer_above_siblings,
    "link_below_expected": _link_below_expected,
    "errors_between_drops": _errors_between_drops,
    "only_replays": _only_replays,
    "speed_cap_cured": _cured("link-cap"),
    "drops_after_idle_exit": _drops_after_idle_exit,
    "pm_off_cured": _cured("idle-states"),
    "idle_states_on": _idle_states_on,
    "drops_under_load": _drops_under_load,
    "hot_before_drop": _hot_before_drop,
    "warning_minutes_rising": _warning_minutes_rising,
    "slow_against_siblings": _slow_against_siblings,
    "media_errors_rising": _media_errors_rising,
    "media_errors_often": _media_errors_often,
    "spare_falling": _spare_falling,
    "still_on_the_bus": _still_on_the_bus,
    "follows_slot_on_swap": _follows_slot_on_swap,
    "several_drives_together": _several_drives_together,
    "same_model_affected": _same_model_affected,
    "power_lost_at_drive": _power_lost_at_drive,
    "began_after_update": _began_after_update,
    "began_after_drive_firmware": _began_after_drive_firmware,
    "regular_period": _regular_period,
    "period_of_its_own": _period_of_its_own,
    "power_cycle_needed": _power_cycle_needed,
    "drops_or_resets": _drops_or_resets,
}
"""By feature, the question that finds it."""
