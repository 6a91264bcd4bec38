"""What the link rules say on their pages: why each matters, what to look at next, and examples."""

from dataclasses import replace

from laneproof.findings import Kind
from laneproof.rules.cautions import DEGRADED_ARRAY, FIRMWARE_SETUP, LIVE_DRIVE, OPEN_CASE
from laneproof.rules.example_box import Box
from laneproof.rules.rule import Example
from laneproof_collectors.snapshot import PciFunction, Snapshot
from laneproof_collectors.unread import Unread

SOURCES = (
    "PCI Express Base Specification, Link Capabilities, Link Control 2 and Link Status (pci_regs.h, PCI_EXP_LNK*)",
    "Linux Documentation/ABI/testing/sysfs-bus-pci and drivers/pci/probe.c (current_ and max_link_speed, _width)",
    "drivers/pci/quirks.c, pcie_failed_link_retrain, since 6.5: the kernel holds a port at 2.5 GT/s",
)

SLOW_WHY = (
    "A link negotiates its rate at each start and falls back when the signal is not good enough. Nothing tells of it: "
    "the drive works, at half its rate or less, and an array is as slow as its slowest member. A rate that fell since "
    "the last start is often the first sign of a cable, adapter or socket going bad. The finding says what keeps the "
    "rate down as far as the machine shows it: the device's own limit, the port's, a target rate set by firmware or "
    "kernel, or training itself. A link at rest is not at fault: where the device sleeps, or the hardware lowered the "
    "rate by itself with power management on, the finding is unverified. Under load such a link rises again, and a "
    "fault stays."
)
NARROW_WHY = (
    "A link that lost lanes carries half or a quarter of what it should, silently. Lanes get lost in a dirty or "
    "half-seated contact, a bent pin, a bad solder joint or a damaged cable; or they were never there, because the "
    "adapter or socket is wired for fewer."
)
ABOVE_WHY = (
    "A limit was chosen for a reason: a long flexible cable or a key adapter that makes errors at a higher rate. When "
    "a firmware update or reset takes the limit away, the link trains higher and the errors come back."
)
BEYOND_WHY = (
    "The declaration asks for more than one of the two ends can do, so the link can never meet it. Either a part is "
    "not the one that was meant, a firmware setting holds the port down, or the declaration is wrong."
)

REST_STEP = (
    "Judge it again under load: read from the drive for a minute and audit once more. A resting link rises to its rate "
    "as soon as it has work; a link at fault stays low. A sleeping device was not woken for this."
)
UNREAD_STEP = (
    "Run the audit as the service does, or as root; where the kernel itself answers 'Unknown' (virtual machines, some "
    "switch cards), nothing can verify this link."
)

STEP_BY_REASON = {
    "device-limit": "Look at the device's data sheet: it may be a make with fewer lanes or an older generation.",
    "port-limit": (
        "Look in the board's manual what this socket is wired for, and in the firmware setup how its lanes are split "
        "and which of them other sockets share."
    ),
    "target-speed": (
        "Look in the firmware setup for the socket's link speed, and set it to automatic or to the rate you mean. "
        "'laneproof explain link-slow' tells of the kernel's own limit at 2.5 GT/s; a cold start tries again."
    ),
    "wiring": "Look up for how many lanes the adapter or cable is made: a socket of key E gives one, of key B two.",
}

_CARE = (DEGRADED_ARRAY, LIVE_DRIVE, OPEN_CASE)
_SWAP = (
    "Swap the drive with one of a position that runs as declared: if the fault stays with the position, the socket, "
    "adapter or cable is suspect; if it goes with the drive, the drive is."
)
SLOW_STEPS = (
    "Shut down, wait a minute and start cold, then audit again: a rate that comes and goes means a link at its limit.",
    *_CARE,
    "Reseat drive, adapter and cable, and look for dirt and strain.",
    _SWAP,
    "If a long cable cannot carry the rate, set a lower one in the firmware and declare it: steady beats fast.",
    FIRMWARE_SETUP,
)
NARROW_STEPS = (
    "Shut down, wait a minute and start cold, then audit again: lanes that come and go mean a contact at its limit.",
    *_CARE,
    "Reseat drive, adapter and cable, and look at the contacts for dirt and bent pins.",
    _SWAP,
    FIRMWARE_SETUP,
)
ABOVE_STEPS = (
    "Look in the firmware setup whether the limit is still set; updates and resets take it away. " + FIRMWARE_SETUP,
    "If the higher rate is meant now, correct the declaration, then watch signal-errors of this position for a week.",
)
BEYOND_STEPS = (
    "Compare both ends, told in the evidence, with the declaration: which part is not the one that was meant?",
    "If the port is the lesser end, look in the firmware setup for its link speed and the slot's split. "
    + FIRMWARE_SETUP,
    "If both parts are as meant, correct the declaration: 'laneproof draft' prints what the machine can do.",
)


