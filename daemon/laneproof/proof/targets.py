"""What a run loads and watches: the drives, the links that their data crosses, and the idle state each goes to."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from laneproof.box.link_ends import Link
from laneproof.box.link_rates import ceilings_all_busy, rate_of
from laneproof.box.occupants import Occupant
from laneproof.box.placement import Arrangement
from laneproof.declaration.build import Build
from laneproof.past.error_reporting import Reporting, find_reporting
from laneproof.proof.run_record import ENDS, DriveRun, LinkRun, WakeRun
from laneproof_collectors.snapshot import AutonomousTransitions, NvmeController, NvmeIdentity, SataDrive
from laneproof_collectors.unread import Unread

LONGEST_CHAIN = 32
"""No drive has more power states (NVM Express Base Specification 2.0, Identify Controller, NPSS)."""
_MARGIN = 1.2
_LEAST_IDLE_SECONDS = 0.1
_DRIVES = ("nvme", "sata", "usb")
_STANDBY = "its standby is not tried, for each start of a disk wears it"
_LINK_L1 = 2  # Link Control, ASPM Control: bit 1 (pci_regs.h, PCI_EXP_LNKCTL_ASPM_L1)
_LINK_IDLE_SECONDS = 0.5  # far beyond any link's own idle timer. Common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """To what a drive goes when it is left alone.

    Attributes:
        idle_seconds: How long it must be left alone for that, with a fifth to spare.
        state: The deepest state that it goes to by itself; None where only its link rests.
        exit_us: The longest time that leaving it takes; None where the drive does not say.
    """

    idle_seconds: float
    state: int | None = None
    exit_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One drive to be loaded.

    Attributes:
        record: What is kept of it, before anything was added up.
        disk: Its disk's name: nvme0n1.
        aliases: The kernel's names for it and what it hangs on.
        critical_celsius: Its own critical threshold.
        link_paths: The links from the host bridge down to it, by path.
        rest: What it goes to when left alone, or in words why it goes to nothing, or why that is not known.
    """

    record: DriveRun
    disk: str
    aliases: frozenset[str] = frozenset()
    critical_celsius: float | None = None
    link_paths: tuple[str, ...] = ()
    rest: Rest | str = "what states it goes to was not asked"

    @property
    def name(self) -> str:
        """The position's label, else its path."""
        return self.record.name

    @property
    def path(self) -> str:
        """The position."""
        return self.record.path


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """What a run loads and watches, what it leaves out with the reason, and the one position that was asked for."""

    drives: tuple[Target, ...]
    links: Mapping[str, LinkRun]
    left_out: tuple[str, ...] = ()
    parts: Mapping[str, str] = field(default_factory=dict)
    only: str | None = None

    def predict(self, rates: Mapping[str, float]) -> dict[str, float]:
        """Predict what each drive gives with all busy, from what it gave alone and the links that they share."""
        capacities: dict[tuple[str, str], float] = {("drive", name): rate for name, rate in rates.items()}
        routes = {name: [("drive", name)] for name in rates}
        for path, link in self.links.items():
            if link.ceiling_bytes is not None:
                capacities["link", path] = link.ceiling_bytes
                for name in link.used_by:
                    if name in routes:
                        routes[name].append(("link", path))
        return ceilings_all_busy(routes, capacities)


def find_targets(arrangement: Arrangement, *, only: str | None = None) -> Targets:
    """Find what to load: all, or one position only; a USB drive counts where it is declared, or asked for."""
    drives: list[Target] = []
    left_out = []
    for occupant in arrangement.drives:
        name = arrangement.label_of(occupant) or occupant.path
        is_visitor = occupant.kind == "usb" and name == occupant.path  # plugged in for a while, and declared nowhere
        if only not in (name, occupant.path) and (only is not None or is_visitor):
            continue
        why = _find_reason_against(occupant)
        if why is None:
            drives.append(_make_target(arrangement, occupant, name))
        else:
            left_out.append(f"{name} is left out: {why}")
    for placement in arrangement.placements if only is None else ():
        device = placement.declared_device
        if device is not None and device.kind in _DRIVES and not placement.is_occupied and placement.is_meant_occupied:
            left_out.append(f"{placement.label} is left out: no drive answers there")
    parts = {placement.label: ", ".join(f"{part.kind} {part.id or ''}".strip() for part in placement.position.through)
             for placement in arrangement.placements if placement.position.through}  # fmt: skip
    links = {link.path: link for link in _find_links(arrangement, drives)}
    for drive in drives:
        drive.record.ceiling_bytes = links[drive.path].ceiling_bytes if drive.path in links else None
    asked = drives[0].name if only is not None and drives else only  # whichever of its names was typed
    return Targets(drives=tuple(drives), links=links, left_out=tuple(left_out), parts=parts, only=asked)


def _find_reason_against(occupant: Occupant) -> str | None:
    if occupant.controller is None:
        return None if occupant.drive else "no NVMe driver serves it"
    if occupant.controller.state != "live":
        return f"its state is {occupant.controller.state}"
    if occupant.controller.path is not None:
        return "it is not on a PCIe link of this box"
    return None if occupant.disks else "it shows no disk"


def _make_target(arrangement: Arrangement, occupant: Occupant, name: str) -> Target:
    placement = arrangement.by_label.get(name)
    links = arrangement.topology.links_to(occupant.path)
    target = Target(
        record=DriveRun(
            name=name,
            path=occupant.path,
            serial=_text(occupant.serial),
            model=_text(occupant.model),
            firmware=_text(occupant.firmware),
            declared_read_bytes=placement.declared_device.read if placement and placement.declared_device else None,
        ),
        disk=occupant.disks[0],
        link_paths=tuple(link.path for link in links),
    )
    if occupant.drive is not None:
        return _describe_disk(target, occupant.drive)
    assert occupant.controller is not None  # noqa: S101 (others are left out)
    ends = [end.address for end in (*occupant.functions, *(link.port for link in links[-1:] if link.port))]
    names = frozenset((occupant.controller.name, *occupant.disks, *ends))
    return replace(_describe_nvme(target, occupant.controller, links[-1] if links else None), aliases=names)


