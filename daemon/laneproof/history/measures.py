"""What is sampled: one row a counter or reading, with how it behaves and how often it is worth writing down.

Rules of this module: a name holds its unit; counters only grow while their series lives; a pace is how far apart two
samples of a busy series are at least, so that a box at work writes little, and a thing that never moves writes nothing.
"""

from dataclasses import dataclass
from enum import IntEnum
from functools import cache


class Pace(IntEnum):
    """How far apart two samples of a series are at least, in seconds. All but the slow ones write a first move at once.

    Error counts are wanted by the minute (bursts are judged by minutes with an error), loads and temperatures by five
    minutes (a slow drive is compared with its siblings over at least that), and what only sums up a drive's life by the
    hour.
    """

    EACH = 0
    MINUTE = 60
    STEADY = 300
    SLOW = 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One counter or reading."""

    name: str  # what it is called in the database; a counter of one error bit is ``CLASS.BIT``
    is_counter: bool = False  # it only grows; a lesser value begins a new series
    per_boot: bool = False  # it begins again with each boot; else it is the device's own and goes on
    pace: Pace = Pace.EACH  # how often it is worth writing
    step: float | None = None  # a move of this much is written at once, whatever the pace; None: the pace alone decides
    digits: int = 0  # decimal places worth keeping
    sparse: bool = False  # it is sampled only where it is not 0; the measure before its dot says that it was counted


def _count(name: str, pace: Pace = Pace.MINUTE) -> Measure:
    """A counter of the device's own, kept over boots."""
    return Measure(name=name, is_counter=True, pace=pace)


def _boot_count(name: str, pace: Pace = Pace.MINUTE) -> Measure:
    """A counter of the kernel's, from 0 at each boot."""
    return Measure(name=name, is_counter=True, per_boot=True, pace=pace)


def _heat(name: str) -> Measure:
    # Three degrees are more than the jitter of a sensor that counts whole kelvin, and less than a throttling step.
    return Measure(name=name, pace=Pace.STEADY, step=3.0, digits=1)


# --- links (pcie.py) --------------------------------------------------------------------------------------------------

TRAINED_GT_S = Measure(name="trained_gt_s", per_boot=True, digits=1)
TRAINED_LANES = Measure(name="trained_lanes", per_boot=True)
TARGET_GT_S = Measure(name="target_gt_s", per_boot=True, digits=1)
ASPM_ENABLED = Measure(name="aspm_enabled", per_boot=True)
ASLEEP = Measure(name="asleep", per_boot=True, pace=Pace.MINUTE)
ANSWERS = Measure(name="answers", per_boot=True)
CORRECTABLE = _boot_count("correctable_errors")
NONFATAL = _boot_count("nonfatal_errors")
FATAL = _boot_count("fatal_errors")
ROOT_CORRECTABLE = _boot_count("root_correctable_messages")
ROOT_NONFATAL = _boot_count("root_nonfatal_messages")
ROOT_FATAL = _boot_count("root_fatal_messages")

# --- NVMe drives (nvme.py) --------------------------------------------------------------------------------------------

COMPOSITE = _heat("composite_temperature_celsius")
HEALTH_FIELDS: tuple[Measure, ...] = (
    Measure(name="critical_warning"),
    Measure(name="available_spare_percent"),
    Measure(name="percentage_used"),
    Measure(name="endurance_group_warning"),
    _count("data_units_read", Pace.SLOW),
    _count("data_units_written", Pace.SLOW),
    _count("host_read_commands", Pace.SLOW),
    _count("host_write_commands", Pace.SLOW),
    _count("controller_busy_minutes", Pace.SLOW),
    _count("power_cycles"),
    _count("power_on_hours", Pace.SLOW),
    _count("unsafe_shutdowns"),
    _count("media_errors"),
    _count("error_log_entries"),
    _count("warning_temperature_minutes"),
    _count("critical_temperature_minutes"),
    _count("thermal_transitions_1"),
    _count("thermal_transitions_2"),
    _count("thermal_seconds_1"),
    _count("thermal_seconds_2"),
)
"""The fields of the health log by their names in `HealthLog`."""

BLOCK_FIELDS: tuple[Measure, ...] = tuple(
    _boot_count(name, Pace.STEADY)
    for name in (
        "reads",
        "read_bytes",
        "read_milliseconds",
        "writes",
        "written_bytes",
        "write_milliseconds",
        "busy_milliseconds",
    )
)
"""The fields of `BlockStatistics`, summed over a drive's disks."""

# --- SATA and SAS drives (sata.py) ------------------------------------------------------------------------------------

SATA_FIELDS: tuple[Measure, ...] = (
    _heat("temperature_celsius"),
    _count("power_on_hours", Pace.SLOW),
    Measure(name="healthy"),
    # These two can fall again when a sector is written again.
    Measure(name="reallocated_sectors"),
    Measure(name="pending_sectors"),
    Measure(name="uncorrectable_sectors"),
    _count("interface_errors"),
)
"""The fields by their names in `SataDrive`."""

# --- the rest of the box ----------------------------------------------------------------------------------------------

ARRAY_DEGRADED = Measure(name="degraded")
ARRAY_MISMATCHES = Measure(name="mismatch_sectors", pace=Pace.MINUTE)
ARRAY_SYNC_SHARE = Measure(name="sync_completed", pace=Pace.STEADY, digits=3)
ARRAY_SYNC_SPEED = Measure(name="sync_bytes_per_second", pace=Pace.STEADY)
MEMBER_ERRORS = Measure(name="member_errors", pace=Pace.MINUTE)
MEMBER_BAD_BLOCKS = Measure(name="bad_block_sectors", pace=Pace.MINUTE)

SPEED_MBIT_S = Measure(name="speed_mbit_s", per_boot=True)
CARRIER_CHANGES = _boot_count("carrier_changes")
RECEIVE_ERRORS = _boot_count("receive_errors")
TRANSMIT_ERRORS = _boot_count("transmit_errors")
AGGREGATED_PORTS = Measure(name="aggregated_ports", per_boot=True)
LINK_FAILURES = _boot_count("link_failures")

MEMORY_CORRECTABLE = _boot_count("memory_correctable_errors")
MEMORY_UNCORRECTABLE = _boot_count("memory_uncorrectable_errors")

CELSIUS = _heat("celsius")
FAN_RPM = Measure(name="fan_rpm", pace=Pace.STEADY, step=300.0)
WATTS = Measure(name="watts", pace=Pace.STEADY, digits=1)
THROTTLE_COUNT = _boot_count("throttle_count")
AVAILABLE_BYTES = Measure(name="available_bytes", pace=Pace.SLOW)


@cache
def error_bit(of: Measure, bit: str) -> Measure:
    """Give the measure of one bit of an error class, such as ``correctable_errors.BadTLP``."""
    return Measure(name=f"{of.name}.{bit}", is_counter=True, per_boot=True, pace=of.pace, sparse=True)


@cache
def sensor(number: int) -> Measure:
    """Give the measure of one further temperature sensor of a drive, such as ``sensor_1_celsius``."""
    return _heat(f"sensor_{number}_celsius")


@cache
def device_error(name: str) -> Measure:
    """Give the measure of one error statistic of a file system's device, such as ``device_errors.corruption``."""
    return Measure(name=f"device_errors.{name}", pace=Pace.MINUTE)
