"""What the kernel says of arrays and bonds, by version; the source file of each format stands beside it."""

import pytest

from laneproof_collectors.kernel_log.lines import classify

# (versions, source, message, kind, who erred)
FORMATS = [
    # drivers/md
    ("5.10", "raid1.c", "md/raid1:md0: Disk failure on nvme1n1p1, disabling device.", "array_degraded", "md0"),
    (
        "5.10",
        "raid5.c",
        "md/raid:md127: Disk failure on nvme1n1, disabling device.\nmd/raid:md127: Operation continuing on 2 devices.",
        "array_degraded",
        "md127",
    ),
    ("6.1", "raid10.c", "md/raid10:md0: Disk failure on nvme1n1, disabling device.", "array_degraded", "md0"),
    ("6.1", "raid10.c", "md/raid10:md0: Operation continuing on 3 devices.", "array_degraded", "md0"),
    ("6.1", "raid5.c", "md/raid:md0: Cannot continue operation (2/3 failed).", "array_degraded", "md0"),
    ("6.18", "raid1.c", "md/raid1:md0: Disk failure on nvme1n1, this is the last device.", "array_degraded", "md0"),
    ("5.10", "raid0.c", "md/raid0:md0: Disk failure on nvme1n1 detected, failing array.", "array_degraded", "md0"),
    ("6.8", "md-linear.c", "md/linear:md0: Disk failure on nvme1n1 detected, failing array.", "array_degraded", "md0"),
    ("5.10", "raid1.c", "md/raid1:md0: active with 1 out of 2 mirrors", "array_degraded", "md0"),
    ("5.10", "raid10.c", "md/raid10:md0: active with 3 out of 4 devices", "array_degraded", "md0"),
    (
        "5.10",
        "raid5.c",
        "md/raid:md0: raid level 6 active with 5 out of 6 devices, algorithm 2",
        "array_degraded",
        "md0",
    ),
    ("5.10", "raid5.c", "md/raid:md0: not enough operational devices (2/3 failed)", "array_degraded", "md0"),
    ("5.10", "raid10.c", "md/raid10:md0: not enough operational mirrors.", "array_degraded", "md0"),
    ("5.10", "raid5.c", "md/raid:md0: cannot start dirty degraded array.", "array_degraded", "md0"),
    ("5.10", "raid5.c", "md/raid:md0: Too many read errors, failing device nvme1n1.", "array_degraded", "md0"),
    ("5.10", "md.c", "md: kicking non-fresh nvme1n1p1 from array!", "array_degraded", "nvme1n1p1"),
    (
        "6.1",
        "raid0.c",
        "md/raid0md0: Disk failure on nvme1n1 detected, failing array.",  # sic: the kernel forgot the colon
        "array_degraded",
        "md0",
    ),
    ("5.10", "md.h", "md: md0: raid0 array has a missing/failed member", "array_degraded", "md0"),
    ("6.12", "md-linear.c", "md/linearmd1: Disk failure on sdb1 detected, failing array.", "array_degraded", "md1"),
    ("5.10", "raid0.c", "md/raid0:md0: too few disks (1 of 2) - aborting!", "array_degraded", "md0"),
    ("6.12", "md-linear.c", "md/linear:md0: not enough drives present. Aborting!", "array_degraded", "md0"),
    ("5.10", "raid10.c", "md/raid10:md0: insufficient working devices for recovery.", "array_degraded", "md0"),
    (
        "5.10",
        "raid5.c",
        "md/raid:md0: starting dirty degraded array - data corruption possible.",
        "array_degraded",
        "md0",
    ),
    ("5.10", "raid5.c", "md/raid:md0: journal disk is missing, force array readonly", "array_degraded", "md0"),
    ("5.10", "raid10.c", "md/raid10:md0: sdb1: failing drive", "array_degraded", "sdb1"),
    (
        "5.10",
        "raid10.c",
        "md/raid10:md0: unable to read back corrected sectors (8 sectors at 2064 on sdb1)",
        "io_error",
        "sdb1",
    ),
    ("5.10", "raid5.c", "md/raid:md0: read error on replacement device (sector 2064 on sdb1).", "io_error", "sdb1"),
    ("6.1", "md.c", "md: nvme1n1p1 flush io error -5", "io_error", "nvme1n1p1"),
    ("6.1", "md.c", "md: disabled device nvme1n1p1, could not read superblock.", "io_error", "nvme1n1p1"),
    ("5.10", "md.c", "md: super_written gets error=-5", "io_error", None),
    ("5.10", "raid1.c", "md/raid1:md0: nvme1n1p1: rescheduling sector 2064", "io_error", "nvme1n1p1"),
    (
        "5.10",
        "raid1.c",
        "md/raid1:md0: nvme1n1p1: unrecoverable I/O read error for block 2064",
        "io_error",
        "nvme1n1p1",
    ),
    ("5.10", "raid1.c", "md/raid1:md0: read error corrected (8 sectors at 2064 on nvme1n1p1)", "io_error", "nvme1n1p1"),
    ("5.10", "raid5.c", "md/raid:md0: read error not correctable (sector 2064 on nvme1n1).", "io_error", "nvme1n1"),
    ("5.10", "raid5.c", "md/raid:md0: read error NOT corrected!! (sector 2064 on nvme1n1).", "io_error", "nvme1n1"),
    (
        "2.0",
        "zio.c",
        "WARNING: Pool 'kelp' has encountered an uncorrectable I/O failure and has been suspended.",
        "array_degraded",
        "kelp",
    ),
    (
        "2.1",
        "vdev_disk.c",
        "zio pool=kelp vdev=/dev/disk/by-id/nvme-one-part1 error=5 type=2 offset=1 size=12288 flags=3145856",
        "io_error",
        "disk/by-id/nvme-one-part1",
    ),
    # drivers/net/bonding/bond_main.c
    (
        "4.x",
        "bond_main.c",
        "bond0: link status down for active interface eth0, disabling it in 200 ms",
        "bond_link_down",
        "eth0",
    ),
    (
        "3.x",
        "bond_main.c",
        "bonding: bond0: link status definitely down for interface eth0, disabling it",
        "bond_link_down",
        "eth0",
    ),
    (
        "5.2",
        "bond_main.c",
        "bond0: link status definitely down for interface eth0, disabling it",
        "bond_link_down",
        "eth0",
    ),
    ("5.2", "bond_main.c", "bond0: interface eth0 is now down", "bond_link_down", "eth0"),
    (
        "5.3",
        "bond_main.c",
        "bond0: (slave eth0): link status definitely down, disabling slave",
        "bond_link_down",
        "eth0",
    ),
    (
        "5.3",
        "bond_main.c",
        "bond0: (slave eth0): link status down for interface, disabling it in 200 ms",
        "bond_link_down",
        "eth0",
    ),
    ("5.3", "bond_main.c", "bond0: (slave eth0): interface is now down", "bond_link_down", "eth0"),
    (
        "5.10",
        "bond_main.c",
        "bond0: (slave eth0): link status down for active interface, disabling it in 200 ms",
        "bond_link_down",
        "eth0",
    ),
    (
        "5.10",
        "bond_main.c",
        "bond0: (slave eth0): link status down again after 100 ms",
        "bond_link_down",
        "eth0",
    ),
    ("5.10", "bond_main.c", "bond0: (slave eth0): backup interface is now down", "bond_link_down", "eth0"),
    ("5.3", "bond_main.c", "bond0: now running without any active interface!", "bond_link_down", "bond0"),
]

