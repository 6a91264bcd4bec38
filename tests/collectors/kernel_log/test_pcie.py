"""What the kernel says of PCI Express, by version; the source file of each format stands beside it.

Formats were taken from the kernel's source; the values in them are made up.
"""

import pytest

from laneproof_collectors.kernel_log.lines import classify

PORT, DRIVE = "0000:00:1c.0", "0000:03:00.0"

# (versions, source, message, kind, who erred)
FORMATS = [
    # drivers/pci/pcie/dpc.c, edr.c
    (
        "4.15",
        "pcie-dpc.c",
        f"dpc {PORT}:pcie010: DPC containment event, status:0x1f05 source:0x0300",
        "dpc",
        PORT,
    ),
    ("4.17", "dpc.c", f"pcieport {PORT}: DPC ERR_FATAL detected", "dpc", PORT),
    ("5.10", "dpc.c", f"pcieport {PORT}: DPC: containment event, status:0x1f01 source:0x0000", "dpc", PORT),
    ("5.10", "dpc.c", f"pcieport {PORT}: DPC: unmasked uncorrectable error detected", "dpc", PORT),
    ("5.10", "dpc.c", f"pcieport {PORT}: DPC: RP PIO error detected", "dpc", PORT),
    ("5.10", "dpc.c", f"pcieport {PORT}: DPC: rp_pio_status: 0x00010000, rp_pio_mask: 0x00000303", "dpc", PORT),
    ("5.10", "dpc.c", f"pcieport {PORT}: DPC: [18] Memory Request Completion Timeout (First)", "dpc", PORT),
    (
        "6.16",
        "dpc.c",
        f"pcieport {PORT}: DPC: containment event, status:0x1f01: unmasked uncorrectable error detected",
        "dpc",
        PORT,
    ),
    (
        "6.16",
        "dpc.c",
        f"pcieport {PORT}: DPC: containment event, status:0x000d, ERR_FATAL received from {DRIVE}",
        "dpc",
        DRIVE,
    ),
    ("5.10", "edr.c", f"pcieport {PORT}: EDR: EDR event received", "dpc", PORT),
    # drivers/pci/hotplug/pciehp_ctrl.c, pciehp_hpc.c
    ("4.14", "pciehp_ctrl.c", f"pciehp {PORT}:pcie004: Slot(2): Link Down event", "link_down", PORT),
    ("4.4", "pciehp_ctrl.c", f"pciehp {PORT}:pcie04: slot(2): Link Down event", "link_down", PORT),
    ("4.4", "pciehp_ctrl.c", f"pciehp {PORT}:pcie04: Card not present on Slot(2)", "device_removed", PORT),
    ("5.10", "pciehp_ctrl.c", f"pcieport {PORT}: pciehp: Slot(2): Link Down", "link_down", PORT),
    ("5.10", "pciehp_ctrl.c", f"pcieport {PORT}: pciehp: Slot(2-1): Card not present", "device_removed", PORT),
    ("5.10", "pciehp_ctrl.c", f"pcieport {PORT}: pciehp: Slot(2): Card present", "link_up", PORT),
    ("5.10", "pciehp_ctrl.c", f"pcieport {PORT}: pciehp: Slot(2): Link Up", "link_up", PORT),
    ("5.10", "pciehp_ctrl.c", f"pcieport {PORT}: pciehp: Slot(2): Power fault", "device_removed", PORT),
    ("5.10", "pciehp_ctrl.c", f"pcieport {PORT}: pciehp: Cannot add device at 0000:03:00", "probe_failed", PORT),
    ("5.4", "pciehp_hpc.c", f"pcieport {PORT}: pciehp: link training error: status 0x5812", "link_down", PORT),
    ("5.4", "pciehp_hpc.c", f"pcieport {PORT}: pciehp: Failed to check link status", "link_down", PORT),
    ("6.1", "pciehp_hpc.c", f"pcieport {PORT}: pciehp: Slot(2): Cannot train link: status 0x5812", "link_down", PORT),
    ("6.1", "pciehp_hpc.c", f"pcieport {PORT}: pciehp: Slot(2): No link", "link_down", PORT),
    ("6.1", "pciehp_hpc.c", f"pcieport {PORT}: pciehp: Slot(2): No device found", "probe_failed", PORT),
    ("5.10", "pciehp_hpc.c", f"pcieport {PORT}: pciehp: pciehp_isr: no response from device", "device_removed", PORT),
    # drivers/pci/pci.c, quirks.c, base/dd.c
    (
        "4.17",
        "pci.c",
        (
            f"nvme {DRIVE}: 15.752 Gb/s available PCIe bandwidth, limited by 8 GT/s x2 link at {PORT}"
            " (capable of 31.504 Gb/s with 8 GT/s x4 link)"
        ),
        "bandwidth_limited",
        DRIVE,
    ),
    (
        "6.1",
        "pci.c",
        (
            f"pci {DRIVE}: 7.876 Gb/s available PCIe bandwidth, limited by 8.0 GT/s PCIe x1 link at {PORT}"
            " (capable of 63.012 Gb/s with 16.0 GT/s PCIe x4 link)"
        ),
        "bandwidth_limited",
        DRIVE,
    ),
    (
        "6.16",
        "pci.c",
        (
            f"pci {DRIVE}: 126.016 Gb/s available PCIe bandwidth, limited by 32.0 GT/s PCIe x4 link at {PORT}"
            " (capable of 252.048 Gb/s with 64.0 GT/s PCIe x4 link), in Flit mode"
        ),
        "bandwidth_limited",
        DRIVE,
    ),
    (
        "5.x",
        "pci.c",
        (
            f"pci {DRIVE}: 2.000 Gb/s available PCIe bandwidth, limited by 2.5 GT/s PCIe x1 link at <unknown>"
            " (capable of 31.504 Gb/s with 8.0 GT/s PCIe x4 link)"
        ),
        "bandwidth_limited",
        DRIVE,
    ),
    ("5.4", "pci.c", f"nvme {DRIVE}: Refused to change power state, currently in D3", "device_removed", DRIVE),
    ("5.10", "pci.c", f"nvme {DRIVE}: refused to change power state from D3hot to D0", "device_removed", DRIVE),
    (
        "5.10",
        "pci.c",
        f"nvme {DRIVE}: can't change power state from D3cold to D0 (config space inaccessible)",
        "device_removed",
        DRIVE,
    ),
    (
        "6.1",
        "pci.c",
        f"nvme {DRIVE}: Unable to change power state from D3cold to D0, device inaccessible",
        "device_removed",
        DRIVE,
    ),
    ("5.10", "pci.c", f"pcieport {PORT}: Data Link Layer Link Active not set in 1000 msec", "link_down", PORT),
    ("5.10", "pci.c", f"nvme {DRIVE}: not ready 65535ms after bus reset; giving up", "device_removed", DRIVE),
    (
        "6.5",
        "quirks.c",
        f"pcieport {PORT}: broken device, retraining non-functional downstream link at 2.5GT/s",
        "link_down",
        PORT,
    ),
    ("6.5", "quirks.c", f"pcieport {PORT}: retraining failed", "link_down", PORT),
    (
        "6.12",
        "pci.c",
        f"nvme {DRIVE}: Unable to change power state from unknown to D0, device inaccessible",
        "device_removed",
        DRIVE,
    ),
    (
        "6.1",
        "pci.c",
        f"vfio-pci {DRIVE}: Device config space inaccessible; unable to save state",
        "device_removed",
        DRIVE,
    ),
    ("6.1", "pci.c", f"nvme {DRIVE}: not ready 65535ms after PM D3hot->D0; giving up", "device_removed", DRIVE),
    ("5.10", "probe.c", f"pci {DRIVE}: not ready after 60000ms; giving up", "probe_failed", DRIVE),
    ("5.10", "probe.c", f"pci {DRIVE}: unknown header type 7f, ignoring device", "probe_failed", DRIVE),
    ("5.10", "bus.c", f"pci {DRIVE}: device attach failed (-12)", "probe_failed", DRIVE),
    (
        "5.10",
        "quirks.c",
        f"nvme {DRIVE}: Timeout waiting for NVMe ready status to clear after disable",
        "controller_down",
        DRIVE,
    ),
    ("5.10", "pciehp_pci.c", f"pcieport {PORT}: pciehp: No new device found", "probe_failed", PORT),
    (
        "6.1",
        "pciehp_hpc.c",
        f"pcieport {PORT}: pciehp: pciehp_power_on_slot: Can not enable the link!",
        "link_down",
        PORT,
    ),
    ("6.1", "dd.c", f"nvme: probe of {DRIVE} failed with error -12", "probe_failed", DRIVE),
    ("6.12", "dd.c", f"nvme {DRIVE}: probe with driver nvme failed with error -12", "probe_failed", DRIVE),
    # drivers/net/ethernet/intel
    ("5.10", "igb_main.c", f"igb {DRIVE} enp3s0: PCIe link lost", "device_removed", DRIVE),
    ("5.10", "igc_main.c", f"igc {DRIVE} enp3s0: PCIe link lost, device now detached", "device_removed", DRIVE),
]

