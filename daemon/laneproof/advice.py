"""What to do next: the cautions, the steps that several parts of the program advise, and how they are written.

Every caution is said in the same words everywhere, and a step that rules, diagnosis and the guide to a replacement
share stands here once. The steps of one rule alone stand beside that rule. Cautions do not replace the maker's manual,
local codes or a qualified person, and say so. Nothing that is advised is carried out by the program.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

OPEN_CASE = (
    "Before opening the case: shut the box down, take it off the mains and wait; touch bare metal to lose static; let "
    "drives and heat sinks cool. Follow the maker's manual and local codes; mains parts belong to a qualified person."
)
LIVE_DRIVE = "Do not pull or plug an M.2 drive while the box is on: it can lose data and harm parts."
DEGRADED_ARRAY = "While an array is degraded, pull no other drive of it: a second loss can take all its data."
FIRMWARE_SETUP = (
    "Settings of the board's firmware have the board maker's own names; note the old value before changing one."
)
NOTE_SETTING = "Note the setting as it was, so that it can be put back."
WARMER = "Drives run warmer without idle states: watch their temperatures on the first day."

CAUTIONS = (OPEN_CASE, LIVE_DRIVE, DEGRADED_ARRAY, FIRMWARE_SETUP, NOTE_SETTING, WARMER)
"""In the order in which several are said with one step."""

MOST_STEPS = 5
"""What an owner is shown at once."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step."""

    says: str  # what to do. ``{clean_time}`` stands for how long it must then stay clean to count as cured
    cautions: tuple[str, ...] = ()  # what to mind while doing so

    def after(self, clean_time: str | None) -> "Step":
        """Give the step with the clean time put in; None where it is not known yet."""
        return replace(self, says=self.says.replace("{clean_time}", clean_time or "two weeks at the least"))

    @property
    def is_hands_on(self) -> bool:
        """Whether the box is opened for it, so that all that can be done without comes first."""
        return OPEN_CASE in self.cautions


BACK_UP = Step("Make sure that a good backup of this drive's data exists, and that it can be read.")
COPY_NOW = Step("Copy what matters from this drive now, and see that the copy can be read.")
REPLACE = Step(
    "Plan to replace the drive: 'laneproof replace POSITION' leads through it step by step.",
    (DEGRADED_ARRAY, OPEN_CASE),
)
RESEAT = Step(
    "With the power off, reseat the drive and every adapter and cable between it and the board; look for dirt, strain "
    "and bent contacts.",
    (DEGRADED_ARRAY, OPEN_CASE),
)
SHORTER_PART = Step(
    "If that is no cure, put a shorter or shielded cable, or another adapter, in the place of the most doubtful part.",
    (DEGRADED_ARRAY, OPEN_CASE),
)
LOWER_RATE = Step(
    "Set this link one generation lower in the board's setup, declare that rate, and let the box run for "
    "{clean_time}: if the trouble stops, the way to the drive is what cannot carry the rate. It costs throughput while "
    "it stands.",
    (FIRMWARE_SETUP,),
)
SWAP_DRIVES = Step(
    "With the power off, swap the drive with one of the same kind in a position that runs as declared, and note the "
    "swap: what stays with the position is the fault of socket, adapter or cable, what goes with the drive is its own.",
    (DEGRADED_ARRAY, OPEN_CASE),
)
IDLE_STATES_OFF = Step(
    "Switch idle states off (nvme_core.default_ps_max_latency_us=0 and pcie_aspm.policy=performance on the kernel's "
    "command line), restart, and let the box run for {clean_time}.",
    (NOTE_SETTING, WARMER),
)
MORE_AIR = Step(
    "See that fans turn, filters are clean and air passes over the drive; look at what warms it from beside."
)
HEAT_SINK = Step(
    "Give the drive a heat sink that its maker allows, or more room between the cards.",
    (OPEN_CASE,),
)
OTHER_FIRMWARE = Step("See whether the drive's maker offers another firmware, and what it mends.")
UPDATE_FIRMWARE = Step(
    "Update its firmware only with a backup, one drive at a time, by the maker's instructions.",
    (DEGRADED_ARRAY,),
)
LOOK_AT_SHARED = Step(
    "Look at what the drives that dropped share: supply cable, connector, supply, adapter, upstream port.",
)
RESEAT_CABLE = Step("Shut the box down and reseat both ends of the cable; then try another cable.", (OPEN_CASE,))
MOVE_SUPPLY = Step("With the power off, move one of them to another supply cable.", (DEGRADED_ARRAY, OPEN_CASE))


def advise(*steps: Step | str) -> tuple[str, ...]:
    """Write steps as an owner reads them: five at most, no step and no caution twice.

    Args:
        steps: In the order in which they are to be done. A caution that stands alone belongs to the step after it, or
            to the last one.

    Returns:
        Each step with the cautions that it needs and no step before it has said.
    """
    written: list[str] = []
    actions: set[str] = set()
    said: set[str] = set()
    waiting: tuple[str, ...] = ()
    for step in steps:
        part = step.after(None) if isinstance(step, Step) else split_step(step)
        waiting += part.cautions
        if not part.says or part.says in actions:
            continue
        if len(written) == MOST_STEPS:
            return tuple(written)
        written.append(_join(part.says, waiting, said))
        actions.add(part.says)
        waiting = ()
    if waiting and written:
        written[-1] = _join(written[-1], waiting, said)
    return tuple(written)


def _join(says: str, cautions: Iterable[str], said: set[str]) -> str:
    needed = {caution for caution in cautions if caution not in said}
    if OPEN_CASE in needed | said:
        needed.discard(LIVE_DRIVE)  # the box is off then
    said |= needed
    return " ".join((says, *(caution for caution in CAUTIONS if caution in needed)))


def split_step(text: str) -> Step:
    """Take a step as it stands in a finding apart, so that a screen can say each caution once."""
    cautions = tuple(caution for caution in CAUTIONS if caution in text)
    for caution in cautions:
        text = text.replace(caution, "")
    return Step(" ".join(text.split()), cautions)
