"""When a drive reported data that it could not give back: by its own count, or by the kernel's log alone."""

from laneproof.past.drives import DriveRecord
from laneproof.past.episodes import EpisodeBook

_SAME_SECONDS = 3600.0
_COUNTED_SECONDS = 86400.0  # the count moves with the next reading of the health log, which may be long after


def find_media_times(record: DriveRecord, episodes: EpisodeBook) -> list[tuple[float, int]]:
    """Give when a drive reported new media errors and how many; 0 where only the kernel's log reported lost data."""
    counted = [(rise.at, rise.by) for rise in record.risen("media_errors")]
    reported = [
        (when, 0)
        for when, path, serial in episodes.media
        if _is_of(record, path, serial) and not any(abs(when - at) < _COUNTED_SECONDS for at, _ in counted)
    ]
    merged: list[tuple[float, int]] = []
    for when, number in sorted([*counted, *reported]):
        if merged and when - merged[-1][0] < _SAME_SECONDS:
            merged[-1] = merged[-1][0], merged[-1][1] + number
        else:
            merged.append((when, number))
    return merged


def _is_of(record: DriveRecord, path: str, serial: str) -> bool:
    if serial:
        return serial == record.serial
    return bool(record.paths) and record.paths[0][1] == path  # reported at the first pass, before drives were known