HARMLESS = [
    f"pcieport {PORT}: DPC: enabled with IRQ 122",
    (
        f"pcieport {PORT}: DPC: error containment capabilities: Int Msg #0, RPExt- PoisonedTLP+ SwTrigger+ RP PIO Log"
        " 0, DL_ActiveErr+"
    ),
    f"pcieport {PORT}: pciehp: Slot #3 AttnBtn- PwrCtrl- MRL- AttnInd- PwrInd- HotPlug+ Surprise+ Interlock- NoCompl+",
    f"pcieport {PORT}: pciehp: Slot(2): Already enabled",
    f"pcieport {PORT}: pciehp: Slot(2): Button press: will power off in 5 sec",
    f"pcieport {PORT}: pciehp: Slot(2): Link Down/Up ignored (recovered by DPC)",
    f"pcieport {PORT}: pciehp: Slot(2): Link Down/Up ignored",
    f"pcieport {PORT}: pciehp: Timeout on hotplug command 0x1038 (issued 65284 msec ago)",
    f"pcieport {PORT}: PME: Signaling with IRQ 54",
    f"pci {DRIVE}: 63.012 Gb/s available PCIe bandwidth (16.0 GT/s PCIe x4 link)",
    f"nvme {DRIVE}: Refused to change power state, currently in D0",
    f"nvme {DRIVE}: refused to change power state from D0 to D3hot",
    f"nvme {DRIVE}: not ready 1023ms after FLR; waiting",
    f"pci {DRIVE}: not ready after 1023ms; waiting",
    f"pci {DRIVE}: ready after 2047ms",
    f"pcieport {PORT}: pciehp: Slot(2): Latch open",
    f"pcieport {PORT}: pciehp: Slot(2): Attention button pressed",
    f"pcieport {PORT}: bwctrl: enabled with IRQ 54",
    f"pcieport {PORT}: Downstream Port link has been reset (0)",
    f"vfio-pci {DRIVE}: timed out waiting for pending transaction; performing function level reset anyway",
    f"pci {DRIVE}: DOE: [2c8] ABORT timed out",
    f"nvme {DRIVE}: ready 1ms after DPC",
    f"pcieport {PORT}: removing 2.5GT/s downstream link speed restriction",
    f"pcieport {PORT}: ASPM: current common clock configuration is inconsistent, reconfiguring",
    f"pci {DRIVE}: BAR 0 [mem 0x00000000-0x00003fff 64bit]: failed to assign",
    f"pci {DRIVE}: [1b36:0010] type 00 class 0x010802 PCIe Endpoint",
    f"pci {DRIVE}: Removing from iommu group 12",
    f"e1000e {DRIVE} enp3s0: NIC Link is Down",
    "i2c_designware: probe of i2c-1 failed with error -110",
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
        (f"pcieport {PORT}: pciehp: Slot(0-1): Power fault", {"slot": "0-1", "power": "fault"}),
        (
            (
                f"pci {DRIVE}: 7.876 Gb/s available PCIe bandwidth, limited by 8.0 GT/s PCIe x1 link at {PORT}"
                " (capable of 31.504 Gb/s with 8.0 GT/s PCIe x4 link)"
            ),
            {
                "gb_s": "7.876",
                "speed": "8.0 GT/s PCIe",
                "width": "1",
                "limited_at": PORT,
                "capable_gb_s": "31.504",
                "capable_speed": "8.0 GT/s PCIe",
                "capable_width": "4",
            },
        ),
    ],
)
def test_detail_is_kept_in_the_kernels_words(message: str, detail: dict[str, str]) -> None:
    event = classify(message)
    assert event is not None
    assert detail.items() <= event.detail.items()


def test_config_space_that_cannot_be_read_is_told() -> None:
    gone = classify(f"nvme {DRIVE}: Unable to change power state from D3cold to D0, device inaccessible")
    there = classify(f"nvme {DRIVE}: refused to change power state from D3hot to D0")
    assert gone is not None
    assert gone.config_space_gone is True
    assert there is not None
    assert there.config_space_gone is None
