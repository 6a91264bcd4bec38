"""link-slow, link-narrow, link-above-limit, link-beyond-hardware: each link against its declaration and its own ends.

link-slow and link-narrow are always said when a link trained below its declaration, with why as far as the machine
shows it; link-beyond-hardware is said besides where the declaration asks for more than an end can do. Positions that
are empty, and a tree that could not be read at all, are other rules' matter.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from laneproof.box.link_ends import LinkOfTwo, Told
from laneproof.box.links import describe_rate
from laneproof.box.placement import arrange
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import Past
from laneproof.rules.causes import firmware_setting
from laneproof.rules.links import link_pages as pages
from laneproof.rules.links.link_subjects import (
    Reason,
    Subject,
    explain_rate,
    explain_width,
    find_rest,
    find_subjects,
    gather_evidence,
)
from laneproof.rules.rule import Rule
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason as Gap
from laneproof_collectors.unread import Unread

Figure = float | Unread | None


def _write_lanes(lanes: float) -> str:
    return f"x{lanes:g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """One of a link's two figures, and how its rule reads, explains and writes it."""

    rule: str
    what: str
    told: Callable[[LinkOfTwo], Told]
    declared: Callable[[Subject], float | None]
    capable: Callable[[LinkOfTwo], Figure]
    explain: Callable[[Subject, LinkOfTwo, Snapshot, float, float], list[Reason]]
    write: Callable[[float], str]
    steps: tuple[str, ...]


_RATE = _Measure(
    rule="link-slow",
    what="rate",
    told=lambda link: link.trained_gt_s,
    declared=lambda subject: subject.declared_gt_s,
    capable=lambda link: link.capable_gt_s,
    explain=lambda _subject, link, _snapshot, trained, wanted: explain_rate(link, trained, wanted),
    write=describe_rate,
    steps=pages.SLOW_STEPS,
)
_WIDTH = _Measure(
    rule="link-narrow",
    what="width",
    told=lambda link: link.trained_lanes,
    declared=lambda subject: subject.declared_lanes,
    capable=lambda link: link.capable_lanes,
    explain=lambda subject, link, snapshot, trained, wanted: explain_width(
        link, trained, wanted, position=subject.position, snapshot=snapshot
    ),
    write=_write_lanes,
    steps=pages.NARROW_STEPS,
)


# --- below ------------------------------------------------------------------------------------------------------------


def _judge_below(measure: _Measure, build: Build | None, snapshot: Snapshot, past: Past) -> Iterator[Finding]:
    for subject in find_subjects(build, arrange(build, snapshot)):
        link = subject.link
        if link is None:
            if measure.declared(subject) is not None:
                yield _unverified(measure.rule, subject, _no_link(subject))
            continue
        wanted = measure.declared(subject) if subject.has_plan else measure.capable(link)
        trained = measure.told(link).value
        gap = _find_gap(measure, subject, link, trained, wanted)
        if gap is not None:
            if not subject.is_shared:
                yield _unverified(measure.rule, subject, gap)
        elif isinstance(trained, float | int) and isinstance(wanted, float | int) and trained < wanted:
            reasons = measure.explain(subject, link, snapshot, trained, wanted)
            is_drives_own = all(reason.code == "device-limit" for reason in reasons)
            causes = () if is_drives_own else firmware_setting(link, snapshot, past)
            yield replace(_tell_below(measure, subject, link, (trained, wanted), reasons), causes=causes)


def _no_link(subject: Subject) -> Unread:
    return Unread(f"the link of {subject.name}", "the device there shows no PCIe link", Gap.ABSENT)


def _find_gap(measure: _Measure, subject: Subject, link: LinkOfTwo, trained: Figure, wanted: Figure) -> Unread | None:
    """Say what keeps a link from being judged: an unread figure, a link at rest, an end that cannot be seen."""
    if wanted is None:
        return None  # nothing to compare with
    if trained is None:
        return _no_link(subject) if subject.has_plan else None
    if isinstance(trained, Unread):
        # without a port above and without any reading there is most likely no link at all, as in a virtual machine
        return trained if subject.has_plan or link.port is not None else None
    if isinstance(wanted, Unread):
        return wanted
    return _find_doubt(measure, subject, link, trained, wanted) if trained < wanted else None


