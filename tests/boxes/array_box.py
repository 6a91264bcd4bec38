"""A box for tests of the replacement guide: four drives in a RAID 5 of partitions, a free socket, a system drive."""

from collections.abc import Sequence
from typing import Any

from boxes.snapshot_box import A_MORNING, Box, declare, make_array
from laneproof.box.names import find_drives
from laneproof.findings import Finding
from laneproof.past.box_record import ArrayChecks, BoxRecord
from laneproof.past.past import Past
from laneproof.replacement import Guide, make_guide
from laneproof.rules import judge_all
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import ArrayMember, MountedFileSystem, Snapshot

DAY = 86400.0
PATHS = tuple(f"0000:00/01.{number}" for number in (1, 2, 3, 4))
FREE, SYSTEM = "0000:00/04.0", "0000:00/05.0"
BUILD = declare(
    "".join(
        f'[[position]]\nlabel = "riser-{number}"\npath = "{path}"\nlink = {{ generation = 4, lanes = 4 }}\n'
        f'occupant = {{ kind = "nvme", capacity = "4 TB", serial = "FN000{number}" }}\n'
        for number, path in enumerate(PATHS, start=1)
    )
    + f'[[position]]\nlabel = "deck-3"\npath = "{FREE}"\noccupant = {{ kind = "none" }}\n'
    + f'[[position]]\nlabel = "system"\npath = "{SYSTEM}"\noccupant = {{ kind = "nvme" }}\n'
    + '[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["riser-1", "riser-2", "riser-3", "riser-4"]\n'
)
CHECKED = Past(box=BoxRecord(checks={"md0": ArrayChecks(since=A_MORNING - 90 * DAY, ended_at=A_MORNING - 3 * DAY)}))
"""What the daemon remembers: a check of md0 that came to its end three days ago."""


def make_members(*states: str, part: str = "p2") -> tuple[ArrayMember, ...]:
    """Make members on nvme0, nvme1 and on; one that is faulty or a spare has no slot."""
    return tuple(
        ArrayMember(
            name=f"nvme{number}n1{part}",
            disk=f"nvme{number}n1",
            state=state,
            slot=None if state in ("faulty", "spare") else number,
            errors=0,
        )
        for number, state in enumerate(states)
    )


def make_mount(mount: str, device: str, kind: str = "ext4") -> MountedFileSystem:
    """Make a mounted file system."""
    return MountedFileSystem(
        mount=mount,
        device=device,
        kind=kind,
        size_bytes=10**12,
        available_bytes=10**11,
        read_only=False,
        declared_read_only=False,
    )


def array_box(*states: str, **facts: Any) -> Box:
    """Make the box; `states` are those of the array's members, `facts` the array's own."""
    box = Box()
    for number, path in enumerate(PATHS, start=1):
        box.with_port(path).with_drive(path, serial=f"FN000{number}")
    box.with_port(FREE).with_port(SYSTEM).with_drive(SYSTEM, serial="SYS1", capacity="500 GB")
    members = make_members(*(states or ("in_sync",) * 4))
    array: dict[str, Any] = {"members": members, "members_wanted": 4, "size_bytes": 12_000_000_000_000}
    array["degraded"] = sum("faulty" in state for state in states)
    return box.with_group(
        arrays=(make_array("md0", (), **array | facts),), file_systems=(make_mount("/", "/dev/nvme4n1p2"),)
    )


def guide_for(
    name: str, box: Box | Snapshot, *, past: Past = CHECKED, findings: Sequence[Finding] | None = None
) -> Guide:
    """Make the guide for a drive of the box; without findings those of the rules are taken."""
    snapshot = box.snapshot() if isinstance(box, Box) else box
    (position,) = find_drives(name, BUILD, snapshot)
    findings = judge_all(Pass.of(BUILD, snapshot)) if findings is None else findings
    return make_guide(position, BUILD, snapshot, findings, past)
