"""What to look at or try next, for each feature that is not known yet, and what to do about each cause.

Every step is one that a careful owner can take back. Nothing here is carried out by the program.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from laneproof.diagnosis.weights import CauseName

OPEN_CASE = (
    "Shut the machine down, take it off mains and wait a minute before opening it; touch bare metal of the case first "
    "and let hot parts cool. Follow the maker's manual and local codes, and leave anything on mains voltage to a "
    "qualified person."
)
NO_LIVE_PULL = "Never pull an M.2 drive or an adapter while the machine runs."
DEGRADED = (
    "Not while an array is degraded or rebuilding: a second drive out would lose it. See that a backup of what matters "
    "exists and can be read."
)
REVERSIBLE = "Note the setting as it was, so that it can be put back."


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """How to learn whether a feature is there.

    Attributes:
        question: What it would answer.
        step: What to do; ``{clean_time}`` stands for how long it must then stay clean.
        cautions: What to mind, the most important first.
    """

    question: str
    step: str
    cautions: tuple[str, ...] = ()

    def steps(self, clean_time: str | None = None) -> tuple[str, ...]:
        """Give the step and its cautions as sentences.

        Args:
            clean_time: How long it must stay clean to count as cured, in words; None where it is not known yet.

        Returns:
            The step first.
        """
        return self.step.format(clean_time=clean_time or "the clean time that a trial asks for"), *self.cautions


CHECKS: Mapping[str, Check] = {
    "aer_above_siblings": Check(
        question="does this link make more correctable errors than its siblings?",
        step="Let all links carry the same load for a day (reading every drive from end to end will do) and "
        "compare the correctable errors at both ends of each link; first see that error reporting is "
        "switched on.",
    ),
    "link_below_expected": Check(
        question="did this link train as it should?",
        step="Read the link's rate and width three times while data flow, and once more after the next cold start.",
    ),
    "speed_cap_cured": Check(
        question="does a lower link rate cure it?",
        step="Cap this link one generation lower in the board's setup, declare the cap, and let the box run "
        "for {clean_time}.",
        cautions=(REVERSIBLE, "The cap costs throughput while it stands."),
    ),
    "drops_after_idle_exit": Check(
        question="does it drop when the drive leaves an idle state?",
        step="Leave the drive idle for ten minutes, then read a little from it; do so a dozen times and note "
        "whether drops follow within a minute.",
        cautions=(DEGRADED,),
    ),
    "pm_off_cured": Check(
        question="does it stop when idle states are off?",
        step="Switch idle states off (kernel words nvme_core.default_ps_max_latency_us=0 and pcie_aspm=off), "
        "restart, and let the box run for {clean_time}.",
        cautions=(REVERSIBLE, "Drives run warmer without idle states: watch their temperatures on the first day."),
    ),
    "drops_under_load": Check(
        question="does it drop under load?",
        step="Read from all drives at once for an hour and note whether drops come then.",
        cautions=(DEGRADED, "Watch temperatures while doing so."),
    ),
    "hot_before_drop": Check(
        question="was the drive hot before it dropped?",
        step="Compare its temperature in the minutes before each drop with its own warning threshold; for a "
        "trial set a fan so that air moves over it, and let the box run for {clean_time}.",
        cautions=(OPEN_CASE,),
    ),
    "media_errors_rising": Check(
        question="does the drive report new media errors?",
        step="Copy what matters elsewhere, then read the whole drive once and compare its media error count "
        "before and after.",
        cautions=(DEGRADED,),
    ),
    "follows_slot_on_swap": Check(
        question="does the fault stay with the position or go with the drive?",
        step="With the power off, swap this drive with one of the same kind in another position, note the "
        "swap, and wait for the next episode, or for {clean_time}.",
        cautions=(OPEN_CASE, NO_LIVE_PULL, DEGRADED),
    ),
    "several_drives_together": Check(
        question="do other drives drop at the same moment?",
        step="Keep the box running with every drive declared, so that drops within the same seconds are "
        "noticed; look at what the drives share: supply cable, adapter, upstream port.",
        cautions=(OPEN_CASE,),
    ),
    "power_lost_at_drive": Check(
        question="does the drive lose power while the machine runs on?",
        step="Compare the drive's counts of power cycles and unsafe shutdowns before and after the next episode.",
    ),
    "began_after_update": Check(
        question="did it begin after an update?",
        step="Compare the day of the first episode with the days on which the kernel, the board's firmware or "
        "the drive's firmware changed.",
    ),
    "regular_period": Check(
        question="does it come at regular times?",
        step="Wait for five episodes and compare the gaps between them; look for timers, backups and scrubs at"
        " those hours.",
    ),
    "power_cycle_needed": Check(
        question="does only taking power away bring the drive back?",
        step="After the next episode look whether the drive comes back by itself or with a plain restart, "
        "before the power is taken away.",
        cautions=(NO_LIVE_PULL, DEGRADED),
    ),
}
"""By feature."""

REMEDIES: Mapping[str, tuple[str, ...]] = {
    CauseName.SIGNAL_PATH: (
        "With the power off, reseat the drive and each adapter and cable between it and the board.",
        "If that is no cure, put a shorter or shielded part in place of the most doubtful one, or cap the link's rate.",
        OPEN_CASE,
        DEGRADED,
    ),
    CauseName.POWER_MANAGEMENT: CHECKS["pm_off_cured"].steps(),
    CauseName.HEAT: (
        "Bring more air over the drive, or give it a heat sink that its maker allows; look for dust and a stopped fan.",
        OPEN_CASE,
    ),
    CauseName.DRIVE_FAILING: (
        "Copy what matters now, then plan to replace the drive.",
        DEGRADED,
        OPEN_CASE,
        NO_LIVE_PULL,
    ),
    CauseName.DRIVE_FIRMWARE: (
        "See whether the drive's maker offers another firmware and what it mends.",
        "Update only with a backup, one drive at a time, by the maker's instructions.",
        DEGRADED,
    ),
    CauseName.SHARED_SUPPLY: (
        "Look at what the drives that dropped share: power cable, connector, supply, adapter, upstream port.",
        "With the power off, move one of them to another supply cable.",
        OPEN_CASE,
        DEGRADED,
    ),
}
"""By cause, what to do once it is named."""
