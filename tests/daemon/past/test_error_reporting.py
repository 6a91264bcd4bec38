"""What becomes of an end's errors: counted, or why not."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.simulated_past import count
from boxes.snapshot_box import Box
from laneproof.past.error_reporting import Reporting, find_reporting
from laneproof_collectors.snapshot import PciFunction
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("config", "denied", Reason.DENIED)
ABSENT = Unread("aer_dev_correctable", "there is none", Reason.ABSENT)


def end(**facts: Any) -> PciFunction:
    snapshot = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", function=facts).snapshot()
    assert not isinstance(snapshot.functions, Unread)
    return next(function for function in snapshot.functions if not function.is_bridge)


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        ({"aer": count(), "correctable_mask": 0x2000}, Reporting.COUNTED),
        ({"aer": count(), "correctable_mask": None}, Reporting.COUNTED),
        ({"aer": count(), "correctable_mask": 0x20C1}, Reporting.MASKED),  # pci_regs.h, PCI_ERR_COR_*
        ({"aer": count(), "correctable_mask": 0x1}, Reporting.COUNTED),  # two of three still report
        ({"aer": None, "correctable_mask": 0x2000}, Reporting.NOT_OWNED),
        ({"aer": None, "correctable_mask": None}, Reporting.NO_CAPABILITY),
        ({"aer": None, "correctable_mask": GAP, "express": GAP}, Reporting.UNKNOWN),
        ({"aer": replace(count(), correctable=GAP), "correctable_mask": None}, Reporting.UNKNOWN),
        ({"aer": replace(count(), correctable=ABSENT), "correctable_mask": None}, Reporting.NO_CAPABILITY),
        ({"aer": replace(count(), correctable=ABSENT), "correctable_mask": 0x2000}, Reporting.UNKNOWN),
    ],
)
def test_state(facts: dict[str, object], expected: Reporting) -> None:
    assert find_reporting(end(**facts)) is expected


def test_an_end_set_not_to_report_is_off() -> None:
    function = end(aer=count(), correctable_mask=None)
    assert function.express is not None
    assert not isinstance(function.express, Unread)
    silent = replace(function, express=replace(function.express, reports_correctable=False))
    assert find_reporting(silent) is Reporting.OFF


def test_an_end_that_is_not_there_is_unknown() -> None:
    assert find_reporting(None) is Reporting.UNKNOWN
