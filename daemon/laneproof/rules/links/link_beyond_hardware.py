"""link-beyond-hardware: declarations that ask for more than an end of the link can do."""

from collections.abc import Iterator, Sequence

from laneproof.advice import FIRMWARE_SETUP, advise
from laneproof.box.link_ends import Link
from laneproof.findings import Finding, Kind, Severity
from laneproof.rules.links.link_figures import RATE, WIDTH, LinkMeasure, is_beyond, known_limits, report_gap
from laneproof.rules.links.link_subjects import SOURCES, LinkSubject, find_subjects, gather_evidence
from laneproof.rules.rule import Pass, Rule, differs, holds
from laneproof_collectors.unread import Unread


def _judge(current: Pass) -> Iterator[Finding]:
    for subject in find_subjects(current.arrangement):
        link = subject.link
        if link is None or not subject.is_declared:
            continue
        over = [measure for measure in (RATE, WIDTH) if is_beyond(measure, subject, link)]
        if over:
            yield _report_beyond(subject, link, over)
        elif gap := _find_open_limit(subject, link):
            yield report_gap(LINK_BEYOND_HARDWARE, subject, gap)


def _find_open_limit(subject: LinkSubject, link: Link) -> Unread | None:
    """Give the unread limit that may be why a link is below its plan; None for a link that meets its plan."""
    for measure in (RATE, WIDTH):
        declared, trained, capable = measure.declared(subject), measure.trained(link).value, measure.capable(link)
        is_met = declared is None or (isinstance(trained, float | int) and trained >= declared)
        if not is_met and isinstance(capable, Unread):
            return capable
    return None


def _report_beyond(subject: LinkSubject, link: Link, over: Sequence[LinkMeasure]) -> Finding:
    declared = " ".join(measure.write(measure.declared(subject) or 0) for measure in over)
    limits = [(measure, known_limits(measure, link)) for measure in over]
    observed = " ".join(measure.write(min(known.values())) for measure, known in limits)
    allowed = "; ".join(
        f"the {end} can do {measure.write(limit)}"
        for measure, known in limits
        for end, limit in known.items()
        if limit < (measure.declared(subject) or 0)
    )
    return LINK_BEYOND_HARDWARE.report(
        severity=Severity.NOTICE,
        position=subject.label,
        subject=link.address,
        key=subject.path,
        summary=f"{subject.name} is declared {declared}, but its ends allow {observed} at most: {allowed}",
        declared=declared,
        observed=observed,
        evidence=gather_evidence(subject, link),
    )


LINK_BEYOND_HARDWARE = Rule(
    name="link-beyond-hardware",
    kind=Kind.DIFFERS,
    statement="No link is declared beyond what both its ends can do.",
    why=(
        "The declaration asks for more than one of the two ends can do, so the link can never meet it. Either a part "
        "is not the one that was meant, a firmware setting holds the port down, or the declaration is wrong."
    ),
    next_steps=advise(
        "Compare both ends, shown in the evidence, with the declaration: which part is not the one that was meant?",
        "If the port is the lesser end, look in the firmware setup for its link speed and the slot's split. "
        + FIRMWARE_SETUP,
        "If both parts are as meant, correct the declaration: 'laneproof draft' prints what the machine can do.",
    ),
    judge=_judge,
    examples=(
        holds("both ends can do what is declared"),
        differs(
            "a drive of generation 3 with two lanes in a position declared generation 4 with four",
            "riser-1 is declared 16 GT/s (generation 4) x4, but its ends allow 8 GT/s (generation 3) x2 at "
            "most: the device can do 8 GT/s (generation 3); the device can do x2",
        ),
    ),
    sources=SOURCES,
)
