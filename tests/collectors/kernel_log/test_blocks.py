"""What the kernel says of disks above the driver, by version; the source of each format stands beside it."""

import pytest

from laneproof_collectors.kernel_log.lines import classify

# (versions, source, message, kind, who erred)
FORMATS = [
    # block/blk-core.c, blk-mq.c
    ("4.4", "blk-core.c", "blk_update_request: I/O error, dev nvme0n1, sector 8", "io_error", "nvme0n1"),
    ("4.19", "blk-core.c", "print_req_error: I/O error, dev nvme0n1, sector 8", "io_error", "nvme0n1"),
    ("4.19", "blk-core.c", "print_req_error: critical medium error, dev sda, sector 8", "media_error", "sda"),
    (
        "5.10",
        "blk-core.c",
        "blk_update_request: critical medium error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0 phys_seg 1",
        "media_error",
        "nvme0n1",
    ),
    (
        "6.1",
        "blk-mq.c",
        "I/O error, dev nvme0n1, sector 8 op 0x1:(WRITE) flags 0x8800 phys_seg 1 prio class 2",
        "io_error",
        "nvme0n1",
    ),
    (
        "6.1",
        "blk-mq.c",
        "critical target error, dev nvme0n1, sector 8 op 0x3:(DISCARD) flags 0x0",
        "io_error",
        "nvme0n1",
    ),
    ("6.1", "blk-mq.c", "timeout error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0", "io_error", "nvme0n1"),
    ("6.1", "blk-mq.c", "protection error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0", "io_error", "nvme0n1"),
    ("6.1", "blk-mq.c", "recoverable transport error, dev nvme0c0n1, sector 8 op 0x0:(READ)", "io_error", "nvme0n1"),
    ("6.1", "blk-mq.c", "device offline error, dev sdb, sector 8 op 0x0:(READ) flags 0x0", "io_error", "sdb"),
    # fs/buffer.c, mm/page_io.c
    ("4.4", "buffer.c", "Buffer I/O error on device sda1, logical block 3", "io_error", "sda1"),
    ("4.4", "buffer.c", "lost page write due to I/O error on sda1", "io_error", "sda1"),
    (
        "6.1",
        "buffer.c",
        "Buffer I/O error on dev nvme0n1p2, logical block 3, lost async page write",
        "io_error",
        "nvme0n1p2",
    ),
    ("6.1", "page_io.c", "Read-error on swap-device (259:0:316812312)", "io_error", "259:0"),
    # fs/ext4, fs/xfs, fs/jbd2, fs/btrfs
    ("6.1", "ext4/super.c", "EXT4-fs (nvme0n1p2): I/O error while writing superblock", "io_error", "nvme0n1p2"),
    (
        "6.1",
        "ext4/page-io.c",
        "EXT4-fs warning (device nvme0n1p2): ext4_end_bio:343: I/O error 10 writing to inode 12 starting block 5)",
        "io_error",
        "nvme0n1p2",
    ),
    (
        "6.1",
        "xfs_buf.c",
        'XFS (nvme0n1p1): metadata I/O error in "xfs_da_read_buf+0x1/0x2" at daddr 0x8 len 8 error 5',
        "io_error",
        "nvme0n1p1",
    ),
    ("6.1", "xfs", "XFS (dm-0): log I/O error -5", "io_error", "dm-0"),
    ("6.1", "jbd2", "JBD2: I/O error when updating journal superblock for nvme0n1p2-8.", "io_error", "nvme0n1p2"),
    (
        "6.1",
        "btrfs/volumes.c",
        "BTRFS error (device nvme0n1p1): bdev /dev/nvme1n1p1 errs: wr 1, rd 0, flush 0, corrupt 0, gen 0",
        "io_error",
        "nvme1n1p1",
    ),
    (
        "6.1",
        "btrfs/volumes.c",
        "BTRFS warning (device nvme0n1p1): devid 2 uuid 8a1fcdd5-6d5b-4a3a-a2a6-9a4a0f5c5a7c is missing",
        "array_degraded",
        "nvme0n1p1",
    ),
    ("6.1", "bdev.c", "VFS: Dirty inode writeback failed for block device dm-0 (err=-5).", "io_error", "dm-0"),
    ("6.1", "t10-pi.c", "nvme0n1: guard tag error at sector 8 (rcvd 0001, want 0002)", "io_error", "nvme0n1"),
    ("6.1", "t10-pi.c", "sdb: ref tag error at location 8 (rcvd 9)", "io_error", "sdb"),
    ("6.1", "ext4/super.c", "EXT4-fs error (device dm-0) in ext4_evict_inode:5764: IO failure", "io_error", "dm-0"),
    (
        "6.1",
        "ext4/namei.c",
        "EXT4-fs error (device nvme0n1p2): __ext4_find_entry:1682: inode #2: comm sshd: reading directory lblock 0",
        "io_error",
        "nvme0n1p2",
    ),
    (
        "6.1",
        "ext4/namei.c",
        "EXT4-fs warning (device sda1): htree_dirblock_to_tree:1082: comm ls: error -5 reading directory block",
        "io_error",
        "sda1",
    ),
    (
        "6.1",
        "ext4/inode.c",
        "EXT4-fs error (device sda1): __ext4_get_inode_loc:4498: inode #7: comm ls: unable to read itable block",
        "io_error",
        "sda1",
    ),
    ("5.10", "xfs_fsops.c", "XFS (dm-0): Log I/O Error Detected. Shutting down filesystem", "io_error", "dm-0"),
    ("6.1", "xfs_fsops.c", "XFS (sda1): Metadata I/O Error (0x4) detected at a+0x1/0x2 (b.c:3).", "io_error", "sda1"),
    (
        "6.1",
        "xfs_log_recover.c",
        "XFS (sda1): log recovery read I/O error at daddr 0x8 len 8 error -5",
        "io_error",
        "sda1",
    ),
    (
        "6.1",
        "iomap/buffered-io.c",
        "nvme0n1p1: writeback error on inode 67, offset 0, sector 8",
        "io_error",
        "nvme0n1p1",
    ),
    ("6.1", "iomap/buffered-io.c", "dm-0: writeback error on inode 67, offset 0, sector 8", "io_error", "dm-0"),
    ("6.1", "jbd2", "JBD2: I/O error when updating journal superblock for dm-0-8.", "io_error", "dm-0"),
    ("6.1", "jbd2", "JBD2: Detected IO errors while flushing file data on nvme0n1p2-8", "io_error", "nvme0n1p2"),
    (
        "6.1",
        "jbd2",
        "JBD2: previous I/O error detected for journal superblock update for dm-1.",
        "io_error",
        "dm-1",
    ),
    (
        "6.12",
        "btrfs/disk-io.c",
        "BTRFS warning (device sda1 state EA): lost super block write due to IO error on /dev/sdb1 (-5)",
        "io_error",
        "sdb1",
    ),
    (
        "6.1",
        "btrfs/extent_io.c",
        "BTRFS info (device sda1): read error corrected: ino 1 off 4096 (dev /dev/sdb1 sector 8)",
        "io_error",
        "sdb1",
    ),
    (
        "6.12",
        "btrfs/scrub.c",
        "BTRFS error (device sda1): unable to fixup (regular) error at logical 8 on dev /dev/sdb1 physical 8",
        "io_error",
        "sdb1",
    ),
    (
        "6.1",
        "btrfs/scrub.c",
        "BTRFS warning (device sda1): i/o error at logical 8 on dev /dev/sdb1, physical 8, root 5, inode 7",
        "io_error",
        "sdb1",
    ),
    (
        "6.1",
        "btrfs/volumes.c",
        "BTRFS warning (device sda1): chunk 13631488 missing 1 devices, max tolerance is 0 for writable mount",
        "array_degraded",
        "sda1",
    ),
    (
        "6.12",
        "btrfs/disk-io.c",
        "BTRFS warning (device sda1): writable mount is not allowed due to too many missing devices",
        "array_degraded",
        "sda1",
    ),
    (
        "6.1",
        "btrfs/messages.c",
        "BTRFS: error (device sda1: state EA) in btrfs_commit_transaction:2377: errno=-5 IO failure (while writing)",
        "io_error",
        "sda1",
    ),
]

