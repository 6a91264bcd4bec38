"""What could not be read is unverified, with what to do about it."""

import pytest

from laneproof.findings import Kind, Severity
from laneproof.rules.cannot_tell import AS_ROOT, LEFT_ALONE, SHORT_OF, cannot_tell, step_for
from laneproof_collectors.unread import Reason, Unread


@pytest.mark.parametrize(
    ("reason", "step"), [(Reason.DENIED, AS_ROOT), (Reason.NOT_ASKED, LEFT_ALONE), (Reason.EXHAUSTED, SHORT_OF)]
)
def test_finding_says_what_and_why_and_what_to_do(reason: Reason, step: str) -> None:
    gap = Unread("/sys/x", "permission denied", reason)
    finding = cannot_tell("some-rule", gap, about="this thing", key="thing", position="riser-1")
    assert (finding.kind, finding.severity, finding.position) == (Kind.UNVERIFIED, Severity.NOTICE, "riser-1")
    assert finding.summary == "this thing could not be verified: could not read /sys/x: permission denied"
    assert finding.next_steps == (step,)


@pytest.mark.parametrize("reason", [reason for reason in Reason if reason is not Reason.DENIED])
def test_rights_are_advised_only_where_they_are_what_lacks(reason: Reason) -> None:
    assert "root" not in step_for(Unread("x", "y", reason))


def test_other_steps_may_fit_better() -> None:
    finding = cannot_tell("some-rule", Unread("x", "y"), about="x", key="x", next_steps=("Do this.",))
    assert finding.next_steps == ("Do this.",)
