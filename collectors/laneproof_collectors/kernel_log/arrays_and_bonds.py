"""What the kernel says of md arrays, pools and network bonds."""

from laneproof_collectors.kernel_log.formats import ADDRESS, EventKind, by_opening, row


def judge_active(groups: dict[str, str]) -> EventKind | None:
    """An array that starts with all its members is no event."""
    return EventKind.ARRAY_DEGRADED if int(groups["working"]) < int(groups["members"]) else None


def judge_probe(groups: dict[str, str]) -> EventKind | None:
    """A driver that fails on a PCI function or a host bridge; other devices of the platform are not ours."""
    device = groups["device"]
    return EventKind.PROBE_FAILED if device.endswith(".pcie") or device.count(":") == 2 else None  # noqa: PLR2004 (an address)


_RAID = "drivers/md/raid1.c, raid5.c, raid10.c"

ARRAY_FORMATS = by_opening(
    row(
        EventKind.ARRAY_DEGRADED,
        "Disk",
        r"Disk failure on (?P<member>[^\s,]+?)(?:, disabling device|, this is the last device"
        r"| detected, failing array)",
        f"{_RAID}; raid0.c, md-linear.c: failing array",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "Operation",
        r"Operation continuing on (?P<working>\d+) devices",
        f"{_RAID}; with the line before in one record to 5.x",
        continues=True,
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "Cannot",
        r"Cannot continue operation \((?P<failed>\d+)/(?P<members>\d+) failed\)",
        f"{_RAID}, 5.18 on",
        continues=True,
    ),
    row(
        judge_active,
        "active raid",
        r"(?:raid level \d+ )?active with (?P<working>\d+) out of (?P<members>\d+) (?:mirrors|devices)",
        _RAID,
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "not",
        r"not enough operational (?:devices|mirrors)(?: \((?P<failed>\d+)/(?P<members>\d+) failed\))?",
        _RAID,
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "cannot failed starting journal",
        r"cannot start dirty degraded array|failed to run raid set|starting dirty degraded array"
        r"|journal disk is missing",
        "drivers/md/raid5.c",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "too not insufficient",
        r"too few disks \((?P<working>\d+) of (?P<members>\d+)\)|not enough drives present"
        r"|insufficient working devices for recovery",
        "drivers/md/raid0.c, md-linear.c, raid10.c",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "Too",
        r"Too many read errors, failing device (?P<member>[^\s.]+)",
        "drivers/md/raid5.c",
    ),
    row(EventKind.ARRAY_DEGRADED, "kicking", r"kicking non-fresh (?P<device>\S+) from array", "drivers/md/md.c"),
    row(EventKind.IO_ERROR, "super_written", r"super_written gets error=(?P<error>-?\d+)", "drivers/md/md.c"),
    row(
        EventKind.IO_ERROR,
        "read",
        r"read (?:error (?P<outcome>corrected|not correctable|NOT corrected|on replacement device)"
        r"|correction write failed)"
        r"(?:!!)? \([^)]*(?:sector|at) (?P<sector>\d+) on (?P<device>[^\s).]+)\)",
        f"{_RAID}: a member's read error, made good from the others or not",
    ),
    row(
        EventKind.IO_ERROR,
        "unable",
        r"unable to read back corrected sectors \(\d+ sectors at (?P<sector>\d+) on (?P<device>[^\s).]+)\)",
        "drivers/md/raid10.c",
    ),
    row(
        EventKind.IO_ERROR,
        "disabled",
        r"disabled device (?P<device>[^\s,]+), could not read superblock",
        "drivers/md/md.c",
    ),
)
"""Messages whose subject is an md array."""

MEMBER_FORMATS = by_opening(
    row(
        EventKind.IO_ERROR,
        "rescheduling unrecoverable",
        r"rescheduling sector (?P<sector>\d+)|unrecoverable I/O (?:read )?error for block (?P<block>\d+)",
        "drivers/md/raid1.c, raid10.c",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "Failing failing",
        r"Failing raid device|failing drive",
        "drivers/md/raid10.c; raid1-10.c later",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "raid0 linear",
        r"(?:raid0|linear) array has a missing/failed member",
        "drivers/md/md.h: is_mddev_broken, 5.4 to about 5.17; the array is named where a member would be",
    ),
    row(EventKind.IO_ERROR, "flush", r"flush io error (?P<error>-?\d+)", "drivers/md/md.c: no colon after its name"),
)
"""Messages of an array about one member, which is named after the array."""

NAMED_FORMATS = by_opening(
    row(
        EventKind.BOND_LINK_DOWN,
        "(",
        r"\((?:slave|port) (?P<device>[^\s)]+)\): "
        r"(?:link status (?:definitely )?down\b|(?:backup )?interface is now down)",
        "drivers/net/bonding/bond_main.c, 5.3 on",
    ),
    row(
        EventKind.BOND_LINK_DOWN,
        "link",
        r"link status (?:definitely )?down for (?:active |backup )?interface (?P<device>[^\s,]+)",
        "drivers/net/bonding/bond_main.c to 5.2",
    ),
    row(
        EventKind.BOND_LINK_DOWN,
        "interface backup",
        r"(?:backup )?interface (?P<device>\S+) is now down",
        "drivers/net/bonding/bond_main.c to 5.2: monitoring by ARP",
    ),
    row(
        EventKind.BOND_LINK_DOWN,
        "now",
        r"now running without any active interface",
        "drivers/net/bonding/bond_main.c",
        continues=True,
    ),
    row(
        EventKind.IO_ERROR,
        "writeback",
        r"writeback error on inode \d+, offset \d+, sector (?P<sector>\d+)",
        "fs/iomap/buffered-io.c: the subject is the file system's disk",
    ),
    row(
        EventKind.IO_ERROR,
        "ref guard",
        r"(?:ref|guard) tag error at (?:location|sector) (?P<sector>\d+)",
        "block/t10-pi.c: the subject is the disk",
    ),
    row(
        EventKind.CONTROLLER_DOWN,
        "SAS fault_state",
        r"SAS host is non-operational|fault_state\((?P<fault>0x[0-9a-f]+)\)!",
        "drivers/scsi/mpt3sas/mpt3sas_base.c: the subject is the host adapter",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "Pool",
        r"Pool '(?P<device>[^']+)' has encountered an uncorrectable I/O failure and has been suspended",
        "module/zfs/zio.c of the ZFS module",
    ),
    row(
        judge_probe,
        "probe",
        rf"probe of (?P<device>{ADDRESS}|\S+\.pcie) failed with error (?P<error>-?\d+)",
        "drivers/base/dd.c to 6.9",
    ),
)
"""Messages whose subject is a name of any kind: a bond, a driver."""
