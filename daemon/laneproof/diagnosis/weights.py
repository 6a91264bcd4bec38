"""The weights of the diagnosis, as data: how common each cause is, and how often each feature is seen with it.

Every number here is a first opinion of people who have built such boxes, corrected by the causes that an owner confirms
(see `learning`). What is published is named beside each feature: it says which way a feature points, hardly ever how
far.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any


class CauseName(StrEnum):
    """The causes that are scored, and the honest answer."""

    SIGNAL_PATH = "signal-path"  # socket, carrier, adapter, cable
    POWER_MANAGEMENT = "power-management"  # idle states of drive or link
    HEAT = "heat"
    DRIVE_FAILING = "drive-failing"
    DRIVE_FIRMWARE = "drive-firmware"
    SHARED_SUPPLY = "shared-supply"  # power, or an upstream part, that several share
    UNDETERMINED = "undetermined"


CAUSE_WORDS: Mapping[str, str] = {
    CauseName.SIGNAL_PATH: "the signal path (socket, carrier, adapter or cable)",
    CauseName.POWER_MANAGEMENT: "power management (idle states of the drive or its link)",
    CauseName.HEAT: "heat",
    CauseName.DRIVE_FAILING: "the drive itself, failing",
    CauseName.DRIVE_FIRMWARE: "the drive's firmware",
    CauseName.SHARED_SUPPLY: "something shared (power supply, or an upstream part)",
}
"""Each cause that is scored, as a person would say it."""

FIRMWARE_SETTING = "firmware-setting"
"""The cause that is decided, not scored: a setting of the board is lower since a boot with another BIOS."""


def say_cause(name: str) -> str:
    """Say a cause as a person would."""
    return "a setting of the board's firmware" if name == FIRMWARE_SETTING else CAUSE_WORDS.get(name, name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One thing that may have been seen."""

    name: str
    group: str  # features of one group partly say the same, so all but the most telling one count half
    given: Mapping[str, float]  # how often it is seen if the cause is this one, 0..1 (neither end reached)
    seen: str  # the sentence if it was seen
    absent: str  # the sentence if it was looked for and was not there
    source: str  # what the numbers lean on
    by_watching: bool = False  # it is found by watching alone: there is nothing to try, so no check is proposed for it


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """All that the score needs."""

    priors: Mapping[str, float]  # how common each cause is, before anything is seen
    features: tuple[Feature, ...]

    def __post_init__(self) -> None:
        """Refuse weights that could not be scored.

        Raises:
            ValueError: A chance outside of 0..1, a feature without a chance for each cause, or a name given twice.
        """
        for chance in self.priors.values():
            _require_open_share(chance, "each prior")
        names = set()
        for feature in self.features:
            if feature.name in names:
                raise ValueError(f"the feature {feature.name!r} is given twice")
            names.add(feature.name)
            if feature.given.keys() != self.priors.keys():
                raise ValueError(f"the feature {feature.name!r} needs a chance for each cause and no other")
            for chance in feature.given.values():
                _require_open_share(chance, f"each chance of the feature {feature.name!r}")


def _require_open_share(chance: float, what: str) -> None:
    if not 0.0 < chance < 1.0:
        raise ValueError(f"{what} must lie between 0 and 1, not {chance!r}")


_CAUSES = tuple(CAUSE_WORDS)


def _row(*chances: float) -> Mapping[str, float]:
    return dict(zip(_CAUSES, chances, strict=True))


def _tried(  # noqa: PLR0913 (a row of the table)
    name: str, group: str, given: Mapping[str, float], seen: str, absent: str, source: str = "judgement"
) -> Feature:
    return Feature(name=name, group=group, given=given, seen=seen, absent=absent, source=source)


def _watched(*row: Any) -> Feature:
    return replace(_tried(*row), by_watching=True)


