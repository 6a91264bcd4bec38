"""What the drive says of itself: media errors, spare, registers, power, and how it came back."""

from laneproof.diagnosis.case import DAY, LOOK_BACK_SECONDS, Case
from laneproof.diagnosis.three_valued import Known, majority
from laneproof.past.drives import DriveRecord
from laneproof.past.episodes import Episode

_WATCHED_ENOUGH_SECONDS = 7 * DAY
_SPARE_POINTS = 2
_MANY_OCCASIONS = 5


def media_errors_rising(case: Case) -> Known:
    """The drive reports new media errors."""
    if case.media:
        return True
    read = case.drive is not None and "media_errors" in case.drive.counters
    return False if read and case.drive is not None and case.now - case.drive.health_since >= DAY else None


def media_errors_often(case: Case) -> Known:
    """Seen from five occasions on; fewer add nothing to `media_errors_rising`."""
    return True if len(case.media) >= _MANY_OCCASIONS else None


def spare_falling(case: Case) -> Known:
    """Its spare blocks are being used up."""
    if "spare-low" in case.reported:
        return True
    drive = case.drive
    if drive is None or not drive.spare.rows:
        return None
    if drive.spare.rows[0][2] - drive.spare.rows[-1][2] >= _SPARE_POINTS:
        return True
    return False if case.now - drive.health_since >= _WATCHED_ENOUGH_SECONDS else None


def still_on_the_bus(case: Case) -> Known:
    """Its registers answered, and said that the controller failed."""
    # commands that time out prove nothing: a drive that is gone does not answer them either. Config space may answer
    # where the registers do not (nvme_warn_reset reports both): only the registers prove that the link carries data
    return majority(episode.answered for episode in case.episodes)


def power_lost_at_drive(case: Case) -> Known:
    """The drive lost power while the machine ran on."""
    if "unsafe-shutdowns-rising" in case.reported:
        return True
    return majority(episode.power_lost for episode in case.episodes)


def power_cycle_needed(case: Case) -> Known:
    """Only taking power away brought the drive back."""
    return majority(map(_needed_power, case.episodes))


def _needed_power(episode: Episode) -> Known:
    if episode.returned_boot is None:
        return None
    if episode.returned_boot == episode.boot or episode.cycled is False:
        return False  # by itself, or with a plain restart
    if episode.cycled and episode.returned_boot > episode.boot + 1:
        return True  # a plain restart was not enough
    return None


def drops_or_resets(case: Case) -> Known:
    """It drops or has to be reset."""
    if any(not episode.only_aborted for episode in case.episodes) or power_losses(case.drive, case.now):
        return True
    if case.episodes:
        return None  # commands that were aborted are neither
    return False if case.ledger.timeline.watched_seconds >= _WATCHED_ENOUGH_SECONDS else None


def power_losses(drive: DriveRecord | None, now: float) -> list[float]:
    """Give when a drive was seen to have lost its power while the machine ran on."""
    rises = drive.risen("unsafe_shutdowns", now - LOOK_BACK_SECONDS) if drive is not None else []
    return [rise.at for rise in rises if rise.same_boot]
