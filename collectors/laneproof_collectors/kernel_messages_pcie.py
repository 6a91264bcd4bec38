"""What the kernel says of PCI Express: error reports, containment, slots, links, power states.

Formats are of 4.x to 7.0. AER says the same thing in several lines (the port's line, the device's, its status, a line
a bit); each is recognised alone, since the kernel limits the rate of lines and the first may be missing.
"""

import re
from collections.abc import Mapping
from types import MappingProxyType

from laneproof_collectors.kernel_messages import ADDRESS, HEX, EventKind, by_opening, told

CORRECTABLE_BITS: Mapping[int, str] = MappingProxyType(
    {
        0: "RxErr",
        6: "BadTLP",
        7: "BadDLLP",
        8: "Rollover",
        12: "Timeout",
        13: "NonFatalErr",
        14: "CorrIntErr",
        15: "HeaderOF",
    }
)
"""Bits of the correctable error status, as the kernel names them (drivers/pci/pcie/aer.c)."""

UNCORRECTABLE_BITS: Mapping[int, str] = MappingProxyType(
    {
        0: "Undefined",
        4: "DLP",
        5: "SDES",
        12: "TLP",
        13: "FCP",
        14: "CmpltTO",
        15: "CmpltAbrt",
        16: "UnxCmplt",
        17: "RxOF",
        18: "MalfTLP",
        19: "ECRC",
        20: "UnsupReq",
        21: "ACSViol",
        22: "UncorrIntErr",
        23: "BlockedTLP",
        24: "AtomicOpBlocked",
        25: "TLPBlockedErr",
        26: "PoisonTLPBlocked",
        27: "DMWrReqBlocked",
        28: "IDECheck",
        29: "MisIDETLP",
        30: "PCRC_CHECK",
        31: "TLPXlatBlocked",
    }
)
"""Bits of the uncorrectable error status, likewise."""

# drivers/pci/pcie/aer/aerdrv_errprint.c and aer.c to 4.20 wrote names out; which list a name is in tells the severity.
_LONG_CORRECTABLE = frozenset(
    {
        "Receiver Error",
        "Bad TLP",
        "Bad DLLP",
        "RELAY_NUM Rollover",
        "REPLAY_NUM Rollover",
        "Replay Timer Timeout",
        "Advisory Non-Fatal",
        "Corrected Internal Error",
        "Header Log Overflow",
    }
)
_LONG_UNCORRECTABLE = frozenset(
    {
        "Data Link Protocol",
        "Surprise Down Error",
        "Poisoned TLP",
        "Flow Control Protocol",
        "Completion Timeout",
        "Completer Abort",
        "Unexpected Completion",
        "Receiver Overflow",
        "Malformed TLP",
        "ECRC",
        "Unsupported Request",
        "ACS Violation",
        "Uncorrectable Internal Error",
        "MC Blocked TLP",
        "AtomicOp Egress Blocked",
        "TLP Prefix Blocked Error",
        "Poisoned TLP Egress Blocked",
    }
)
# Bits that only one of the two registers has settle which register a status was read from.
_ONLY_CORRECTABLE = 1 << 6 | 1 << 7 | 1 << 8
_ONLY_UNCORRECTABLE = 1 << 4 | 1 << 5 | 0xFFFF0000
_RECEIVER_ERROR = 1 << 0  # bit 0 of the other register is undefined since PCIe 1.1, so it counts for this one
_ADVISORY_NON_FATAL = 1 << 13  # masked by default in the correctable mask (PCIe base specification, from memory)


def decode_bits(kind: EventKind, status: int) -> str:
    """Name the bits of an AER status register.

    Args:
        kind: Which of the two registers it was read from.
        status: The register, masked bits already taken out.

    Returns:
        The kernel's names of the bits set, separated by blanks; a bit without a name is ``bit N``.
    """
    names = CORRECTABLE_BITS if kind is EventKind.AER_CORRECTABLE else UNCORRECTABLE_BITS
    return " ".join(names.get(bit, f"bit{bit}") for bit in range(32) if status >> bit & 1)


def judge_severity(groups: dict[str, str]) -> EventKind:
    """Tell correctable from uncorrectable by the kernel's word, old (Corrected) or new (Correctable)."""
    word = groups["severity"]
    for flag in ("multiple", "no_details"):
        if flag in groups:
            groups[flag] = "yes"
    if word.startswith("Correct"):
        groups["severity"] = "correctable"
        return EventKind.AER_CORRECTABLE
    groups["severity"] = "fatal" if "(Fatal)" in word else "nonfatal"
    return EventKind.AER_UNCORRECTABLE


