"""What the kernel says of PCI Express besides errors: containment, slots, links, power states."""

import re

from laneproof_collectors.kernel_log.aer import AER_ROWS
from laneproof_collectors.kernel_log.formats import ADDRESS, HEX, EventKind, by_opening, row


def judge_refusal(groups: dict[str, str]) -> EventKind | None:
    """A device that would not wake is as good as gone; one that would not go to sleep is merely awake."""
    stuck = groups.get("current", "").startswith("D3") or groups.get("wanted") == "D0"
    return EventKind.DEVICE_REMOVED if stuck else None


_DPC = "drivers/pci/pcie/dpc.c"
_PCIEHP = "drivers/pci/hotplug/pciehp_ctrl.c"
_PCIEHP_HPC = "drivers/pci/hotplug/pciehp_hpc.c"
_PCI = "drivers/pci/pci.c"
_SPEED = r"[\d.]+ GT/s(?: PCIe)?|Unknown(?: speed)?"
_REASONS = "unmasked uncorrectable error|ERR_NONFATAL|ERR_FATAL|RP PIO error|software trigger|reserved error"

_DPC_ROWS = (
    row(
        EventKind.DPC,
        "[",
        r"\[ ?(?P<bit>\d+)\] (?P<reason>(?:Configuration|I/O|Memory) Request"
        r" (?:received \w+ Completion|Completion Timeout))",
        f"{_DPC}: root port programmed I/O",
        continues=True,
    ),
    row(
        EventKind.DPC,
        "containment",
        rf"containment event, status:(?P<status>{HEX})(?: source:(?P<source>{HEX}))?"
        rf"(?::? ?(?P<reason>{_REASONS}) detected|, (?P<received>ERR_\w+) received from (?P<device>{ADDRESS}))?",
        f"{_DPC}: two lines to 6.15, one line later; `DPC containment` before 4.20",
    ),
    row(
        EventKind.DPC,
        "unmasked ERR_NONFATAL ERR_FATAL RP software reserved",
        rf"(?P<reason>{_REASONS}) detected",
        f"{_DPC} to 6.15",
        continues=True,
    ),
    row(
        EventKind.DPC,
        "rp_pio_status RP",
        rf"rp_pio_status: (?P<rp_pio_status>{HEX})|RP PIO severity=(?P<rp_pio_severity>{HEX})",
        _DPC,
        continues=True,
    ),
    row(
        EventKind.DPC,
        "root Data",
        r"root port still busy|Data Link Layer Link Active not cleared in \d+ msec",
        _DPC,
        continues=True,
    ),
    # The firmware hands the containment over; what it was follows in a line of its own.
    row(EventKind.DPC, "EDR Invalid", r"EDR event received|Invalid DPC trigger", "drivers/pci/pcie/edr.c", edr="yes"),
)

_SLOT = r"[Ss]lot\((?P<slot>[^)]*)\): "
_HOTPLUG_ROWS = (
    # "Link Down/Up ignored (recovered by DPC)" reports a link that DPC already reported, and that is back.
    row(EventKind.LINK_DOWN, "Slot slot", _SLOT + r"Link Down(?!/)", f"{_PCIEHP}; `Link Down event` before 4.19"),
    row(EventKind.LINK_UP, "Slot slot", _SLOT + r"(?:Link Up|Card present)", _PCIEHP),
    row(EventKind.DEVICE_REMOVED, "Slot slot", _SLOT + r"Card not present", _PCIEHP),
    row(EventKind.DEVICE_REMOVED, "Slot slot", _SLOT + r"Power fault", _PCIEHP, power="fault"),
    row(
        EventKind.LINK_DOWN,
        "Slot slot",
        _SLOT + rf"(?:Cannot train link: status (?P<status>{HEX})|No link)",
        f"{_PCIEHP_HPC} 5.x on",
    ),
    row(EventKind.PROBE_FAILED, "Slot slot", _SLOT + r"No device found", _PCIEHP_HPC),
    row(EventKind.DEVICE_REMOVED, "Card", r"Card not present on Slot\((?P<slot>[^)]*)\)", f"{_PCIEHP} to 4.18"),
    row(EventKind.LINK_UP, "Card", r"Card present on Slot\((?P<slot>[^)]*)\)", f"{_PCIEHP} to 4.18"),
    row(EventKind.DEVICE_REMOVED, "Power", r"Power fault on slot (?P<slot>\S+)", f"{_PCIEHP} to 4.18", power="fault"),
    row(
        EventKind.LINK_DOWN,
        "Link link Failed",
        rf"Link Training Error occurs|link training error: status (?P<status>{HEX})|Failed to check link status",
        f"{_PCIEHP_HPC} to 5.x",
    ),
    row(
        EventKind.PROBE_FAILED,
        "Cannot No",
        r"Cannot add device at (?P<at>[0-9a-f:]{7,}:00)|No new device found",
        f"{_PCIEHP}, pciehp_pci.c",
    ),
    row(EventKind.LINK_DOWN, "pciehp_power_on_slot", r"\w+: Can not enable the link!", _PCIEHP_HPC),
    row(
        EventKind.DEVICE_REMOVED,
        "pciehp_isr pcie_do_write_cmd pcie_poll_cmd",
        r"\w+: no response from device",
        f"{_PCIEHP_HPC}: the port itself reads all ones",
        config_space="gone",
    ),
)

