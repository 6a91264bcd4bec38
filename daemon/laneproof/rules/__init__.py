"""Rules that compare a machine with its build and look for signs of failure; listed by hand in ``catalogue``."""

from laneproof.rules.catalogue import RULES, judge_all, rule_named

__all__ = ["RULES", "judge_all", "rule_named"]
