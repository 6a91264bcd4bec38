"""What is to be sent: a pure function of what was sent, what stands now, the time and the settings.

| a case | and | sends |
| --- | --- | --- |
| is new | its cause has settled | raised |
| was reported | an alarm joins it or is back after a day, or one of it becomes more severe | worse |
| was reported | an alarm stands for a day, and on | reminder |
| was reported | it is gone for a while | cleared |
| was held back by quiet hours | it is gone for a while | over |

A case is known by its findings, not by its cause, which may move. What is acknowledged is not reminded of; what begins
during planned work is kept until the work ends; what is critical only where the work names its position, or for some
hours where that cannot be told. A setting is what it is until somebody changes it: it is reported once.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import NamedTuple

from laneproof.findings import Change, FindingChange, Severity
from laneproof.notification.cases import ReportedCase, collect_cases, identify
from laneproof.notification.settings import DAY_SECONDS, NotifySettings
from laneproof.outputs.cases_json import PositionFacts

SETTLE_SECONDS, LONGEST_SETTLE_SECONDS = 60.0, 300.0
"""How long nothing of a case may move before it is reported, and when it is all the same. Our choice."""
CLEAR_SECONDS = 600.0
"""How long a case must be gone to be reported as cleared; twice as long each time that it came back, a day at most."""
SETTING_RULES = frozenset({"power-setting-differs", "firmware-differs", "errors-not-counted", "errors-hidden"})
"""What they find stays as it is until somebody changes a setting."""
KEPT_CRITICAL_SECONDS = 4 * 3600.0
"""How long what is critical may be put down to planned work where that names no position, or the case has none.
Our choice: an exchange with its restart takes less, and a second fault must not wait for the end of a week."""
LONG_STANDING_SECONDS = 30 * DAY_SECONDS
"""A setting that was so for this long before it was reported is a notice."""


class ReportKind(StrEnum):
    """What a message says of its case."""

    RAISED = "raised"
    WORSE = "worse"
    REMINDER = "reminder"
    CLEARED = "cleared"
    OVER = "over"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCase:
    """A case as far as it was reported.

    Attributes:
        number: Its number, by which it is acknowledged.
        severities: Its findings' severities as last seen, by identity.
        reported: The severities that were reported, by identity; empty where nothing was.
        less_since: Since when a reported finding is gone or less severe than reported, by identity.
        cause: The likeliest cause as last seen.
        since: When the first of it was raised, unix seconds.
        first_seen: When it was first seen here.
        moved_at: When a finding joined it, or its cause changed.
        news_since: Since when there is something to report; None where there is nothing.
        sent_at: When the last message was made; None where none was.
        reminders: How many reminders were sent.
        gone_since: Since when it does not stand; None while it stands.
        returns: How often it came back within a day.
        acknowledged: The owner's reason; empty where there is none.
        acknowledged_as: The severities at that time, by identity.
    """

    number: int
    about: str
    rules: tuple[str, ...]
    severities: Mapping[str, Severity]
    reported: Mapping[str, Severity] = field(default_factory=dict)
    less_since: Mapping[str, float] = field(default_factory=dict)
    cause: str = ""
    since: float
    first_seen: float
    moved_at: float
    news_since: float | None = None
    sent_at: float | None = None
    reminders: int = 0
    gone_since: float | None = None
    returns: int = 0
    acknowledged: str = ""
    acknowledged_as: Mapping[str, Severity] = field(default_factory=dict)

    @property
    def severity(self) -> Severity:
        """The most severe of its findings as last seen."""
        return max(self.severities.values(), key=lambda severity: severity.rank)

    @property
    def is_setting(self) -> bool:
        """Whether nothing but settings is wrong."""
        return set(self.rules) <= SETTING_RULES


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Planned work: what it causes is kept, and not sent.

    Attributes:
        since: When it began, unix seconds.
        until: When it ends by itself.
        positions: The positions that its text names.
        kept: What began meanwhile, in a line each.
    """

    text: str
    since: float
    until: float
    positions: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reports:
    """What was reported so far, and what goes on.

    Attributes:
        open: The cases that are not over.
        closed: Those that were over within the last day, for when they come back.
        next_number: The next case's number.
        work: Planned work, None where there is none.
    """

    open: tuple[OpenCase, ...] = ()
    closed: tuple[OpenCase, ...] = ()
    next_number: int = 1
    work: Work | None = None


