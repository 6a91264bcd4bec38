"""What to look at or try next, for each feature that is not known yet, and what to do about each cause.

Every step but a firmware update and a replacement can be taken back. Nothing here is carried out by the program.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from laneproof.advice import (
    BACK_UP,
    COPY_NOW,
    DEGRADED_ARRAY,
    HEAT_SINK,
    IDLE_STATES_OFF,
    LIVE_DRIVE,
    LOOK_AT_SHARED,
    LOWER_RATE,
    MORE_AIR,
    MOVE_SUPPLY,
    OTHER_FIRMWARE,
    REPLACE,
    RESEAT,
    SHORTER_PART,
    SWAP_DRIVES,
    UPDATE_FIRMWARE,
    Step,
)
from laneproof.diagnosis.weights import CauseName


@dataclass(frozen=True, slots=True)
class Check:
    """How to learn whether a feature is there."""

    question: str  # what it would answer
    step: Step  # what to do


CHECKS: Mapping[str, Check] = {
    "aer_above_siblings": Check(
        "does this link make more correctable errors than its siblings?",
        Step(
            "Only with a backup that was read back and with every array whole: 'laneproof prove' loads all drives, "
            "reading only, and compares the errors of their links; first see that error reporting is switched on."
        ),
    ),
    "link_below_expected": Check(
        "did this link train as it should?",
        Step("Read the link's rate and width three times while data flow, and once more after the next cold start."),
    ),
    "speed_cap_cured": Check("does a lower link rate cure it?", LOWER_RATE),
    "drops_after_idle_exit": Check(
        "does it drop when the drive leaves an idle state?",
        Step(
            "Only with a backup that was read back and with every array whole: 'laneproof prove --stages wake' leaves "
            "each drive alone until it rests, then reads a little, and does so many times.",
            (DEGRADED_ARRAY,),
        ),
    ),
    "pm_off_cured": Check("does it stop when idle states are off?", IDLE_STATES_OFF),
    "drops_under_load": Check(
        "does it drop under load?",
        Step(
            "Only with a backup that was read back and with every array whole: 'laneproof prove --stages "
            "together,heat' reads from all drives at once until none gets warmer, and notes what drops.",
            (DEGRADED_ARRAY,),
        ),
    ),
    "hot_before_drop": Check(
        "was the drive hot before it dropped?",
        Step("Compare its temperature in the minutes before each episode with its own warning threshold."),
    ),
    "media_errors_rising": Check(
        "does the drive report new media errors?",
        Step(
            "Copy what matters elsewhere, then read the whole drive once and compare its media error count before and "
            "after.",
            (DEGRADED_ARRAY,),
        ),
    ),
    "follows_slot_on_swap": Check("does the fault stay with the position or go with the drive?", SWAP_DRIVES),
    "several_drives_together": Check(
        "do other drives drop at the same moment?",
        Step("Keep the box running with every drive declared, so that episodes within the same seconds are noticed."),
    ),
    "power_lost_at_drive": Check(
        "does the drive lose power while the machine runs on?",
        Step("Compare the drive's counts of power cycles and unsafe shutdowns before and after the next episode."),
    ),
    "began_after_update": Check(
        "did it begin after an update?",
        Step(
            "Compare the day of the first episode with the days on which the kernel, the board's firmware or the "
            "drive's firmware changed ('laneproof changes' lists them)."
        ),
    ),
    "regular_period": Check(
        "does it come at regular times?",
        Step(
            "Wait for five episodes and compare the gaps between them; look for timers, backups and scrubs at those "
            "hours."
        ),
    ),
    "power_cycle_needed": Check(
        "does only taking power away bring the drive back?",
        Step(
            "After the next episode look whether the drive comes back by itself or with a plain restart, before the "
            "power is taken away.",
            (LIVE_DRIVE, DEGRADED_ARRAY),
        ),
    ),
}
"""By feature."""

REMEDIES: Mapping[str, tuple[Step, ...]] = {
    CauseName.SIGNAL_PATH: (LOWER_RATE, RESEAT, SHORTER_PART, SWAP_DRIVES),
    CauseName.POWER_MANAGEMENT: (IDLE_STATES_OFF,),
    CauseName.HEAT: (MORE_AIR, HEAT_SINK),
    CauseName.DRIVE_FAILING: (COPY_NOW, REPLACE),
    CauseName.DRIVE_FIRMWARE: (BACK_UP, OTHER_FIRMWARE, UPDATE_FIRMWARE),
    CauseName.SHARED_SUPPLY: (LOOK_AT_SHARED, MOVE_SUPPLY),
}
"""By cause, what to do once it is named."""
