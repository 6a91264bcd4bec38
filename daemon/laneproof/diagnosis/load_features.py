"""What the drive did when it dropped: whether it was idle, busy or hot, and its pace beside its siblings'."""

from statistics import median

from laneproof.diagnosis.case import DAY, Case
from laneproof.diagnosis.three_valued import Known, favours, majority
from laneproof.past.drive_load import HANG_SECONDS, IDLE, LOADED, WORKING
from laneproof.past.drives import NEAR_WARNING_CELSIUS
from laneproof.past.episodes import HEAT_LASTS_SECONDS, Before, Episode

_MOSTLY_IDLE, _MOSTLY_LOADED = 0.85, 0.7
_LONG_WINDOW_SECONDS = 1000.0
_JUST_BEFORE_SECONDS = 2 * HANG_SECONDS
_HEAT_SECONDS = 30 * DAY
_FEWEST_COMPARED_HOURS = 24
_FEWEST_HEAT_HOURS = 24
_HOT_MINUTES = ("warning_temperature_minutes", "critical_temperature_minutes")


def idle_states_on(case: Case) -> Known:
    """Idle states of the drive or its link were switched on."""
    states = [episode.before.idle_states for episode in case.episodes]
    known = [state for state in states if state is not None]
    if known:
        return any(known)
    # switched off as a fix since: they were on when it began
    return case.was_tried("idle-states") or case.ledger.idle_states(case.path).on


def drops_after_idle_exit(case: Case) -> Known:
    """It came while the drive had been idle, or just as work began again.

    With idle states off there is none to leave. Drives that lost their power at the same moment as they began to work
    show no more than that they share it. Work before an episode speaks against it all the same.
    """
    is_long = _has_long_windows(case)
    # a long window with some work may hold rest and full load: it speaks neither for rest nor against it
    among = (IDLE, LOADED) if is_long else (IDLE, WORKING, LOADED)
    states = [(_state_before(episode.before), episode.together and episode.power_lost) for episode in case.episodes]
    answers = [state == IDLE for state, shared in states if state in among and not (state == IDLE and shared)]
    seen = favours(sum(answers), len(answers), _share_of(case, IDLE, among), mostly=_MOSTLY_IDLE)
    return None if seen and idle_states_on(case) is False else seen


def drops_under_load(case: Case) -> Known:
    """It came under load; episodes in between, with a little to do, speak neither for it nor against."""
    answers = [loaded for episode in case.episodes if (loaded := _was_loaded(episode.before)) is not None]
    return favours(sum(answers), len(answers), _share_of(case, LOADED, (IDLE, LOADED)), mostly=_MOSTLY_LOADED)


def _has_long_windows(case: Case) -> bool:
    known = [before.window_seconds or 0.0 for episode in case.episodes if (before := episode.before).load is not None]
    return bool(known) and median(known) > _LONG_WINDOW_SECONDS


def _was_loaded(before: Before) -> Known:
    if {before.load, before.load_during} == {WORKING, LOADED}:
        return True
    state = _state_before(before)
    return True if state == LOADED else False if state == IDLE else None


def _state_before(before: Before) -> str | None:
    """Say how busy a drive was when it dropped; None where that may have changed since the last pass.

    Passes that are far apart show it only where one came just before, or where the windows before and after agree: the
    night's work may end, or the day's begin, minutes after a pass.
    """
    is_long = (before.window_seconds or 0.0) > _LONG_WINDOW_SECONDS
    is_close = (before.load_age_seconds or 0.0) <= (_JUST_BEFORE_SECONDS if is_long else _LONG_WINDOW_SECONDS)
    return before.load if is_close or before.load == before.load_during else None


def _share_of(case: Case, state: str, among: tuple[str, ...]) -> float | None:
    """Give the share of time that the drives of these episodes spent in a state, up to their last episode.

    Later time is left out: it would push the share across a threshold and back, and change the cause named with it.
    """
    spent = {episode.serial: episode.before.state_seconds for episode in case.episodes if episode.before.state_seconds}
    whole = sum(seconds.get(state, 0.0) for seconds in spent.values() for state in among)
    return sum(seconds.get(state, 0.0) for seconds in spent.values()) / whole if whole > 0 else None


def hot_before_drop(case: Case) -> Known:
    """The drive was near its own limit before it dropped."""
    return majority(_was_hot(case, episode) for episode in case.episodes)


def _was_hot(case: Case, episode: Episode) -> Known:
    """Ask the last reading, and where that was too old, the drive's own minutes above its limits."""
    if episode.before.hot is not None:
        return episode.before.hot
    drive = case.ledger.drives.records.get(episode.serial)
    counts = [counter for counter in _HOT_MINUTES if drive is not None and drive.counters.get(counter)]
    if drive is None or episode.before.celsius is None or episode.returned_at is None or not counts:
        return None
    since = episode.started - episode.uncertain_seconds
    until = episode.returned_at + HEAT_LASTS_SECONDS
    if any(since < rise.at <= until for counter in counts for rise in drive.risen(counter)):
        return True  # minutes were counted between the readings before and after
    # a drive that is known to count, and was well below its limit, counted none
    limit = episode.before.warning_celsius
    is_cool = limit is not None and episode.before.celsius < limit - NEAR_WARNING_CELSIUS
    return False if is_cool and drive.counters_at >= episode.returned_at else None


def warning_minutes_rising(case: Case) -> Known:
    """The drive spends minutes above its own limit."""
    drive = case.drive
    if drive is None:
        return None
    since = case.now - _HEAT_SECONDS
    counted = drive.risen("warning_temperature_minutes", since) + drive.risen("critical_temperature_minutes", since)
    seen = drive.seen_heat(since)
    if counted or seen.minutes or "overheating" in case.reported:
        return True
    hot = drive.is_hot()
    if hot is None:
        return None
    is_counted = "warning_temperature_minutes" in drive.counters and case.now - drive.health_since >= DAY
    return False if (is_counted or seen.hours >= _FEWEST_HEAT_HOURS) and not hot else None


def slow_against_siblings(case: Case) -> Known:
    """It is slow where its siblings are not."""
    if "drive-fail-slow" in case.reported:
        return True
    if case.drive is None:
        return None
    compared = sum(len(day.hours) for day in case.drive.load.slow_days)
    return False if compared >= _FEWEST_COMPARED_HOURS and not case.drive.load.spells else None