def judge_status(groups: dict[str, str]) -> EventKind | None:
    """Tell which error register a bare status and mask came from, and name its bits.

    The line does not say. Bits that only one register has decide; then the mask, whose defaults differ; bits 12 and 13
    alone are taken for the everyday correctable ones and 14 and 15 alone for completions that failed, which is said as
    inferred.
    """
    status, mask = int(groups["status"], 16), int(groups["mask"], 16)
    kind = _register_of(status) or _register_of(mask & ~_RECEIVER_ERROR)
    if kind is None and mask & _ADVISORY_NON_FATAL:
        kind = EventKind.AER_CORRECTABLE
    if kind is None:
        if not status:
            return None
        groups["severity"] = "inferred"
        kind = EventKind.AER_CORRECTABLE if status & 0x3000 else EventKind.AER_UNCORRECTABLE
    if bits := decode_bits(kind, status & ~mask):
        groups["bits"] = bits
    return kind


def _register_of(bits: int) -> EventKind | None:
    if bits & _ONLY_UNCORRECTABLE:
        return EventKind.AER_UNCORRECTABLE
    return EventKind.AER_CORRECTABLE if bits & (_ONLY_CORRECTABLE | _RECEIVER_ERROR) else None


def judge_bit(groups: dict[str, str]) -> EventKind | None:
    """Tell by a bit's number and name which register it stands in."""
    bit, name = int(groups.pop("bit")), groups.pop("name")
    if CORRECTABLE_BITS.get(bit) == name or name in _LONG_CORRECTABLE:
        groups["bits"] = CORRECTABLE_BITS.get(bit, name)
        return EventKind.AER_CORRECTABLE
    if UNCORRECTABLE_BITS.get(bit) == name or name in _LONG_UNCORRECTABLE:
        groups["bits"] = UNCORRECTABLE_BITS.get(bit, name)
        return EventKind.AER_UNCORRECTABLE
    return None


def judge_refusal(groups: dict[str, str]) -> EventKind | None:
    """A device that would not wake is as good as gone; one that would not go to sleep is merely awake."""
    stuck = groups.get("current", "").startswith("D3") or groups.get("wanted") == "D0"
    return EventKind.DEVICE_REMOVED if stuck else None


def judge_firmware_status(groups: dict[str, str]) -> EventKind | None:
    """A register that the firmware reports with no bit set says nothing."""
    status = int(groups["status"], 16)
    kind = EventKind.AER_CORRECTABLE if groups.pop("register") == "cor" else EventKind.AER_UNCORRECTABLE
    if not status:
        return None
    groups["bits"] = decode_bits(kind, status)
    return kind


_AER = "drivers/pci/pcie/aer.c"
_DPC = "drivers/pci/pcie/dpc.c"
_PCIEHP = "drivers/pci/hotplug/pciehp_ctrl.c"
_PCIEHP_HPC = "drivers/pci/hotplug/pciehp_hpc.c"
_PCI = "drivers/pci/pci.c"
_SPEED = r"[\d.]+ GT/s(?: PCIe)?|Unknown(?: speed)?"
_REASONS = "unmasked uncorrectable error|ERR_NONFATAL|ERR_FATAL|RP PIO error|software trigger|reserved error"

_AER_ROWS = (
    told(
        judge_severity,
        "Corrected Correctable Uncorrected Uncorrectable Multiple",
        r"(?P<multiple>Multiple )?(?P<severity>(?:Corrected|Correctable|Uncorrected|Uncorrectable)(?: \([\w-]+\))?)"
        rf" error (?:message )?received(?: from)?:? ?(?P<device>{ADDRESS}|id=[0-9a-f]{{4}})"
        r"(?P<no_details> \(no details found)?",
        f"{_AER}: `error received: id=` to 5.0, an address to 6.8, `message received from` later",
    ),
    told(
        judge_severity,
        "PCIe CXL",
        r"(?:PCIe|CXL) Bus Error: severity=(?P<severity>[^,]+), type=(?P<layer>[^,]+)"
        r"(?:, (?:id=[0-9a-f]{4})?\((?P<agent>[^)]*)\))?",
        f"{_AER}; `id=%04x(%s)` to 4.20",
    ),
    told(
        judge_status,
        "device",
        r"device \[(?P<id>[0-9a-f]{4}:[0-9a-f]{4})\] error status/mask=(?P<status>[0-9a-f]{8})/(?P<mask>[0-9a-f]{8})",
        _AER,
        continues=True,
    ),
    told(
        EventKind.DPC,
        "[",
        r"\[ ?(?P<bit>\d+)\] (?P<reason>(?:Configuration|I/O|Memory) Request"
        r" (?:received \w+ Completion|Completion Timeout))",
        f"{_DPC}: root port programmed I/O",
        continues=True,
    ),
    told(
        judge_bit,
        "[",
        r"\[ ?(?P<bit>\d{1,2})\] (?P<name>\w[\w-]*(?: \w[\w-]*)*) *(?:\(First\) *)?$",
        _AER,
        continues=True,
    ),
    told(
        judge_status,
        "aer_status",
        r"aer_status: 0x(?P<status>[0-9a-f]{8}), aer_mask: 0x(?P<mask>[0-9a-f]{8})",
        f"{_AER}: pci_print_aer, of errors that the firmware saw first",
        continues=True,
    ),
    told(
        EventKind.AER_UNCORRECTABLE,
        "aer_uncor_severity",
        r"aer_uncor_severity: 0x[0-9a-f]{8}",
        f"{_AER}: printed of uncorrectable errors only",
        continues=True,
    ),
    told(
        EventKind.AER_UNCORRECTABLE,
        "device can't subordinate",
        r"device recovery (?P<recovery>failed)|can't recover \((?P<reason>[^)]+)\)"
        r"|subordinate device reset (?P<reset>failed)",
        "drivers/pci/pcie/err.c",
        continues=True,
    ),
)

