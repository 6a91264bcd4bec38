"""A box in trouble, for the tests of what people see: some of each kind of finding, one accepted, a switch card.

The findings are the rules' own, but for one sign with scored causes, which one look alone cannot give.
"""

from dataclasses import dataclass, replace

from boxes.snapshot_box import Box, declare
from laneproof.declaration.build import Build
from laneproof.engine import Engine, PassResult
from laneproof.findings import Cause, Finding, Kind, Severity
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread

BUILD = """
[kernel]
aspm_policy = "performance"
[[position]]
label = "riser-1"
path = "0000:00/01.1"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme", serial = "FN-1" }
[[position]]
label = "riser-2"
path = "0000:00/01.2"
through = ["flexible-cable"]
link = { generation = 4, lanes = 4 }
[[position]]
label = "riser-3"
path = "0000:00/01.3"
link = { generation = 4, lanes = 4 }
occupant = { kind = "nvme" }
[[position]]
label = "deck-1"
path = "0000:00/02.1/00.0/00.0"
through = ["switch-card"]
link = { generation = 4, lanes = 4 }
[[accept]]
rule = "link-slow"
position = "deck-1"
because = "spare cable on order"
"""

SIGN = Finding(
    rule="signal-errors",
    kind=Kind.SIGN,
    severity=Severity.CRITICAL,
    position="riser-2",
    subject="0000:02:00.0",
    summary="riser-2 counts 5 receiver errors in 10 s at 16 GT/s x4, above what the standard allows",
    observed="5 in 10 s",
    evidence={"count": 5, "seconds": 10},
    causes=(
        Cause(cause="signal-path", probability=0.82, because=("both ends count", "a flexible cable is between")),
        Cause(cause="drive-failing", probability=0.11),
    ),
    next_steps=("Reseat the cable with the box off.", "Swap riser-1 and riser-2 and see which one errors follow."),
    since=1_790_000_000.0,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What an output is given."""

    build: Build | None
    snapshot: Snapshot
    findings: tuple[Finding, ...]

    def as_pass(self) -> PassResult:
        """Give it as what a pass came to."""
        return PassResult(snapshot=self.snapshot, findings=self.findings, changes=(), waiting=False)


def make_snapshot() -> Snapshot:
    """Make the facts: one sound drive, one narrow, one port empty, a switch card with a slow drive, health denied."""
    box = Box()
    box.with_port("0000:00/01.1").with_drive(
        "0000:00/01.1", serial="FN-1", health=Unread("log 02h", "no", Reason.DENIED)
    )
    box.with_port("0000:00/01.2").with_drive("0000:00/01.2", serial="FN-2", lanes=2, model="Gannet N4 Coastal Edition")
    box.with_port("0000:00/01.3")
    box.with_port("0000:00/02.1", lanes=8).with_switch("0000:00/02.1")
    box.with_port("0000:00/02.1/00.0/00.0").with_drive("0000:00/02.1/00.0/00.0", serial="FN-4", gen=3)
    return box.snapshot()


def judge(build: str | None, snapshot: Snapshot) -> Judged:
    """Judge a box once, as the audit does."""
    declared = declare(build) if build is not None else None
    findings = Engine(declared).observe(snapshot).findings
    return Judged(
        build=declared, snapshot=snapshot, findings=tuple(replace(finding, since=None) for finding in findings)
    )


def troubled() -> Judged:
    """Make the box in trouble, judged, with the sign."""
    judged = judge(BUILD, make_snapshot())
    return replace(judged, findings=(*judged.findings, SIGN))
