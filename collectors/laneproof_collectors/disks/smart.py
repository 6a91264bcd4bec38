"""What smartctl says of a drive, read by pySMART.

Rules of this module: smartctl's answer is JSON that holds its plain text too. pySMART reads the text, here through a
stand-in for the command, so that a live answer and a recorded one are read alike and nothing is run. What pySMART does
not find (or where an answer holds no text) is taken from the JSON's own fields; what neither has is absent. Whatever
an answer holds, the end is a report or one reason: where pySMART stumbles over a text, only its share is lost.

pySMART is imported late: most machines never need it.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from laneproof_collectors.disks.smart_limits import parse_temperature_limits
from laneproof_collectors.nvme.health_and_identity import COLDEST_CELSIUS, HOTTEST_CELSIUS, make_health
from laneproof_collectors.snapshot import HealthLog
from laneproof_collectors.unread import Reason, Unread

REALLOCATED_SECTORS, PENDING_SECTORS, UNCORRECTABLE_SECTORS, INTERFACE_ERRORS, POWER_ON_HOURS = 5, 197, 198, 199, 9
"""Attribute numbers. They are each maker's own, but for these all makers agree (common practice, no source)."""

_BEYOND_SENSE = 9999


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveReport:
    """What smartctl says of a SATA, SAS or USB drive. ``None``: it says nothing of the kind."""

    protocol: str | None  # ATA | SCSI | NVMe
    model: str | None
    serial: str | None
    firmware: str | None
    capacity_bytes: int | None
    supports_health: bool  # False: the drive keeps no health record at all
    shows_attributes: bool  # False: a drive that should have a table of attributes showed none
    healthy: bool | None
    temperature_celsius: float | Unread | None
    power_on_hours: int | None
    reallocated_sectors: int | None
    pending_sectors: int | None
    uncorrectable_sectors: int | None
    interface_errors: int | None
    last_self_test: str | None
    recommended_celsius: float | None = None  # the drive's own limits
    most_celsius: float | None = None


def _dig(answer: object, *keys: str) -> Any:  # noqa: ANN401 (JSON)
    """Follow keys into JSON that may be anything; ``None`` where they lead nowhere."""
    for key in keys:
        if not isinstance(answer, Mapping):
            return None
        answer = answer.get(key)
    return answer


def _count(value: object) -> int | None:
    """Take a count that is one: a whole number, or its digits where JSON's own numbers end."""
    if isinstance(value, str) and value.isascii() and value.isdigit():
        return int(value)
    return value if isinstance(value, int) and not isinstance(value, bool) and value >= 0 else None


def _degrees(value: object) -> float | None:
    """Take a temperature; one beyond all sense (JSON knows no limits) as the limit, so that it is seen to be so."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(max(-_BEYOND_SENSE, min(_BEYOND_SENSE, value)))
    return None


def _word(value: object) -> str | None:
    return value.strip() or None if isinstance(value, str) else None


def _first(*values: Any) -> Any:  # noqa: ANN401 (whichever is there)
    return next((value for value in values if value is not None), None)


# --- the text ---------------------------------------------------------------------------------------------------------

# Far beyond any report; they bound what pySMART's patterns cost.
_MOST_LINES, _MOST_COLUMNS, _LONGEST_LINE = 4000, 14, 200
_WIDE_GAP = re.compile(r"\s{2,}")
# A row of the attribute table as ``-x`` prints it; pySMART knows only that of ``-a``, with three words in place of two.
_BRIEF_ROW = re.compile(r"(\d+)\s+(\S+)\s+([POSRCK-]{6})\s+(\d+)\s+(\d+)\s+(\S+)\s+(-|NOW|Past)\s+(.+)")
# Words of smartctl 7.3 that pySMART 1.4 spells otherwise.
_REWORDED = (
    ("SMART Extended Self-test Log Version", "SMART Extended Self-test log version"),
    ("Warning  Comp. Temperature Time", "Warning Comp. Temperature Time"),
)
_WHEN_FAILED = {"-": "-", "NOW": "FAILING_NOW", "Past": "In_the_past"}


def parse_text(answer: Mapping[str, Any]) -> list[str]:
    """Take smartctl's plain text out of its JSON (made with ``--json=o``), in the form that pySMART reads.

    Returns:
        The lines; none where the answer holds no text.
    """
    output = _dig(answer, "smartctl", "output")
    if not isinstance(output, list):
        return []
    lines = (_WIDE_GAP.sub("  ", line)[:_LONGEST_LINE] for line in output[:_MOST_LINES] if isinstance(line, str))
    return [_plain_row(line) for line in lines if line.count("  ") < _MOST_COLUMNS]


def _plain_row(line: str) -> str:
    if row := _BRIEF_ROW.fullmatch(line.strip()):
        number, name, flags, value, worst, threshold, failed, raw = row.groups()
        kind, updated = ("Pre-fail" if "P" in flags else "Old_age"), ("Always" if "O" in flags else "Offline")
        return f"{number} {name} 0x0000 {value} {worst} {threshold} {kind} {updated} {_WHEN_FAILED[failed]} {raw}"
    for shown, expected in _REWORDED:
        line = line.replace(shown, expected)
    return line


class _Command:
    """A stand-in for pySMART's own smartctl: the text that was given is the answer to every question for all of it."""

    def __init__(self, lines: Sequence[str]) -> None:
        self._lines = list(lines)

    def all(self, disk: str, interface: str | None = None) -> list[str]:  # noqa: ARG002 (pySMART's interface)
        return list(self._lines)

    def generic_call(self, params: list[str], pass_options: bool = False) -> tuple[list[str], int]:  # noqa: ARG002, FBT001, FBT002 (likewise)
        return [], 1  # further questions (which kind of port the drive sits on) go unanswered

    try_generic_call = generic_call


