"""What to do about what could not be read: what fits the reason."""

import pytest

from laneproof.rules.unread_steps import AS_ROOT, LEFT_ALONE, LOOK_CLOSER, SHORT_OF, step_for
from laneproof_collectors.unread import Reason, Unread


@pytest.mark.parametrize(
    ("reason", "step"),
    [
        (Reason.DENIED, AS_ROOT),
        (Reason.NOT_ASKED, LEFT_ALONE),
        (Reason.EXHAUSTED, SHORT_OF),
        (Reason.MALFORMED, LOOK_CLOSER),
    ],
)
def test_the_step_fits_the_reason(reason: Reason, step: str) -> None:
    assert step_for(Unread("/sys/x", "a reason", reason)) == step


@pytest.mark.parametrize("reason", [reason for reason in Reason if reason is not Reason.DENIED])
def test_rights_are_advised_only_where_they_are_what_lacks(reason: Reason) -> None:
    assert "root" not in step_for(Unread("x", "y", reason))
