"""All rules in one list, written by hand, and the one way to run them.

Rules that explain others come first. What they find is put in order for reading, and differences that the owner accepts
are marked with the owner's reason; nothing is dropped.
"""

from dataclasses import replace
from datetime import UTC, datetime

from laneproof.declaration.build import Build
from laneproof.declaration.tables import Acceptance
from laneproof.findings import Finding, Kind, order_findings
from laneproof.past.past import Past
from laneproof.rules.arrays.array_errors import ARRAY_ERRORS
from laneproof.rules.arrays.array_life import ARRAY_REBUILDING, ARRAY_SCRUB_OVERDUE
from laneproof.rules.arrays.array_member_elsewhere import ARRAY_MEMBER_ELSEWHERE
from laneproof.rules.arrays.array_rules import ARRAY_DEGRADED, ARRAY_DIFFERS
from laneproof.rules.drives.critical_warning import CRITICAL_WARNING
from laneproof.rules.drives.drive_fail_slow import DRIVE_FAIL_SLOW
from laneproof.rules.drives.drive_rules import INTERFACE_ERRORS, SECTORS_FAILING, SELF_TEST_FAILED
from laneproof.rules.drives.media_errors_rising import MEDIA_ERRORS_RISING
from laneproof.rules.drives.signs_drops import CONTROLLER_RESETS, DROPS_OFF_BUS
from laneproof.rules.drives.signs_wear import ENDURANCE_ENDING, SPARE_LOW
from laneproof.rules.file_systems.file_system_rules import FILE_SYSTEM_FULL, FILE_SYSTEM_MISSING, FILE_SYSTEM_READ_ONLY
from laneproof.rules.heat.box_heat import FAN_STOPPED
from laneproof.rules.heat.signs_heat import OVERHEATING, THROTTLED
from laneproof.rules.links.link_rules import LINK_ABOVE_LIMIT, LINK_BEYOND_HARDWARE, LINK_NARROW, LINK_SLOW
from laneproof.rules.links.signal_errors import SIGNAL_ERRORS
from laneproof.rules.links.signs_reporting import ERRORS_HIDDEN, ERRORS_NOT_COUNTED
from laneproof.rules.links.signs_training import LINK_DEGRADED_ON_SOME_BOOTS, LINK_RETRAINED_DOWN
from laneproof.rules.memory.memory_differs import MEMORY_DIFFERS
from laneproof.rules.memory.memory_life import MEMORY_ERRORS, MEMORY_SLOW
from laneproof.rules.network.network_life import NETWORK_ERRORS, NETWORK_LINK_FLAPPING
from laneproof.rules.network.network_rules import BOND_INCOMPLETE, NETWORK_LINK_SLOW
from laneproof.rules.occupancy.bifurcation_not_active import BIFURCATION_NOT_ACTIVE
from laneproof.rules.occupancy.identity_doubtful import IDENTITY_DOUBTFUL
from laneproof.rules.occupancy.occupancy import OCCUPANT_DIFFERS, OCCUPANT_UNEXPECTED, POSITION_EMPTY
from laneproof.rules.power.unsafe_shutdowns_rising import UNSAFE_SHUTDOWNS_RISING
from laneproof.rules.readings.reading_incomplete import READING_INCOMPLETE
from laneproof.rules.readings.reading_stuck import READING_STUCK
from laneproof.rules.rule import Rule
from laneproof.rules.settings.firmware_differs import FIRMWARE_DIFFERS
from laneproof.rules.settings.power_setting_differs import POWER_SETTING_DIFFERS
from laneproof_collectors.snapshot import Snapshot

RULES: tuple[Rule, ...] = (
    BIFURCATION_NOT_ACTIVE,
    POSITION_EMPTY,
    OCCUPANT_DIFFERS,
    OCCUPANT_UNEXPECTED,
    LINK_BEYOND_HARDWARE,
    LINK_SLOW,
    LINK_NARROW,
    LINK_ABOVE_LIMIT,
    POWER_SETTING_DIFFERS,
    FIRMWARE_DIFFERS,
    MEMORY_DIFFERS,
    MEMORY_SLOW,
    MEMORY_ERRORS,
    ARRAY_DEGRADED,
    ARRAY_DIFFERS,
    ARRAY_MEMBER_ELSEWHERE,
    ARRAY_REBUILDING,
    ARRAY_SCRUB_OVERDUE,
    ARRAY_ERRORS,
    NETWORK_LINK_SLOW,
    BOND_INCOMPLETE,
    NETWORK_LINK_FLAPPING,
    NETWORK_ERRORS,
    FILE_SYSTEM_MISSING,
    FILE_SYSTEM_READ_ONLY,
    FILE_SYSTEM_FULL,
    FAN_STOPPED,
    SECTORS_FAILING,
    SELF_TEST_FAILED,
    INTERFACE_ERRORS,
    CRITICAL_WARNING,
    READING_INCOMPLETE,
    DROPS_OFF_BUS,
    CONTROLLER_RESETS,
    SIGNAL_ERRORS,
    LINK_RETRAINED_DOWN,
    LINK_DEGRADED_ON_SOME_BOOTS,
    MEDIA_ERRORS_RISING,
    SPARE_LOW,
    ENDURANCE_ENDING,
    OVERHEATING,
    THROTTLED,
    DRIVE_FAIL_SLOW,
    UNSAFE_SHUTDOWNS_RISING,
    ERRORS_NOT_COUNTED,
    ERRORS_HIDDEN,
    IDENTITY_DOUBTFUL,
    READING_STUCK,
)


def rule_named(name: str) -> Rule | None:
    """Find a rule by its id."""
    return next((rule for rule in RULES if rule.name == name), None)


def judge_all(build: Build | None, snapshot: Snapshot, past: Past) -> tuple[Finding, ...]:
    """Run all rules over one pass.

    Args:
        build: The declaration, None where there is none.
        snapshot: The facts.
        past: What is known of earlier passes.

    Returns:
        The findings in the order for reading, accepted ones marked.
    """
    found = [finding for rule in RULES for finding in rule.judge(build, snapshot, past)]
    return tuple(order_findings(accept(build, found, at=snapshot.taken_at)))


def accept(build: Build | None, findings: list[Finding], *, at: float) -> list[Finding]:
    """Mark the findings that the declaration accepts for now.

    What could not be verified is not accepted: it is not the difference that the owner agreed to live with.

    Args:
        build: The declaration.
        findings: All findings of a pass.
        at: The time of the pass, unix seconds: an acceptance holds to the end of its last day, in UTC.
    """
    if build is None or not build.accept:
        return findings
    return [_accept_one(build.accept, finding, at=at) for finding in findings]


def _accept_one(acceptances: tuple[Acceptance, ...], finding: Finding, *, at: float) -> Finding:
    if finding.kind is Kind.UNVERIFIED:
        return finding
    today = datetime.fromtimestamp(at, UTC).date()
    mine = [one for one in acceptances if one.rule == finding.rule and one.position in (None, finding.position)]
    valid = next((one for one in mine if one.until is None or today <= one.until), None)
    if valid is not None:
        return replace(finding, accepted=valid.because)
    if not mine:
        return finding
    over = f"This was accepted until {mine[0].until} ({mine[0].because}); that day has passed."
    return replace(finding, next_steps=(over, *finding.next_steps))