# --- examples ---------------------------------------------------------------------------------------------------------

_PATH = "0000:00/01.1"


def _declare(generation: int, lanes: int, through: str = "", because: str = "") -> str:
    reason = f', because = "{because}"' if because else ""
    parts = f', through = ["{through}"]' if through else ""
    return f"""
schema = 1
box.name = "kelp-1"
position = [
  {{ label = "riser-1", path = "{_PATH}"{parts}, link = {{ generation = {generation}, lanes = {lanes}{reason} }} }},
]
"""


def _box(*, port: tuple[int, int] = (4, 4), drive: tuple[int, int] = (4, 4), **knobs: object) -> Box:
    box = Box().with_port(_PATH, gen=port[0], lanes=port[1], **knobs)
    return box.with_drive(_PATH, gen=drive[0], lanes=drive[1])


def _unknown_width() -> Snapshot:
    def forget(one: PciFunction) -> PciFunction:
        return replace(
            one, link=replace(one.link, trained_lanes=Unread(f"current_link_width of {one.address}", "denied"))
        )

    return _box().without_registers().edit(_PATH, forget).edit(f"{_PATH}/00.0", forget).snapshot()


SLOW_EXAMPLES = (
    Example(
        says="declared generation 4, and trained so",
        build=_declare(4, 4),
        snapshot=lambda: _box().snapshot(),
        expect=(),
    ),
    Example(
        says="both ends can do generation 4, but training ended at generation 3",
        build=_declare(4, 4),
        snapshot=lambda: _box(trained=(3, 4)).snapshot(),
        expect=(Kind.DIFFERS,),
    ),
    Example(
        says="a target rate of generation 1 holds the port down",
        build=_declare(4, 4),
        snapshot=lambda: _box(target=1).snapshot(),
        expect=(Kind.DIFFERS,),
    ),
    Example(
        says="the owner chose generation 3 for a long cable: the limit is the plan",
        build=_declare(3, 4, "flexible-cable"),
        snapshot=lambda: _box(target=3).snapshot(),
        expect=(),
    ),
    Example(
        says="the device sleeps, so its link may rest at a lower rate",
        build=_declare(4, 4),
        snapshot=lambda: Box().with_port(_PATH, trained=(1, 4)).with_drive(_PATH, asleep=True).snapshot(),
        expect=(Kind.UNVERIFIED,),
    ),
    Example(
        says="nothing is declared, and the link trained below what both ends can do: a note",
        build=None,
        snapshot=lambda: _box(trained=(3, 4)).snapshot(),
        expect=(Kind.DIFFERS,),
    ),
)
NARROW_EXAMPLES = (
    Example(
        says="declared four lanes, and trained with four",
        build=_declare(4, 4),
        snapshot=lambda: _box().snapshot(),
        expect=(),
    ),
    Example(
        says="both ends have four lanes, but only two trained",
        build=_declare(4, 4),
        snapshot=lambda: _box(trained=(4, 2)).snapshot(),
        expect=(Kind.DIFFERS,),
    ),
    Example(
        says="the width could be read at neither end",
        build=_declare(4, 4),
        snapshot=_unknown_width,
        expect=(Kind.UNVERIFIED,),
    ),
)
ABOVE_EXAMPLES = (
    Example(
        says="limited to generation 3, and running at generation 3",
        build=_declare(3, 4, "flexible-cable", "the ribbon makes errors at 16 GT/s"),
        snapshot=lambda: _box(target=3).snapshot(),
        expect=(),
    ),
    Example(
        says="limited to generation 3, and running at generation 4: the limit is gone",
        build=_declare(3, 4, "flexible-cable", "the ribbon makes errors at 16 GT/s"),
        snapshot=lambda: _box().snapshot(),
        expect=(Kind.DIFFERS,),
    ),
)
BEYOND_EXAMPLES = (
    Example(
        says="both ends can do what is declared",
        build=_declare(4, 4),
        snapshot=lambda: _box().snapshot(),
        expect=(),
    ),
    Example(
        says="a drive of generation 3 with two lanes in a position declared generation 4 with four",
        build=_declare(4, 4),
        snapshot=lambda: _box(drive=(3, 2)).snapshot(),
        expect=(Kind.DIFFERS,),
    ),
)
