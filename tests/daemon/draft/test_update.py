import re
import tomllib
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.snapshot_box import Box, kelp_box, make_memory, make_sata_drive
from laneproof.declaration.file import BuildError, parse_build
from laneproof.draft.facts import gather_draft
from laneproof.draft.file import write_draft
from laneproof.draft.update import update_build
from laneproof_collectors.unread import Reason, Unread

OWN = """\
# Kelp station, north rack.   Ask before pulling anything.
schema = 1
box.name = "kelp-1"   # the tape says so

[memory]
total = "64 GiB"
speed_mt_s = 5600

# [firmware] is none of our business

[[position]]          # nearest to the fan
label = "upper left"  # yellow tape
path = "0000:00/02.0"
through = ["board", { kind = "flexible-cable", id = "C7" }]
link.generation = 4   # as bought
link.lanes = 4
[position.occupant]
kind = "nvme"
role = "data"         # never the system
serial = "FN0001"     # read off the drive

[[array]]
name = "md0"
members = [
  "upper left",       # the old one
]

[[position]]
label = "lower left"
path = "0000:00/03.0"
occupant = { kind = "none" } # kept free
"""


def _box() -> Box:
    return Box().with_port("0000:00/02.0").with_drive("0000:00/02.0", serial="FN0001").with_port("0000:00/03.0")


def _update(text: str, box: Box) -> str:
    updated = update_build(text, gather_draft(box.snapshot(), box_name="other"), name="old.toml")
    parse_build(updated, name="updated")
    again = update_build(updated, gather_draft(box.snapshot(), box_name="other"), name="old.toml")
    assert again == updated, "a second update changes nothing"
    return updated


def _comments(text: str) -> list[str]:
    return re.findall(r"#[^\n;]*?(?= *(?:;|$))", text, re.MULTILINE)


def test_declaration_of_a_machine_that_did_not_change_gains_only_what_was_not_declared() -> None:
    updated = _update(OWN, _box())
    assert updated.startswith(OWN)
    assert set(tomllib.loads(updated)) - set(tomllib.loads(OWN)) == {"kernel"}


def test_fresh_draft_is_up_to_date() -> None:
    box = kelp_box(3).with_array("md0", ("nvme0n1",))
    fresh = write_draft(gather_draft(box.snapshot(), box_name="kelp-1"))
    assert _update(fresh, box) == fresh


LEVEL = OWN.replace('name = "md0"', 'name = "md0"\nlevel = "RAID 1"')
LIMITED = OWN.replace("link.generation = 4", "link.generation = 3")
ASPM = "pcie_aspm=off also costs AER and native hot plug: better pcie_aspm.policy=performance"


def _with_array(level: str) -> Box:
    return _box().with_drive("0000:00/03.0", serial="FN0002").with_array("md0", ("nvme1n1",), level=level)


def _with_first(**drive: Any) -> Box:
    return _box().with_drive("0000:00/02.0", **{"serial": "FN0001"} | drive)


@pytest.mark.parametrize(
    ("own", "box", "lines"),
    [
        # a drive that was exchanged, and one that is missing
        (
            OWN, _with_first(serial="FN0777"),
            ['serial = "FN0777"     # read off the drive; was serial = "FN0001" until 2026-09-21',
             'role = "data"         # never the system'],
        ),
        (
            OWN, _box().without("0000:00/02.0"),
            ['path = "0000:00/02.0"  # nothing was found here on 2026-09-21',
             'serial = "FN0001"     # read off the drive'],
        ),
        # a link beyond its new device, and a limit that is gone without a reason, become what both ends can do
        (
            OWN, _with_first(gen=3),
            ["link.generation = 3   # as bought; was generation = 4 until 2026-09-21", "link.lanes = 4"],
        ),
        (LIMITED, _box(), ["link.generation = 4   # as bought; was generation = 3 until 2026-09-21"]),
        # what trained as declared is the owner's limit, whatever the ends can do; a fault stays one; a reason is meant
        (LIMITED, _with_first(trained=(3, 4)), ["link.generation = 3   # as bought", "link.lanes = 4"]),
        (OWN, _with_first(trained=(3, 2)), ["link.generation = 4   # as bought", "link.lanes = 4"]),
        (OWN.replace("link.lanes = 4", 'link.lanes = 2\nlink.because = "ribbon"'), _box(), ["link.lanes = 2"]),
        # the owner's own words for the same
        (LEVEL, _with_array("raid1"), ['level = "RAID 1"']),
        (LEVEL, _with_array("raid5"), ['level = "raid5"  # was level = "RAID 1" until 2026-09-21']),
        (OWN.replace('"64 GiB"', '"63.8 GiB"'), _box(), ['total = "63.8 GiB"', "speed_mt_s = 5600"]),
        # the kernel's settings
        (
            OWN + '[kernel]\ncommand_line = ["pcie_aspm=force"]\nrelease = "6.12"\naspm_policy = "powersave"\n', _box(),
            ['command_line = ["pcie_aspm=force"]  # not on the command line on 2026-09-21: pcie_aspm=force',
             'release = "6.12"', 'aspm_policy = "performance"  # was aspm_policy = "powersave" until 2026-09-21'],
        ),
        (
            OWN + '[kernel]\ncommand_line = ["pcie_aspm=off"]\n', _box().with_power(command_line=("pcie_aspm=off",)),
            [f'command_line = ["pcie_aspm=off"]  # {ASPM}'],
        ),
        # line breaks of another system, and none at the end
        (
            OWN.replace("\n", "\r\n"), _with_first(serial="FN0777"),
            ['serial = "FN0777"     # read off the drive; was serial = "FN0001" until 2026-09-21\r'],
        ),
        (OWN + "# last words", _box(), ["# last words", "", "# Found on 2026-09-21, not declared before:"]),
    ],
)  # fmt: skip
def test_what_changed_is_changed_in_its_line_and_the_rest_stays(own: str, box: Box, lines: list[str]) -> None:
    updated = _update(own, box).split("\n")
    assert [line for line in lines if line not in updated] == []


