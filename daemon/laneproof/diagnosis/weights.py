"""The weights of the diagnosis, as data: how common each cause is, and how often each feature is seen with it.

Every number here is a first opinion of people who have built such boxes, to be corrected by what really turned out (see
`update`). What is published is named beside each feature: it says which way a feature points, hardly ever how far.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


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
"""Each cause as a person would say it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One thing that may have been seen.

    Attributes:
        name: What the evidence calls it.
        group: Features of one group partly say the same, so all but the most telling one count half.
        given: How often it is seen if the cause is this one, 0..1 (neither end reached).
        seen: The sentence if it was seen.
        absent: The sentence if it was looked for and was not there.
        source: What the numbers lean on.
        by_watching: It is found by watching alone: there is nothing to try, so no check is proposed for it.
    """

    name: str
    group: str
    given: Mapping[str, float]
    seen: str
    absent: str
    source: str
    by_watching: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """All that the score needs.

    Attributes:
        priors: How common each cause is, before anything is seen.
        features: The features.
    """

    priors: Mapping[str, float]
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


_CAUSES = (
    CauseName.SIGNAL_PATH,
    CauseName.POWER_MANAGEMENT,
    CauseName.HEAT,
    CauseName.DRIVE_FAILING,
    CauseName.DRIVE_FIRMWARE,
    CauseName.SHARED_SUPPLY,
)
_JUDGEMENT = "judgement"


def _row(*chances: float) -> Mapping[str, float]:
    return dict(zip(_CAUSES, chances, strict=True))


DEFAULT = Weights(
    priors=_row(0.30, 0.25, 0.10, 0.15, 0.10, 0.10),
    features=(
        Feature(
            name="aer_above_siblings",
            group="signal",
            given=_row(0.80, 0.25, 0.15, 0.10, 0.15, 0.25),
            seen="its link makes more correctable errors than its siblings",
            absent="its link makes no more correctable errors than its siblings",
            source="judgement; link errors follow the host rather than the drive (USENIX FAST 2026, 350,000 "
            "NVMe SSDs) and point at cables and connectors (USENIX FAST 2007, ATC 2019)",
        ),
        Feature(
            name="link_below_expected",
            group="signal",
            given=_row(0.55, 0.10, 0.05, 0.10, 0.15, 0.15),
            seen="its link trained below what both ends can do and the declaration asks",
            absent="its link trained as it should",
            source=_JUDGEMENT,
        ),
        Feature(
            name="speed_cap_cured",
            group="signal",
            given=_row(0.85, 0.10, 0.15, 0.05, 0.10, 0.10),
            seen="a lower link rate cured it",
            absent="a lower link rate did not cure it",
            source="judgement; margin on a lossy path grows as the rate falls (insertion-loss budgets of link "
            "retimers)",
        ),
        Feature(
            name="drops_after_idle_exit",
            group="power",
            given=_row(0.05, 0.70, 0.03, 0.10, 0.30, 0.05),
            seen="it drops when the drive or its link leaves an idle state",
            absent="its drops have nothing to do with leaving an idle state",
            source=_JUDGEMENT,
        ),
        Feature(
            name="pm_off_cured",
            group="power",
            given=_row(0.20, 0.80, 0.03, 0.05, 0.35, 0.03),
            seen="switching idle states off cured it",
            absent="switching idle states off did not cure it",
            source=_JUDGEMENT,
        ),
        Feature(
            name="drops_under_load",
            group="load",
            given=_row(0.45, 0.05, 0.50, 0.30, 0.20, 0.55),
            seen="it drops under load",
            absent="it does not drop under load",
            source=_JUDGEMENT,
        ),
        Feature(
            name="hot_before_drop",
            group="load",
            given=_row(0.10, 0.03, 0.85, 0.20, 0.08, 0.12),
            seen="the drive was near its own temperature limit before it dropped",
            absent="the drive was well below its own temperature limit before it dropped",
            source="judgement; heat from neighbours raises error rates (USENIX ATC 2019)",
        ),
        Feature(
            name="media_errors_rising",
            group="media",
            given=_row(0.03, 0.03, 0.15, 0.70, 0.10, 0.05),
            seen="the drive reports new media errors",
            absent="the drive reports no new media errors",
            source="judgement; after a first uncorrectable error another follows within a month in 30 % "
            "(USENIX FAST 2016)",
        ),
        Feature(
            name="follows_slot_on_swap",
            group="swap",
            given=_row(0.90, 0.35, 0.40, 0.03, 0.15, 0.80),
            seen="after two drives were swapped the fault stayed with the position",
            absent="after two drives were swapped the fault went with the drive",
            source=_JUDGEMENT,
        ),
        Feature(
            name="several_drives_together",
            group="shared",
            given=_row(0.10, 0.10, 0.05, 0.02, 0.08, 0.80),
            seen="several drives dropped at the same moment",
            absent="no other drive dropped at the same moment",
            source="judgement; failures in one node come together (USENIX FAST 2021, its public tickets)",
        ),
        Feature(
            name="power_lost_at_drive",
            group="shared",
            given=_row(0.10, 0.10, 0.05, 0.10, 0.10, 0.65),
            seen="the drive lost power while the machine ran on",
            absent="the drive kept its power throughout",
            source=_JUDGEMENT,
        ),
        Feature(
            name="began_after_update",
            group="change",
            given=_row(0.10, 0.25, 0.05, 0.07, 0.60, 0.08),
            seen="it began after an update of the kernel or of firmware",
            absent="it began without any update near it",
            source="judgement; older firmware is replaced more often (USENIX FAST 2020)",
        ),
        Feature(
            name="regular_period",
            group="time",
            given=_row(0.03, 0.15, 0.08, 0.05, 0.40, 0.05),
            seen="it comes at regular times",
            absent="it comes at irregular times",
            source=_JUDGEMENT,
        ),
        Feature(
            name="power_cycle_needed",
            group="recovery",
            given=_row(0.25, 0.45, 0.35, 0.55, 0.50, 0.30),
            seen="only taking power away brought the drive back",
            absent="the drive came back without its power being taken away",
            source=_JUDGEMENT,
        ),
        Feature(
            name="errors_between_drops",
            group="signal",
            given=_row(0.70, 0.12, 0.08, 0.05, 0.06, 0.10),
            seen="its link goes on making errors for days on end, apart from any drop",
            absent="its link makes no errors apart from drops",
            source="judgement; idle states and supplies make errors at the moment that they fail, a bad path whenever "
            "packets pass",
            by_watching=True,
        ),
        Feature(
            name="only_replays",
            group="signal",
            given=_row(0.06, 0.35, 0.05, 0.05, 0.15, 0.05),
            seen="its link repeats packets for want of an answer, and receives none that is damaged",
            absent="its link receives damaged packets",
            source="judgement; replay time-outs alone are seen where leaving a low-power link state takes too long "
            "(public threads on link power management), damaged packets where the signal is bad",
            by_watching=True,
        ),
        Feature(
            name="idle_states_on",
            group="power",
            given=_row(0.55, 0.95, 0.55, 0.55, 0.65, 0.55),
            seen="idle states of the drive or its link were switched on",
            absent="idle states of drive and link were switched off",
            source="judgement; what cannot be entered cannot fail to be left, so little is left of that cause where "
            "they are off; that they are on says little",
            by_watching=True,
        ),
        Feature(
            name="warning_minutes_rising",
            group="load",
            given=_row(0.06, 0.05, 0.93, 0.12, 0.06, 0.08),
            seen="the drive counts minutes above its own temperature limit",
            absent="the drive counts no minutes above its own temperature limit",
            source="judgement; the drive's own minutes tell of heat where no reading came just before a drop",
            by_watching=True,
        ),
        Feature(
            name="slow_against_siblings",
            group="pace",
            given=_row(0.15, 0.04, 0.50, 0.40, 0.20, 0.04),
            seen="it is slow against its siblings",
            absent="it keeps pace with its siblings",
            source="judgement; slow drives recur (USENIX ATC 2022, FAST 2023), heat and worn flash slow drives down",
            by_watching=True,
        ),
        Feature(
            name="spare_falling",
            group="media",
            given=_row(0.02, 0.02, 0.08, 0.50, 0.04, 0.02),
            seen="its spare blocks are being used up",
            absent="its spare blocks are as many as before",
            source="judgement; 30 to 80 % of drives grow a bad block, and after a few of them half grow hundreds "
            "(USENIX FAST 2016): nothing but failing flash uses up the spare",
            by_watching=True,
        ),
        Feature(
            name="media_errors_often",
            group="media",
            given=_row(0.01, 0.01, 0.06, 0.50, 0.03, 0.01),
            seen="the drive reported new media errors again and again",
            absent="the drive reported new media errors no more than a few times",
            source="judgement; drives that lose one block may stay at that, those that lose some lose hundreds (USENIX "
            "FAST 2016), and no cable or power setting makes a drive count errors of its medium",
            by_watching=True,
        ),
        Feature(
            name="still_on_the_bus",
            group="answers",
            given=_row(0.12, 0.12, 0.40, 0.60, 0.65, 0.04),
            seen="the controller's registers answered, and said that it failed",
            absent="the controller's registers did not answer",
            source="judgement; a controller that answers and says that it failed has power and a link",
            by_watching=True,
        ),
        Feature(
            name="same_model_affected",
            group="model",
            given=_row(0.06, 0.15, 0.06, 0.05, 0.50, 0.10),
            seen="another drive of its model and firmware has it too, and none of another model",
            absent="no other drive of its model and firmware has it",
            source="judgement; a firmware's fault is every such drive's",
            by_watching=True,
        ),
        Feature(
            name="began_after_drive_firmware",
            group="change",
            given=_row(0.02, 0.03, 0.02, 0.02, 0.55, 0.02),
            seen="it began after an update of the drive's own firmware",
            absent="it began without an update of the drive's firmware",
            source="judgement; such updates are far rarer than a kernel's, so one just before says more",
            by_watching=True,
        ),
        Feature(
            name="period_of_its_own",
            group="time",
            given=_row(0.005, 0.005, 0.005, 0.01, 0.45, 0.005),
            seen="it comes by a clock of its own, which is no hour of the day",
            absent="it comes by no clock of its own",
            source="judgement; a nightly job makes any cause come at its hour, while a period that no schedule has "
            "is a counter or a timer in the drive",
            by_watching=True,
        ),
        Feature(
            name="drops_or_resets",
            group="drops",
            given=_row(0.60, 0.97, 0.50, 0.50, 0.95, 0.97),
            seen="it drops or has to be reset",
            absent="it neither drops nor has to be reset",
            source="judgement; idle states, firmware and supply show by drops, while a bad path or failing flash can "
            "make errors for weeks before the first",
            by_watching=True,
        ),
    ),
)
"""The first opinion."""
