"""What the block layer, the page cache and the file systems say of disks that failed them.

These messages name the disk within, and no driver before them.
"""

from laneproof_collectors.kernel_log.formats import HEX, EventKind, by_opening, row

_OPTIONAL = frozenset({"WRITE_ZEROES", "DISCARD", "SECURE_ERASE"})


def judge_block_status(groups: dict[str, str]) -> EventKind | None:
    """Only ``critical medium`` is the medium (block/blk-core.c, blk_errors).

    A drive may refuse what it need not be able to do; the kernel then does it another way (blk-lib.c).
    """
    refused = groups["status"] == "operation not supported" or (
        # drivers/scsi/scsi_lib.c, scsi_result_to_blk_status: ILLEGAL REQUEST
        groups["status"] == "critical target" and groups["device"].startswith("sd")
    )
    if refused and groups.get("operation") in _OPTIONAL:
        return None
    return EventKind.MEDIA_ERROR if groups["status"] == "critical medium" else EventKind.IO_ERROR


_BLOCK_ROWS = (
    row(
        EventKind.IO_ERROR,
        "Buffer I/O",
        r"(?:Buffer )?I/O error on dev(?:ice)? (?P<device>[^\s,]+), logical block (?P<block>\d+)"
        r"(?:, (?P<operation>.+))?",
        "fs/buffer.c",
    ),
    row(
        EventKind.IO_ERROR,
        "lost",
        r"lost (?:async )?page write due to I/O error on (?P<device>\S+)",
        "fs/buffer.c to 4.x",
    ),
    row(
        EventKind.IO_ERROR,
        "Read-error Write-error",
        r"(?:Read|Write)-error on swap-device \((?P<device>\d+:\d+):(?P<block>\d+)\)",
        "mm/page_io.c",
    ),
    row(
        EventKind.IO_ERROR,
        "VFS",
        r"VFS: Dirty inode writeback failed for block device (?P<device>\S+) \(err=(?P<error>-?\d+)\)",
        "block/bdev.c",
    ),
    row(
        EventKind.IO_ERROR,
        "zio",
        r"zio pool=(?P<pool>\S+) vdev=(?:/dev/)?(?P<device>\S+) error=(?P<error>\d+)",
        "module/os/linux/zfs/vdev_disk.c of the ZFS module",
    ),
)

BLOCK_ERROR = row(
    judge_block_status,
    "",
    r"(?P<status>[A-Za-z][A-Za-z/ -]{2,40}?) error, dev (?P<device>[^\s,]+), sector (?P<sector>\d+)"
    rf"(?: op (?P<op>{HEX}):\((?P<operation>\w+)\))?",
    "block/blk-core.c, block/blk-mq.c: blk_errors; after a function's name to 5.17",
)
BLOCK_SUBJECTS = frozenset({"blk_update_request", "print_req_error", "end_request", "__blk_mq_end_request"})
"""The functions that older kernels named before a block error."""

_FILE_SYSTEM_DEVICE = r"(?P<device>[^\s()]+)"
_FILE_SYSTEM_ROWS = (
    row(
        EventKind.IO_ERROR,
        "EXT2-fs EXT3-fs EXT4-fs",
        rf"EXT[234]-fs(?: warning)? \((?:device )?{_FILE_SYSTEM_DEVICE}\): "
        r"(?:ext4_end_bio:\d+: |previous )?I/O error",
        "fs/ext4/super.c, page-io.c",
    ),
    # Other errors of this file system report damage on the disk, which need not be the disk's fault.
    row(
        EventKind.IO_ERROR,
        "EXT2-fs EXT3-fs EXT4-fs",
        rf"EXT[234]-fs (?:error|warning) \(device {_FILE_SYSTEM_DEVICE}\)"
        r"(?: in \w+:\d+: IO failure"
        r"|: \w+:\d+: [^'\"]*?(?:reading directory lblock|unable to read itable block|error -5 reading directory))",
        "fs/ext4/super.c, namei.c, inode.c: what could not be read",
    ),
    row(
        EventKind.IO_ERROR,
        "XFS",
        rf"XFS \({_FILE_SYSTEM_DEVICE}\): (?:(?:[Mm]etadata|[Ll]og) I/O [Ee]rror|log recovery \w+ I/O error"
        r"|writeback error)",
        "fs/xfs/xfs_buf.c, xfs_fsops.c, xfs_log.c, xfs_log_recover.c",
    ),
    row(
        EventKind.IO_ERROR,
        "JBD2",
        r"JBD2: (?:I/O error (?:detected )?when updating journal superblock for"
        r"|previous I/O error detected for journal superblock update for"
        r"|Detected IO errors while flushing file data on) (?P<device>dm-\d+|\w+)",
        "fs/jbd2/journal.c",
    ),
    # The same figures as a notice are the drive's history, repeated at each mount.
    row(
        EventKind.IO_ERROR,
        "BTRFS",
        r"BTRFS error \(device [^)]*\): bdev (?:/dev/)?(?P<device>\S+) errs: wr (?P<writes>\d+), rd (?P<reads>\d+),"
        r" flush (?P<flushes>\d+), corrupt (?P<corrupt>\d+), gen (?P<generation>\d+)",
        "fs/btrfs/volumes.c",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "BTRFS",
        r"BTRFS \w+ \(device (?P<device>[\w-]+)[^)]*\): devid (?P<devid>\d+) uuid (?P<uuid>[0-9a-f-]+) is missing",
        "fs/btrfs/volumes.c",
    ),
    row(
        EventKind.ARRAY_DEGRADED,
        "BTRFS",
        r"BTRFS \w+ \(device (?P<device>[\w-]+)[^)]*\): (?:chunk \d+ missing \d+ devices"
        r"|writable mount is not allowed due to too many missing devices)",
        "fs/btrfs/volumes.c, disk-io.c",
    ),
    row(
        EventKind.IO_ERROR,
        "BTRFS",
        r"BTRFS \w+ \(device [^)]*\): (?:lost (?:super block|page) write due to IO error on"
        r"|read error corrected: ino \d+ off \d+ \(dev"
        r"|(?:fixed up|unable to fixup \(regular\)|i/o|checksum) error at logical \d+ on dev)"
        r" (?:/dev/)?(?P<device>[^\s,]+)",
        "fs/btrfs/disk-io.c, bio.c (extent_io.c to 6.1), scrub.c",
    ),
    row(
        EventKind.IO_ERROR,
        "BTRFS",
        r"BTRFS: error \(device (?P<device>[\w-]+)[^)]*\) in \w+:\d+: errno=(?P<error>-5) IO failure",
        "fs/btrfs/messages.c (super.c to 6.0)",
    ),
)

LINE_FORMATS = by_opening(*_BLOCK_ROWS, *_FILE_SYSTEM_ROWS)
"""Messages of the block layer, the page cache and file systems: no subject before them, the disk is named within."""