HARMLESS = [
    "EXT4-fs (nvme0n1p3): mounted filesystem with ordered data mode. Quota mode: none.",
    "EXT4-fs error (device nvme0n1p3): ext4_lookup:1: comm I/O error: deleted inode referenced: 5",
    "BTRFS info (device nvme0n1p2): bdev /dev/nvme0n1p2 errs: wr 0, rd 0, flush 0, corrupt 5, gen 0",
    "print_req_error: 12 callbacks suppressed",
    "EXT4-fs error (device sda1) in ext4_reserve_inode_write:5764: Corrupt filesystem",
    "EXT4-fs error (device sda1): ext4_lookup:1785: inode #2: comm ls: 'reading directory lblock' linked to parent",
    "EXT4-fs (sda1): Remounting filesystem read-only",
    "BTRFS: error (device sda1) in btrfs_run_delayed_refs:2150: errno=-28 No space left",
    "BTRFS info (device sda1): scrub: finished on devid 1 with status: 0",
    "XFS (sda1): Ending clean mount",
]


@pytest.mark.parametrize(("versions", "source", "message", "kind", "device"), FORMATS)
def test_each_version_is_understood(versions: str, source: str, message: str, kind: str, device: str) -> None:
    event = classify(message)
    assert event is not None, (versions, source)
    assert event.kind == kind
    assert event.device == device


@pytest.mark.parametrize("message", HARMLESS)
def test_what_harms_nobody_is_no_event(message: str) -> None:
    assert classify(message) is None


@pytest.mark.parametrize(
    ("message", "detail"),
    [
        (
            "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 2",
            {"status": "critical medium", "sector": "4096", "operation": "READ"},
        ),
        (
            "operation not supported error, dev nvme0n1, sector 8 op 0x9:(WRITE_ZEROES)",
            {"status": "operation not supported"},
        ),
    ],
)
def test_detail_is_kept_in_the_kernels_words(message: str, detail: dict[str, str]) -> None:
    event = classify(message)
    assert event is not None
    assert detail.items() <= event.detail.items()
