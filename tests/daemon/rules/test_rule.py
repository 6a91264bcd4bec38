"""Findings as a rule makes them: about their key and with the rule's steps, where nothing else is said."""

from typing import Any

import pytest

from laneproof.findings import Kind, Severity
from laneproof.rules.links.link_slow import LINK_SLOW
from laneproof.rules.unread_steps import AS_ROOT
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("/sys/x", "permission denied", Reason.DENIED)


@pytest.mark.parametrize(
    ("more", "subject", "steps"),
    [({}, "a link", LINK_SLOW.next_steps), ({"subject": "nvme0", "next_steps": ("Do this.",)}, "nvme0", ("Do this.",))],
)
def test_a_finding_is_about_its_key_and_has_the_rules_steps(
    more: dict[str, Any], subject: str, steps: tuple[str, ...]
) -> None:
    finding = LINK_SLOW.report(severity=Severity.WARNING, key="a link", summary="It is slow.", **more)
    assert (finding.rule, finding.kind, finding.subject, finding.next_steps) == (
        "link-slow", Kind.DIFFERS, subject, steps,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("more", "subject", "why", "steps"),
    [
        ({}, "this thing", "could not read /sys/x: permission denied", (AS_ROOT,)),
        ({"subject": "nvme0", "why": "it sleeps", "next_steps": ("Wait.",)}, "nvme0", "it sleeps", ("Wait.",)),
    ],
)
def test_what_could_not_be_read_is_a_notice_that_says_what_why_and_what_to_do(
    more: dict[str, Any], subject: str, why: str, steps: tuple[str, ...]
) -> None:
    finding = LINK_SLOW.report_unverified(GAP, about="this thing", key="thing", position="riser-1", **more)
    assert (finding.kind, finding.severity, finding.position) == (Kind.UNVERIFIED, Severity.NOTICE, "riser-1")
    assert (finding.subject, finding.next_steps) == (subject, steps)
    assert finding.summary == f"this thing could not be verified: {why}"