class Report(NamedTuple):
    """One thing to say: of which case, how severe, and its findings, None where they are gone."""

    kind: ReportKind
    known: OpenCase
    severity: Severity
    case: ReportedCase | None


def decide(  # noqa: PLR0913 (one question, and all that it depends on)
    before: Reports,
    cases: Sequence[ReportedCase],
    now: float,
    settings: NotifySettings,
    *,
    waiting: frozenset[int] = frozenset(),
    is_complete: bool = True,
) -> tuple[Reports, tuple[Report, ...]]:
    """Decide what is to be said now, by what was reported so far and what stands; give what was reported then, too.

    Of the cases that are `waiting` a message waits for each address: they are not reminded of. Where `cases` are not
    complete, what is missing may stand all the same.
    """
    if before.work is not None and now >= before.work.until:
        before = end_work(before, now)
    met, gone, following = _meet(before, cases, now)
    after: list[OpenCase] = []
    closed = [
        known
        for known in before.closed
        if known.gone_since is not None and _elapsed(now, known.gone_since) < DAY_SECONDS
    ]
    reports: list[Report] = []
    work = before.work
    for known, case in met:
        line = f"{known.about}: {', '.join(known.rules)}"
        if work is not None and _is_by_work(work, known, case, now):
            work = replace(work, kept=tuple(dict.fromkeys((*work.kept, line))))
            after.append(known)
            continue
        severity = _severity_of(known, now)
        kind = _find_kind(known, severity, now, settings, is_waiting=known.number in waiting)
        after.append(known if kind is None else _mark(known, case, kind, now))
        if kind is not None:
            reports.append(Report(kind, after[-1], severity, case))
            work = work and replace(work, kept=tuple(kept for kept in work.kept if kept != line))
    for missing in gone:
        known = replace(missing, gone_since=now) if is_complete and missing.gone_since is None else missing
        if _may_be_over(known, now, settings, work):
            closed.append(known)
            if (end := _find_end(known, settings, work)) is not None:
                reports.append(Report(end, known, known.severity, None))
        else:
            after.append(known)
    return Reports(open=tuple(after), closed=tuple(closed), next_number=following, work=work), tuple(reports)


def _elapsed(now: float, then: float) -> float:
    """Give how long ago something was; long ago where the clock was put back since, so that nothing waits for it."""
    return now - then if then <= now else math.inf


def _meet(
    before: Reports, cases: Sequence[ReportedCase], now: float
) -> tuple[list[tuple[OpenCase, ReportedCase]], list[OpenCase], int]:
    """Find the open case of each standing one; give those that no longer stand, and the next free number."""
    left = {known.number: known for known in before.open}
    was_reported = {name: severity for known in before.open for name, severity in known.reported.items()}
    following, met = before.next_number, []
    for case in cases:
        names = case.severities.keys()
        own = [number for number, known in left.items() if names & (known.severities.keys() | known.reported.keys())]
        if own:
            known, *others = (left.pop(number) for number in sorted(own))
            known = _merge(known, others)
        else:
            known = _open(case, following, before.closed, was_reported, now)
            following += 1
        met.append((_follow(known, case, now), case))
    return met, list(left.values()), following


def _merge(known: OpenCase, others: Sequence[OpenCase]) -> OpenCase:
    """Make one of cases that turned out to be one; it is acknowledged only where each that was reported is."""
    reported = [case for case in (known, *others) if case.reported]
    return replace(
        known,
        reported={name: severity for case in reversed(reported) for name, severity in case.reported.items()},
        less_since={name: at for case in reversed(reported) for name, at in case.less_since.items()},
        sent_at=max((case.sent_at for case in reported if case.sent_at is not None), default=known.sent_at),
        acknowledged=known.acknowledged if all(case.acknowledged for case in reported) else "",
        acknowledged_as={name: at for case in (*others, known) for name, at in case.acknowledged_as.items()},
    )