PROBE_ROW = row(
    EventKind.PROBE_FAILED,
    "probe",
    r"probe with driver (?P<driver>\S+) failed with error (?P<error>-?\d+)",
    "drivers/base/dd.c, 6.10 on",
)
"""A driver that fails on a PCI function or a host bridge."""

_CORE_ROWS = (
    row(
        EventKind.BANDWIDTH_LIMITED,
        "#",
        rf"(?P<gb_s>\d+\.\d+) Gb/s available PCIe bandwidth, limited by (?P<speed>{_SPEED}) x(?P<width>\d+) link at"
        rf" (?P<limited_at>\S+)(?: \(capable of (?P<capable_gb_s>\d+\.\d+) Gb/s with (?P<capable_speed>{_SPEED})"
        r" x(?P<capable_width>\d+) link)?",
        f"{_PCI}: __pcie_print_link_status, 4.17 on; `, in Flit mode` after it in the newest",
    ),
    row(
        EventKind.DEVICE_REMOVED,
        "Unable can't",
        r"(?:Unable to|can't) change power state from (?P<current>\w+) to (?P<wanted>\w+),? "
        r"(?:\(config space inaccessible\)|device inaccessible)",
        f"{_PCI}: `can't` 5.4 to 5.18",
        config_space="gone",
    ),
    row(
        judge_refusal,
        "Refused refused",
        r"[Rr]efused to change power state(?:, currently in (?P<current>\w+)| from \w+ to (?P<wanted>\w+))",
        f"{_PCI}: `currently in` to 5.7",
    ),
    row(
        EventKind.DEVICE_REMOVED,
        "Device",
        r"Device config space inaccessible; unable to",
        f"{_PCI} 6.1 on, as back-ported",
        config_space="gone",
    ),
    row(EventKind.LINK_DOWN, "Data", r"Data Link Layer Link Active not set in \d+ msec", _PCI),
    row(
        EventKind.DEVICE_REMOVED,
        "not",
        r"not ready (?P<milliseconds>\d+)ms after (?P<after>[^;]+); giving up",
        f"{_PCI}: pci_dev_wait",
    ),
    row(
        EventKind.PROBE_FAILED,
        "not unknown device",
        r"not ready after (?P<milliseconds>\d+)ms; giving up"
        r"|unknown header type (?P<header>[0-9a-f]{2}), ignoring device"
        r"|device attach failed \((?P<error>-\d+)\)",
        "drivers/pci/probe.c, bus.c: a device that keeps the bus waiting, or whose registers make no sense",
    ),
    row(
        EventKind.CONTROLLER_DOWN,
        "Timeout",
        r"Timeout waiting for NVMe ready status to clear after disable",
        "drivers/pci/quirks.c: nvme_disable_and_flr",
    ),
    row(
        EventKind.DEVICE_REMOVED,
        "AHCI",
        r"AHCI controller unavailable!",
        "drivers/ata/libahci.c: its registers read all ones",
        config_space="gone",
    ),
    row(
        EventKind.CONTROLLER_DOWN,
        "controller Controller",
        r"[Cc]ontroller reset failed \(0x[0-9a-f]+\)",
        "drivers/ata/libahci.c",
    ),
    row(
        EventKind.LINK_DOWN,
        "broken",
        r"broken device, retraining non-functional downstream link at (?P<speed>[\d.]+ ?GT/s)",
        "drivers/pci/quirks.c: pcie_failed_link_retrain, 6.5 on",
    ),
    row(
        EventKind.LINK_DOWN, "retraining", r"retraining (?P<retraining>failed)", "drivers/pci/quirks.c", continues=True
    ),
    PROBE_ROW,
    row(
        EventKind.DEVICE_REMOVED,
        "PCIe Adapter",
        r"PCIe link lost|Adapter removed$",
        "drivers/net/ethernet/intel/igb, igc, ixgbe: registers read all ones",
    ),
    row(
        EventKind.BANDWIDTH_LIMITED,
        "PCI-Express",
        r"PCI-Express bandwidth available for this device may be insufficient for optimal performance",
        "drivers/net/ethernet/intel/i40e/i40e_main.c",
    ),
)

FUNCTION_FORMATS = by_opening(*_DPC_ROWS, *AER_ROWS, *_HOTPLUG_ROWS, *_CORE_ROWS)
"""Messages whose subject is a PCI function, after the name of the service that some of them carry."""

SERVICE = re.compile(r"(?:AER|DPC|EDR|pciehp):? +(?=\S)")
"""The port service that speaks; several kernel versions write AER's lines with and without it."""