def _find_doubt(measure: _Measure, subject: Subject, link: LinkOfTwo, trained: float, wanted: float) -> Unread | None:
    what = f"the {measure.what} of {subject.name}"
    figures = f"{measure.write(trained)} against {measure.write(wanted)}"
    if rest := find_rest(link):
        return Unread(what, f"{rest}, so {figures} may be a link at rest", Gap.NOT_ASKED)
    if not subject.has_plan and link.port is None:
        return Unread(what, f"it trained at {figures} that the device can do, and no port above it shows", Gap.ABSENT)
    return None


def _tell_below(
    measure: _Measure, subject: Subject, link: LinkOfTwo, figures: tuple[float, float], reasons: Sequence[Reason]
) -> Finding:
    trained, wanted = figures
    meant = f"declared {measure.write(wanted)}" if subject.has_plan else f"both ends can do {measure.write(wanted)}"
    why = "; ".join(reason.text for reason in reasons)
    steps = [pages.STEP_BY_REASON.get(reason.code, measure.steps[0]) for reason in reasons]
    beyond = subject.has_plan and _is_beyond(measure, subject, link)
    if beyond:
        steps.insert(0, "See link-beyond-hardware of the same position: the declaration asks for more than fits.")
    return Finding(
        rule=measure.rule,
        kind=Kind.DIFFERS,
        severity=Severity.WARNING if subject.has_plan else Severity.NOTICE,
        position=subject.label,
        subject=link.address,
        key=subject.path,
        summary=f"{subject.name} trained at {measure.write(trained)}, {meant}: {why}",
        declared=measure.write(wanted) if subject.has_plan else None,
        observed=measure.write(trained),
        evidence={
            **gather_evidence(subject, link, reasons),
            "reason": "link-beyond-hardware" if beyond else reasons[0].code,
        },
        next_steps=tuple(dict.fromkeys((*steps, *measure.steps))),
    )


def _unverified(rule: str, subject: Subject, gap: Unread) -> Finding:
    asleep = gap.reason is Gap.NOT_ASKED
    return Finding(
        rule=rule,
        kind=Kind.UNVERIFIED,
        severity=Severity.NOTICE,
        position=subject.label,
        subject=subject.address,
        key=subject.path,
        summary=f"{rule} of {subject.name} could not be verified: {gap.why if asleep else gap}",
        declared=_write_plan(subject),
        observed=None,
        evidence={
            **(gather_evidence(subject, subject.link) if subject.link else {"path": subject.path}),
            "unread": str(gap),
        },
        next_steps=(pages.REST_STEP if asleep else pages.UNREAD_STEP,),
    )


def _write_plan(subject: Subject) -> str | None:
    rate = describe_rate(subject.declared_gt_s) if subject.declared_gt_s is not None else None
    lanes = _write_lanes(subject.declared_lanes) if subject.declared_lanes is not None else None
    return " ".join(one for one in (rate, lanes) if one) or None


# --- above ------------------------------------------------------------------------------------------------------------


