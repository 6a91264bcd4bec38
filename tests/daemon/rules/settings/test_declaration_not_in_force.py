"""declaration-not-in-force: what the owner declared last is what the box is compared with."""

from dataclasses import replace

from boxes.snapshot_box import Box
from laneproof.rules.rule import Pass
from laneproof.rules.settings.declaration_not_in_force import DECLARATION_NOT_IN_FORCE
from support.rule_examples import check_examples, example, make_pass


def judged_with(problem: str, build: str | None = None) -> Pass:
    return replace(make_pass(build, Box()), declaration_problem=problem)


SAID = "b.toml, line 3: box.naem is not a key here\nb.toml, line 4: box.nmae is not a key here"
STEP = "warning declaration | Put the declaration back"


def test_examples() -> None:
    check_examples(
        DECLARATION_NOT_IN_FORCE,
        "",
        example(Box()),
        example(judged_with("/etc/laneproof/build.toml is gone", ""), STEP),
        example(judged_with(SAID), STEP),
    )
