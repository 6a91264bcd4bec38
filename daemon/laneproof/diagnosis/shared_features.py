"""What a case has in common with others: the position, the model, the moment."""

from laneproof.diagnosis.answers import Known, majority
from laneproof.diagnosis.case import Case
from laneproof.diagnosis.drive_features import power_losses

_TOGETHER_SECONDS = 60.0


def follows_slot_on_swap(case: Case) -> Known:
    """Seen: the same position had it with another drive. Absent: this drive had it in another position."""
    here = [episode for episode in case.episodes if episode.path == case.path and episode.serial == case.serial]
    if not here or not case.serial:
        return None
    moved_at = max((at for at, path in case.drive.paths if path == case.path), default=0.0) if case.drive else 0.0
    since = [episode for episode in here if episode.dropped_at >= moved_at]
    if not since:
        return None
    if any(episode.path == case.path and episode.serial not in ("", case.serial) for episode in case.episodes):
        return True
    return False if any(episode.path != case.path for episode in case.episodes) else None


def several_drives_together(case: Case) -> Known:
    """Other drives dropped at the same moment."""
    if not case.episodes:
        return _lost_power_together(case)
    others = [
        episode
        for episode in case.ledger.episodes.episodes
        if episode.counts and episode.path != case.path and (not case.serial or episode.serial != case.serial)
    ]
    if len(case.ledger.drives.records) < 2:  # noqa: PLR2004 (a lone drive has no company)
        return None
    reach = [max(_TOGETHER_SECONDS, episode.uncertain_seconds) for episode in case.episodes]
    answers = [
        bool(episode.together)
        or any(abs(other.dropped_at - episode.dropped_at) <= max(seconds, other.uncertain_seconds) for other in others)
        for episode, seconds in zip(case.episodes, reach, strict=True)
    ]
    return majority(answers)


def _lost_power_together(case: Case) -> Known:
    """Where no disconnect was seen, drives that lost their power between the same two passes lost it together."""
    mine = power_losses(case.drive, case.now)
    others = [
        at
        for drive in case.ledger.drives.records.values()
        if drive is not case.drive
        for at in power_losses(drive, case.now)
    ]
    return majority(any(abs(at - other) <= _TOGETHER_SECONDS for other in others) for at in mine)


def same_model_affected(case: Case) -> Known:
    """Another drive of its model and firmware has it too, and none of another model."""
    drive = case.drive
    if drive is None or drive.model is None or not case.episodes:
        return None
    peers = [
        other
        for other in case.ledger.drives.records.values()
        if other is not drive and other.model == drive.model and other.firmware == drive.firmware
    ]
    strangers = [other for other in case.ledger.drives.records.values() if other.model != drive.model]
    if not peers:
        return None
    lost = {
        episode.serial
        for episode in case.ledger.episodes.episodes
        if episode.counts and not episode.together and not episode.only_aborted
    }
    if not any(peer.serial in lost for peer in peers):
        return False
    return True if strangers and not any(stranger.serial in lost for stranger in strangers) else None
