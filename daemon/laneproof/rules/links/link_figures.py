"""A link's two figures, rate and width: how each is read, compared, explained and written.

link-slow and link-narrow are always reported when a link trained below its declaration, with the reason as far as the
machine shows it; link-beyond-hardware is reported besides where the declaration asks for more than an end can do. Empty
positions, and a tree that could not be read at all, are left to other rules.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from laneproof.box.link_ends import Link, LinkFigure
from laneproof.box.link_rates import describe_rate
from laneproof.findings import Finding, Severity
from laneproof.rules.drives.asleep import REPORT_LASTS_SECONDS
from laneproof.rules.firmware_setting import firmware_setting
from laneproof.rules.links.link_subjects import (
    STEP_BY_REASON,
    LinkSubject,
    Shortfall,
    explain_rate,
    explain_width,
    find_rest,
    find_subjects,
    gather_evidence,
)
from laneproof.rules.links.trainings import FEWEST_RECURRING, is_down
from laneproof.rules.rule import Pass, Rule
from laneproof.rules.sign_subjects import DAY
from laneproof.rules.unread_steps import step_for
from laneproof_collectors.snapshot import Snapshot
from laneproof_collectors.unread import Reason, Unread

REST_STEP = (
    "Judge it again under load: read from the drive for a minute and audit once more. A resting link rises to its rate "
    "as soon as it has work; a link at fault stays low. A sleeping device was not woken for this."
)
UNKNOWN_STEP = (
    "Where the kernel itself answers 'Unknown' (virtual machines, some switch cards), nothing can verify this link."
)
_FELL_SECONDS = DAY
"""How long after a fall link-retrained-down alone reports it; a link still low then is slow or narrow. Our choice."""
_FLAPS_SECONDS = 7 * DAY
"""A link that fell twice in this time flaps. Our choice."""
Figure = float | Unread | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkMeasure:
    """One of a link's two figures, and how its rule reads, explains and writes it."""

    what: str
    trained: Callable[[Link], LinkFigure]
    declared: Callable[[LinkSubject], float | None]
    capable: Callable[[Link], Figure]
    ends: Callable[[Link], tuple[LinkFigure, LinkFigure]]
    explain: Callable[[LinkSubject, Link, Snapshot, float, float], list[Shortfall]]
    write: Callable[[float], str]


RATE = LinkMeasure(
    what="rate",
    trained=lambda link: link.trained_gt_s,
    declared=lambda subject: subject.declared_gt_s,
    capable=lambda link: link.capable_gt_s,
    ends=lambda link: (link.port_gt_s, link.device_gt_s),
    explain=lambda _subject, link, _snapshot, trained, wanted: explain_rate(link, trained, wanted),
    write=describe_rate,
)
WIDTH = LinkMeasure(
    what="width",
    trained=lambda link: link.trained_lanes,
    declared=lambda subject: subject.declared_lanes,
    capable=lambda link: link.capable_lanes,
    ends=lambda link: (link.port_lanes, link.device_lanes),
    explain=lambda subject, link, snapshot, trained, wanted: explain_width(
        link, trained, wanted, position=subject.position, snapshot=snapshot
    ),
    write=lambda lanes: f"x{lanes:g}",
)


def judge_below(rule: Rule, measure: LinkMeasure, current: Pass) -> Iterator[Finding]:
    """Find the links whose figure is below the declared one; without a declaration below what both ends can do."""
    for subject in find_subjects(current.arrangement):
        link = subject.link
        if link is None:
            if measure.declared(subject) is not None:
                yield report_gap(rule, subject, _no_link(subject))
            continue
        wanted = measure.declared(subject) if subject.is_declared else measure.capable(link)
        trained = measure.trained(link).value
        gap = _find_gap(measure, subject, link, trained, wanted)
        if gap is not None and gap.reason is Reason.NOT_ASKED and _was_read_awake(current, subject.path):
            before = current.past.standing.get((rule.name, subject.label or subject.path))
            if before is not None:
                yield replace(before, accepted=None)
        elif gap is not None:
            if not subject.is_shared:  # an unread figure of a shared link is reported of none of its positions
                yield report_gap(rule, subject, gap)
        elif isinstance(trained, float | int) and isinstance(wanted, float | int) and trained < wanted:
            if _is_left_to_retrained_down(current, rule.name, subject):
                continue
            reasons = measure.explain(subject, link, current.snapshot, trained, wanted)
            # Where the device itself can do no more, no setting of the firmware is to blame.
            is_drives_own = all(reason.code == "device-limit" for reason in reasons)
            causes = () if is_drives_own else firmware_setting(link, current.snapshot, current.past)
            yield replace(_report_below(rule, measure, subject, link, (trained, wanted), reasons), causes=causes)


def _was_read_awake(current: Pass, path: str) -> bool:
    """Whether a link at rest was read awake in this boot, within the week: then what was reported of it stands."""
    ledger = current.past.ledger
    record = ledger.training.records.get(path)
    return record is not None and record.awake_at >= max(ledger.timeline.booted_at, ledger.now - REPORT_LASTS_SECONDS)


