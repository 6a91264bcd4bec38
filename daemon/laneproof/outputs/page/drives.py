"""The drives on the page: how far each is from its own limits of heat, wear and spare. None is called healthy.

Most drives that failed showed no error count before (field studies in docs/sources.md), so a drive with clean figures
has none *counted*, which is all that can be said.
"""

from collections.abc import Callable

from laneproof.box.occupants import Occupant
from laneproof.box.topology import topology_of
from laneproof.declaration.build import Build
from laneproof.declaration.units import format_bytes
from laneproof.outputs.markup import Markup, tag
from laneproof.outputs.page.tables import Cell, write_table
from laneproof.outputs.page.words import NO_LINKS, Links
from laneproof.outputs.trend import DATA_UNIT_BYTES
from laneproof_collectors.snapshot import HealthLog, NvmeController, Snapshot
from laneproof_collectors.unread import Unread

_COLDEST, _FULL = 0.0, 100.0
_HOURS_A_DAY = 24
_GAP = "unverified"
_NONE = "not reported"


def write_drives(build: Build | None, snapshot: Snapshot, links: Links = NO_LINKS) -> Markup | None:
    """Write a table of all drives; None where there is none."""
    drives = sorted(topology_of(snapshot).drive_occupants(), key=lambda drive: drive.path.split("/"))
    if not drives:
        return None
    columns = (("Position", lambda drive: _position(build, drive, links)), ("Drive", _identity), *DRIVE_FACTS)
    return write_table("Drives", drives, columns, RAIL_LEGEND)


def _position(build: Build | None, drive: Occupant, links: Links) -> Cell:
    position = build.position_at(drive.path) if build else None
    if position is not None:
        return links.to_position(position.label)
    return links.to_position(drive.path, tag("span", drive.path, class_="path"))


def _identity(drive: Occupant) -> Cell:
    parts = [drive.name]
    if isinstance(drive.capacity_bytes, int):
        parts.append(format_bytes(drive.capacity_bytes))
    model = drive.model if isinstance(drive.model, str) else _GAP if isinstance(drive.model, Unread) else _NONE
    return tag("span", " ".join(parts), tag("br"), tag("span", model, class_="soft"))


def find_health(drive: Occupant) -> HealthLog | None:
    """Give what an NVMe drive says of its health; None where it could not be read, or is none."""
    health = drive.controller.health if drive.controller else None
    return health if isinstance(health, HealthLog) else None


def _has(health: HealthLog | None, field: str) -> bool:
    return health is not None and field not in health.absent


def _temperature(drive: Occupant) -> Cell:
    """Show how many degrees are left to the drive's own warning."""
    if drive.asleep:
        return "asleep, not asked"
    if drive.drive is not None:
        return _plain(drive.drive.temperature_celsius, lambda celsius: f"{celsius:g} °C")
    health = find_health(drive)
    if health is None or drive.controller is None:
        return _GAP
    celsius = health.composite_temperature_celsius
    if celsius is None:
        return _NONE
    warning, critical = temperature_limits(drive.controller)
    if warning is None:
        return f"{celsius:g} °C, no limit stated"
    left = warning - celsius
    words = f"{abs(left):g} °C {'below' if left > 0 else 'above'} its warning"
    rail = _rail(celsius, low=_COLDEST, high=max(critical or warning, celsius, warning), limit=warning)
    return tag("span", f"{celsius:g} °C ", rail, tag("span", words, class_="soft"))


def temperature_limits(controller: NvmeController) -> tuple[float | None, float | None]:
    """Give the temperatures from which on a drive warns and calls itself too hot, by its own identity."""
    identity = controller.identity
    if isinstance(identity, Unread):
        return None, None
    return identity.warning_temperature_celsius, identity.critical_temperature_celsius


def _wear(drive: Occupant) -> Cell:
    health = find_health(drive)
    if drive.drive is not None:
        return _NONE
    if health is None or not _has(health, "percentage_used"):
        return _GAP
    used = float(health.percentage_used)
    rail = _rail(used, low=0.0, high=max(_FULL, used), limit=_FULL)
    return tag("span", f"{used:g} % ", rail, tag("span", "of its rated life used", class_="soft"))


def _spare(drive: Occupant) -> Cell:
    health = find_health(drive)
    if drive.drive is not None:
        return _plain(drive.drive.reallocated_sectors, lambda count: f"{count:g} sectors reallocated")
    if health is None or not _has(health, "available_spare_percent"):
        return _GAP
    spare, threshold = health.available_spare_percent, health.available_spare_threshold_percent
    rail = _rail(float(spare), low=0.0, high=_FULL, limit=float(threshold))
    return tag("span", f"{spare} % ", rail, tag("span", f"warns below {threshold} %", class_="soft"))


def _media_errors(drive: Occupant) -> Cell:
    health = find_health(drive)
    if drive.drive is not None:
        return _plain(drive.drive.uncorrectable_sectors, lambda count: f"{count:g} sectors unreadable")
    if health is None or not _has(health, "media_errors"):
        return _GAP
    return "none counted" if health.media_errors == 0 else f"{health.media_errors} counted"


def _age(drive: Occupant) -> Cell:
    if drive.drive is not None:
        return _plain(drive.drive.power_on_hours, lambda hours: _days(int(hours)))
    health = find_health(drive)
    return _GAP if health is None or not _has(health, "power_on_hours") else _days(health.power_on_hours)


def _days(hours: int) -> str:
    return f"{hours} h" if hours < _HOURS_A_DAY else f"{hours // _HOURS_A_DAY:,} days".replace(",", " ")


def show_written(drive: Occupant) -> Cell:
    """Show what was written to a drive in its life, by its own count."""
    health = find_health(drive)
    if health is None:
        return _NONE if drive.drive is not None else _GAP
    if not _has(health, "data_units_written"):
        return _GAP
    return format_bytes(health.data_units_written * DATA_UNIT_BYTES)


def _plain(value: float | Unread | None, words: Callable[[float], str]) -> str:
    if isinstance(value, Unread):
        return _GAP
    return _NONE if value is None else words(value)


def _rail(value: float, *, low: float, high: float, limit: float) -> Markup:
    """Draw a value on a rail with its limit as a notch; the words beside it say the same."""
    span = (high - low) or 1.0

    def place_at(point: float) -> float:
        return round(2 + 76 * min(max((point - low) / span, 0.0), 1.0), 1)

    return _draw_rail(bead=place_at(value), notch=place_at(limit))


def _draw_rail(*, bead: float, notch: float) -> Markup:
    parts = (
        tag("path", class_="rail", d="M2 8H78"),
        tag("path", class_="notch", d=f"M{notch:g} 2V14"),
        tag("circle", class_="bead", cx=bead, cy=8, r=3.5),
    )
    return tag("svg", *parts, class_="rails", width=80, height=16, aria_hidden="true")


RAIL_LEGEND = tag("p", _draw_rail(bead=30, notch=62), " the bead is the value, the notch its limit", class_="legend")

DRIVE_FACTS: tuple[tuple[str, Callable[[Occupant], Cell]], ...] = (
    ("Temperature", _temperature),
    ("Wear", _wear),
    ("Spare", _spare),
    ("Media errors", _media_errors),
    ("Power-on time", _age),
)
"""What is known of a drive's health, by what it is called."""
