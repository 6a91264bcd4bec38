"""errors-hidden: links whose errors were counted once and are not any more."""

from collections.abc import Iterator

from laneproof.advice import advise
from laneproof.findings import Finding, Kind, Severity, format_time, write_time
from laneproof.past.link_errors import EndState
from laneproof.rules.links.errors_not_counted import STATE_WORDS, find_aer_owner
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import Watched, make_sign, watched_links


def _judge(current: Pass) -> Iterator[Finding]:
    ledger, owner = current.past.ledger, find_aer_owner(current.snapshot)
    if owner is not None and owner.value == "off":
        return  # errors-not-counted reports the whole box
    for watched, record in watched_links(current):
        ends = (("the port", record.port), ("the device", record.device_end))
        hidden = [(name, end) for name, end in ends if end.present and end.hidden_since is not None]
        if hidden:
            since = ledger.timeline.to_wall(min(end.hidden_since or 0.0 for _, end in hidden))
            yield _report_hidden(watched, hidden, since)


def _report_hidden(watched: Watched, hidden: list[tuple[str, EndState]], since: float) -> Finding:
    said = " and ".join(f"at {name} {STATE_WORDS[end.reporting]}" for name, end in hidden)
    return make_sign(
        ERRORS_HIDDEN,
        watched,
        severity=Severity.NOTICE,
        summary=(
            f"correctable errors of {watched.name} were counted and are not any more, since {write_time(since)}: {said}"
        ),
        observed="errors no longer counted",
        evidence={"since": format_time(since), "ends": {name: str(end.reporting) for name, end in hidden}},
    )


ERRORS_HIDDEN = Rule(
    name="errors-hidden",
    kind=Kind.SIGN,
    statement="Errors that were counted are still counted.",
    why=(
        "Somebody who is bothered by error reports in the log can switch them off, and the errors go on. An end that "
        "counted its errors and now masks or no longer reports them is reported, whoever did it: an update of the "
        "firmware, a word on the kernel's command line, a script. The sign clears when errors are counted again."
    ),
    next_steps=advise(
        "See what changed then: the kernel's command line, the board's firmware, a script that writes registers.",
        "Switch reporting on again, and look at the errors instead.",
    ),
    judge=_judge,
    examples=(
        holds("both ends count as before"),
        sign(
            "the drive's end masks its receiver errors since yesterday",
            "correctable errors of riser-1 were counted and are not any more, since 2026-09-22 14:13 UTC: at "
            "the port masked (the end keeps its receiver errors to itself) and at the device masked (the end "
            "keeps its receiver errors to itself)",
        ),
    ),
    sources=("PCI Express Base Specification: Correctable Error Mask, Device Control",),
)
