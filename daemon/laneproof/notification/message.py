"""One message: what, where, both values, the likely cause with its odds in words, the next safe step, since when."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from urllib.parse import quote

from laneproof.diagnosis.weights import CauseName, say_cause
from laneproof.findings import Cause, Finding, Severity
from laneproof.notification.cases import ReportedCase
from laneproof.notification.decisions import OpenCase, Report, ReportKind
from laneproof.notification.settings import DAY_SECONDS, NotifySettings
from laneproof.outputs.cases_json import PositionFacts
from laneproof.outputs.steps_and_cautions import list_cautions, list_steps
from laneproof.outputs.text_style import printable

MOST_FINDINGS = 5
"""Of so many findings of a case the summary is said; the page has the others."""
_ODDS = ((0.99, "virtually certain"), (0.9, "very likely"), (0.66, "likely"), (0.33, "about as likely as not"))
"""The words for a probability. Source: IPCC, Guidance Note for Lead Authors of the IPCC Fifth Assessment Report on
Consistent Treatment of Uncertainties (2010), table 1 (from memory)."""
_HEADS = {
    ReportKind.RAISED: "",
    ReportKind.WORSE: "worse: ",
    ReportKind.REMINDER: "still: ",
    ReportKind.CLEARED: "cleared: ",
    ReportKind.OVER: "came and went: ",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message.

    Attributes:
        case: Its case's number; 0 for none.
        kind: What it says of it.
        title: One line.
        body: Plain text, a line for each thing.
    """

    case: int
    kind: str
    severity: Severity
    title: str
    body: str


def write_message(
    report: Report, box: str, positions: Mapping[str, PositionFacts], settings: NotifySettings, now: float
) -> Message:
    """Write the message for one report."""
    known, zone = report.known, settings.time_zone
    title = f"{box}: {_HEADS[report.kind]}{known.about}, {', '.join(known.rules)}"
    if report.case is None:
        lines = [_say_end(report.kind, known, zone)]
    else:
        title += f" ({report.severity})"
        lines = [*_describe(report.case, positions), f"Since: {_say_since(known, zone, now)}"]
        if report.kind is ReportKind.RAISED and known.returns:
            lines.append("It was gone for a while, and is back.")
    if settings.page:
        lines.append(f"Page: {_find_page(settings.page, report.case, positions)}")
    if report.kind in (ReportKind.WORSE, ReportKind.REMINDER):
        lines.append(f"To hear no more of it: laneproof notify --acknowledge {known.number} --because REASON")
    return Message(
        case=known.number,
        kind=str(report.kind),
        severity=report.severity,
        title=printable(title),
        body="".join(f"{printable(line)}\n" for line in lines),  # no device adds a line, with a step of its own
    )


def _describe(case: ReportedCase, positions: Mapping[str, PositionFacts]) -> Iterator[str]:
    findings = case.findings
    for finding in findings[:MOST_FINDINGS]:
        yield f"{finding.summary}."
    if len(findings) > MOST_FINDINGS:
        yield f"And {len(findings) - MOST_FINDINGS} more."
    if where := "; ".join(filter(None, (_say_where(subject, case, positions) for subject in case.subjects))):
        yield f"Where: {where}"
    for finding in findings[:MOST_FINDINGS]:
        yield from _say_values(finding)
    if case.causes:
        yield f"Likely cause: {_say_cause(case.causes)}"
    first = [finding for finding in findings if finding.next_steps and "out_of_it" in finding.evidence] or findings
    if steps := list_steps(*first):  # with an array at stake, what keeps its data goes first
        yield f"Next: {steps[0]}"
        carrying = [finding for finding in first if finding.next_steps][:1]
        yield from (f"Mind: {caution}" for caution in list_cautions(carrying, most_steps=1))


def _find_page(page: str, case: ReportedCase | None, positions: Mapping[str, PositionFacts]) -> str:
    """Give the address of the position's own page where a case is about one alone, else the box's."""
    about = case.subjects if case is not None else ()
    if len(about) != 1 or about[0] not in positions:
        return page
    return f"{page.rstrip('/')}/positions/{quote(about[0], safe='')}"


def _say_values(finding: Finding) -> Iterator[str]:
    """Say both values, where the sentence above does not."""
    if finding.declared is None or finding.observed is None:
        return
    if finding.declared not in finding.summary or finding.observed not in finding.summary:
        yield f"Declared: {finding.declared}. Observed: {finding.observed}."


def _say_where(subject: str, case: ReportedCase, positions: Mapping[str, PositionFacts]) -> str:
    """Say a position, or the drive that it is about; empty where there is neither."""
    facts = positions.get(subject)
    serials = (finding.serial for finding in case.findings if subject in (finding.position, finding.subject))
    serial = next(filter(None, serials), facts.serial if facts is not None else "")
    return f"{subject} (serial number {serial})" if serial else subject if facts is not None else ""


def _say_cause(causes: tuple[Cause, ...]) -> str:
    first = causes[0]
    because = f"; {'; '.join(first.because[:2])}" if first.because else ""
    if first.cause == CauseName.UNDETERMINED:
        return f"not known yet{because}"
    return f"{say_cause(first.cause)}, {say_odds(first.probability)} ({first.probability:.0%}){because}"


def say_odds(probability: float) -> str:
    """Say a probability in words."""
    return next((words for least, words in _ODDS if probability >= least), "possible")


def _say_since(known: OpenCase, zone: tzinfo | None, now: float) -> str:
    days = int((now - known.since) // DAY_SECONDS)
    return _say_time(known.since, zone) + (f", {days} day{'s' if days > 1 else ''} ago" if days else "")


def _say_end(kind: ReportKind, known: OpenCase, zone: tzinfo | None) -> str:
    until = known.since if known.gone_since is None else known.gone_since
    span = f"from {_say_time(known.since, zone)} to {_say_time(until, zone)}"
    if kind is ReportKind.CLEARED:
        return f"It no longer stands. It stood {span}."
    return f"It stood {span}, while no message could be sent, and no longer stands. 'laneproof events' has more."


def _say_time(unix_seconds: float, zone: tzinfo | None) -> str:
    return datetime.fromtimestamp(unix_seconds, zone).astimezone(zone).strftime("%Y-%m-%d %H:%M %Z")
