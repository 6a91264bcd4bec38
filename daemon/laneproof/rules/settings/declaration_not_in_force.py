"""declaration-not-in-force: the declaration's file is missing or wrong, and the last good one, or none, is compared."""

from collections.abc import Iterator

from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.rule import Pass, Rule, holds, unverified

_STEPS = (
    "Put the declaration back in its place, or correct it; 'laneproof budget FILE' says what is wrong with it.",
    "If this box is to have none: stop the service, and run 'laneproof serve --without-declaration' once.",
)


def _judge(current: Pass) -> Iterator[Finding]:
    problem = current.declaration_problem
    if problem is None:
        return
    stays = "the last good one stays in force" if current.build else "none is in force"
    first, *more = problem.splitlines()
    others = f" (and {len(more)} more)" if more else ""
    yield DECLARATION_NOT_IN_FORCE.report(
        severity=Severity.WARNING,
        key="declaration",
        summary=f"the declaration was not loaded, {stays}: {first}{others}",
        observed=problem,
        next_steps=_STEPS,
    )


DECLARATION_NOT_IN_FORCE = Rule(
    name="declaration-not-in-force",
    kind=Kind.UNVERIFIED,
    statement="What the owner declared last is what the box is compared with.",
    why=(
        "A declaration that is gone, or was saved with an error, would otherwise switch off all that depends on it, "
        "and the box would look fine. The last good one is kept with the history and stays in force."
    ),
    next_steps=_STEPS,
    judge=_judge,
    examples=(
        holds("the declaration is in force"),
        unverified(
            "the file is gone",
            "the declaration was not loaded, the last good one stays in force: /etc/laneproof/build.toml is gone",
        ),
        unverified(
            "the file is wrong, and none was in force before",
            "the declaration was not loaded, none is in force: b.toml, line 3: box.naem is not a key here (and 1 more)",
        ),
    ),
    sources=("common practice, no source",),
)
