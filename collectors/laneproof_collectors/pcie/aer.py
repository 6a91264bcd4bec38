"""Advanced Error Reporting as the kernel counts it: the ``aer_dev_*`` and ``aer_rootport_total_*`` attributes.

The lines count bits, the total counts messages, and the two need not add up: the lines are kept, the total is dropped.
A counter belongs to the end that saw the error, which need not be the end that caused it.

Source: Linux drivers/pci/pcie/aer.c, ``aer_stats_dev_attr`` and ``aer_stats_rootport_attr``;
Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats.
"""

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache

from laneproof_collectors.snapshot import AerCounters
from laneproof_collectors.sysfs_attributes import is_absent
from laneproof_collectors.unread import Unread

AER_CLASSES = ("aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal")
AER_TOTALS = ("aer_rootport_total_err_cor", "aer_rootport_total_err_nonfatal", "aer_rootport_total_err_fatal")
_ROOT_FIELDS = ("root_correctable", "root_nonfatal", "root_fatal")

_LINE = re.compile(rb"([A-Za-z][A-Za-z0-9_ \[\]-]{0,63}) ([0-9]{1,20})")
_TOTAL = re.compile(rb"([0-9]{1,20})\n?")
_COUNT_LIMIT = 1 << 64  # the kernel's counters are u64

SHORT_NAMES = {
    "Receiver Error": "RxErr",
    "Bad TLP": "BadTLP",
    "Bad DLLP": "BadDLLP",
    "RELAY_NUM Rollover": "Rollover",
    "REPLAY_NUM Rollover": "Rollover",
    "Replay Timer Timeout": "Timeout",
    "Advisory Non-Fatal": "NonFatalErr",
    "Advisory Non-Fatal Error": "NonFatalErr",
    "Corrected Internal Error": "CorrIntErr",
    "Header Log Overflow": "HeaderOF",
    "Data Link Protocol": "DLP",
    "Surprise Down Error": "SDES",
    "Poisoned TLP": "TLP",
    "Flow Control Protocol": "FCP",
    "Completion Timeout": "CmpltTO",
    "Completer Abort": "CmpltAbrt",
    "Unexpected Completion": "UnxCmplt",
    "Receiver Overflow": "RxOF",
    "Malformed TLP": "MalfTLP",
    "Unsupported Request": "UnsupReq",
    "ACS Violation": "ACSViol",
    "Uncorrectable Internal Error": "UncorrIntErr",
    "MC Blocked TLP": "BlockedTLP",
    "AtomicOp Egress Blocked": "AtomicOpBlocked",
    "TLP Prefix Blocked Error": "TLPBlockedErr",
    "Poisoned TLP Egress Blocked": "PoisonTLPBlocked",
}
"""The names of the ABI document, which kernels to 4.20 print, and the short names of later ones (aer.c,
aer_correctable_error_string and aer_uncorrectable_error_string). "RELAY" is the document's own spelling."""


def parse_aer_counters(raw: bytes, *, what: str) -> Mapping[str, int] | Unread:
    r"""Parse one of the three ``aer_dev_*`` attributes: ``b"RxErr 2\nBadTLP 0\n...TOTAL_ERR_COR 2\n"``.

    Returns:
        Each bit's count by the kernel's short name, or why there is none. Equal files give one and the same mapping.
    """
    counts = _counts(raw)
    return Unread(what, f"not a list of error counts: {raw[:48]!r}") if counts is None else counts


# Nearly all files of a box read the same, all zeros, so that most passes parse none.
@lru_cache(maxsize=1024)
def _counts(raw: bytes) -> Mapping[str, int] | None:
    lines = raw.split(b"\n")
    unended = lines.pop()
    if unended and not unended.startswith(b"TOTAL_"):
        return None  # cut off within a line; within the total it does no harm, for that is dropped
    counts: dict[str, int] = {}
    for line in lines:
        if not (match := _LINE.fullmatch(line)) or (count := int(match[2])) >= _COUNT_LIMIT:
            return None
        name = match[1].decode("ascii")
        if name.startswith("TOTAL_"):
            continue
        name = SHORT_NAMES.get(name, name)
        if name in counts:
            return None
        counts[name] = count
    return counts or None


def parse_aer_total(raw: bytes, *, what: str) -> int | Unread:
    """Parse one of the three ``aer_rootport_total_err_*`` attributes, a decimal number.

    Returns:
        How many messages of that class reached the root port, or why there is no number.
    """
    if (match := _TOTAL.fullmatch(raw)) and (count := int(match[1])) < _COUNT_LIMIT:
        return count
    return Unread(what, f"not a count: {raw[:32]!r}")


def parse_aer(raws: Sequence[bytes | Unread], totals: Sequence[bytes | Unread], *, folder: str) -> AerCounters | None:
    """Parse all counters of one function, in the order of `AER_CLASSES` and, where they were asked for, `AER_TOTALS`.

    Returns:
        The counters; None where the kernel keeps none for this function.
    """
    if all(map(is_absent, raws)):
        return None
    correctable, nonfatal, fatal = (
        raw if isinstance(raw, Unread) else parse_aer_counters(raw, what=f"{folder}/{name}")
        for raw, name in zip(raws, AER_CLASSES, strict=True)
    )
    roots: dict[str, int | Unread] = {}
    if not all(map(is_absent, totals)):
        for raw, name, field in zip(totals, AER_TOTALS, _ROOT_FIELDS, strict=True):
            roots[field] = raw if isinstance(raw, Unread) else parse_aer_total(raw, what=f"{folder}/{name}")
    return AerCounters(correctable=correctable, nonfatal=nonfatal, fatal=fatal, **roots)