def _ask_pysmart(lines: Sequence[str], interface: str) -> Any | None:  # noqa: ANN401 (pySMART has no types)
    """Let pySMART read a report; ``None`` where there is none or pySMART stumbles over it."""
    if not lines:
        return None
    from pySMART.device import Device  # noqa: PLC0415 (only where smartctl is asked at all)

    try:
        # The name matters to pySMART only as a word that must not hold "nvme" for other drives.
        return Device("drive", interface=interface, smartctl=_Command(lines))
    except Exception:  # noqa: BLE001 (a parser of another's text: any number or row out of form raises what it likes)
        return None


_ASLEEP = re.compile(r"Device is in (?:STANDBY|SLEEP)[A-Z_]*(?: \(OS\))? mode")


def is_asleep(answer: Mapping[str, Any]) -> bool:
    """Find whether smartctl left a drive alone because it sleeps.

    Source: smartmontools ataprint.cpp and smartctl.cpp: "Device is in %s mode, exit(%d)", with "STANDBY (OS)" where the
    kernel itself put it to sleep.
    """
    return any(_ASLEEP.search(line) for line in (*parse_text(answer), *_messages(answer)))


def _messages(answer: Mapping[str, Any]) -> Iterable[str]:
    messages = _dig(answer, "smartctl", "messages")
    for message in messages if isinstance(messages, list) else ():
        if isinstance(text := _dig(message, "string"), str):
            yield text[:_LONGEST_LINE]


def _explain_silence(answer: Mapping[str, Any], *, what: str) -> Unread:
    said = next(iter(_messages(answer)), None)
    if said is None:
        return Unread(what, "smartctl's answer holds nothing of the kind", Reason.FAILED)
    # The C library's own word for EACCES; smartctl runs in the C locale
    if "Permission denied" in said:
        return Unread(what, f"smartctl says: {said}", Reason.DENIED, "EACCES")
    return Unread(what, f"smartctl says: {said}", Reason.FAILED)


# --- NVMe health ------------------------------------------------------------------------------------------------------

# Our field -> pySMART's name, the key of smartctl's JSON (nvme_smart_health_information_log).
_HEALTH_FIELDS = {
    "critical_warning": ("criticalWarning", "critical_warning"),
    "available_spare_percent": ("availableSpare", "available_spare"),
    "available_spare_threshold_percent": ("availableSpareThreshold", "available_spare_threshold"),
    "percentage_used": ("percentageUsed", "percentage_used"),
    "data_units_read": ("dataUnitsRead", "data_units_read"),
    "data_units_written": ("dataUnitsWritten", "data_units_written"),
    "host_read_commands": ("hostReadCommands", "host_reads"),
    "host_write_commands": ("hostWriteCommands", "host_writes"),
    "controller_busy_minutes": ("controllerBusyTime", "controller_busy_time"),
    "power_cycles": ("powerCycles", "power_cycles"),
    "power_on_hours": ("powerOnHours", "power_on_hours"),
    "unsafe_shutdowns": ("unsafeShutdowns", "unsafe_shutdowns"),
    "media_errors": ("integrityErrors", "media_errors"),
    "error_log_entries": ("errorEntries", "num_err_log_entries"),
    "warning_temperature_minutes": ("warningTemperatureTime", "warning_temp_time"),
    "critical_temperature_minutes": ("criticalTemperatureTime", "critical_comp_time"),
}
# Lines that pySMART passes over. Source: smartmontools nvmeprint.cpp.
_THERMAL_FIELDS = {
    "thermal_transitions_1": "Thermal Temp. 1 Transition Count",
    "thermal_transitions_2": "Thermal Temp. 2 Transition Count",
    "thermal_seconds_1": "Thermal Temp. 1 Total Time",
    "thermal_seconds_2": "Thermal Temp. 2 Total Time",
}


