"""What the kernel says of PCI Express errors, by version; the source file of each format stands beside it.

Formats were taken from the kernel's source; the values in them are made up.
"""

import pytest

from laneproof_collectors.kernel_log.aer import CORRECTABLE_BITS, UNCORRECTABLE_BITS, decode_bits
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.lines import classify

PORT, DRIVE = "0000:00:1c.0", "0000:03:00.0"

# (versions, source, message, kind, who erred)
FORMATS = [
    # drivers/pci/pcie/aer/aerdrv_core.c, aer.c: aer_print_port_info / aer_print_rp_info / aer_print_source
    ("4.x", "aer.c", f"pcieport {PORT}: AER: Corrected error received: id=00e0", "aer_correctable", PORT),
    ("4.x", "aer.c", f"pcieport {PORT}: AER: Multiple Corrected error received: id=0300", "aer_correctable", DRIVE),
    ("5.10", "aer.c", f"pcieport {PORT}: AER: Corrected error received: {DRIVE}", "aer_correctable", DRIVE),
    ("5.10", "aer.c", f"pcieport {PORT}: AER: Multiple Corrected error received: {DRIVE}", "aer_correctable", DRIVE),
    (
        "6.1",
        "aer.c",
        f"pcieport {PORT}: AER: Uncorrected (Non-Fatal) error received: {DRIVE}",
        "aer_uncorrectable",
        DRIVE,
    ),
    ("6.1", "aer.c", f"pcieport {PORT}: AER: Uncorrected (Fatal) error received: {DRIVE}", "aer_uncorrectable", DRIVE),
    (
        "6.12",
        "aer.c",
        f"pcieport {PORT}: AER: Correctable error message received from {DRIVE}",
        "aer_correctable",
        DRIVE,
    ),
    (
        "6.12",
        "aer.c",
        f"pcieport {PORT}: AER: Multiple Uncorrectable (Fatal) error message received from {DRIVE}",
        "aer_uncorrectable",
        DRIVE,
    ),
    (
        "6.16",
        "aer.c",
        f"pcieport {PORT}: AER: Correctable error message received from {DRIVE} (no details found",
        "aer_correctable",
        DRIVE,
    ),
    (
        "6.16",
        "aer.c",
        "pcieport 10000:e0:1d.0: AER: Correctable error message received from 10000:e1:00.0",
        "aer_correctable",
        "10000:e1:00.0",
    ),
    # aer_print_error
    (
        "4.x",
        "aerdrv_errprint.c",
        f"pcieport {PORT}: PCIe Bus Error: severity=Corrected, type=Physical Layer, id=00e0(Receiver ID)",
        "aer_correctable",
        PORT,
    ),
    (
        "4.x",
        "aerdrv_errprint.c",
        (
            f"pcieport {PORT}: PCIe Bus Error: severity=Uncorrected (Fatal), type=Unaccessible,"
            " id=00e0(Unregistered Agent ID)"
        ),
        "aer_uncorrectable",
        PORT,
    ),
    (
        "5.4",
        "aer.c",
        f"nvme {DRIVE}: AER: PCIe Bus Error: severity=Corrected, type=Data Link Layer, (Receiver ID)",
        "aer_correctable",
        DRIVE,
    ),
    (
        "6.1",
        "aer.c",
        f"nvme {DRIVE}: PCIe Bus Error: severity=Uncorrected (Non-Fatal), type=Transaction Layer, (Requester ID)",
        "aer_uncorrectable",
        DRIVE,
    ),
    (
        "6.12",
        "aer.c",
        f"nvme {DRIVE}: PCIe Bus Error: severity=Correctable, type=Data Link Layer, (Transmitter ID)",
        "aer_correctable",
        DRIVE,
    ),
    (
        "6.12",
        "aer.c",
        f"nvme {DRIVE}: PCIe Bus Error: severity=Uncorrectable (Fatal), type=Inaccessible, (Unregistered Agent ID)",
        "aer_uncorrectable",
        DRIVE,
    ),
    (
        "7.0",
        "aer.c, aer_err_bus",
        f"cxl_pci {DRIVE}: CXL Bus Error: severity=Correctable, type=Physical Layer, (Receiver ID)",
        "aer_correctable",
        DRIVE,
    ),
    (
        "5.x",
        "aer.c",
        f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00000001/0000e000",
        "aer_correctable",
        DRIVE,
    ),
    (
        "5.x",
        "aer.c",
        f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00004000/00400000",
        "aer_uncorrectable",
        DRIVE,
    ),
    ("4.x", "aerdrv_errprint.c", f"nvme {DRIVE}:    [ 0] Receiver Error         (First)", "aer_correctable", DRIVE),
    ("4.x", "aerdrv_errprint.c", f"nvme {DRIVE}:    [12] Poisoned TLP           (First)", "aer_uncorrectable", DRIVE),
    ("5.x", "aer.c", f"nvme {DRIVE}: AER:    [12] Timeout               ", "aer_correctable", DRIVE),
    ("5.x", "aer.c", f"nvme {DRIVE}:    [12] TLP                    (First)", "aer_uncorrectable", DRIVE),
    ("5.x", "aer.c", f"nvme {DRIVE}:    [14] CmpltTO                (First)", "aer_uncorrectable", DRIVE),
    ("6.16", "aer.c", f"nvme {DRIVE}:    [ 5] SDES                   (First)", "aer_uncorrectable", DRIVE),
    # pci_print_aer: firmware first
    ("6.1", "aer.c", f"nvme {DRIVE}: AER: aer_status: 0x00000001, aer_mask: 0x00000000", "aer_correctable", DRIVE),
    ("6.1", "aer.c", f"nvme {DRIVE}: AER: aer_status: 0x00100000, aer_mask: 0x00000000", "aer_uncorrectable", DRIVE),
    ("6.1", "aer.c", f"nvme {DRIVE}: AER: aer_uncor_severity: 0x000ef030", "aer_uncorrectable", DRIVE),
    ("5.10", "err.c", f"pcieport {PORT}: AER: device recovery failed", "aer_uncorrectable", PORT),
    ("5.7", "err.c", f"pcieport {PORT}: AER: Device recovery failed", "aer_uncorrectable", PORT),
    ("5.7", "err.c", f"pcieport {PORT}: link reset at upstream device {PORT} failed", "aer_uncorrectable", PORT),
    ("5.10", "err.c", f"pcieport {PORT}: AER: link reset failed", "aer_uncorrectable", PORT),
    ("5.10", "err.c", f"pcieport {PORT}: AER: subordinate device reset failed", "aer_uncorrectable", PORT),
    (
        "6.12",
        "aer.c",
        "pcieport abcdef01:00:1c.0: AER: Correctable error message received from abcdef01:03:00.0",
        "aer_correctable",
        "abcdef01:03:00.0",
    ),
    ("5.10", "err.c", f"ahci {DRIVE}: AER: can't recover (no error_detected callback)", "aer_uncorrectable", DRIVE),
]

