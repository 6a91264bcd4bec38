"""One PCIe link with both its ends: what each can do, what was trained, and which source says so.

Links are read from the registers and from sysfs at both ends: four witnesses. Where they give different values, the
least counts and the others stay visible. An impossible value (no lanes on a link that carries a device, all ones) does
not count.
"""

from collections.abc import Callable
from dataclasses import dataclass
from operator import attrgetter

from laneproof.box.link_rates import LANE_COUNTS, lesser_of_ends
from laneproof_collectors.snapshot import LinkEnd, LinkRegisters, PciFunction
from laneproof_collectors.unread import Reason, Unread


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkFigure:
    """One figure of a link, as its witnesses have it.

    Attributes:
        value: The least that a witness gives; `Unread` where none did; None where there is no link.
        witnesses: Who gives what, such as ``("port registers", 16.0)``.
    """

    value: float | Unread | None
    witnesses: tuple[tuple[str, float], ...] = ()

    @property
    def most(self) -> float | Unread | None:
        """The most that a witness gives."""
        return max((value for _, value in self.witnesses), default=self.value)

    @property
    def agreed(self) -> bool:
        """Whether all witnesses agree."""
        return len({value for _, value in self.witnesses}) <= 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One PCIe link, seen from both its ends.

    Attributes:
        path: The position below it: the own path of the port, or of the device where no port precedes.
        port: The downstream-facing port; None where no bridge precedes the device.
        device: The first function at the far end; None where nothing is there.
        trained_gt_s: Transfer rate in use.
        trained_lanes: Lanes in use.
        port_gt_s: What the port can do.
        port_lanes: What the port can do, as wired and as the firmware split the slot.
        device_gt_s: What the device can do.
        device_lanes: What the device can do.
        target_gt_s: The rate that the port aims at (Link Control 2); None where it has no such register.
    """

    path: str
    port: PciFunction | None
    device: PciFunction | None
    trained_gt_s: LinkFigure
    trained_lanes: LinkFigure
    port_gt_s: LinkFigure
    port_lanes: LinkFigure
    device_gt_s: LinkFigure
    device_lanes: LinkFigure
    target_gt_s: float | Unread | None

    @property
    def address(self) -> str:
        """The bus address to show: the device's, else the port's."""
        end = self.device or self.port
        return end.address if end else self.path

    @property
    def sleeps(self) -> bool:
        """Whether an end sleeps: no bits pass until both are awake."""
        return any(end is not None and end.power.sleeps for end in (self.port, self.device))

    @property
    def capable_gt_s(self) -> float | Unread | None:
        """The lesser rate of both ends."""
        return lesser_of_ends(self.port_gt_s.value, self.device_gt_s.value)

    @property
    def capable_lanes(self) -> float | Unread | None:
        """The lesser width of both ends."""
        return lesser_of_ends(self.port_lanes.value, self.device_lanes.value)

    @property
    def port_registers(self) -> LinkRegisters | None:
        """The port's link registers where they were read."""
        return registers_of(self.port)

    @property
    def device_registers(self) -> LinkRegisters | None:
        """The device's link registers where they were read."""
        return registers_of(self.device)


def registers_of(function: PciFunction | None) -> LinkRegisters | None:
    """Give a function's link registers, None where it has none or they could not be read."""
    if function is None or function.express is None or isinstance(function.express, Unread):
        return None
    return function.express.link


def _is_rate(value: object) -> bool:
    return isinstance(value, float | int) and not isinstance(value, bool) and value > 0


def _is_width(value: object) -> bool:
    return value in LANE_COUNTS  # 0: no link; 63: all ones


def _least_of(what: str, answers: list[tuple[str, object]], *, lanes: bool) -> LinkFigure:
    """Give the least of the possible values; where there is none, why."""
    is_possible = _is_width if lanes else _is_rate
    witnesses = tuple((who, value) for who, value in answers if isinstance(value, float | int) and is_possible(value))
    if witnesses:
        return LinkFigure(value=min(value for _, value in witnesses), witnesses=witnesses)
    given = [(who, value) for who, value in answers if value is not None]
    if not given:
        return LinkFigure(value=None)
    unread = next((value for _, value in given if isinstance(value, Unread)), None)
    odd = ", ".join(f"{who} say {value}" for who, value in given if not isinstance(value, Unread))
    return LinkFigure(value=unread or Unread(what, f"impossible: {odd}", Reason.MALFORMED))


def _ask(name: str, end: PciFunction, fact: Callable[[LinkRegisters | LinkEnd], object]) -> list[tuple[str, object]]:
    registers = registers_of(end)
    answers = [(f"{name} registers", fact(registers))] if registers else []
    return [*answers, (f"{name} in sysfs", fact(end.link))]


def _trained(what: str, port: PciFunction | None, device: PciFunction | None, *, lanes: bool) -> LinkFigure:
    fact = attrgetter("trained_lanes" if lanes else "trained_gt_s")
    ends = [(name, end) for name, end in (("port", port), ("device", device)) if end is not None and end.answers]
    return _least_of(what, [answer for name, end in ends for answer in _ask(name, end, fact)], lanes=lanes)


def _capable(what: str, name: str, end: PciFunction | None, *, lanes: bool) -> LinkFigure:
    fact = attrgetter("capable_lanes" if lanes else "capable_gt_s")
    return _least_of(what, [] if end is None else _ask(name, end, fact), lanes=lanes)


_MOST_JOINED = 4096
_joined: dict[str, Link] = {}


def join_ends(path: str, port: PciFunction | None, device: PciFunction | None) -> Link:
    """Make one link of its two ends.

    The last link of each path is kept: in a pass that read no new facts both ends are the very same objects, and so is
    the link. It holds nothing that the three arguments do not determine.

    Args:
        path: The position below the link.
        port: The downstream-facing port above it, if there is one.
        device: The first function below it, if there is one.
    """
    known = _joined.get(path)
    if known is None or known.port is not port or known.device is not device:
        if len(_joined) >= _MOST_JOINED:
            _joined.clear()
        known = _joined[path] = _join_ends(path, port, device)
    return known


def _join_ends(path: str, port: PciFunction | None, device: PciFunction | None) -> Link:
    registers = registers_of(port) or registers_of(device)
    rate, width = f"the link rate of {path}", f"the link width of {path}"
    return Link(
        path=path,
        port=port,
        device=device,
        trained_gt_s=_trained(rate, port, device, lanes=False),
        trained_lanes=_trained(width, port, device, lanes=True),
        port_gt_s=_capable(f"{rate} that the port can do", "port", port, lanes=False),
        port_lanes=_capable(f"{width} that the port can do", "port", port, lanes=True),
        device_gt_s=_capable(f"{rate} that the device can do", "device", device, lanes=False),
        device_lanes=_capable(f"{width} that the device can do", "device", device, lanes=True),
        target_gt_s=registers.target_gt_s if registers else None,
    )