HARMLESS = [
    "md/raid1:md0: active with 2 out of 2 mirrors",
    "md/raid:md0: raid level 5 active with 3 out of 3 devices, algorithm 2",
    "md/raid:md0: device nvme0n1 operational as raid disk 0",
    "md/raid1:md0: not clean -- starting background reconstruction",
    "md/raid1:md0: redirecting sector 2064 to other mirror: nvme0n1p1",
    "md: resync of RAID array md0",
    "md: recovery of RAID array md0",
    "md: data-check of RAID array md0",
    "md: md0: recovery done.",
    "md: md0: recovery interrupted.",
    "md: bind<sdb5>",
    "md: md0 stopped.",
    "md: running: <sda1>",
    "md: delaying resync of md1 until md0 has finished (they share one or more physical units)",
    "md0: bitmap file is out of date (1 < 2) -- forcing full recovery",
    "md/raid0:md0: md_size is 41908224 sectors.",
    "md/raid10:md0: redirecting sector 2064 to another mirror: sda1",
    "md0: detected capacity change from 498794496 to 0",
    "bond0: (slave eth0): link status definitely up, 10000 Mbps full duplex",
    "bond0: (slave eth0): link status up, enabling it in 200 ms",
    "bond0: (slave eth0): Enslaving as a backup interface with a down link",
    "bond0: active interface up!",
    "bond0: (slave eth0): Enslaving as a backup interface with an up link",
    "bond0: (slave eth0): Releasing backup interface",
    "bond0: (slave eth0): link status up again after 100 ms",
    "team0: Port device eth0 removed",
    "br0: port 1(eth0) entered disabled state",
    "e1000e 0000:00:1f.6 enp0s31f6: NIC Link is Down",
    "virtio_net virtio0 eth0: link down",
]


@pytest.mark.parametrize(("versions", "source", "message", "kind", "device"), FORMATS)
def test_each_version_is_understood(versions: str, source: str, message: str, kind: str, device: str | None) -> None:
    event = classify(message)
    assert event is not None, (versions, source)
    assert event.kind == kind
    assert event.device == device


@pytest.mark.parametrize("message", HARMLESS)
def test_what_harms_nobody_is_no_event(message: str) -> None:
    assert classify(message) is None


def test_the_second_line_may_be_indented_as_consoles_show_it() -> None:
    event = classify(
        "md/raid1:md0: Disk failure on sdc1, disabling device.\n     md/raid1:md0: Operation continuing on 1 devices."
    )
    assert event is not None
    assert event.detail["working"] == "1"


def test_both_lines_of_one_record_add_their_detail() -> None:
    # drivers/md/raid1.c to 5.x prints both lines at once; /dev/kmsg shows the newline between them escaped.
    event = classify(
        r"md/raid1:md0: Disk failure on nvme1n1p1, disabling device."
        r"\x0amd/raid1:md0: Operation continuing on 1 devices."
    )
    assert event is not None
    assert dict(event.detail) == {"member": "nvme1n1p1", "working": "1"}