def _judge_above(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    for subject in find_subjects(build, arrange(build, snapshot)):
        if subject.link is None or not subject.has_plan:
            continue
        above = [
            (measure.write(most), measure.write(declared))
            for measure in (_RATE, _WIDTH)
            if (declared := measure.declared(subject)) is not None
            and isinstance(most := measure.told(subject.link).most, float | int)
            and most > declared
        ]
        if above:
            yield _tell_above(subject, subject.link, above)


def _tell_above(subject: Subject, link: LinkOfTwo, above: Sequence[tuple[str, str]]) -> Finding:
    trained, declared = (" ".join(one) for one in zip(*above, strict=True))
    position = subject.position
    because = position.link.because if position and position.link else None
    fragile = position is not None and any(part.kind in ("flexible-cable", "key-adapter") for part in position.through)
    reason = f" (because {because})" if because else ""
    return Finding(
        rule="link-above-limit",
        kind=Kind.DIFFERS,
        severity=Severity.WARNING if because or fragile else Severity.NOTICE,
        position=subject.label,
        subject=link.address,
        key=subject.path,
        summary=f"{subject.name} trained at {trained}, above the declared limit of {declared}{reason}",
        declared=declared,
        observed=trained,
        evidence={**gather_evidence(subject, link), "limit_because": because},
        next_steps=pages.ABOVE_STEPS,
    )


# --- beyond -----------------------------------------------------------------------------------------------------------


def _known_limits(measure: _Measure, link: LinkOfTwo) -> dict[str, float]:
    """Give what each end can do, for the ends that tell."""
    ends = (
        (("port", link.port_gt_s), ("device", link.device_gt_s))
        if measure is _RATE
        else (("port", link.port_lanes), ("device", link.device_lanes))
    )
    return {name: told.value for name, told in ends if isinstance(told.value, float | int)}


def _is_beyond(measure: _Measure, subject: Subject, link: LinkOfTwo) -> bool:
    declared = measure.declared(subject)
    return declared is not None and any(limit < declared for limit in _known_limits(measure, link).values())


def _judge_beyond(build: Build | None, snapshot: Snapshot, _past: Past) -> Iterator[Finding]:
    for subject in find_subjects(build, arrange(build, snapshot)):
        link = subject.link
        if link is None or not subject.has_plan:
            continue
        over = [measure for measure in (_RATE, _WIDTH) if _is_beyond(measure, subject, link)]
        if over:
            yield _tell_beyond(subject, link, over)
        elif gap := _find_open_limit(subject, link):
            yield _unverified("link-beyond-hardware", subject, gap)


def _find_open_limit(subject: Subject, link: LinkOfTwo) -> Unread | None:
    """Give the unread limit that leaves open why a link is below its plan; one that meets its plan proves itself."""
    for measure in (_RATE, _WIDTH):
        declared, trained, capable = measure.declared(subject), measure.told(link).value, measure.capable(link)
        is_met = declared is None or (isinstance(trained, float | int) and trained >= declared)
        if not is_met and isinstance(capable, Unread):
            return capable
    return None


def _tell_beyond(subject: Subject, link: LinkOfTwo, over: Sequence[_Measure]) -> Finding:
    declared = " ".join(measure.write(measure.declared(subject) or 0) for measure in over)
    limits = [(measure, _known_limits(measure, link)) for measure in over]
    observed = " ".join(measure.write(min(known.values())) for measure, known in limits)
    told = "; ".join(
        f"the {end} can do {measure.write(limit)}"
        for measure, known in limits
        for end, limit in known.items()
        if limit < (measure.declared(subject) or 0)
    )
    return Finding(
        rule="link-beyond-hardware",
        kind=Kind.DIFFERS,
        severity=Severity.NOTICE,
        position=subject.label,
        subject=link.address,
        key=subject.path,
        summary=f"{subject.name} is declared {declared}, but its ends allow {observed} at most: {told}",
        declared=declared,
        observed=observed,
        evidence=gather_evidence(subject, link),
        next_steps=pages.BEYOND_STEPS,
    )


# --- the rules --------------------------------------------------------------------------------------------------------

LINK_SLOW = Rule(
    name="link-slow",
    kind=Kind.DIFFERS,
    statement="Each link runs at its declared rate; an undeclared one at what both its ends can do.",
    why=pages.SLOW_WHY,
    look_next=pages.SLOW_STEPS,
    judge=lambda build, snapshot, past: _judge_below(_RATE, build, snapshot, past),
    examples=pages.SLOW_EXAMPLES,
    sources=pages.SOURCES,
)
LINK_NARROW = Rule(
    name="link-narrow",
    kind=Kind.DIFFERS,
    statement="Each link uses its declared number of lanes; an undeclared one as many as both its ends have.",
    why=pages.NARROW_WHY,
    look_next=pages.NARROW_STEPS,
    judge=lambda build, snapshot, past: _judge_below(_WIDTH, build, snapshot, past),
    examples=pages.NARROW_EXAMPLES,
    sources=pages.SOURCES,
)
LINK_ABOVE_LIMIT = Rule(
    name="link-above-limit",
    kind=Kind.DIFFERS,
    statement="No link runs above the limit that its owner chose.",
    why=pages.ABOVE_WHY,
    look_next=pages.ABOVE_STEPS,
    judge=_judge_above,
    examples=pages.ABOVE_EXAMPLES,
    sources=pages.SOURCES,
)
LINK_BEYOND_HARDWARE = Rule(
    name="link-beyond-hardware",
    kind=Kind.DIFFERS,
    statement="No link is declared beyond what both its ends can do.",
    why=pages.BEYOND_WHY,
    look_next=pages.BEYOND_STEPS,
    judge=_judge_beyond,
    examples=pages.BEYOND_EXAMPLES,
    sources=pages.SOURCES,
)
