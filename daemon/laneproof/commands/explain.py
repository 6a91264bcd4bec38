"""``laneproof explain``: a rule's page, from the same text that the docs are built from."""

import argparse
import difflib
import os

from laneproof.commands.errors import CommandError
from laneproof.commands.terminal import show
from laneproof.rules import RULES
from laneproof.rules.explain import explain


def run(arguments: argparse.Namespace) -> int:
    """Print one rule's page, or the list of rules."""
    if arguments.rule is None:
        width = max(len(rule.name) for rule in RULES)
        show("".join(f"{rule.name:<{width}}  {rule.statement}\n" for rule in RULES))
        return 0
    names = [rule.name for rule in RULES]
    if arguments.rule not in names:
        near = difflib.get_close_matches(arguments.rule, names, n=1)
        hint = f"did you mean {near[0]!r}?" if near else "'laneproof explain' lists all rules"
        raise CommandError(f"there is no rule {arguments.rule!r}; {hint}", status=os.EX_USAGE)
    show(explain(arguments.rule) + "\n")
    return 0