def _open(
    case: ReportedCase, number: int, closed: Sequence[OpenCase], was_reported: Mapping[str, Severity], now: float
) -> OpenCase:
    """Open a case; what was reported as part of another one counts as reported."""
    reported = {name: was_reported[name] for name in case.severities if name in was_reported}
    earlier = [known.returns + 1 for known in closed if known.severities.keys() & case.severities.keys()]
    return OpenCase(
        number=number,
        about=case.about,
        rules=case.rules,
        severities=case.severities,
        reported=reported,
        cause=case.cause,
        since=min(finding.since or now for finding in case.findings),
        first_seen=now,
        moved_at=now,
        sent_at=now if reported else None,
        returns=max(earlier, default=0),
    )


def _follow(known: OpenCase, case: ReportedCase, now: float) -> OpenCase:
    """Take an open case on to how it stands now."""
    less = {
        name
        for name, severity in known.reported.items()
        if name not in case.severities or case.severities[name].rank < severity.rank
    }
    back = {
        name: Severity.NOTICE  # so that an alarm that is back after a day is more than was reported
        for name, since in known.less_since.items()
        if name in known.reported and name not in less and _elapsed(now, since) >= DAY_SECONDS
    }
    reported = {**known.reported, **back}
    moved = case.severities.keys() != known.severities.keys() or case.cause != known.cause
    has_news = any(
        severity.rank > (reported[name].rank if name in reported else -1)
        for name, severity in case.severities.items()
        if not known.reported or severity is not Severity.NOTICE
    )
    return replace(
        known,
        about=case.about,
        rules=case.rules,
        severities=case.severities,
        reported=reported,
        less_since={name: known.less_since.get(name, now) for name in less},
        cause=case.cause,
        moved_at=now if moved else known.moved_at,
        news_since=None if not has_news else now if known.news_since is None else known.news_since,
        returns=known.returns + (known.gone_since is not None),
        gone_since=None,
        acknowledged_as={name: severity for name, severity in known.acknowledged_as.items() if name not in back},
    )


def _severity_of(known: OpenCase, now: float) -> Severity:
    """Give how severe a case is: a setting that was so for months before it was reported is a notice."""
    is_old = known.is_setting and not known.reported and now - known.since >= LONG_STANDING_SECONDS
    return Severity.NOTICE if is_old else known.severity


def _find_kind(
    known: OpenCase, severity: Severity, now: float, settings: NotifySettings, *, is_waiting: bool
) -> ReportKind | None:
    """Find what is to be said of a case that stands, if anything."""
    is_too_quiet = settings.is_quiet(now) and severity is not Severity.CRITICAL
    if is_too_quiet or severity.rank < settings.least_severity.rank:
        return None
    if known.news_since is not None:
        is_settled = (
            _elapsed(now, known.moved_at) >= SETTLE_SECONDS or _elapsed(now, known.news_since) >= LONGEST_SETTLE_SECONDS
        )
        return None if not is_settled else ReportKind.WORSE if known.reported else ReportKind.RAISED
    if known.acknowledged or is_waiting or severity is Severity.NOTICE or known.is_setting or not settings.repeats:
        return None
    days = settings.repeats[min(known.reminders, len(settings.repeats) - 1)]
    is_due = known.sent_at is not None and _elapsed(now, known.sent_at) >= days * DAY_SECONDS
    return ReportKind.REMINDER if is_due else None


def _mark(known: OpenCase, case: ReportedCase, kind: ReportKind, now: float) -> OpenCase:
    """Note that a case was reported; what got worse since it was acknowledged is no longer what was acknowledged."""
    is_worse = any(
        name not in known.acknowledged_as or severity.rank > known.acknowledged_as[name].rank
        for name, severity in case.severities.items()
    )
    return replace(
        known,
        reported={**known.reported, **case.severities},
        news_since=None,
        sent_at=now,
        reminders=known.reminders + 1 if kind is ReportKind.REMINDER else 0,
        acknowledged="" if is_worse else known.acknowledged,
    )


