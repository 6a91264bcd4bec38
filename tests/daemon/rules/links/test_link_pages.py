"""Every reason that a link rule can give has a step that fits it."""

import pytest

from laneproof.rules import RULES
from laneproof.rules.links.link_pages import STEP_BY_REASON
from laneproof.rules.rule import Rule


@pytest.mark.parametrize("code", ["device-limit", "port-limit", "target-speed", "wiring"])
def test_reason_has_its_step(code: str) -> None:
    assert STEP_BY_REASON[code]


@pytest.mark.parametrize("rule", [one for one in RULES if one.name.startswith("link-")], ids=lambda rule: rule.name)
def test_link_rules_name_the_standard(rule: Rule) -> None:
    if rule.sources:
        assert any("PCI Express Base Specification" in source for source in rule.sources)