def parse_health(answer: Mapping[str, Any], *, device: str) -> HealthLog | Unread:
    """Make an NVMe health log of what smartctl says.

    Returns:
        The log with source ``smartctl``; a field that it lacks is 0 and named in `absent`. Where it reports none
        of the log, why.
    """
    what = f"log 02h of {device}"
    lines = parse_text(answer)
    log = _dig(answer, "nvme_smart_health_information_log")
    drive = _ask_pysmart(lines, "nvme")
    attributes = getattr(drive, "if_attributes", None)
    counts: dict[str, int | None] = {
        name: _first(_count(getattr(attributes, ours, None)), _count(_dig(log, f"{key}_s")), _count(_dig(log, key)))
        for name, (ours, key) in _HEALTH_FIELDS.items()
    }
    if all(value is None for value in counts.values()):
        return _explain_silence(answer, what=what)
    temperature = _degrees(_first(getattr(attributes, "temperature", None), _dig(log, "temperature")))
    counts |= {name: _line_count(lines, label) for name, label in _THERMAL_FIELDS.items()}
    counts["endurance_group_warning"] = None  # smartctl shows it nowhere
    return make_health(counts, temperature, _sensors(drive, log), what=what, source="smartctl")


def _line_count(lines: Iterable[str], label: str) -> int | None:
    for line in lines:
        name, _, value = line.partition(":")
        if name.strip() == label:
            return _count(value.strip().replace(",", ""))
    return None


def _sensors(drive: Any, log: object) -> dict[int, float | None]:  # noqa: ANN401 (pySMART has no types)
    by_number: Mapping[int, int] = getattr(drive, "temperatures", None) or {}
    listed = _dig(log, "temperature_sensors")
    if not by_number and isinstance(listed, list):
        by_number = dict(enumerate(listed, start=1))
    return {number: _degrees(celsius) or None for number, celsius in by_number.items()}  # 0 where there is no sensor


# --- SATA, SAS, USB ---------------------------------------------------------------------------------------------------

_INTERFACES = {"ATA": "sat", "SCSI": "scsi", "NVMe": "nvme"}  # smartctl's protocol -> the word that pySMART knows
_PASSED = re.compile(r"SMART overall-health self-assessment test result: PASSED")
_PHY_ERRORS = re.compile(r"\s*(?:Invalid DWORD|Running disparity error|Loss of DWORD synchronization)\b[^=]*= (\d+)")


def parse_drive(answer: Mapping[str, Any], *, device: str) -> DriveReport | Unread:
    """Make a report of what smartctl says of a drive that is awake.

    Returns:
        The report, or why smartctl could report nothing of the drive.
    """
    lines = parse_text(answer)
    protocol = _word(_dig(answer, "device", "protocol"))
    drive = _ask_pysmart(lines, _INTERFACES.get(protocol or "", "sat"))
    table = _attribute_table(drive, answer)
    model = _first(
        _word(_dig(answer, "model_name")), _word(getattr(drive, "model", None)), _json_scsi(answer, "product")
    )
    healthy = _healthy(drive, answer, lines)
    if model is None and healthy is None and not table:
        return _explain_silence(answer, what=f"smartctl of {device}")
    supports = getattr(drive, "smart_capable", None) is not False or healthy is not None or bool(table)
    celsius = _degrees(_first(getattr(drive, "temperature", None), _dig(answer, "temperature", "current")))
    limits = parse_temperature_limits(answer, lines)
    return DriveReport(
        protocol=protocol,
        model=model,
        serial=_serial(drive, answer),
        firmware=_first(
            _word(getattr(drive, "firmware", None)),
            _word(_dig(answer, "firmware_version")),
            _json_scsi(answer, "revision"),
        ),
        capacity_bytes=_count(getattr(drive, "size", None)) or _count(_dig(answer, "user_capacity", "bytes")),
        supports_health=supports,
        shows_attributes=bool(table) or protocol != "ATA",
        healthy=healthy,
        temperature_celsius=_parse_temperature(celsius, supports=supports, device=device),
        power_on_hours=_first(
            _count(_dig(answer, "power_on_time", "hours")), table.get(POWER_ON_HOURS), _scsi(drive, "Power_On_Hours")
        ),
        reallocated_sectors=_first(
            table.get(REALLOCATED_SECTORS),
            _scsi(drive, "Reallocated_Sector_Ct"),
            _count(_dig(answer, "scsi_grown_defect_list")),
        ),
        pending_sectors=table.get(PENDING_SECTORS),
        uncorrectable_sectors=_first(table.get(UNCORRECTABLE_SECTORS), _scsi_uncorrected(drive, answer)),
        interface_errors=_first(table.get(INTERFACE_ERRORS), _phy_errors(lines)),
        last_self_test=_last_self_test(drive, answer),
        recommended_celsius=limits.recommended_celsius,
        most_celsius=limits.most_celsius,
    )