def _describe_disk(target: Target, drive: SataDrive) -> Target:
    """Add what only a SATA, SAS or USB drive has."""
    target.record.interface = drive.interface
    target.record.warning_celsius = drive.recommended_celsius
    target.record.wake = WakeRun(why_unknown=_STANDBY)
    ports = [
        hop.replace("-", "") for hop in target.path.split("/") if hop.startswith("ata-")
    ]  # ata-3: the kernel's ata3
    return replace(
        target,
        aliases=frozenset((drive.name, *ports, *(f"{port}.00" for port in ports))),
        critical_celsius=drive.most_celsius,
        rest=_STANDBY,
    )


def _describe_nvme(target: Target, controller: NvmeController, link: Link | None) -> Target:
    """Add what only an NVMe drive has."""
    on, rest = find_rest(controller, link)
    target.record.idle_states_on = on
    target.record.wake = WakeRun(why_unknown=rest if isinstance(rest, str) else "it was not tried")
    if not isinstance(controller.identity, NvmeIdentity):
        return replace(target, rest=rest)
    target.record.warning_celsius = controller.identity.warning_temperature_celsius
    return replace(target, rest=rest, critical_celsius=controller.identity.critical_temperature_celsius)


def _text(value: object) -> str:
    return value.strip() if isinstance(value, str) else ""


def find_rest(controller: NvmeController, link: Link | None) -> tuple[bool | None, Rest | str]:
    """Find what a drive goes to when it is left alone: by its own table in force, which the kernel's limit has shaped.

    Returns:
        Whether it goes to rest by itself, None where that is not known; and to what, or in words why to nothing.

    Source: NVM Express Base Specification 2.0, Autonomous Power State Transition; Linux drivers/nvme/host/core.c,
        ``nvme_configure_apst``, which fills the table up to the latency limit.
    """
    reported = controller.autonomous_transitions
    if isinstance(reported, Unread):
        return None, f"what states it goes to is not known: {reported.why}"
    chain = _follow(reported) if reported is not None and reported.enabled else None
    if chain is None:
        registers = link and (link.port_registers or link.device_registers)
        if registers and registers.aspm_enabled & _LINK_L1:
            return True, Rest(idle_seconds=_LINK_IDLE_SECONDS)
        return False, "no idle state is on, neither the drive's own nor its link's"
    state, milliseconds = chain
    states = controller.identity.power_states if isinstance(controller.identity, NvmeIdentity) else ()
    exit_us = next((known.exit_us for known in states if known.number == state), None)
    idle = max(milliseconds / 1000.0 * _MARGIN, _LEAST_IDLE_SECONDS)
    return True, Rest(idle_seconds=idle, state=state, exit_us=exit_us)


def _follow(reported: AutonomousTransitions) -> tuple[int, int] | None:
    """Follow the table from full power to the deepest state; None where it leads nowhere."""
    state, milliseconds = 0, 0
    for _ in range(LONGEST_CHAIN):
        if state not in reported.transitions:
            break
        state, more = reported.transitions[state]
        milliseconds += more
    return (state, milliseconds) if state else None


def _find_links(arrangement: Arrangement, drives: list[Target]) -> Iterator[LinkRun]:
    used: dict[str, list[str]] = {}
    for drive in drives:
        for path in drive.link_paths:
            used.setdefault(path, []).append(drive.name)
    for path, names in used.items():
        link = arrangement.topology.link_at(path)
        if link is not None:
            yield _make_link(arrangement, link, tuple(names))


def _make_link(arrangement: Arrangement, link: Link, names: tuple[str, ...]) -> LinkRun:
    gt_s, lanes = _find_declared(arrangement.build, link.path)
    return LinkRun(
        name=_find_name(arrangement, link.path),
        path=link.path,
        used_by=names,
        declared_gt_s=gt_s,
        declared_lanes=lanes,
        trained_gt_s=known_number(link.trained_gt_s.value),
        trained_lanes=whole_number(link.trained_lanes.value),
        capable_gt_s=known_number(link.capable_gt_s),
        capable_lanes=whole_number(link.capable_lanes),
        counting_ends=tuple(end for end in ENDS if find_reporting(getattr(link, end)) is Reporting.COUNTED),
    )


def _find_name(arrangement: Arrangement, path: str) -> str:
    uplinks = arrangement.build.uplink if arrangement.build else {}
    shared = next((name for name, uplink in uplinks.items() if uplink.path == path), None)
    return arrangement.label_by_path.get(path) or shared or path


def _find_declared(build: Build | None, path: str) -> tuple[float | None, int | None]:
    if build is None:
        return None, None
    links = [position.link for position in build.position if position.path == path]
    links += [uplink for uplink in build.uplink.values() if uplink.path == path]  # type: ignore[misc]  # both have these
    link = links[0] if links else None
    generation = link.generation if link else None
    return (rate_of(generation) if generation else None), (link.lanes if link else None)


def known_number(value: float | Unread | None) -> float | None:
    """Give a figure that was read, None for one that was not."""
    return None if isinstance(value, Unread) else value


def whole_number(value: float | Unread | None) -> int | None:
    """Give a figure that was read as a whole number, None for one that was not."""
    number = known_number(value)
    return None if number is None else int(number)
