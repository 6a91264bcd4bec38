"""link-above-limit: links above the limit that their owner chose."""

from collections.abc import Iterator, Sequence

from laneproof.advice import FIRMWARE_SETUP, advise
from laneproof.box.link_ends import Link
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.links.link_figures import RATE, WIDTH
from laneproof.rules.links.link_subjects import SOURCES, LinkSubject, find_subjects, gather_evidence
from laneproof.rules.rule import Pass, Rule, differs, holds


def _judge(current: Pass) -> Iterator[Finding]:
    for subject in find_subjects(current.arrangement):
        if subject.link is None or not subject.is_declared:
            continue
        above = [
            (measure.write(most), measure.write(declared))
            for measure in (RATE, WIDTH)
            if (declared := measure.declared(subject)) is not None
            and isinstance(most := measure.trained(subject.link).most, float | int)
            and most > declared
        ]
        if above:
            yield _report_above(subject, subject.link, above)


def _report_above(subject: LinkSubject, link: Link, above: Sequence[tuple[str, str]]) -> Finding:
    trained, declared = (" ".join(column) for column in zip(*above, strict=True))
    position = subject.position
    because = position.link.because if position and position.link else None
    fragile = position is not None and any(part.kind in ("flexible-cable", "key-adapter") for part in position.through)
    reason = f" (because {because})" if because else ""
    return LINK_ABOVE_LIMIT.report(
        severity=Severity.WARNING if because or fragile else Severity.NOTICE,
        position=subject.label,
        subject=link.address,
        key=subject.path,
        summary=f"{subject.name} trained at {trained}, above the declared limit of {declared}{reason}",
        declared=declared,
        observed=trained,
        evidence={**gather_evidence(subject, link), "limit_because": because},
    )


LINK_ABOVE_LIMIT = Rule(
    name="link-above-limit",
    kind=Kind.DIFFERS,
    statement="No link runs above the limit that its owner chose.",
    why=(
        "A limit was chosen for a reason: a long flexible cable or a key adapter that makes errors at a higher rate. "
        "When a firmware update or reset takes the limit away, the link trains higher and the errors come back."
    ),
    next_steps=advise(
        "Look in the firmware setup whether the limit is still set; updates and resets take it away. " + FIRMWARE_SETUP,
        "If the higher rate is meant now, correct the declaration; then watch signal-errors of this position for a "
        "week.",
    ),
    judge=_judge,
    examples=(
        holds("limited to generation 3, and running at generation 3"),
        differs(
            "limited to generation 3, and running at generation 4: the limit is gone",
            "riser-1 trained at 16 GT/s (generation 4), above the declared limit of 8 GT/s (generation 3) "
            "(because the ribbon makes errors at 16 GT/s)",
        ),
    ),
    sources=SOURCES,
)
