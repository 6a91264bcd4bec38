"""The machines that the tests boot."""

from vm.machine import Cable, Drive, Machine, MemoryModule, RootPort, SwitchCard

BAD_SECTOR = 65536
"""Of 512 bytes: in the middle of a small drive, where nothing but a test reads."""

SPLIT_SLOT = Machine(
    ports=(
        RootPort(name="riser-1", address="4.0", slot=1),
        RootPort(name="riser-2", address="4.1", slot=2, gt_s="8"),
        RootPort(name="riser-3", address="4.2", slot=3, gt_s="5", lanes=2),  # nothing in it at first
        RootPort(name="card-slot", address="5.0", slot=4, lanes=8),
    ),
    switches=(SwitchCard(name="card", port="card-slot", downstream=("card-1", "card-2")),),
    drives=(
        Drive(name="hydro-1", serial="TIDE-0001", port="riser-1"),
        Drive(name="hydro-2", serial="TIDE-0002", port="riser-2", size_bytes=96 << 20),
        Drive(name="hydro-3", serial="TIDE-0003", port="card-1", bad_sectors=(BAD_SECTOR,)),
        Drive(name="hydro-4", serial="TIDE-0004", port="card-2"),
    ),
    smbios=("type=0,vendor=Kelp Firmware,version=1.07,date=03/14/2026", "type=1,manufacturer=Kelp,product=kelp-1"),
    command_line=("nvme_core.default_ps_max_latency_us=0",),
)
SPLIT_PORT = "0000:00:04.0"
"""Where the first branch of the slot is, by PCI address."""
PULLED_PORT = "0000:00:04.1"
"""Where the second one is, whose drive is taken out and put back."""
PULLED_SLOT = "2"
"""Its slot's name."""

DISTURBED = "0000:00/04.0"
"""The path of the position whose port sees errors."""
EMPTIED = "0000:00/04.1"
"""The path of the position whose drive is removed."""
WARNED = "0000:00/05.0/00.0/00.0"
"""The path of the position whose drive sets a critical warning."""
REFILLED = "0000:00/05.0/00.0/01.0"
"""The path of the position whose drive makes room for that one."""

NEW_BOX = Machine(
    ports=(RootPort(name="riser-1", address="4.0", slot=1), RootPort(name="riser-2", address="4.1", slot=2)),
    drives=(
        Drive(name="hydro-1", serial="TIDE-0001", port="riser-1"),
        Drive(name="hydro-2", serial="TIDE-0002", port="riser-2"),
    ),
)
"""A box on its first day: nothing is installed yet."""

WHOLE_BOX = Machine(
    ports=(
        *(RootPort(name=f"array-{number}", address=f"4.{number}", slot=number) for number in range(1, 5)),
        *(RootPort(name=f"pool-{number}", address=f"5.{number}", slot=number + 4) for number in range(1, 4)),
        # Function 0 is what makes the others be looked for; nothing is in it.
        RootPort(name="array-0", address="4.0", slot=8),
        RootPort(name="pool-0", address="5.0", slot=9),
    ),
    drives=(
        *(Drive(name=f"array-drive-{n}", serial=f"SWELL-000{n}", port=f"array-{n}") for n in range(1, 5)),
        *(Drive(name=f"pool-drive-{n}", serial=f"REEF-000{n}", port=f"pool-{n}", size_bytes=256 << 20) for n in (1, 2)),
        Drive(name="worn-drive", serial="WORN-0001", port="pool-3", bad_sectors=(BAD_SECTOR,)),
    ),
    cables=(
        Cable(number=1, left="52:54:00:00:01:01", right="52:54:00:00:02:01"),
        Cable(number=2, left="52:54:00:00:01:02", right="52:54:00:00:02:02"),
    ),
    memory_modules=(
        MemoryModule(handle=0x1100, locator="DIMM_A2", mebibytes=16384, rated_mt_s=5600, configured_mt_s=4800),
        MemoryModule(handle=0x1101, locator="DIMM_B2", mebibytes=16384, rated_mt_s=5600, configured_mt_s=4800),
    ),
    modules=("nvme", "virtio_net", "raid456", "btrfs"),
)
"""Four drives in a RAID 5, two in a btrfs mirror, one with a bad sector; two cables; memory below its rated speed."""

PROVEN = Machine(
    ports=tuple(RootPort(name=f"riser-{n}", address=f"4.{n - 1}", slot=n) for n in range(1, 5)),
    drives=(
        Drive(name="hydro-1", serial="TIDE-0001", port="riser-1", read_limit_bytes=20_000_000),
        Drive(name="hydro-2", serial="TIDE-0002", port="riser-2", read_limit_bytes=20_000_000),
        Drive(
            name="hydro-3", serial="TIDE-0003", port="riser-3", read_limit_bytes=20_000_000, bad_sectors=(BAD_SECTOR,)
        ),
        Drive(name="hydro-4", serial="TIDE-0004", port="riser-4", read_limit_bytes=2_000_000),
        Drive(
            name="bay-1", serial="TIDE-0005", port="ide.0", read_limit_bytes=20_000_000, options=(("driver", "ide-hd"),)
        ),
    ),
    modules=("nvme", "aer_inject", "ahci", "sd_mod"),
)
"""Four NVMe drives alike: one reads a tenth of its siblings, one has a sector that cannot be read; and a SATA disk."""
PROVEN_DISTURBED_PORT = "0000:00:04.1"
"""The port of the second, by PCI address."""

EIGHT_DRIVES = Machine(
    ports=tuple(RootPort(name=f"riser-{n}", address=f"4.{n - 1}", slot=n) for n in range(1, 9)),
    drives=tuple(Drive(name=f"hydro-{n}", serial=f"TIDE-000{n}", port=f"riser-{n}") for n in range(1, 9)),
)
"""Eight drives alike."""
