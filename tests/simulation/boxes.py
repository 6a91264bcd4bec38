"""Draws a box: which sockets and cards it has, what is in them, and what its owner wrote down about it."""

import random
from dataclasses import dataclass, field

from simulation.box import SimulatedBox
from simulation.families import Family
from simulation.hardware import Drive, Port

_MODELS = (
    ("Fathomline Petrel 4000", "FP12", 4_000_787_030_016, "4 TB", 4),
    ("Skerry Works Cairn 8T", "C204", 8_001_563_222_016, "8 TB", 4),
    ("Marram Lite 2000", "ML07", 2_000_398_934_016, "2 TB", 3),
    ("Undertow U5", "UT31", 4_000_787_030_016, "4 TB", 5),
)
_THROUGH = {
    "riser": '["passive-split"]',
    "board": '["board"]',
    "deck": '["switch-card"]',
    "wireless": '["key-adapter"]',
}


@dataclass(slots=True, kw_only=True)
class Blueprint:
    """A box and its owner's intentions.

    Attributes:
        box: The machine.
        labels: Label by path.
        shares: Share of the box's load by path.
        flexible: Paths that go through a flexible cable.
    """

    box: SimulatedBox
    labels: dict[str, str] = field(default_factory=dict)
    shares: dict[str, float] = field(default_factory=dict)
    flexible: frozenset[str] = frozenset()

    def declaration(self) -> str:
        """Write the declaration."""
        parts = ["schema = 1", "", "[box]", f'name = "{self.box.name}"', ""]
        for port in self.box.walk_ports():
            label = self.labels.get(port.path)
            if label is None or port.drive is None:
                continue
            generation = min(port.generation, port.drive.generation)
            lanes = min(port.lanes, port.drive.lanes)
            through = _THROUGH[label.rpartition("-")[0]]
            if port.path in self.flexible:
                through = through[:-1] + ', "flexible-cable"]'
            capacity = next(words for _, _, size, words, _ in _MODELS if size == port.drive.capacity_bytes)
            parts += [
                "[[position]]",
                f'label = "{label}"',
                f'path = "{port.path}"',
                f"through = {through}",
                f"link = {{ generation = {generation}, lanes = {lanes} }}",
                f'occupant = {{ kind = "nvme", role = "data", capacity = "{capacity}" }}',
                "",
            ]
        return "\n".join(parts)


def draw_blueprint(draw: random.Random, family: Family) -> Blueprint:
    """Draw a box with three to ten drives, with a kernel of the family."""
    major, minor = family.kernels[0]
    box = SimulatedBox(
        name=f"skiff-{draw.randint(1, 99)}",
        kernel=f"{major}.{minor}.0-12-amd64",
        command_line="BOOT_IMAGE=/vmlinuz root=/dev/mapper/root ro quiet",
        chosen_policy="default",
        nvme_latency_us=100000,
        aer_native=True,
    )
    blueprint = Blueprint(box=box)
    hot_plug = draw.random() < 0.35
    _add_riser(draw, blueprint, hot_plug=hot_plug)
    _add_sockets(draw, blueprint)
    if draw.random() < 0.3:
        _add_switch(draw, blueprint)
    return blueprint


def _make_drive(draw: random.Random, model: int, number: int) -> Drive:
    name, firmware, capacity, _, generation = _MODELS[model]
    warning = draw.choice((70, 75, 80, 84))
    drive = Drive(
        serial=f"{name[:2].upper()}{model}{number:02d}-{draw.randrange(10_000):04d}", model=name, firmware=firmware,
        capacity_bytes=capacity, generation=generation, warning_celsius=warning,
        critical_celsius=warning + draw.choice((5, 8, 10)), transitions_enabled=True, latency_tolerance="100000",
    )  # fmt: skip
    health = drive.health
    health.power_on_hours = draw.randint(200, 30_000)
    health.power_cycles = draw.randint(5, 400)
    health.unsafe_shutdowns = draw.randint(0, 40)
    health.percentage_used = draw.randint(0, 25)
    health.error_log_entries = draw.choice((0, 0, 12, 300))
    if draw.random() < 0.1:
        health.media_errors = draw.randint(1, 3)  # old ones, and no more since
    if draw.random() < 0.2:
        health.warning_minutes = draw.randint(1, 200)
    return drive


def _place(blueprint: Blueprint, port: Port, path: str, label: str, share: float = 1.0) -> Port:
    port.path = path
    if port.drive is not None:
        blueprint.labels[path] = label
        blueprint.shares[path] = share
    return port


def _add_riser(draw: random.Random, blueprint: Blueprint, *, hot_plug: bool) -> None:
    model, generation = draw.randrange(len(_MODELS)), draw.choice((3, 4, 4, 5))
    for branch in range(1, draw.randint(2, 4) + 1):
        port = Port(
            hop=f"01.{branch}", generation=generation, slot_number=10 + branch, hot_plug=hot_plug,
            drive=_make_drive(draw, model, branch),
        )  # fmt: skip
        path = f"0000:00/01.{branch}"
        blueprint.box.ports.append(_place(blueprint, port, path, f"riser-{branch}"))
        if draw.random() < 0.3:
            blueprint.flexible |= {path}


def _add_sockets(draw: random.Random, blueprint: Blueprint) -> None:
    for number in range(1, draw.randint(1, 3) + 1):
        drive = _make_drive(draw, draw.choice((0, 1, 3)), 20 + number)
        port = Port(hop=f"02.{number}", slot_number=number, drive=drive)
        blueprint.box.ports.append(_place(blueprint, port, f"0000:00/02.{number}", f"board-{number}"))
    if draw.random() < 0.3:
        keyed = Port(hop="03.1", generation=3, lanes=1, slot_number=7, drive=_make_drive(draw, 2, 31))
        blueprint.box.ports.append(_place(blueprint, keyed, "0000:00/03.1", "wireless-1", share=0.05))


def _add_switch(draw: random.Random, blueprint: Blueprint) -> None:
    deck = [
        _place(
            blueprint,
            Port(hop=f"{4 * number:02x}.0", slot_number=40 + number, drive=_make_drive(draw, 1, 40 + number)),
            f"0000:00/04.1/00.0/{4 * number:02x}.0",
            f"deck-{number}",
            share=0.5,
        )
        for number in range(1, draw.randint(2, 3) + 1)
    ]
    blueprint.box.ports.append(Port(hop="04.1", slot_number=9, switch=deck, path="0000:00/04.1"))
