"""The circumstances of an episode: what held just before it, whether the drive is back, whether it lost its power."""

from collections.abc import Mapping

from laneproof.box.link_rates import describe_rate
from laneproof.past.drives import POWER_COUNTS, DriveRecord
from laneproof.past.episodes import HEAT_LASTS_SECONDS, Before, Episode
from laneproof.past.event_joining import REMOVED, RETURNS
from laneproof.past.presence import HERE, Presence
from laneproof.past.saved_state import SavedLedger
from laneproof_collectors.kernel_log.formats import EventKind

_DAY = 86400.0
_SLOT_KINDS = {REMOVED, *RETURNS, EventKind.LINK_DOWN, EventKind.DEVICE_REMOVED}
_COUNTED_SECONDS = 900.0  # the counts before an episode were read this long before it at most, as a rule


def describe_before(ledger: SavedLedger, episode: Episode, *, unseen_seconds: float) -> None:
    """Note what held before an episode, once, as long as it is still known.

    `unseen_seconds` says how much earlier than reported it may have been; 0 where the kernel reported it.
    """
    before = episode.before
    record = ledger.drives.records.get(episode.serial) or ledger.drives.at(episode.path)
    if record is not None and not episode.serial and "/" not in record.serial:
        episode.serial = record.serial
    episode.uncertain_seconds = max(episode.uncertain_seconds, unseen_seconds)
    if before.idle_states is None:
        before.idle_states = ledger.idle_states(episode.path).on
    if before.unsafe_shutdowns is not None or before.load is not None or record is None:
        return
    begins = episode.started - episode.uncertain_seconds
    moment = begins if begins < ledger.now else ledger.timeline.before
    if moment < ledger.timeline.began_at:
        return  # it was over before the first reading
    _describe_drive(before, record, moment)
    link = ledger.links.at(episode.path)
    if link is not None:
        before.recent_errors = link.series.since(episode.dropped_at - _DAY).errors
        if link.gt_s and link.lanes:
            before.trained = f"{describe_rate(link.gt_s)} x{link.lanes}"


def _describe_drive(before: Before, record: DriveRecord, moment: float) -> None:
    """Note what is known of a drive from before a moment, and of the window in which that lies."""
    load = record.load
    window, during = load.before(moment), load.during(moment)
    if window is not None:
        before.load = load.state_of(window)
        before.load_bytes_per_second = round(window.bytes_per_second)
        before.window_seconds = round(window.seconds, 3)
        before.load_age_seconds = round(moment - window.ended, 3)
    if during is not None:
        before.load_during = load.state_of(during)
    before.state_seconds = {state: round(seconds) for state, seconds in load.seconds.items()}
    reading = record.reading_before(moment)
    if reading is not None:
        before.celsius, before.warning_celsius = reading.celsius, record.warning_celsius
        before.hot = reading.hot if moment - reading.at <= HEAT_LASTS_SECONDS else None
    for name in POWER_COUNTS:
        setattr(before, name, record.count_before(name, moment))


def note_returns(ledger: SavedLedger, presences: Mapping[str, Presence]) -> None:
    """Note which drives are back, and what their own counts say of their power meanwhile."""
    by_serial = {presence.serial: presence for presence in presences.values() if presence.serial}
    last = {episode.path: episode for episode in ledger.episodes.episodes}
    for episode in ledger.episodes.episodes:
        if episode.power_lost is None and episode.returned_at is not None:
            _compare_power(ledger, episode)
        presence = by_serial.get(episode.serial) or _find_unnamed(presences.get(episode.path), episode.serial)
        is_here = presence is not None and presence.state == HERE
        if episode.returned_at is not None:
            # a line of the log may come before the reading that shows the same: it was not back, but not yet gone
            if not is_here and episode is last[episode.path] and episode.may_grow(ledger.timeline):
                episode.returned_at = episode.returned_boot = None
        elif presence is not None and is_here:
            episode.returned_at, episode.returned_boot = ledger.now, ledger.timeline.boots
            _compare_power(ledger, episode)
            if not episode.serial and _is_external(ledger, presence.serial):
                # the slot spoke of it before it was ever seen: it came and went between two passes
                episode.pulled = set(episode.kinds) <= _SLOT_KINDS


def _find_unnamed(here: Presence | None, serial: str) -> Presence | None:
    """Take what is in the position for the drive that left, unless both are known to be two drives."""
    return here if here is not None and not (serial and here.serial) else None


def _is_a_pull(episode: Episode) -> bool:
    return {REMOVED} <= set(episode.kinds) <= _SLOT_KINDS


def note_unplugged(ledger: SavedLedger, episode: Episode) -> None:
    """Note that an external drive left without a word of its driver or of whoever used it: it was unplugged."""
    if _is_external(ledger, episode.serial):
        episode.pulled = _is_a_pull(episode)


def _is_external(ledger: SavedLedger, serial: str) -> bool:
    record = ledger.drives.records.get(serial)
    return record is not None and record.external


def _was_asked_to_stop(episode: Episode, before: Mapping[str, int | None], now: Mapping[str, int]) -> bool:
    """Whether a removal was asked for, though the log names a pull: both may be first read in one pass.

    A device event has no time, so their order is not known then. But the driver tells a drive that is removed in good
    order to stop, and its loss of power afterwards is no unsafe one. Source: NVM Express Base Specification 2.0,
    5.16.1.3, Unsafe Shutdowns; Linux drivers/nvme/host/pci.c, nvme_remove.
    """
    cycles, unsafe = before.get("power_cycles"), before.get("unsafe_shutdowns")
    if cycles is None or unsafe is None or not _is_a_pull(episode):
        return False
    return now["power_cycles"] > cycles and now["unsafe_shutdowns"] == unsafe


def _compare_power(ledger: SavedLedger, episode: Episode) -> None:
    record, returned_at = ledger.drives.records.get(episode.serial), episode.returned_at or 0.0
    if record is None or record.counters_at < returned_at or record.counters_at <= episode.dropped_at:
        return
    before, now = episode.before, record.counters
    counts = {name: getattr(before, name) for name in POWER_COUNTS if name in now}
    moved = [now[name] > count for name, count in counts.items() if count is not None]
    if not moved or (not any(moved) and record.counters_at <= returned_at):
        return  # the reading may be from before its way back; the next one decides
    if counts.get("power_cycles") is not None and episode.cycled is None:
        episode.cycled = now["power_cycles"] > counts["power_cycles"]
    # across a boot, or sleep in which the platform may cut the power, it says nothing of the moment of the episode
    slept = ledger.timeline.slept_since(episode.started - _COUNTED_SECONDS)
    ran_on = record.counters_boot == episode.boot and not slept
    episode.power_lost = any(moved) if ran_on else None
    episode.pulled = episode.pulled or (ran_on and _was_asked_to_stop(episode, counts, now))
    if not ran_on:
        before.unsafe_shutdowns = before.power_cycles = None
