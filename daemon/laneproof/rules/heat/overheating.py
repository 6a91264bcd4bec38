"""overheating: drives, board and processor, each by its own limits."""

from collections.abc import Iterator

from laneproof.findings import Finding, Kind
from laneproof.rules.heat.drive_heat import DRIVE_STEPS, HEAT_NAME, judge_drive
from laneproof.rules.heat.own_limits import judge_box_heat
from laneproof.rules.rule import Pass, Rule, holds, sign
from laneproof.rules.sign_subjects import watched_drives


def _judge(current: Pass) -> Iterator[Finding]:
    for watched in watched_drives(current):
        if watched.drive is not None:
            finding = judge_drive(current.past, watched, watched.drive)
            if finding is not None:
                yield finding
    yield from judge_box_heat(OVERHEATING, current)


OVERHEATING = Rule(
    name=HEAT_NAME,
    kind=Kind.SIGN,
    statement="Each drive keeps well below its own warning temperature, and board and processor below their limits.",
    why=(
        "There is no temperature that is too hot for all drives: sensors sit in different places, and each drive "
        "states its own limits. Counted are its own minutes above them, and how far it keeps below in 95 of 100 hours. "
        "Where its log cannot be read, the kernel's thermometer of it is read instead: an hour counts by the share of "
        "its readings that were above, and two readings at the critical threshold count as a minute there. Of a drive "
        "that never counted a minute, the hours count whose mean is above its threshold. Where the drive passed a "
        "limit of its own, heat is the cause of this sign; what makes the drive drop off the bus is judged apart. "
        "Some minutes a year on a box without fans are a notice; an hour in a week, on two days, is worth an alarm, "
        "and so is any minute above the critical threshold. The sign clears after a week without."
    ),
    next_steps=DRIVE_STEPS,
    judge=_judge,
    examples=(
        holds("38 °C, its threshold is 80 °C"),
        sign(
            "20 more minutes above its threshold each day",
            "riser-1 (nvme0) was above its warning threshold for 140 minutes in the last week (614 minutes a "
            "year over its whole life)",
        ),
        sign("always 78 °C", "riser-1 (nvme0) keeps 2 °C below its warning threshold of 80 °C (95 of 100 hours)"),
        holds("the board is well below its limit"),
        sign("the board is at its own limit", "board VRM is at or beyond its limit: 96 °C, its own limit is 95 °C"),
    ),
    sources=(
        "Linux Documentation/hwmon/sysfs-interface.rst: temp*_max, temp*_crit; x86 thermal_throttle counters",
        "ACS-3, SCT Temperature History; SCSI Temperature log page: a drive's own limits (from memory)",
        "Linux drivers/nvme/host/hwmon.c: temp1_input, temp1_max, temp1_crit, temp1_alarm",
        "NVM Express Base Specification 2.0: WCTEMP, CCTEMP, Warning and Critical Composite Temperature Time",
        "What is many: our choice",
    ),
)
