"""Causes for findings: each position that a sign speaks of is one case, the same for all its findings."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from laneproof.advice import advise, split_step
from laneproof.diagnosis.case import DAY, Case, open_case
from laneproof.diagnosis.causes import Diagnosis, diagnose
from laneproof.diagnosis.features import find_features
from laneproof.diagnosis.weights import DEFAULT, FIRMWARE_SETTING, CauseName, Weights
from laneproof.evidence.fix_trial import clean_time_needed
from laneproof.evidence.not_enough import NotEnough
from laneproof.findings import Finding, Kind
from laneproof.past.ledger import Ledger

EXPLAINED = frozenset(
    {
        "signal-errors",
        "link-retrained-down",
        "link-degraded-on-some-boots",
        "drops-off-bus",
        "controller-resets",
        "media-errors-rising",
        "spare-low",
        "overheating",
        "throttled",
        "drive-fail-slow",
        "unsafe-shutdowns-rising",
        "position-empty",
        "link-slow",
        "link-narrow",
    }
)
"""The rules whose findings get causes here, unless a rule decided one."""

ALONE = frozenset({"position-empty", "link-slow", "link-narrow"})
"""Of these, the rules that open no case: they are explained only where a sign speaks of the same position, or where
training fell short."""

_LEAD_SECONDS = 14 * DAY


def explain(
    findings: Sequence[Finding],
    ledger: Ledger,
    weights: Weights = DEFAULT,
    *,
    general: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> list[Finding]:
    """Give causes to the findings of one pass.

    Args:
        findings: All findings of the pass.
        ledger: What all passes add up to.
        weights: The weights of this box.
        general: By rule, the steps that it gives with every finding. Those of a named cause take their place.

    Returns:
        The same findings in the same order. A cause that a rule decided stays; that of the board's firmware
        holds for its position.
    """
    reported = _gather(findings)
    if not reported:
        return [*findings]
    cases: dict[str, Diagnosis] = {}
    explained = []
    for finding in findings:
        path = finding.path
        if path not in reported or finding.rule not in EXPLAINED or finding.causes or finding.kind is Kind.UNVERIFIED:
            explained.append(finding)
            continue
        decided = reported[path].decided
        if decided is not None:
            explained.append(replace(finding, causes=decided.causes))
            continue
        if path not in cases:
            cases[path] = _diagnose(ledger, path, reported[path], weights)
        explained.append(_add_causes(finding, cases[path], general.get(finding.rule, finding.next_steps)))
    return explained


class _Reported:
    """What the findings say of one position: rules with their reasons, the drive, and a cause that is decided."""

    def __init__(self) -> None:
        self.rules: dict[str, Sequence[str]] = {}
        self.serial = ""
        self.decided: Finding | None = None


def _gather(findings: Iterable[Finding]) -> dict[str, _Reported]:
    reported: dict[str, _Reported] = {}
    opened = set()
    for finding in findings:
        path = finding.path
        if not path or finding.rule not in EXPLAINED or finding.kind is Kind.UNVERIFIED:
            continue
        about = reported.setdefault(path, _Reported())
        about.rules[finding.rule] = finding.reasons
        about.serial = about.serial or finding.serial
        if finding.causes and finding.causes[0].cause == FIRMWARE_SETTING:
            about.decided = finding
        short = "training" in about.rules[finding.rule]
        if (finding.kind is Kind.SIGN and finding.rule not in ALONE) or short:
            opened.add(path)
    return {path: about for path, about in reported.items() if path in opened}


def _diagnose(ledger: Ledger, path: str, reported: _Reported, weights: Weights) -> Diagnosis:
    version = (
        ledger.version,
        int(ledger.now // 3600.0),
        tuple(sorted(reported.rules.items())),
        reported.serial,
        id(weights),
    )
    return ledger.remember(
        ("diagnosis", path),
        version,
        lambda: _weigh_case(open_case(ledger, path, reported.serial, reported.rules), weights),
    )


def _weigh_case(case: Case, weights: Weights) -> Diagnosis:
    features, clean_time = find_features(case), _say_clean_time(case)
    is_impossible = {
        "speed_cap_cured": case.runs_at_lowest_rate,
        "pm_off_cured": features["idle_states_on"] is False,  # they are off
    }
    cannot_try = tuple(name for name, impossible in is_impossible.items() if impossible)
    known = tuple(sorted(features.items())), clean_time, cannot_try, id(weights)
    return case.ledger.remember(
        ("score", case.path),
        known,
        lambda: diagnose(features, weights, clean_time=clean_time, cannot_try=cannot_try),
    )


def _say_clean_time(case: Case) -> str | None:
    """Say how long it must stay clean after a change now to count as cured."""
    if not case.episodes:
        return None
    first, last = case.episodes[0].dropped_at, case.episodes[-1].dropped_at
    lead = (last - first) / (len(case.episodes) - 1) if len(case.episodes) > 1 else _LEAD_SECONDS
    needed = clean_time_needed(len(case.episodes), max(last - first + lead, DAY))
    if isinstance(needed, NotEnough):
        return None
    days = max(1, round(needed / DAY))
    return f"{days} day{'' if days == 1 else 's'}"


def _add_causes(finding: Finding, diagnosis: Diagnosis, general: Sequence[str]) -> Finding:
    evidence: Mapping[str, object] = {**finding.evidence, "features": list(diagnosis.observed)}
    steps = _choose_steps(finding, diagnosis, general)
    return replace(finding, causes=diagnosis.causes, next_steps=steps, evidence=evidence)


def _choose_steps(finding: Finding, diagnosis: Diagnosis, general: Sequence[str]) -> tuple[str, ...]:
    """Give the steps of the cause and what the finding alone advises.

    Where no cause is named, the rule's general steps stay, and the check comes before the case is opened.
    """
    steps = [split_step(step) for step in finding.next_steps]
    if diagnosis.verdict != CauseName.UNDETERMINED:
        left_out = {split_step(step).says for step in general}
        return advise(*diagnosis.next_steps, *(step for step in steps if step.says not in left_out))
    # in a finding each caution is said once, so all that follows the first step with the box open may need it open
    opened = next((number for number, step in enumerate(steps) if step.is_hands_on), len(steps))
    closed = [step for step in diagnosis.next_steps if not step.is_hands_on]
    hands_on = [step for step in diagnosis.next_steps if step.is_hands_on]
    return advise(*steps[:opened], *closed, *steps[opened:], *hands_on)
