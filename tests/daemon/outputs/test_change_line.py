"""A change of a finding in one line of the log."""

from dataclasses import replace
from typing import Any

from boxes.troubled_box import SIGN
from laneproof.advice import OPEN_CASE
from laneproof.findings import Cause, Change, FindingChange
from laneproof.outputs.change_line import write_change_line


def write(change: Change = Change.RAISED, **facts: Any) -> str:
    finding = replace(SIGN, **facts)
    return write_change_line(FindingChange(at=0.0, change=change, finding=finding))


def test_a_raised_one_says_what_why_and_what_next_with_its_cautions() -> None:
    likely = (Cause(cause="signal-path", probability=0.62),)
    line = write(summary="riser-2 is bad", causes=likely, next_steps=(f"Reseat the cable. {OPEN_CASE}", "Then that."))
    assert line == (
        f"raised {SIGN.rule} ({SIGN.severity}): riser-2 is bad; "
        "likely cause: the signal path (socket, carrier, adapter or cable), 62%; next: Reseat the cable; "
        f"{OPEN_CASE.rstrip('.')}"
    )


def test_a_cause_that_is_not_named_is_said_to_be_so_and_none_where_none_is_weighed() -> None:
    assert "; cause undetermined; next:" in write(causes=(Cause(cause="undetermined", probability=0.5),))
    assert "cause" not in write(causes=(), summary="x", next_steps=())


def test_a_cleared_one_asks_for_nothing_and_an_accepted_one_says_why() -> None:
    assert write(Change.CLEARED, summary="it was bad") == f"cleared {SIGN.rule} ({SIGN.severity}): it was bad"
    assert write(accepted="cable on order", summary="x").endswith(": x; accepted: cable on order")


def test_what_a_device_calls_itself_begins_no_line_of_the_log() -> None:
    for change in (Change.RAISED, Change.CLEARED):
        assert "riser-2 is?<2>forged?" in write(change, summary="riser-2 is\n<2>forged\u202e")