_DPC_ROWS = (
    told(
        EventKind.DPC,
        "containment",
        rf"containment event, status:(?P<status>{HEX})(?: source:(?P<source>{HEX}))?"
        rf"(?::? ?(?P<reason>{_REASONS}) detected|, (?P<received>ERR_\w+) received from (?P<device>{ADDRESS}))?",
        f"{_DPC}: two lines to 6.15, one line later; `DPC containment` before 4.20",
    ),
    told(
        EventKind.DPC,
        "unmasked ERR_NONFATAL ERR_FATAL RP software reserved",
        rf"(?P<reason>{_REASONS}) detected",
        f"{_DPC} to 6.15",
        continues=True,
    ),
    told(
        EventKind.DPC,
        "rp_pio_status RP",
        rf"rp_pio_status: (?P<rp_pio_status>{HEX})|RP PIO severity=(?P<rp_pio_severity>{HEX})",
        _DPC,
        continues=True,
    ),
    told(
        EventKind.DPC,
        "root Data",
        r"root port still busy|Data Link Layer Link Active not cleared in \d+ msec",
        _DPC,
        continues=True,
    ),
    told(EventKind.DPC, "EDR Invalid", r"EDR event received|Invalid DPC trigger", "drivers/pci/pcie/edr.c"),
)

_SLOT = r"[Ss]lot\((?P<slot>[^)]*)\): "
_HOTPLUG_ROWS = (
    # "Link Down/Up ignored (recovered by DPC)" tells of a link that DPC already told of, and that is back.
    told(EventKind.LINK_DOWN, "Slot slot", _SLOT + r"Link Down(?!/)", f"{_PCIEHP}; `Link Down event` before 4.19"),
    told(EventKind.LINK_UP, "Slot slot", _SLOT + r"(?:Link Up|Card present)", _PCIEHP),
    told(EventKind.DEVICE_REMOVED, "Slot slot", _SLOT + r"Card not present", _PCIEHP),
    told(EventKind.DEVICE_REMOVED, "Slot slot", _SLOT + r"Power fault", _PCIEHP, power="fault"),
    told(
        EventKind.LINK_DOWN,
        "Slot slot",
        _SLOT + rf"(?:Cannot train link: status (?P<status>{HEX})|No link)",
        f"{_PCIEHP_HPC} 5.x on",
    ),
    told(EventKind.PROBE_FAILED, "Slot slot", _SLOT + r"No device found", _PCIEHP_HPC),
    told(EventKind.DEVICE_REMOVED, "Card", r"Card not present on Slot\((?P<slot>[^)]*)\)", f"{_PCIEHP} to 4.18"),
    told(EventKind.LINK_UP, "Card", r"Card present on Slot\((?P<slot>[^)]*)\)", f"{_PCIEHP} to 4.18"),
    told(EventKind.DEVICE_REMOVED, "Power", r"Power fault on slot (?P<slot>\S+)", f"{_PCIEHP} to 4.18", power="fault"),
    told(
        EventKind.LINK_DOWN,
        "Link link Failed",
        rf"Link Training Error occurs|link training error: status (?P<status>{HEX})|Failed to check link status",
        f"{_PCIEHP_HPC} to 5.x",
    ),
    told(EventKind.PROBE_FAILED, "Cannot", r"Cannot add device at (?P<at>[0-9a-f:]{7,}:00)", _PCIEHP),
    told(
        EventKind.DEVICE_REMOVED,
        "pciehp_isr pcie_do_write_cmd pcie_poll_cmd",
        r"\w+: no response from device",
        f"{_PCIEHP_HPC}: the port itself reads all ones",
        config_space="gone",
    ),
)