def _may_be_over(known: OpenCase, now: float, settings: NotifySettings, work: Work | None) -> bool:
    """Whether a case that does not stand is over: it was gone for long enough, and may be spoken of now."""
    if known.gone_since is None:
        return False
    if work is not None and known.gone_since >= work.since:
        return not known.reported
    is_too_quiet = settings.is_quiet(now) and not (known.reported and known.severity is Severity.CRITICAL)
    wait = min(CLEAR_SECONDS * 2 ** min(known.returns, 10), DAY_SECONDS)
    return not is_too_quiet and _elapsed(now, known.gone_since) >= wait


def note_delivered(before: Reports, number: int, now: float) -> Reports:
    """Count the days to a reminder from when the message arrived, which may be long after it was made."""
    return replace(
        before, open=tuple(replace(known, sent_at=now) if known.number == number else known for known in before.open)
    )


def _find_end(known: OpenCase, settings: NotifySettings, work: Work | None) -> ReportKind | None:
    """Find what is to be said of a case that is over: one that was never reported only where it was an alarm."""
    if known.reported:
        return ReportKind.CLEARED
    ended = known.gone_since or known.first_seen
    stood, severity = ended - known.first_seen, _severity_of(known, ended)
    is_alarm = severity is not Severity.NOTICE and severity.rank >= settings.least_severity.rank
    is_by_work = work is not None and known.first_seen >= work.since
    return ReportKind.OVER if is_alarm and stood >= SETTLE_SECONDS and not is_by_work else None


def add_missed(before: Reports, changes: Iterable[FindingChange], positions: Mapping[str, PositionFacts]) -> Reports:
    """Add the cases that came and went while nobody asked: `changes` are all since it was asked last."""
    known = {name for case in before.open for name in case.severities}
    said = {name: case.gone_since or 0.0 for case in before.closed for name in case.severities}
    raised: dict[str, float] = {}
    spans: dict[str, tuple[float, float]] = {}
    over = {}
    for change in sorted(changes, key=lambda change: change.at):
        name = identify(change.finding)
        if name in known or change.finding.accepted is not None or change.at <= said.get(name, 0.0):
            continue
        if change.change is Change.CLEARED and name in raised:
            spans[name], over[name] = (raised.pop(name), change.at), change.finding
        elif change.change is Change.RAISED:
            raised[name] = change.at
            over.pop(name, None)
    missed = []
    for number, case in enumerate(collect_cases(list(over.values()), positions), start=before.next_number):
        begun, ended = zip(*(spans[name] for name in case.severities), strict=True)
        seen = _open(case, number, before.closed, {}, min(begun))
        missed.append(replace(seen, since=min(begun), gone_since=max(ended)))
    return replace(before, open=(*before.open, *missed), next_number=before.next_number + len(missed))


# --- planned work and acknowledgement -------------------------------------------------------------------------------


def _is_by_work(work: Work, known: OpenCase, case: ReportedCase, now: float) -> bool:
    """Whether planned work may have caused what is new of a case.

    What is critical is not put down to work that names other positions, to work that names none only for hours.
    """
    if known.news_since is None or known.news_since < work.since:
        return False
    if case.severity is not Severity.CRITICAL:
        return True
    positions = {finding.position for finding in case.findings if finding.position}
    if work.positions and positions:
        return not positions.isdisjoint(work.positions)
    return 0 <= now - work.since < KEPT_CRITICAL_SECONDS


def start_work(before: Reports, text: str, *, since: float, until: float, labels: Iterable[str]) -> Reports:
    """Begin planned work, at those of the labelled positions that its text names; other work ends with it."""
    named = tuple(
        label for label in labels if re.search(rf"(?<![\w-]){re.escape(label)}(?![\w-])", text, re.IGNORECASE)
    )
    return replace(before, work=Work(text=text, since=since, until=until, positions=named))


def end_work(before: Reports, now: float) -> Reports:
    """End planned work: what is still wrong may settle once more, and is then reported."""
    open_cases = (
        known if known.news_since is None else replace(known, moved_at=now, news_since=now) for known in before.open
    )
    return replace(before, open=tuple(open_cases), work=None)


def acknowledge(before: Reports, number: int, because: str) -> Reports:
    """Take a case as known to its owner, as it was seen last: it is not reminded of, until it gets worse."""
    open_cases = (
        replace(known, acknowledged=because, acknowledged_as=known.severities) if known.number == number else known
        for known in before.open
    )
    return replace(before, open=tuple(open_cases))
