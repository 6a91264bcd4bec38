"""All rules in one list, written by hand, and the one way to run them.

Their order is that of docs/findings.md and of ``explain``; findings are sorted for reading. Differences that the owner
accepts are marked with the owner's reason; none is left out.
"""

from dataclasses import replace
from datetime import UTC, datetime

from laneproof.advice import advise
from laneproof.declaration.build import Build
from laneproof.declaration.tables import Acceptance
from laneproof.findings import Finding, Kind, order_findings
from laneproof.rules.arrays.array_degraded import ARRAY_DEGRADED
from laneproof.rules.arrays.array_differs import ARRAY_DIFFERS
from laneproof.rules.arrays.array_errors import ARRAY_ERRORS
from laneproof.rules.arrays.array_member_elsewhere import ARRAY_MEMBER_ELSEWHERE
from laneproof.rules.arrays.array_rebuilding import ARRAY_REBUILDING
from laneproof.rules.arrays.array_scrub_overdue import ARRAY_SCRUB_OVERDUE
from laneproof.rules.drives.controller_resets import CONTROLLER_RESETS
from laneproof.rules.drives.critical_warning import CRITICAL_WARNING
from laneproof.rules.drives.drive_fail_slow import DRIVE_FAIL_SLOW
from laneproof.rules.drives.drive_port_lost import DRIVE_PORT_LOST
from laneproof.rules.drives.drops_off_bus import DROPS_OFF_BUS
from laneproof.rules.drives.endurance_ending import ENDURANCE_ENDING
from laneproof.rules.drives.interface_errors import INTERFACE_ERRORS
from laneproof.rules.drives.media_errors_rising import MEDIA_ERRORS_RISING
from laneproof.rules.drives.sectors_failing import SECTORS_FAILING
from laneproof.rules.drives.self_test_failed import SELF_TEST_FAILED
from laneproof.rules.drives.spare_low import SPARE_LOW
from laneproof.rules.file_systems.file_system_full import FILE_SYSTEM_FULL
from laneproof.rules.file_systems.file_system_missing import FILE_SYSTEM_MISSING
from laneproof.rules.file_systems.file_system_read_only import FILE_SYSTEM_READ_ONLY
from laneproof.rules.heat.fan_stopped import FAN_STOPPED
from laneproof.rules.heat.overheating import OVERHEATING
from laneproof.rules.heat.throttled import THROTTLED
from laneproof.rules.links.errors_hidden import ERRORS_HIDDEN
from laneproof.rules.links.errors_not_counted import ERRORS_NOT_COUNTED
from laneproof.rules.links.link_above_limit import LINK_ABOVE_LIMIT
from laneproof.rules.links.link_beyond_hardware import LINK_BEYOND_HARDWARE
from laneproof.rules.links.link_degraded_on_some_boots import LINK_DEGRADED_ON_SOME_BOOTS
from laneproof.rules.links.link_narrow import LINK_NARROW
from laneproof.rules.links.link_retrained_down import LINK_RETRAINED_DOWN
from laneproof.rules.links.link_slow import LINK_SLOW
from laneproof.rules.links.signal_errors import SIGNAL_ERRORS
from laneproof.rules.memory.memory_differs import MEMORY_DIFFERS
from laneproof.rules.memory.memory_errors import MEMORY_ERRORS
from laneproof.rules.memory.memory_slow import MEMORY_SLOW
from laneproof.rules.network.bond_incomplete import BOND_INCOMPLETE
from laneproof.rules.network.network_errors import NETWORK_ERRORS
from laneproof.rules.network.network_link_flapping import NETWORK_LINK_FLAPPING
from laneproof.rules.network.network_link_slow import NETWORK_LINK_SLOW
from laneproof.rules.occupancy.bifurcation_not_active import BIFURCATION_NOT_ACTIVE
from laneproof.rules.occupancy.identity_doubtful import IDENTITY_DOUBTFUL
from laneproof.rules.occupancy.occupant_differs import OCCUPANT_DIFFERS
from laneproof.rules.occupancy.occupant_unexpected import OCCUPANT_UNEXPECTED
from laneproof.rules.occupancy.position_empty import POSITION_EMPTY
from laneproof.rules.power_loss.restarted_unasked import RESTARTED_UNASKED
from laneproof.rules.power_loss.unsafe_shutdowns_rising import UNSAFE_SHUTDOWNS_RISING
from laneproof.rules.readings.drives_hidden import DRIVES_HIDDEN
from laneproof.rules.readings.reading_incomplete import READING_INCOMPLETE
from laneproof.rules.readings.reading_stuck import READING_STUCK
from laneproof.rules.recurring import hold_recurring
from laneproof.rules.rule import Pass, Rule
from laneproof.rules.settings.declaration_not_in_force import DECLARATION_NOT_IN_FORCE
from laneproof.rules.settings.firmware_changed import FIRMWARE_CHANGED
from laneproof.rules.settings.firmware_differs import FIRMWARE_DIFFERS
from laneproof.rules.settings.power_setting_differs import POWER_SETTING_DIFFERS

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
    DRIVES_HIDDEN,
    DROPS_OFF_BUS,
    DRIVE_PORT_LOST,
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
    RESTARTED_UNASKED,
    ERRORS_NOT_COUNTED,
    ERRORS_HIDDEN,
    IDENTITY_DOUBTFUL,
    FIRMWARE_CHANGED,
    READING_STUCK,
    DECLARATION_NOT_IN_FORCE,
)


def rule_named(name: str) -> Rule | None:
    """Find a rule by its id."""
    return next((rule for rule in RULES if rule.name == name), None)


def judge_all(current: Pass) -> tuple[Finding, ...]:
    """Run all rules over one pass: findings in the order for reading, accepted ones marked, five next steps at most."""
    judged = hold_recurring(current, (finding for rule in RULES for finding in rule.judge(current)))
    found = [replace(finding, next_steps=advise(*finding.next_steps)) for finding in judged]
    return tuple(order_findings(mark_accepted(current.build, found, at=current.snapshot.taken_at)))


def mark_accepted(build: Build | None, findings: list[Finding], *, at: float) -> list[Finding]:
    """Mark the findings that the declaration accepts for now: to the end of the last day, in UTC.

    What could not be verified is not accepted: it is not the difference that the owner agreed to live with.
    """
    if build is None or not build.accept:
        return findings
    return [_accept_one(build.accept, finding, at=at) for finding in findings]


def _accept_one(acceptances: tuple[Acceptance, ...], finding: Finding, *, at: float) -> Finding:
    if finding.kind is Kind.UNVERIFIED:
        return finding
    today = datetime.fromtimestamp(at, UTC).date()
    mine = [
        acceptance
        for acceptance in acceptances
        if acceptance.rule == finding.rule and acceptance.position in (None, finding.position)
    ]
    valid = next((acceptance for acceptance in mine if acceptance.until is None or today <= acceptance.until), None)
    if valid is not None:
        return replace(finding, accepted=valid.because)
    if not mine:
        return finding
    over = f"This was accepted until {mine[0].until} ({mine[0].because}); that day has passed."
    return replace(finding, next_steps=advise(over, *finding.next_steps))