_CORE_ROWS = (
    told(
        EventKind.BANDWIDTH_LIMITED,
        "#",
        rf"(?P<gb_s>\d+\.\d+) Gb/s available PCIe bandwidth, limited by (?P<speed>{_SPEED}) x(?P<width>\d+) link at"
        rf" (?P<limited_at>\S+)(?: \(capable of (?P<capable_gb_s>\d+\.\d+) Gb/s with (?P<capable_speed>{_SPEED})"
        r" x(?P<capable_width>\d+) link)?",
        f"{_PCI}: __pcie_print_link_status, 4.17 on; `, in Flit mode` after it in the newest",
    ),
    told(
        EventKind.DEVICE_REMOVED,
        "Unable can't",
        r"(?:Unable to|can't) change power state from (?P<current>\w+) to (?P<wanted>\w+),? "
        r"(?:\(config space inaccessible\)|device inaccessible)",
        f"{_PCI}: `can't` 5.4 to 5.18",
        config_space="gone",
    ),
    told(
        judge_refusal,
        "Refused refused",
        r"[Rr]efused to change power state(?:, currently in (?P<current>\w+)| from \w+ to (?P<wanted>\w+))",
        f"{_PCI}: `currently in` to 5.7",
    ),
    told(EventKind.LINK_DOWN, "Data", r"Data Link Layer Link Active not set in \d+ msec", _PCI),
    told(
        EventKind.DEVICE_REMOVED,
        "not",
        r"not ready (?P<milliseconds>\d+)ms after (?P<after>[\w ]+); giving up",
        f"{_PCI}: pci_dev_wait",
    ),
    told(
        EventKind.LINK_DOWN,
        "broken",
        r"broken device, retraining non-functional downstream link at (?P<speed>[\d.]+ ?GT/s)",
        "drivers/pci/quirks.c: pcie_failed_link_retrain, 6.5 on",
    ),
    told(
        EventKind.LINK_DOWN, "retraining", r"retraining (?P<retraining>failed)", "drivers/pci/quirks.c", continues=True
    ),
    told(
        EventKind.PROBE_FAILED,
        "probe",
        r"probe with driver (?P<driver>\S+) failed with error (?P<error>-?\d+)",
        "drivers/base/dd.c, 6.10 on",
    ),
    told(
        EventKind.DEVICE_REMOVED,
        "PCIe Adapter",
        r"PCIe link lost|Adapter removed$",
        "drivers/net/ethernet/intel/igb, igc, ixgbe: registers read all ones",
    ),
    told(
        EventKind.BANDWIDTH_LIMITED,
        "PCI-Express",
        r"PCI-Express bandwidth available for this device may be insufficient for optimal performance",
        "drivers/net/ethernet/intel/i40e/i40e_main.c",
    ),
)

FUNCTION_FORMATS = by_opening(_AER_ROWS, _DPC_ROWS, _HOTPLUG_ROWS, _CORE_ROWS)
"""Messages whose subject is a PCI function, after the name of the service that some of them carry."""

SERVICE = re.compile(r"(?:AER|DPC|EDR|pciehp):? +(?=\S)")
"""The port service that speaks; several kernel versions write AER's lines with and without it."""

HOST_FORMATS = by_opening(
    (
        told(
            EventKind.LINK_UP,
            "link Link PCIe port",
            r"(?:PCIe |port )?(?:Gen\.?\d x\d+ )?[Ll]ink(?: is)? up(?:, (?P<speed>[\d.]+ GT/s)(?: PCIe)? x(?P<width>\d+))?",
            "drivers/pci/controller/pcie-brcmstb.c, dwc/pcie-designware.c",
        ),
        told(
            EventKind.LINK_DOWN,
            "link Link PCIe Phy port failed",
            r"(?:PCIe |Phy |port )?[Ll]ink (?:\d+ )?(?:is )?(?:down|DOWN|never came up|Fail\b|training gen\d timeout)"
            r"|failed to bring link up",
            "drivers/pci/controller/pcie-brcmstb.c, pcie-rockchip-host.c, pci-tegra.c, dwc/pcie-designware.c,"
            " dwc/pci-imx6.c; `Link Fail` in board makers' trees",
        ),
        told(
            EventKind.PROBE_FAILED,
            "probe",
            r"probe with driver (?P<driver>\S+) failed with error (?P<error>-?\d+)",
            "drivers/base/dd.c, 6.10 on",
        ),
    )
)
"""Messages of a host bridge that a board's device tree names, such as ``fd500000.pcie``."""

FIRMWARE_FORMATS = by_opening(
    (
        told(
            judge_firmware_status,
            "aer_cor_status aer_uncor_status",
            r"aer_(?P<register>cor|uncor)_status: 0x(?P<status>[0-9a-f]{8})",
            "drivers/firmware/efi/cper.c: an error that the firmware saw first",
            continues=True,
        ),
    )
)
"""Lines of a hardware error record that the platform's firmware wrote; its other lines name severity and device."""
