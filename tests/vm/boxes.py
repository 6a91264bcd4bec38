"""The machines that the tests boot."""

from vm.machine import Drive, Machine, RootPort, SwitchCard

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
        Drive(name="hydro-3", serial="TIDE-0003", port="card-1"),
        Drive(name="hydro-4", serial="TIDE-0004", port="card-2"),
    ),
    smbios=("type=0,vendor=Kelp Firmware,version=1.07,date=03/14/2026", "type=1,manufacturer=Kelp,product=kelp-1"),
    command_line=("nvme_core.default_ps_max_latency_us=0",),
)
SPLIT_PORT = "0000:00:04.0"
"""Where the first branch of the slot is, by PCI address."""