HARMLESS = [
    f"pcieport {PORT}: AER: enabled with IRQ 122",
    f"aer {PORT}:pcie002: AER enabled with IRQ 29",
    f"pcieport {PORT}: AER: device recovery successful",
    f"pcieport {PORT}: AER: Device recovery successful",
    f"pcieport {PORT}: AER: broadcast error_detected message",
    f"nvme {DRIVE}:    [10] Unknown Error Bit      ",
    f"nvme {DRIVE}: AER: aer_layer=Data Link Layer, aer_agent=Receiver ID",
    f"nvme {DRIVE}:   TLP Header: 00000001 0000220f 3e840000 00000000",
    f"pcieport {PORT}: AER: Root Port link has been reset (0)",
    f"pcieport {PORT}: AER:   Error of this Agent is reported first",
    f"pcieport {PORT}: AER:   TLP Header: 0x4a004010 0x00000040 0x01000000 0xffffffff",
    f"pcieport {PORT}: AER: found no error details for {DRIVE}",
    f"pcieport {PORT}: can't find device of ID00e0",
    f"pcieport {PORT}: aer_inject: Injecting errors 00001000/00000000 into device {PORT}",
    "acpi PNP0A08:00: _OSC: OS now controls [PCIeHotplug PME AER PCIeCapability]",
    "RAS: Correctable Errors collector initialized.",
    "GHES: APEI firmware first mode is enabled by APEI bit.",
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
        (f"nvme {DRIVE}:   device [1b36:0010] error status/mask=00001041/00002000", {"bits": "RxErr BadTLP Timeout"}),
        (f"nvme {DRIVE}:    [ 8] RELAY_NUM Rollover    ", {"bits": "Rollover"}),
        (f"nvme {DRIVE}:    [20] Unsupported Request    (First)", {"bits": "UnsupReq"}),
        (f"pcieport {PORT}: AER: Uncorrected (Fatal) error received: {DRIVE}", {"severity": "fatal"}),
        (
            f"pcieport {PORT}: AER: Uncorrectable (Non-Fatal) error message received from {DRIVE}",
            {"severity": "nonfatal"},
        ),
        (
            f"pcieport {PORT}: AER: Multiple Corrected error received: {DRIVE}",
            {"severity": "correctable", "multiple": "yes"},
        ),
    ],
)
def test_detail_is_kept_in_plain_words(message: str, detail: dict[str, str]) -> None:
    event = classify(message)
    assert event is not None
    assert detail.items() <= event.detail.items()


@pytest.mark.parametrize(
    ("status", "mask", "kind", "severity"),
    [
        ("00001000", "00002000", "aer_correctable", None),  # the default correctable mask
        ("00001000", "00400000", "aer_uncorrectable", None),  # a mask that only the other register can have
        ("00001000", "00000000", "aer_correctable", "inferred"),  # Timeout or a poisoned TLP: the everyday one
        (
            "00004000",
            "00000000",
            "aer_uncorrectable",
            "inferred",
        ),  # a completion timeout, or a corrected internal error
        ("00000040", "00000000", "aer_correctable", None),
        ("00040000", "00000000", "aer_uncorrectable", None),
    ],
)
def test_a_bare_status_is_told_apart_by_its_bits_and_its_mask(
    status: str, mask: str, kind: str, severity: str | None
) -> None:
    event = classify(f"nvme {DRIVE}:   device [1b36:0010] error status/mask={status}/{mask}")
    assert event is not None
    assert event.kind == kind
    assert event.detail.get("severity") == severity


def test_bits_have_the_names_that_the_counters_have() -> None:
    # Names and positions: kernel drivers/pci/pcie/aer.c, aer_correctable_error_string and the other; positions also in
    # include/uapi/linux/pci_regs.h: PCI_ERR_COR_BAD_TLP 0x40, PCI_ERR_COR_REP_TIMER 0x1000, PCI_ERR_UNC_SURPDN 0x20.
    assert decode_bits(EventKind.AER_CORRECTABLE, 0x40 | 0x1000) == "BadTLP Timeout"
    assert decode_bits(EventKind.AER_UNCORRECTABLE, 0x20) == "SDES"
    assert decode_bits(EventKind.AER_CORRECTABLE, 1 << 20) == "bit20"
    assert set(CORRECTABLE_BITS) == {0, 6, 7, 8, 12, 13, 14, 15}
    assert set(UNCORRECTABLE_BITS) == {0, 4, 5, *range(12, 32)}