# Name, group, the chances in the order of the causes, the sentence if seen, the sentence if absent, the source.
# fmt: off
DEFAULT = Weights(
    priors=_row(0.30, 0.25, 0.10, 0.15, 0.10, 0.10),
    features=(
        _tried("aer_above_siblings", "signal", _row(0.80, 0.25, 0.15, 0.10, 0.15, 0.25),
            "its link makes more correctable errors than its siblings",
            "its link makes no more correctable errors than its siblings",
            "judgement; link errors follow the host rather than the drive (USENIX FAST 2026, 350,000 NVMe SSDs) and "
            "point at cables and connectors (USENIX FAST 2007, ATC 2019)"),
        _tried("link_below_expected", "signal", _row(0.55, 0.10, 0.05, 0.10, 0.15, 0.15),
            "its link trained below what both ends can do and the declaration asks",
            "its link trained as it should"),
        _tried("speed_cap_cured", "signal", _row(0.85, 0.10, 0.15, 0.05, 0.10, 0.10),
            "a lower link rate cured it",
            "a lower link rate did not cure it",
            "judgement; margin on a lossy path grows as the rate falls (insertion-loss budgets of link retimers)"),
        _tried("drops_after_idle_exit", "power", _row(0.05, 0.70, 0.03, 0.10, 0.30, 0.05),
            "it drops when the drive or its link leaves an idle state",
            "its episodes have nothing to do with leaving an idle state"),
        _tried("pm_off_cured", "power", _row(0.20, 0.80, 0.03, 0.05, 0.35, 0.03),
            "switching idle states off cured it",
            "switching idle states off did not cure it"),
        _tried("drops_under_load", "load", _row(0.45, 0.05, 0.50, 0.30, 0.20, 0.55),
            "it drops under load",
            "it does not drop under load"),
        _tried("hot_before_drop", "load", _row(0.10, 0.03, 0.85, 0.20, 0.08, 0.12),
            "the drive was near its own temperature limit before it dropped",
            "the drive was well below its own temperature limit before it dropped",
            "judgement; heat from neighbours raises error rates (USENIX ATC 2019)"),
        _tried("media_errors_rising", "media", _row(0.03, 0.03, 0.15, 0.70, 0.10, 0.05),
            "the drive reports new media errors",
            "the drive reports no new media errors",
            "judgement; after a first uncorrectable error another follows within a month in 30 % (USENIX FAST 2016)"),
        _tried("follows_slot_on_swap", "swap", _row(0.90, 0.35, 0.40, 0.03, 0.15, 0.80),
            "after two drives were swapped the fault stayed with the position",
            "after two drives were swapped the fault went with the drive"),
        _tried("several_drives_together", "shared", _row(0.10, 0.10, 0.05, 0.02, 0.08, 0.80),
            "several drives dropped at the same moment",
            "no other drive dropped at the same moment",
            "judgement; failures in one node come together (USENIX FAST 2021, its public tickets)"),
        _tried("power_lost_at_drive", "shared", _row(0.10, 0.10, 0.05, 0.10, 0.10, 0.65),
            "the drive lost power while the machine ran on",
            "the drive kept its power throughout"),
        _tried("began_after_update", "change", _row(0.10, 0.25, 0.05, 0.07, 0.60, 0.08),
            "it began after an update of the kernel or of firmware",
            "it began without any update near it",
            "judgement; older firmware is replaced more often (USENIX FAST 2020)"),
        _tried("regular_period", "time", _row(0.03, 0.15, 0.08, 0.05, 0.40, 0.05),
            "it comes at regular times",
            "it comes at irregular times"),
        _tried("power_cycle_needed", "recovery", _row(0.25, 0.45, 0.35, 0.55, 0.50, 0.30),
            "only taking power away brought the drive back",
            "the drive came back without its power being taken away"),
        _watched("errors_between_drops", "signal", _row(0.70, 0.12, 0.08, 0.05, 0.06, 0.10),
            "its link goes on making errors for days on end, apart from any episode",
            "its link makes no errors apart from episodes",
            "judgement; idle states and supplies make errors at the moment that they fail, a bad path whenever "
            "packets pass"),
        _watched("only_replays", "signal", _row(0.06, 0.35, 0.05, 0.05, 0.15, 0.05),
            "its link repeats packets for want of an answer, and receives none that is damaged",
            "its link receives damaged packets",
            "judgement; replay time-outs alone are seen where leaving a low-power link state takes too long (public "
            "threads on link power management), damaged packets where the signal is bad"),
        _watched("idle_states_on", "power", _row(0.55, 0.95, 0.55, 0.55, 0.65, 0.55),
            "idle states of the drive or its link were switched on",
            "idle states of drive and link were switched off",
            "judgement; what cannot be entered cannot fail to be left, so little is left of that cause where they "
            "are off; that they are on says little"),
        _watched("warning_minutes_rising", "load", _row(0.06, 0.05, 0.93, 0.12, 0.06, 0.08),
            "the drive counts minutes above its own temperature limit",
            "the drive counts no minutes above its own temperature limit",
            "judgement; the drive's own minutes show heat where no reading came just before an episode"),
        _watched("slow_against_siblings", "pace", _row(0.15, 0.04, 0.50, 0.40, 0.20, 0.04),
            "it is slow against its siblings",
            "it keeps pace with its siblings",
            "judgement; slow drives recur (USENIX ATC 2022, FAST 2023), heat and worn flash slow drives down"),
        _watched("spare_falling", "media", _row(0.02, 0.02, 0.08, 0.50, 0.04, 0.02),
            "its spare blocks are being used up",
            "its spare blocks are as many as before",
            "judgement; 30 to 80 % of drives grow a bad block, and after a few of them half grow hundreds (USENIX "
            "FAST 2016): nothing but failing flash uses up the spare"),
        _watched("media_errors_often", "media", _row(0.01, 0.01, 0.06, 0.50, 0.03, 0.01),
            "the drive reported new media errors again and again",
            "the drive reported new media errors no more than a few times",
            "judgement; drives that lose one block may stay at that, those that lose some lose hundreds (USENIX FAST"
            " 2016), and no cable or power setting makes a drive count errors of its medium"),
        _watched("still_on_the_bus", "answers", _row(0.12, 0.12, 0.40, 0.60, 0.65, 0.04),
            "the controller's registers answered, and said that it failed",
            "the controller's registers did not answer",
            "judgement; a controller that answers and says that it failed has power and a link"),
        _watched("same_model_affected", "model", _row(0.06, 0.15, 0.06, 0.05, 0.50, 0.10),
            "another drive of its model and firmware has it too, and none of another model",
            "no other drive of its model and firmware has it",
            "judgement; a firmware's fault is every such drive's"),
        _watched("began_after_drive_firmware", "change", _row(0.02, 0.03, 0.02, 0.02, 0.55, 0.02),
            "it began after an update of the drive's own firmware",
            "it began without an update of the drive's firmware",
            "judgement; such updates are far rarer than a kernel's, so one just before says more"),
        _watched("period_of_its_own", "time", _row(0.005, 0.005, 0.005, 0.01, 0.45, 0.005),
            "it comes by a clock of its own, which is no hour of the day",
            "it comes by no clock of its own",
            "judgement; a nightly job makes any cause come at its hour, while a period that no schedule has is a "
            "counter or a timer in the drive"),
        _watched("drops_or_resets", "drops", _row(0.60, 0.97, 0.50, 0.50, 0.95, 0.97),
            "it drops or has to be reset",
            "it neither drops nor has to be reset",
            "judgement; idle states, firmware and supply show by episodes, while a bad path or failing flash can make "
            "errors for weeks before the first"),
        # Of an acceptance run, in which one thing was changed at a time: they weigh more than what was only watched.
        _watched("errors_follow_bits", "experiment", _row(0.85, 0.05, 0.10, 0.06, 0.08, 0.12),
            "in an acceptance run its errors came in proportion to the bits carried, whatever else was loaded",
            "in an acceptance run its errors did not follow the bits carried"),
        _watched("errors_on_wake_only", "experiment", _row(0.03, 0.85, 0.02, 0.05, 0.25, 0.03),
            "in an acceptance run its trouble came on waking from rest and not under load",
            "in an acceptance run its trouble did not come on waking from rest",
            "judgement; the same bits were carried with and without rest before them"),
        _watched("errors_when_hot_only", "experiment", _row(0.03, 0.01, 0.93, 0.08, 0.03, 0.03),
            "in an acceptance run its trouble came once it was hot and not before, under the same load",
            "in an acceptance run its trouble came at any temperature",
            "judgement; heat slows drives down and raises error rates (USENIX ATC 2019)"),
        _watched("errors_all_loaded_only", "experiment", _row(0.08, 0.02, 0.12, 0.04, 0.04, 0.85),
            "in an acceptance run its trouble came with all drives loaded and not with this one alone",
            "in an acceptance run its trouble came with this drive loaded alone too",
            "judgement; what only a common load brings is what all of them share"),
        _watched("slow_alone", "experiment", _row(0.05, 0.02, 0.05, 0.80, 0.15, 0.03),
            "in an acceptance run it was slow from the first second, loaded alone and cool",
            "in an acceptance run it gave alone what its siblings give",
            "judgement; the links' own rates are compared before"),
        _watched("fails_on_small_reads", "experiment", _row(0.03, 0.05, 0.03, 0.15, 0.65, 0.03),
            "in an acceptance run it failed under many small reads and never in sequence",
            "in an acceptance run it did not fail under small reads",
            "judgement; signal, heat and supply are loaded most in sequence, a drive's program by the number of reads"),
    ),
)
# fmt: on
"""The first opinion."""

EXPERIMENT = tuple(feature.name for feature in DEFAULT.features if feature.group == "experiment")
"""Features that only an acceptance run shows."""
