"""Links above their owner's limit."""

import pytest

from boxes.link_box import box, build, judge
from laneproof.findings import Severity
from laneproof.rules.links.link_above_limit import LINK_ABOVE_LIMIT
from support.rule_examples import check_examples, example


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


LIMITED = '{ generation = 3, lanes = 4, because = "the ribbon makes errors at 16 GT/s" }'


def test_examples() -> None:
    check_examples(
        LINK_ABOVE_LIMIT,
        build(LIMITED, '["flexible-cable"]'),
        example(box({"target": 3})),
        example(box(), "warning 0000:01:00.0 | Look in the"),
    )