SECOND = _box().with_drive("0000:00/03.0", serial="FN0002")
PORTS = _box().with_port("0000:00/05.0").with_network("0000:00/05.0", "a").with_network("0000:00/05.0", "b")
BOND = '\n[[bond]]\nname = "bond0"\nmode = "active-backup"\nmembers = ["a"]\nmember_speed_mbit_s = 1000\n'


@pytest.mark.parametrize(
    ("own", "box", "table", "declared", "line"),
    [
        # a drive in a position that was meant to be empty is declared in full
        (
            OWN, SECOND, lambda build: build["position"][1]["occupant"],
            {"kind": "nvme", "capacity": "4 TB", "model": "Fulmar N4", "serial": "FN0002"}, "# kept free; was kind",
        ),
        # a new member is added to its array, and none is taken away; a new array has the owner's labels
        (
            OWN, _with_array("raid1"), lambda build: build["array"][0],
            {"name": "md0", "members": ["upper left", "lower left"]}, '"upper left", "lower left",       # the old one',
        ),
        (
            OWN, _box().with_array("md1", ("nvme0n1",), level="raid1"), lambda build: build["array"][1],
            {"name": "md1", "level": "raid1", "members": ["upper left"]}, "",
        ),
        (
            OWN, _box().with_group(memory=make_memory("16 GiB", configured_mt_s=4800)), lambda build: build["memory"],
            {"total": "16 GiB", "speed_mt_s": 4800}, 'total = "16 GiB"  # was total = "64 GiB" until 2026-09-21',
        ),
        *(
            (
                f'{OWN}\n[kernel]\nrelease = "{old}"\n', _box().with_firmware(kernel_release="6.12.9"),
                lambda build: build["kernel"], {"release": new}, "",
            )
            for old, new in (("6.1", "6.1"), ("6.1.", "6.12.9"))  # 6.12.9 begins with 6.1
        ),
        (
            OWN + BOND, PORTS.with_bond("bond0", ("a", "b")), lambda build: build["bond"][0],
            {"name": "bond0", "mode": "802.3ad", "members": ["a", "b"], "member_speed_mbit_s": 10_000}, "",
        ),
    ],
)  # fmt: skip
def test_what_changed_is_declared_as_it_is(
    own: str, box: Box, table: Callable[[dict[str, Any]], object], declared: object, line: str
) -> None:
    updated = _update(own, box)
    assert table(tomllib.loads(updated)) == declared
    assert line in updated


def test_new_drive_is_added_at_the_end_with_a_label_of_its_own() -> None:
    own = OWN.replace("lower left", "drive-1")
    box = _box().with_port("0000:00/04.0").with_drive("0000:00/04.0", serial="FN0003")
    updated = _update(own, box)
    assert updated.startswith(own)
    new = tomllib.loads(updated)["position"][2]
    assert (new["label"], new["path"], new["occupant"]["serial"]) == ("drive-2", "0000:00/04.0", "FN0003")
    assert "# Found on 2026-09-21, not declared before:" in updated


def test_position_of_backup_drives_that_take_turns_stays_as_written() -> None:
    turns = '[position.occupant]\nkind = "nvme"\ncapacity = "8 TB"\nany_of = [{ serial = "A1" }, { serial = "B1" }]\n'
    own = OWN[: OWN.index("[position.occupant]")].replace(
        'path = "0000:00/02.0"', 'path = "0000:00/02.0"\nremovable = true'
    )
    for box in (_box(), _box().without("0000:00/02.0")):
        assert _update(own + turns, box).startswith(own + turns)


