"""What a case has in common with others: the position, the model, the moment."""

from laneproof.diagnosis.case import Case
from laneproof.diagnosis.drive_features import power_losses
from laneproof.diagnosis.three_valued import Known, majority
from laneproof.past.drives import DriveRecord
from laneproof.past.episodes import Episode

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
    others = _episodes_of_others(case)
    if len(case.ledger.drives.records) < 2:  # noqa: PLR2004 (a lone drive has no company)
        return None
    return majority(_had_company(case, episode, others) for episode in case.episodes)


def _episodes_of_others(case: Case) -> list[Episode]:
    return [
        episode
        for episode in case.ledger.episodes.episodes
        if episode.is_failure and episode.path != case.path and (not case.serial or episode.serial != case.serial)
    ]


def _had_company(case: Case, episode: Episode, others: list[Episode]) -> Known:
    """Whether others dropped with it; unknown where all that they share is their model."""
    company = _find_company(episode, others)
    if not company and not episode.together:
        return False
    return None if _shares_only_model(case, company) else True


def _find_company(episode: Episode, others: list[Episode]) -> list[Episode]:
    reach = max(_TOGETHER_SECONDS, episode.uncertain_seconds)
    return [
        other for other in others if abs(other.dropped_at - episode.dropped_at) <= max(reach, other.uncertain_seconds)
    ]


def _shares_only_model(case: Case, company: list[Episode]) -> bool:
    """Whether drives that dropped together share their model and firmware with one another alone, and no part."""
    drives = case.ledger.drives.records
    if not company or case.drive is None or case.drive.model is None:
        return False
    strangers = [path for other in drives.values() if (path := other.path) and not _is_alike(case.drive, other)]
    with_it = [drives.get(episode.serial) for episode in company]
    if not strangers or not all(other is not None and _is_alike(case.drive, other) for other in with_it):
        return False
    parts = {_first_part(path) for path in (case.path, *(episode.path for episode in company))}
    return len(parts) > 1 or bool(parts & {_first_part(path) for path in strangers})


def _is_alike(drive: DriveRecord, other: DriveRecord) -> bool:
    return (drive.model, drive.firmware) == (other.model, other.firmware)


def _first_part(path: str) -> str:
    """Give the device of the root complex that a path begins with: the ports of one slot are its functions."""
    return "/".join(path.split("/")[:2]).rpartition(".")[0]


def _lost_power_together(case: Case) -> Known:
    """Whether other drives lost their power between the same two passes; asked where no disconnect was seen."""
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
    peers = [other for other in case.ledger.drives.records.values() if other is not drive and _is_alike(drive, other)]
    strangers = [other for other in case.ledger.drives.records.values() if other.model != drive.model]
    if not peers:
        return None
    lost = {
        episode.serial
        for episode in case.ledger.episodes.episodes
        if episode.is_failure and not episode.together and not episode.only_aborted
    }
    others = _episodes_of_others(case)
    for episode in case.episodes:
        company = _find_company(episode, others)
        if _shares_only_model(case, company):
            lost |= {other.serial for other in company}
    if not any(peer.serial in lost for peer in peers):
        return False
    return True if strangers and not any(stranger.serial in lost for stranger in strangers) else None
