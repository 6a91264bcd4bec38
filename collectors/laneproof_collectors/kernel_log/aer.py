"""What the kernel says of PCI Express errors: Advanced Error Reporting, by the kernel or by firmware first.

AER says the same thing in several lines (the port's line, the device's, its status, a line a bit); each is recognised
alone, since the kernel limits the rate of lines and the first may be missing.
"""

from collections.abc import Mapping
from types import MappingProxyType

from laneproof_collectors.kernel_log.formats import ADDRESS, EventKind, by_opening, row
from laneproof_collectors.pcie.aer import SHORT_NAMES

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

# Bits that only one of the two registers has settle which register a status was read from.
_ONLY_CORRECTABLE = 1 << 6 | 1 << 7 | 1 << 8
_ONLY_UNCORRECTABLE = 1 << 4 | 1 << 5 | 0xFFFF0000
_RECEIVER_ERROR = 1 << 0  # bit 0 of the other register is undefined since PCIe 1.1, so it counts for this one
_ADVISORY_NON_FATAL = 1 << 13  # masked by default in the correctable mask (PCIe base specification, from memory)


def decode_bits(kind: EventKind, status: int) -> str:
    """Name the bits of the AER status register of a kind, masked ones already taken out.

    Returns:
        The kernel's names of the bits set, separated by blanks; a bit without a name is ``bitN``.
    """
    names = CORRECTABLE_BITS if kind is EventKind.AER_CORRECTABLE else UNCORRECTABLE_BITS
    return " ".join(names.get(bit, f"bit{bit}") for bit in range(32) if status >> bit & 1)


def judge_severity(groups: dict[str, str]) -> EventKind:
    """Distinguish correctable from uncorrectable by the kernel's word, old (Corrected) or new (Correctable)."""
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
    """Find which error register a bare status and mask came from, and name its bits.

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
    """Find by a bit's number and name which register it stands in."""
    bit, name = int(groups.pop("bit")), groups.pop("name")
    groups["bits"] = short = SHORT_NAMES.get(name, name)  # kernels to 4.20 wrote it out
    if CORRECTABLE_BITS.get(bit) == short:
        return EventKind.AER_CORRECTABLE
    return EventKind.AER_UNCORRECTABLE if UNCORRECTABLE_BITS.get(bit) == short else None


def judge_firmware_status(groups: dict[str, str]) -> EventKind | None:
    """A register that the firmware reports with no bit set says nothing."""
    status = int(groups["status"], 16)
    kind = EventKind.AER_CORRECTABLE if groups.pop("register") == "cor" else EventKind.AER_UNCORRECTABLE
    if not status:
        return None
    groups["bits"] = decode_bits(kind, status)
    return kind


_AER = "drivers/pci/pcie/aer.c"

AER_ROWS = (
    row(
        judge_severity,
        "Corrected Correctable Uncorrected Uncorrectable Multiple",
        r"(?P<multiple>Multiple )?(?P<severity>(?:Corrected|Correctable|Uncorrected|Uncorrectable)(?: \([\w-]+\))?)"
        rf" error (?:message )?received(?: from)?:? ?(?P<device>{ADDRESS}|id=[0-9a-f]{{4}})"
        r"(?P<no_details> \(no details found)?",
        f"{_AER}: `error received: id=` to 5.0, an address to 6.8, `message received from` later",
    ),
    row(
        judge_severity,
        "PCIe CXL",
        r"(?:PCIe|CXL) Bus Error: severity=(?P<severity>[^,]+), type=(?P<layer>[^,]+)"
        r"(?:, (?:id=[0-9a-f]{4})?\((?P<agent>[^)]*)\))?",
        f"{_AER}; `id=%04x(%s)` to 4.20",
    ),
    row(
        judge_status,
        "device",
        r"device \[(?P<id>[0-9a-f]{4}:[0-9a-f]{4})\] error status/mask=(?P<status>[0-9a-f]{8})/(?P<mask>[0-9a-f]{8})",
        _AER,
        continues=True,
    ),
    row(
        judge_bit,
        "[",
        r"\[ ?(?P<bit>\d{1,2})\] (?P<name>\w[\w-]*(?: \w[\w-]*)*) *(?:\(First\) *)?$",
        _AER,
        continues=True,
    ),
    row(
        judge_status,
        "aer_status",
        r"aer_status: 0x(?P<status>[0-9a-f]{8}), aer_mask: 0x(?P<mask>[0-9a-f]{8})",
        f"{_AER}: pci_print_aer, of errors that the firmware saw first",
        continues=True,
    ),
    row(
        EventKind.AER_UNCORRECTABLE,
        "aer_uncor_severity",
        r"aer_uncor_severity: 0x[0-9a-f]{8}",
        f"{_AER}: printed of uncorrectable errors only",
        continues=True,
    ),
    row(
        EventKind.AER_UNCORRECTABLE,
        "device Device can't subordinate link",
        r"[Dd]evice recovery (?P<recovery>failed)|can't recover \((?P<hindered>[^)]+)\)"
        r"|(?:subordinate device|link) reset (?:at upstream device \S+ )?(?P<reset>failed)",
        "drivers/pci/pcie/err.c; `Device recovery`, `reset at upstream device` to 5.8, `link reset failed` to 5.10",
        continues=True,
    ),
)
"""Rows of messages whose subject is a PCI function."""

FIRMWARE_FORMATS = by_opening(
    row(
        judge_firmware_status,
        "aer_cor_status aer_uncor_status",
        r"aer_(?P<register>cor|uncor)_status: 0x(?P<status>[0-9a-f]{8})",
        "drivers/firmware/efi/cper.c: an error that the firmware saw first",
        continues=True,
    ),
)
"""Lines of a hardware error record that the platform's firmware wrote; its other lines name severity and device."""
