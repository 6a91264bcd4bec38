"""Links above their owner's limit."""

import pytest

from boots_before import past_of_boots
from laneproof.findings import Finding, Severity
from laneproof.past.boots import Boot, LinkLimits
from laneproof.past.past import NOTHING, Past
from laneproof.rules.links.link_above_limit import LINK_ABOVE_LIMIT
from laneproof.rules.rule import Pass, Rule
from simulated_box import Box, declare

PATH, DEVICE = "0000:00/01.1", "0000:00/01.1/00.0"

PLAN = "{ generation = 4, lanes = 4 }"


def build(link: str = PLAN, through: str = "[]") -> str:
    return f'[[position]]\nlabel = "riser-1"\npath = "{PATH}"\nthrough = {through}\nlink = {link}\n'


def box(port: dict[str, object] | None = None, drive: dict[str, object] | None = None) -> Box:
    return Box().with_port(PATH, **port or {}).with_drive(PATH, **drive or {})


def judge(rule: Rule, made: Box, text: str | None = None, past: Past = NOTHING) -> list[Finding]:
    return list(rule.judge(Pass.of(declare(text if text is not None else build()), made.snapshot(), past)))


@pytest.mark.parametrize(
    ("through", "because", "severity"),
    [
        ("[]", "", Severity.NOTICE),
        ('["flexible-cable"]', "", Severity.WARNING),
        ("[]", ', because = "the ribbon"', Severity.WARNING),
    ],
)
def test_lost_limit_is_louder_where_it_had_a_reason(through: str, because: str, severity: Severity) -> None:
    (finding,) = judge(LINK_ABOVE_LIMIT, box(), build(f"{{ generation = 3, lanes = 2{because} }}", through))
    assert finding.severity is severity
    assert (finding.declared, finding.observed) == ("8 GT/s (generation 3) x2", "16 GT/s (generation 4) x4")


BOOTS = (
    Boot(boot_id="old", first_seen_at=1.0, bios_version="1.30"),
    Boot(boot_id="new", first_seen_at=2.0, bios_version="1.40"),
)


def past(*, target: float | None = 16.0, capable: float | None = 16.0, lanes: int | None = 4) -> Past:
    limits = LinkLimits(boot_id="old", target_gt_s=target, capable_gt_s=capable, capable_lanes=lanes)
    return past_of_boots(BOOTS, {PATH: limits})
