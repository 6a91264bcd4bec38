"""What an audit says of boxes made by hand: its status, and the rule and position of each finding."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from contracts.hand_made import (
    BRIDGE_CLASS,
    NVME_CLASS,
    TB,
    Ended,
    JsonObject,
    Machine,
    health,
    inside,
    program,
    write,
)
from contracts.hand_made_boxes import (
    ARM,
    ASPM_POLICY,
    GEN4,
    HEAD,
    LATENCY,
    SLOT,
    TWO,
    VMD,
    bays,
    board,
    bonded,
    box,
    btrfs,
    changed,
    multipath,
    nested,
    one_drive,
    place,
    port,
    position,
    power,
    raid,
    remembering,
    sata,
    smartctl_health,
    usb_disk,
)

Audit = Callable[[Machine, str], Ended]
Row = tuple[str, Machine, str, int, str]
"""A name, the box, the declaration without its head, the status, and "rule position" of each finding, by commas."""


@pytest.fixture
def audit(tmp_path: Path) -> Audit:
    def run(machine: Machine, build: str) -> Ended:
        write(tmp_path / "box.jsonl", machine.frame())
        (tmp_path / "build.toml").write_text(HEAD + build)
        return inside("audit", "--from", tmp_path / "box.jsonl", "--build", tmp_path / "build.toml", "--json")

    return run


def silent(machine: Machine, number: int) -> Machine:
    """A port at whose end nothing answers."""
    return changed(
        machine, {f"{port(number)}/current_link_speed": "2.5 GT/s PCIe", f"{port(number)}/current_link_width": "0"}
    )


def ends(name: str, text: str | None, machine: Machine | None = None) -> Machine:
    """Give an attribute of the first link the same text at both ends."""
    return changed(machine or box(), {f"{folder}/{name}": text for folder in (port(1), place(1))})


SPLIT = SLOT + bays(split=True)
SLOW, NARROW = "8.0 GT/s PCIe", 2
SERIALS = "".join(
    position(f"0000:00/01.{number}", label=f"bay-{number}", occupant=f'{{ kind = "nvme", serial = "PEL0000{number}" }}')
    for number in (1, 2, 3, 4)
)


def moved() -> Machine:
    machine = box(without=(1, 3))
    machine.drive(1, place(3))
    return machine


def undeclared() -> Machine:
    machine = box()
    machine.port("pci0000:00/0000:00:1c.0")
    machine.drive(7, "pci0000:00/0000:00:1c.0/0000:09:00.0")
    return machine


def switch() -> Machine:
    """Two drives behind a switch: root port, upstream port, downstream port. The second trained narrow."""
    machine, upstream = Machine(), "pci0000:00/0000:00:01.2/0000:03:00.0"
    machine.port("pci0000:00/0000:00:01.2")
    machine.function(upstream, BRIDGE_CLASS)
    for number in (0, 1):
        machine.port(f"{upstream}/0000:04:0{number + 4}.0")
        machine.drive(number, f"{upstream}/0000:04:0{number + 4}.0/0000:0{number + 5}:00.0", width=4 - 2 * number)
    return machine


def lone_port() -> Machine:
    machine = Machine()
    machine.function(port(1), BRIDGE_CLASS)
    return machine


def resting() -> Machine:
    """A device asleep by run-time power management: its link may rest below what it trained at."""
    asleep = {"power/control": "auto", "power/runtime_status": "suspended", "power_state": "D3hot"}
    return changed(box(speed="2.5 GT/s PCIe"), {f"{place(1)}/{name}": text for name, text in asleep.items()})


DECK = "".join(
    position(f"0000:00/01.2/00.0/0{number}.0", label=f"deck-{number}", link=GEN4, more='through = ["switch-card"]\n')
    for number in (4, 5)
)
ACCEPT = '[[accept]]\nrule = "link-slow"\nposition = "bay-1"\nbecause = "spare cable on order"\n'
IGNORE = 'undeclared = "ignore"\n'
ALL_ONES = {
    f"{place(1)}/current_link_speed": "Unknown", f"{place(1)}/current_link_width": "63",
    f"{place(1)}/max_link_speed": "Unknown", f"{place(1)}/max_link_width": "255",
}  # fmt: skip
LIMITED = bays(link="{ generation = 3, lanes = 1 }")

LINKS_AND_POSITIONS: list[Row] = [
    ("as declared", box(), SPLIT, 0, ""),
    ("slow", box(speed=SLOW), SPLIT, 1, "link-slow bay-1"),
    ("narrow", box(width=NARROW), SPLIT, 1, "link-narrow bay-1"),
    ("drive that can no more", changed(box(speed=SLOW), {f"{place(1)}/max_link_speed": SLOW}), SPLIT, 1,
     "link-slow bay-1, link-beyond-hardware bay-1"),
    ("drive that has no more lanes", changed(box(width=NARROW), {f"{place(1)}/max_link_width": "2"}), SPLIT, 1,
     "link-narrow bay-1, link-beyond-hardware bay-1"),
    ("a lost limit of rate and lanes", box(), LIMITED, 1, "link-above-limit bay-1"),
    ("a lost limit of lanes", box(speed=SLOW, width=NARROW), LIMITED, 1, "link-above-limit bay-1"),
    ("empty, its port silent", silent(box(without=(3,)), 3), SPLIT, 1, "position-empty bay-3"),
    ("empty, without any port", box(without_port=(4,)), bays(), 1, "position-empty bay-4"),
    ("a port and nothing else", lone_port(), position("0000:00/01.1"), 1, "position-empty bay-1"),
    ("a drive more", undeclared(), SPLIT, 1, "occupant-unexpected"),
    ("a drive more that is to be ignored", undeclared(), IGNORE + SPLIT, 0, ""),
    ("drives that changed places", moved(), SERIALS, 1, "position-empty bay-1, occupant-differs bay-3"),
    ("a split that is not active", box(without_port=(2, 3, 4)), SPLIT, 1,
     "bifurcation-not-active, position-empty bay-2, position-empty bay-3, position-empty bay-4"),
    ("a switch card", switch(), DECK, 1, "link-narrow deck-5"),
    ("rate and lanes unknown", ends("current_link_width", "0", ends("current_link_speed", "Unknown speed")), SPLIT, 2,
     "link-slow bay-1, link-narrow bay-1"),
    *((f"rate {word!r}", ends("current_link_speed", word), SPLIT, 2, "link-slow bay-1")
      for word in ("Unknown", "", "99999999999999 GT/s PCIe")),
    ("lanes that may not be read", ends("current_link_width", None), SPLIT, 2, "link-narrow bay-1"),
    ("off the bus, all ones", silent(changed(box(), ALL_ONES), 1), SPLIT, 1, "position-empty bay-1"),
    ("a link at rest", resting(), SPLIT, 2,
     "link-slow bay-1, link-beyond-hardware bay-1, critical-warning bay-1"),
    ("no maximum at the port", changed(box(width=NARROW), {f"{port(1)}/max_link_speed": "Unknown",
     f"{port(1)}/max_link_width": "0"}), SPLIT, 1, "link-narrow bay-1, link-beyond-hardware bay-1"),
    ("accepted", box(speed=SLOW), SPLIT + ACCEPT, 0, "link-slow bay-1"),
    ("accepted for now", box(speed=SLOW), SPLIT + ACCEPT + "until = 2026-12-31\n", 0, "link-slow bay-1"),
    ("accepted until yesterday", box(speed=SLOW), SPLIT + ACCEPT + "until = 2026-09-20\n", 1, "link-slow bay-1"),
    ("accepted elsewhere", box(speed=SLOW), SPLIT + ACCEPT.replace("bay-1", "bay-2"), 1, "link-slow bay-1"),
    ("accepted of another rule", box(speed=SLOW), SPLIT + ACCEPT.replace("slow", "narrow"), 1, "link-slow bay-1"),
]  # fmt: skip

PATHS = {
    "an Arm board": nested(f"{ARM}/0001:00:00.0", device="0001:01:00.0", path="0001:00/00.0"),
    "a domain of five digits": nested("pci10000:e0/10000:e0:06.0", device="10000:e1:00.0", path="10000:e0/06.0"),
    "a root below a function of the first domain": nested(VMD, device="10000:e1:00.0", path="10000:e0/06.0"),
    "no bridge": nested(device="pci0000:00/0000:00:05.0", path="0000:00/05.0"),
    "no bridge, an Arm board": nested(device=f"{ARM}/0001:00:03.0", path="0001:00/03.0"),
    "no bridge, the first device": nested(device="pci1001:00/1001:00:00.0", path="1001:00/00.0"),
}


def bare() -> Machine:
    """A tree with hardly an attribute."""
    machine = Machine()
    machine.function(port(1), BRIDGE_CLASS)
    machine.function(place(1), NVME_CLASS)
    return machine


def without_driver() -> Machine:
    machine = one_drive()
    machine.files = {path: text for path, text in machine.files.items() if "/nvme/" not in path}
    machine.links = {path: to for path, to in machine.links.items() if "/nvme/" not in to}
    machine.nvme = {}
    return machine


def state(word: str) -> Machine:
    return changed(one_drive(), {f"{place(1)}/nvme/nvme1/state": word})


def answering(answer: JsonObject) -> Machine:
    machine = one_drive()
    machine.nvme["nvme1"] = {"identify": answer, "log:2": answer} if answer else {}
    return machine


def without_names() -> Machine:
    machine = one_drive()
    for name in ("model", "serial", "firmware_rev"):
        del machine.files[f"/sys/devices/{place(1)}/nvme/nvme1/{name}"]
    return machine


def without_class(machine: Machine) -> Machine:
    """Leave the class out, as where the driver is not loaded."""
    machine.links = {path: to for path, to in machine.links.items() if not path.startswith("/sys/class")}
    return machine


def circles() -> Machine:
    machine = one_drive()
    machine.links |= {
        "/sys/bus/pci/devices/0000:00:02.0": "../devices/0000:00:02.0",
        "/sys/class/nvme/nvme3": "nvme4",
        "/sys/class/nvme/nvme4": "nvme3",
        "/sys/class/nvme": "/sys/class/nvme",
        "/sys/block/sda": "/sys/block/sda",
    }
    return machine


def unused_port(machine: Machine) -> Machine:
    machine.function("pci0000:00/0000:00:1d.0", NVME_CLASS)
    return machine


def verdict_failed() -> Machine:
    machine = sata(Machine())
    machine.smartctl["/dev/sda"]["smart_status"] = {"passed": False}
    machine.smartctl["/dev/sda"]["smartctl"]["exit_status"] = 8
    return machine


def unasked(machine: Machine) -> Machine:
    machine.smartctl = {}
    return machine


ONE = position("0000:00/01.1", link=GEN4)
KNOWN = position(
    "0000:00/01.1", occupant='{ kind = "nvme", capacity = "4 TB", model = "Pelagic D4", serial = "PEL00001" }'
)
TWICE = position("0000:00/01.1", occupant='{ kind = "nvme", capacity = "4 TB" }') + position(
    "0000:00/01.2", label="bay-2", occupant='{ kind = "nvme", capacity = "4 TB" }'
)
MIRROR = TWICE + '[[array]]\nname = "md0"\nlevel = "raid1"\nmembers = ["bay-1", "bay-2"]\n'
ATA = position("0000:00/17.0/ata-3", label="disk-1",
               occupant='{ kind = "sata", capacity = "12 TB", model = "Abyssal A12", serial = "ABY777" }')  # fmt: skip
M2 = position("0000:00/1d.0", label="m2")

OCCUPANTS: list[Row] = [
    *((name, machine, build, 0, "") for name, (machine, build) in PATHS.items()),
    ("narrow on an Arm board", *nested(f"{ARM}/0001:00:00.0", device="0001:01:00.0", path="0001:00/00.0", width=1), 1,
     "link-narrow bay-1"),
    ("another path without a bridge", nested(device="pci0000:00/0000:00:05.0", path="")[0],
     IGNORE + position("0000:00/07.0"), 1, "position-empty bay-1"),
    ("another capacity", one_drive(capacity_bytes=2 * TB), KNOWN, 1, "occupant-differs bay-1"),
    ("another model", one_drive(model="Benthic B2"), KNOWN, 1, "occupant-differs bay-1"),
    ("another serial number", one_drive(serial="XX-9"), KNOWN, 1, "occupant-differs bay-1"),
    *((f"{sectors} sectors", one_drive(capacity_bytes=512 * sectors), KNOWN, status, "occupant-differs bay-1" * status)
      for sectors, status in ((4036 * 1953125, 0), (3964 * 1953125, 0), (4060 * 1953125, 1), (3940 * 1953125, 1))),
    ("identity from the drive itself", without_names(), KNOWN, 0, ""),
    ("hardly an attribute", bare(), ONE.replace('"nvme"', '"nvme", capacity = "4 TB"'), 2,
     "link-slow bay-1, link-narrow bay-1, occupant-differs bay-1, critical-warning bay-1"),
    ("a drive without a driver", without_driver(), ONE, 2, "critical-warning bay-1"),
    ("a controller that was given up", state("dead"), ONE, 1, "position-empty bay-1"),
    *((f"a controller that is {word}", state(word), ONE, 2, "critical-warning bay-1")
      for word in ("resetting", "connecting", "new", "unknown state")),
    *((f"a drive that answers {answer}", answering(answer), ONE, 2, "critical-warning bay-1")
      for answer in ({"error": "EACCES"}, {"status": 2}, {})),
    ("disks of several paths", multipath(box()), IGNORE + MIRROR, 0, ""),
    ("nothing recorded", Machine(), ONE, 2, "reading-incomplete"),
    ("links in circles", circles(), position("0000:00/01.1"), 0, ""),
    ("a SATA drive", sata(Machine()), ATA, 0, ""),
    ("no NVMe class and no such drive", without_class(sata(Machine())), ATA, 0, ""),
    ("no NVMe class and a drive", unused_port(without_class(sata(Machine()))), ATA + M2, 2, "critical-warning m2"),
    ("a SATA drive at another port", sata(Machine(), ata=4), ATA, 1,
     "position-empty disk-1, occupant-unexpected"),
    ("a SATA drive in place of another", sata(sata(Machine(), ata=4), disk="sdb", serial="ABY778"), ATA, 1,
     "occupant-differs disk-1, occupant-unexpected"),
    ("a SATA drive that lost sectors", sata(Machine(), pending=8), ATA, 1, "sectors-failing disk-1"),
    ("a SATA drive that says it fails", verdict_failed(), ATA, 1, "critical-warning disk-1"),
    ("a SATA drive that cannot be asked", unasked(sata(Machine())), ATA.replace(', serial = "ABY777"', ""), 2,
     "critical-warning disk-1"),
    ("a USB disk", usb_disk(), "", 1, "occupant-unexpected, critical-warning"),
]  # fmt: skip


def kernel(line: str) -> str:
    return f"{IGNORE}[kernel]\n{line}\n{BAYS}"


def log_answer(answer: object) -> Machine:
    machine = box()
    machine.nvme["nvme1"]["log:2"] = answer
    if answer is None:
        del machine.nvme["nvme1"]["log:2"]
    return machine


def unanswering(number: int) -> Machine:
    machine = box()
    machine.nvme[f"nvme{number}"] = {"identify": {"error": "EACCES"}, "log:2": {"error": "EACCES"}}
    return machine


def through_smartctl(**knobs: int) -> Machine:
    machine = log_answer({"error": "EACCES"})
    machine.smartctl["/dev/nvme1"] = smartctl_health(**knobs)
    return machine


BAYS = "".join(position(f"0000:00/01.{number}", label=f"bay-{number}") for number in (1, 2, 3, 4))
COMMAND_LINE = 'command_line = ["pcie_aspm.policy=performance"]'
FIRMWARE = f'{IGNORE}[firmware]\nboard = "TW-8"\nbios_version = "F7"\nbios_date = "03/11/2026"\n{BAYS}'
MEMORY = f'{IGNORE}[memory]\ntotal = "64 GiB"\nmodules = 2\nspeed_mt_s = 5600\n{BAYS}'
ARRAY = f'{IGNORE}{BAYS}[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["bay-1", "bay-2", "bay-3"]\n'
BOND = (
    f'{IGNORE}{BAYS}[[bond]]\nname = "bond0"\nmode = "802.3ad"\n'
    'members = ["enp1s0f0", "enp1s0f1"]\nmember_speed_mbit_s = 10000\n'
)
DEGRADED = raid(box(), members=(1, 2), raid_disks="3", degraded="1")
L1 = f"/sys/devices/{place(2)}/link/l1_aspm"
ZERO_LIMIT, LIMIT = (f"nvme_default_ps_max_latency_us = {value}" for value in (0, 5500))

REST_OF_THE_BOX: list[Row] = [
    *((line, power(), kernel(line), 0, "")
      for line in (COMMAND_LINE, 'command_line = ["quiet", "ro"]', 'aspm_policy = "performance"', 'links_aspm = "off"',
                   ZERO_LIMIT)),
    *((f"{line}, and {text!r}", power(**{path: f"{text}\n"}), kernel(line), 1, f"power-setting-differs{where}")
      for line, path, text, where in (
        (COMMAND_LINE, "/proc/cmdline", "quiet pcie_aspm.policy=performances", ""),
        (COMMAND_LINE, "/proc/cmdline", "", ""),
        ('aspm_policy = "performance"', ASPM_POLICY, "[default] performance powersave powersupersave ", ""),
        (ZERO_LIMIT, LATENCY, "100000", ""),
        (LIMIT, LATENCY, "100000", ""),
        ('links_aspm = "off"', L1, "1", " bay-2"),
        ('links_aspm = "off"', L1.replace("l1", "l0s"), "1", " bay-2"))),
    *((f"{line}, and {path} unread", changed(power(), {path: None}), kernel(line), 2, "power-setting-differs")
      for line, path in ((COMMAND_LINE, "/proc/cmdline"), ('aspm_policy = "performance"', ASPM_POLICY),
                         (ZERO_LIMIT, LATENCY))),
    ("links whose states nobody can read", box(), kernel('links_aspm = "off"'), 2,
     ", ".join(f"power-setting-differs bay-{number}" for number in (1, 2, 3, 4))),
    ("firmware", board(box()), FIRMWARE, 0, ""),
    ("older firmware", board(box(), "F3"), FIRMWARE, 1, "firmware-differs"),
    ("firmware unread", box(), FIRMWARE, 2, "firmware-differs"),
    ("memory", remembering(*TWO), MEMORY, 0, ""),
    ("a memory module less", remembering(TWO[0], mem_total_kib=32_700_000), MEMORY, 1, "memory-differs"),
    ("an array", raid(box()), ARRAY, 0, ""),
    ("a degraded array", DEGRADED, ARRAY, 1, "array-degraded"),
    ("a degraded array that nobody declared", DEGRADED, IGNORE + BAYS, 1, "array-degraded"),
    ("a file system over drives", btrfs(), IGNORE + BAYS, 0, ""),
    ("a file system that misses a drive", btrfs(missing="1"), IGNORE + BAYS, 1, "array-degraded"),
    ("a file system with read errors", btrfs(errors=5), IGNORE + BAYS, 1, "array-errors"),
    ("a bond", bonded(), BOND, 0, ""),
    *((f"a bond with {word}", machine, BOND, 1, "bond-incomplete") for word, machine in (
        ("two aggregators", bonded(aggregators=(1, 2))),
        ("two aggregators and no partner", bonded(aggregators=(1, 2), partner="00:00:00:00:00:00")),
        ("no partner", bonded(partner="00:00:00:00:00:00")),
        ("another mode", bonded(mode="active-backup 1")))),
    *((f"health {log}", box(log=health(**log)), IGNORE + BAYS, 1, said) for log, said in (
        ({"critical_warning": 0b1}, "critical-warning bay-1"),
        ({"critical_warning": 0b10, "celsius": 82}, "critical-warning bay-1, overheating bay-1"),
        ({"critical_warning": 0b100}, "critical-warning bay-1"),
        ({"critical_warning": 0b1000}, "critical-warning bay-1"),
        ({"spare": 12, "threshold": 10}, "spare-low bay-1"),
        ({"spare": 5, "threshold": 10, "critical_warning": 1}, "spare-low bay-1, critical-warning bay-1"),
        ({"celsius": 84}, "overheating bay-1"))),
    *((f"calm health {log}", box(log=health(**log)), IGNORE + BAYS, 0, "")
      for log in ({"used": 40}, {"spare": 90}, {"celsius": 60}, {"unsafe": 400})),
    *((f"health log {answer!r}", log_answer(answer), IGNORE + BAYS, 2, "critical-warning bay-1")
      for answer in ({"error": "EACCES"}, {"status": 6}, {"status": 0x4002}, None, "", "AAAA")),
    ("a controller that may not be asked", unanswering(2), IGNORE + BAYS, 2, "critical-warning bay-2"),
    ("health through smartctl", through_smartctl(), IGNORE + BAYS, 0, ""),
    ("a warning through smartctl", through_smartctl(critical_warning=4), IGNORE + BAYS, 1, "critical-warning bay-1"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("machine", "build", "status", "said"),
    [pytest.param(*row, id=name) for name, *row in (*LINKS_AND_POSITIONS, *OCCUPANTS, *REST_OF_THE_BOX)],
)
def test_what_an_audit_says_of_a_box(audit: Audit, machine: Machine, build: str, status: int, said: str) -> None:
    ended = audit(machine, build)
    findings = ended.json()["findings"]
    found = {f"{finding['rule']} {finding['position'] or ''}".strip() for finding in findings}
    assert (ended.status, found) == (status, set(filter(None, said.split(", ")))), findings
    assert ended.json()["verdict"] == ("holds", "differs", "unverified")[status]
    standing = [finding for finding in findings if not finding.get("accepted")]
    assert any(finding["kind"] in ("differs", "sign") for finding in standing) == (status == 1)
    assert all(finding["next_steps"] for finding in standing)


@pytest.mark.parametrize(
    ("machine", "build", "rule", "words"),
    [
        (box(speed=SLOW), SPLIT, "link-slow", ("declared", "16 GT/s", "observed", "8 GT/s")),
        (box(width=NARROW), SPLIT, "link-narrow", ("declared x4", '"x4"', '"x2"')),
        (undeclared(), SPLIT, "occupant-unexpected", ("nvme7",)),
        (usb_disk(), "", "occupant-unexpected", ("/usb-1.2",)),
        (one_drive(capacity_bytes=2 * TB), KNOWN, "occupant-differs", ("2 TB", "4 TB")),
        (one_drive(model="Benthic B2"), KNOWN, "occupant-differs", ("Benthic B2", "Pelagic D4")),
        (moved(), SERIALS, "position-empty", ("bay-1", "bay-3")),
        (moved(), SERIALS, "occupant-differs", ("bay-1", "bay-3")),
        (state("dead"), ONE, "position-empty", ("dead",)),
        (board(box(), "F3"), FIRMWARE, "firmware-differs", ("F7", "F3")),
        (remembering(TWO[0], mem_total_kib=32_700_000), MEMORY, "memory-differs", ("32 GiB", "declared 2")),
        (DEGRADED, ARRAY, "array-degraded", ("critical", "bay-1", "bay-2")),
    ],
)
def test_a_finding_says_what_is_and_what_was_meant(
    audit: Audit, machine: Machine, build: str, rule: str, words: tuple[str, ...]
) -> None:
    (finding,) = [finding for finding in audit(machine, build).json()["findings"] if finding["rule"] == rule]
    assert [word for word in words if word not in json.dumps(finding)] == []


def test_audit_has_the_keys_that_it_promises(audit: Audit) -> None:
    said = audit(box(width=NARROW), SPLIT).json()
    assert (said["schema"], said["box"], said["verdict"]) == (1, "kelp-1", "differs")
    assert said["taken_at"].startswith("2026-09-21T")
    assert isinstance(said["counts"], dict)
    assert isinstance(said["inventory"], dict)
    (finding,) = said["findings"]
    assert {
        "rule", "kind", "severity", "position", "subject", "summary", "declared", "observed", "evidence", "causes",
        "next_steps", "since",
    } <= finding.keys()  # fmt: skip
    assert finding["since"] is None, "an audit of one pass has no history"


def test_same_ends_through_a_real_process(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(HEAD + SPLIT)
    for machine, status, verdict in (
        (box(), 0, "holds"),
        (box(width=NARROW), 1, "differs"),
        (box(log=None), 2, "unverified"),
    ):
        recording = write(tmp_path / "box.jsonl.gz", machine.frame())
        ended = program("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
        assert (ended.status, ended.json()["verdict"], ended.err) == (status, verdict, "")