@pytest.mark.parametrize("group", ["functions", "controllers"])
def test_drive_that_could_not_be_read_is_not_called_missing(group: str) -> None:
    gap = Unread("/sys/bus/pci/devices", "permission denied", Reason.DENIED)
    updated = _update(OWN, _box().with_group(**{group: gap}))
    assert "nothing was found" not in updated
    assert updated.startswith(OWN)


def test_section_that_the_owner_commented_out_is_not_added() -> None:
    assert "firmware" not in tomllib.loads(_update(OWN, _box()))


def test_new_branch_goes_into_the_owners_slot() -> None:
    fresh = write_draft(gather_draft(kelp_box(3).with_port("0000:00/01.4").snapshot(), box_name="kelp-1"))
    own = fresh.replace("split-1-", "riser-").replace("split-1", "riser")
    new = tomllib.loads(_update(own, kelp_box(4)))["position"][3]
    assert (new["slot"], new["branch"]) == ("riser", 4)


def test_slot_that_the_owner_deleted_does_not_come_back() -> None:
    fresh = write_draft(gather_draft(kelp_box(3).with_port("0000:00/01.4").snapshot(), box_name="kelp-1"))
    own = re.sub(r"\[slot.*\n(#.*\n)*path.*\nlanes.*\nsplit.*\nbifurcation.*\n", "", fresh)
    own = re.sub(r"slot = .*\nbranch = .*\n", "", own)
    updated = tomllib.loads(_update(own, kelp_box(4)))
    assert "slot" not in updated
    assert "slot" not in updated["position"][3]


def test_slot_comes_with_the_first_drive_of_it() -> None:
    updated = tomllib.loads(_update('schema = 1\nbox.name = "kelp-1"\n', kelp_box(2)))
    assert updated["slot"]["split-1"]["split"] == [4, 4]
    assert [position["slot"] for position in updated["position"]] == ["split-1", "split-1"]


def test_position_comes_without_its_slot_where_the_owner_wrote_the_slots_in_braces() -> None:
    own = 'schema = 1\nslot = { a = { path = "0000:00" } }\nbox.name = "kelp-1"\n'
    updated = tomllib.loads(_update(own, kelp_box(2)))
    assert list(updated["slot"]) == ["a"]
    assert len(updated["position"]) == 2


def test_rows_written_in_brackets_grow_in_brackets() -> None:
    own = 'schema = 1\nbox = { name = "kelp-1" }\nposition = [\n  { label = "a", path = "0000:00/02.0" }, # first\n]\n'
    updated = _update(own, _box().with_drive("0000:00/03.0", serial="FN0002"))
    assert "# first" in updated
    assert [position["label"] for position in tomllib.loads(updated)["position"]] == ["a", "drive-2"]


def _keys(value: object, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path} | {key for step, inner in items for key in _keys(inner, (*path, step))}


@given(
    serials=st.lists(st.sampled_from(["FN0001", "FN0002", "FN0003"]), min_size=4, max_size=4),
    trained=st.sampled_from([None, (1, 1), (3, 4)]),
    empty=st.sets(st.integers(0, 3)),
    sata=st.booleans(),
    array=st.sets(st.integers(0, 3)),
)
def test_nothing_that_the_owner_wrote_is_ever_lost(
    *, serials: list[str], trained: tuple[int, int] | None, empty: set[int], sata: bool, array: set[int]
) -> None:
    box = Box()
    for at, serial in enumerate(serials):
        box.with_port(f"0000:00/0{at + 1}.0")
        if at not in empty:
            box.with_drive(f"0000:00/0{at + 1}.0", serial=serial, trained=trained)
    if sata:
        box.with_group(drives=(make_sata_drive("sda", "0000:00/17.0/ata-3"),))
    box.with_array("md0", tuple(f"nvme{at}n1" for at in sorted(array)))
    updated = _update(OWN, box)
    assert all(comment in updated for comment in _comments(OWN))
    assert _keys(tomllib.loads(OWN)) <= _keys(tomllib.loads(updated))
    assert [position["label"] for position in tomllib.loads(updated)["position"]][:2] == ["upper left", "lower left"]


def test_update_of_what_is_no_declaration_is_refused_by_name() -> None:
    with pytest.raises(BuildError, match=r"old.toml, line 1: lanse is not a key here"):
        update_build("lanse = 1", gather_draft(_box().snapshot(), box_name="kelp-1"), name="old.toml")