def _is_left_to_retrained_down(current: Pass, rule: str, subject: LinkSubject) -> bool:
    """Whether link-retrained-down reports this link instead: it fell while running, and that rule spoke first.

    Not left to that rule, but reported here:

    - a link that was reported here already: that stands until it is back;
    - a link that has been low for a day since its fall;
    - the first fall in a week of a link whose falls the owner accepted.
    """
    about, standing, ledger = subject.label or subject.path, current.past.standing, current.past.ledger
    before = standing.get(("link-retrained-down", about))
    record = ledger.training.records.get(subject.path)
    if before is None or (rule, about) in standing or record is None or not record.falls:
        return False
    last, falls = record.falls[-1], sum(ledger.now - fall.at <= _FLAPS_SECONDS for fall in record.falls)
    if before.accepted is not None and falls < FEWEST_RECURRING:
        return False
    return is_down(last, ledger) and ledger.now - last.at <= _FELL_SECONDS


def _no_link(subject: LinkSubject) -> Unread:
    return Unread(f"the link of {subject.name}", "the device there shows no PCIe link", Reason.ABSENT)


def _find_gap(measure: LinkMeasure, subject: LinkSubject, link: Link, trained: Figure, wanted: Figure) -> Unread | None:
    """Say what keeps a link from being judged: an unread figure, a link at rest, an end that cannot be seen."""
    if wanted is None:
        return None  # nothing to compare with
    if trained is None:
        return _no_link(subject) if subject.is_declared else None
    if isinstance(trained, Unread):
        # without a port above and without any reading there is most likely no link at all, as in a virtual machine
        return trained if subject.is_declared or link.port is not None else None
    if isinstance(wanted, Unread):
        return wanted
    return _find_doubt(measure, subject, link, trained, wanted) if trained < wanted else None


def _find_doubt(measure: LinkMeasure, subject: LinkSubject, link: Link, trained: float, wanted: float) -> Unread | None:
    what = f"the {measure.what} of {subject.name}"
    figures = f"{measure.write(trained)} against {measure.write(wanted)}"
    if rest := find_rest(link):
        return Unread(what, f"{rest}, so {figures} may be a link at rest", Reason.NOT_ASKED)
    if not subject.is_declared and link.port is None:
        return Unread(
            what, f"it trained at {figures} that the device can do, and no port above it shows", Reason.ABSENT
        )
    return None


def _report_below(  # noqa: PLR0913 (what a finding says)
    rule: Rule,
    measure: LinkMeasure,
    subject: LinkSubject,
    link: Link,
    figures: tuple[float, float],
    reasons: Sequence[Shortfall],
) -> Finding:
    trained, wanted = figures
    meant = f"declared {measure.write(wanted)}" if subject.is_declared else f"both ends can do {measure.write(wanted)}"
    why = "; ".join(reason.text for reason in reasons)
    steps = [STEP_BY_REASON.get(reason.code, rule.next_steps[0]) for reason in reasons]
    code = reasons[0].code
    if subject.is_declared and is_beyond(measure, subject, link):
        code = "link-beyond-hardware"
        steps.insert(0, "See link-beyond-hardware of the same position: the declaration asks for more than fits.")
    return rule.report(
        severity=Severity.WARNING if subject.is_declared else Severity.NOTICE,
        position=subject.label,
        subject=link.address,
        key=subject.path,
        summary=f"{subject.name} trained at {measure.write(trained)}, {meant}: {why}",
        declared=measure.write(wanted) if subject.is_declared else None,
        observed=measure.write(trained),
        evidence=gather_evidence(subject, link, reasons) | {"reason": code},
        next_steps=tuple(dict.fromkeys((*steps, *rule.next_steps))),
    )


def report_gap(rule: Rule, subject: LinkSubject, gap: Unread) -> Finding:
    """Say why a link could not be judged."""
    plan = ((RATE, subject.declared_gt_s), (WIDTH, subject.declared_lanes))
    asleep = gap.reason is Reason.NOT_ASKED
    return rule.report_unverified(
        gap,
        about=f"{rule.name} of {subject.name}",
        why=gap.why if asleep else None,
        key=subject.path,
        position=subject.label,
        subject=subject.address,
        declared=" ".join(measure.write(figure) for measure, figure in plan if figure is not None) or None,
        evidence=gather_evidence(subject, subject.link) if subject.link else {"path": subject.path},
        next_steps=(
            REST_STEP if asleep else UNKNOWN_STEP if gap.reason in (Reason.ABSENT, Reason.MALFORMED) else step_for(gap),
        ),
    )


def known_limits(measure: LinkMeasure, link: Link) -> dict[str, float]:
    """Give what each end can do, for the ends that could be read."""
    ends = zip(("port", "device"), measure.ends(link), strict=True)
    return {name: figure.value for name, figure in ends if isinstance(figure.value, float | int)}


def is_beyond(measure: LinkMeasure, subject: LinkSubject, link: Link) -> bool:
    """Whether more is declared than one of the ends can do."""
    declared = measure.declared(subject)
    return declared is not None and any(limit < declared for limit in known_limits(measure, link).values())