def _parse_temperature(celsius: float | None, *, supports: bool, device: str) -> float | Unread | None:
    if celsius is None or (not celsius and not supports):
        return None  # a drive that keeps no record shows 0 where it has no thermometer
    if COLDEST_CELSIUS <= celsius <= HOTTEST_CELSIUS:
        return celsius
    return Unread(f"the temperature of {device}", f"smartctl reports {celsius:g} °C, which no drive survives")


def _json_scsi(answer: Mapping[str, Any], key: str) -> Any:  # noqa: ANN401 (str or None)
    return _first(_word(_dig(answer, f"scsi_{key}")), _word(_dig(answer, key)))


def _serial(drive: Any, answer: Mapping[str, Any]) -> str | None:  # noqa: ANN401 (pySMART has no types)
    """Take the serial number: pySMART keeps only its first word, the JSON all of it."""
    found, stated = _word(getattr(drive, "serial", None)), _word(_dig(answer, "serial_number"))
    return stated if stated and (found is None or stated.startswith(found)) else found


def _healthy(drive: Any, answer: Mapping[str, Any], lines: Iterable[str]) -> bool | None:  # noqa: ANN401 (pySMART has no types)
    """Take the verdict. pySMART counts an attribute that is failing now against the drive, whatever it says itself."""
    assessment = getattr(drive, "assessment", None)
    if assessment in ("PASS", "FAIL"):
        return bool(assessment == "PASS")
    passed = _dig(answer, "smart_status", "passed")
    if isinstance(passed, bool):
        return passed
    # WARN: an attribute failed in the past, which covers up whether the drive itself said anything.
    return True if assessment == "WARN" and any(_PASSED.match(line) for line in lines) else None


def _attribute_table(drive: Any, answer: Mapping[str, Any]) -> dict[int, int]:  # noqa: ANN401 (pySMART has no types)
    """Take the raw values of the attributes by number; empty where the drive has no such table."""
    found = {
        attribute.num: attribute.raw_int for attribute in getattr(drive, "attributes", ()) if attribute is not None
    }
    rows = _dig(answer, "ata_smart_attributes", "table")
    for row in () if found or not isinstance(rows, list) else rows:
        # The text of a raw value begins with its count; its number may have more packed into the upper bytes.
        number, raw = _count(_dig(row, "id")), re.match(r"\d+", str(_dig(row, "raw", "string")))
        if number is not None and raw:
            found[number] = int(raw[0])
    return {number: value for number, value in found.items() if value is not None}


def _scsi(drive: Any, name: str) -> int | None:  # noqa: ANN401 (pySMART has no types)
    return _count(getattr(getattr(drive, "diagnostics", None), name, None))


def _scsi_uncorrected(drive: Any, answer: Mapping[str, Any]) -> int | None:  # noqa: ANN401 (pySMART has no types)
    """Add up the errors that a SAS drive could not correct, reading, writing and verifying."""
    log = _dig(answer, "scsi_error_counter_log")
    counts = [
        _first(_scsi(drive, name), _count(_dig(log, key, "total_uncorrected_errors")))
        for name, key in (
            ("Uncorrected_Reads", "read"),
            ("Uncorrected_Writes", "write"),
            ("Uncorrected_Verifies", "verify"),
        )
    ]
    known = [count for count in counts if count is not None]
    return sum(known) if known else None


def _phy_errors(lines: Iterable[str]) -> int | None:
    """Add up a SAS drive's link errors over its ports. Source: smartmontools scsiprint.cpp, SAS port log page."""
    counts = [int(match[1]) for line in lines if (match := _PHY_ERRORS.match(line))]
    return sum(counts) if counts else None


def _last_self_test(drive: Any, answer: Mapping[str, Any]) -> str | None:  # noqa: ANN401 (pySMART has no types)
    for test in getattr(drive, "tests", None) or ():
        return f"{test.type}: {test.status} at {test.hours} h"
    for kind in ("extended", "standard"):
        table = _dig(answer, "ata_smart_self_test_log", kind, "table")
        for row in table if isinstance(table, list) else ():
            name, status = _word(_dig(row, "type", "string")), _word(_dig(row, "status", "string"))
            if name and status:
                return f"{name}: {status} at {_count(_dig(row, 'lifetime_hours'))} h"
    return None
