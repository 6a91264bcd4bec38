import tomllib
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.snapshot_box import DISPLAY, Box, kelp_box, make_array, make_sata_drive
from laneproof.declaration.file import parse_build
from laneproof.declaration.units import is_same_capacity
from laneproof.draft.facts import gather_draft
from laneproof.draft.file import write_draft
from laneproof.engine import Engine
from laneproof.findings import Kind
from laneproof_collectors.snapshot import PciFunction, Setting, Snapshot
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("/dev/something", "permission denied", Reason.DENIED)


def _draft(box: Box) -> str:
    text = write_draft(gather_draft(box.snapshot(), box_name="kelp-1"))
    parse_build(text, name="draft")
    return text


def _read(box: Box) -> dict[str, Any]:
    return tomllib.loads(_draft(box))


def _with_drive(gen: int = 4, **drive: Any) -> Box:
    return Box().with_port("0000:00/01.1", gen=gen, lanes=4).with_drive("0000:00/01.1", **drive)


def _blind(box: Box, **link: Unread) -> Box:
    """Leave out the registers of both ends, and of the link what is named."""

    def forget(function: PciFunction) -> PciFunction:
        return replace(function, express=GAP, link=replace(function.link, **link))

    return box.edit("0000:00/01.1", forget).edit("0000:00/01.1/00.0", forget)


WHOLE = "{ generation = 4, lanes = 4 }"


@pytest.mark.parametrize(
    ("box", "lines"),
    [
        # what the machine cannot know is a TODO; what changes too often stands as a comment
        (kelp_box(1), ['label = "drive-1" # TODO: a guess', 'TODO: through = ["board"]']),
        (
            kelp_box(1),
            ['release = "6.12.9-station"  would show when another kernel runs',
             'firmware = "2.1"  in the occupant would show when it changes'],
        ),
        # a link as both ends can do it, with what trained beside it
        (
            _with_drive(trained=(3, 2)),
            [f"link = {WHOLE} # trained at generation 3 x2 when this was drafted; both ends can do this"],
        ),
        (_with_drive(gen=3), ["link = { generation = 3, lanes = 4 }\n"]),
        (
            _blind(kelp_box(1), trained_gt_s=GAP),
            ["link = { lanes = 4 }", "link.generation is left out: could not read /dev/something: permission denied"],
        ),
        (
            _with_drive(trained=(1, 4), asleep=True),
            [f"link = {WHOLE} # slept at generation 1 when this was drafted; both ends can do this"],
        ),
        (
            _blind(_with_drive(trained=(1, 4), asleep=True), capable_gt_s=GAP),
            ["link = { lanes = 4 }",
             "link.generation is left out: the device slept at 2.5 GT/s (generation 1) when this was drafted"],
        ),
        # low-power link states are not declared off where one is on, or could not be read
        (
            _with_drive(aspm=2),
            ['links_aspm = "off" is left out: low-power link states are enabled at 0000:01:00.0'],
        ),
        (
            kelp_box(1).without_registers(),
            ['links_aspm = "off" is left out: could not read the link states of 0000:00:01.1'],
        ),
        (
            kelp_box(1).with_group(arrays=(make_array("md0", ("nvme0n1",), degraded=1),)),
            ["it was degraded when this was drafted: 1 missing"],
        ),
    ],
)  # fmt: skip
def test_draft_says_beside_each_line_what_it_rests_on(box: Box, lines: list[str]) -> None:
    text = _draft(box)
    said = text.replace("\n# ", " ")  # as one reads on over the end of a line
    assert [line for line in lines if line not in said] == []
    assert ("\nlinks_aspm" in text) is not ('links_aspm = "off" is left out' in said)


def test_drive_behind_a_switch_and_drive_on_a_controller_are_declared() -> None:
    box = Box().with_port("0000:00/03.1", lanes=8).with_switch("0000:00/03.1")
    box = box.with_port("0000:00/03.1/00.0/01.0").with_drive("0000:00/03.1/00.0/01.0")
    box = box.with_sata_drive("0000:00/17.0/ata-3", name="sda")
    drafted = {position["path"]: position for position in _read(box)["position"]}
    assert set(drafted) == {"0000:00/03.1/00.0/01.0", "0000:00/17.0/ata-3"}
    assert drafted["0000:00/17.0/ata-3"]["occupant"]["kind"] == "sata"
    assert "link" not in drafted["0000:00/17.0/ata-3"]


CARD = Box().with_port("0000:00/01.1", lanes=8).with_network("0000:00/01.1", "enp1s0", speed=2500, gen=3, lanes=8)
PORTS = Box().with_port("0000:00/01.1").with_network("0000:00/01.1", "a").with_network("0000:00/01.1", "b")


@pytest.mark.parametrize(
    ("box", "table", "declared"),
    [
        (
            kelp_box(1), "position",
            [{"label": "drive-1", "path": "0000:00/01.1", "link": {"generation": 4, "lanes": 4},
              "occupant": {"kind": "nvme", "capacity": "4 TB", "model": "Fulmar N4", "serial": "FN0001"}}],
        ),
        (kelp_box(1), "firmware", {"board": "Mole 3", "bios_version": "1.40", "bios_date": "03/14/2026"}),
        (
            kelp_box(1), "kernel",
            {"command_line": ["nvme_core.default_ps_max_latency_us=0"], "aspm_policy": "performance",
             "links_aspm": "off", "nvme_default_ps_max_latency_us": 0, "port_power_management": "on"},
        ),
        (kelp_box(1), "memory", {"total": "64 GiB", "modules": 2, "speed_mt_s": 5600, "ecc": False}),
        (
            kelp_box(4), "slot",
            {"split-1": {"path": "0000:00", "lanes": 16, "split": [4, 4, 4, 4], "bifurcation": True}},
        ),
        (  # a network card, and no display
            CARD.with_port("0000:00/02.1").with_device("0000:00/02.1", class_code=DISPLAY), "position",
            [{"label": "network-1", "path": "0000:00/01.1", "link": {"generation": 3, "lanes": 8},
              "occupant": {"kind": "network"}}],
        ),
        (
            kelp_box(3).with_array("md0", ("nvme0n1", "nvme2n1")), "array",
            [{"name": "md0", "level": "raid5", "members": ["drive-1", "drive-3"]}],
        ),
        (
            PORTS.with_bond("bond0", ("a", "b")), "bond",
            [{"name": "bond0", "mode": "802.3ad", "members": ["a", "b"], "member_speed_mbit_s": 10_000}],
        ),
        (CARD, "network", [{"name": "enp1s0", "speed_mbit_s": 2500}]),
    ],
)  # fmt: skip
def test_draft_declares_each_part_as_it_stands(box: Box, table: str, declared: object) -> None:
    assert _read(box)[table] == declared


GROUPS = ("functions", "slots", "controllers", "power", "firmware", "memory", "arrays", "interfaces", "bonds", "drives")


@pytest.mark.parametrize("group", GROUPS)
def test_group_that_could_not_be_read_is_reported(group: str) -> None:
    text = _draft(kelp_box(2).with_group(**{group: GAP}))
    assert "could not read /dev/something: permission denied" in text


def test_machine_with_nothing_readable_still_gives_a_declaration() -> None:
    groups = [
        name for name in Snapshot.__dataclass_fields__ if name not in ("taken_at", "up_seconds", "monotonic_seconds")
    ]
    text = _draft(Box().with_group(**dict.fromkeys(groups, GAP)))
    assert tomllib.loads(text) == {"schema": 1, "box": {"name": "kelp-1", "undeclared": "report"}}


def test_lines_of_a_draft_fit_an_ordinary_window() -> None:
    assert max(map(len, _draft(kelp_box(8)).splitlines())) <= 120


_ODD = st.text(alphabet=st.characters(), max_size=12)


@given(model=_ODD, serial=_ODD, board=_ODD, array=_ODD, word=_ODD, why=_ODD, name=_ODD)
def test_no_name_that_a_machine_gives_breaks_the_draft(
    *, model: str, serial: str, board: str, array: str, word: str, why: str, name: str
) -> None:
    box = kelp_box(1).with_drive("0000:00/01.1", model=model, serial=serial or " ", firmware=word)
    box = box.with_firmware(board_name=board, bios_version=Unread(board, why), kernel_release=word)
    box = box.with_power(command_line=(f"pcie_aspm{word}",)).with_array(array, ("nvme0n1",), level=word)
    box = box.with_group(drives=(make_sata_drive(word, None, model=model),), memory=Unread(word, why))
    text = write_draft(gather_draft(box.snapshot(), box_name=name))
    parse_build(text, name="draft")


@given(st.integers(1, 10**17))
def test_drafted_capacity_is_the_drives_own_within_one_percent(size_bytes: int) -> None:
    drive = make_sata_drive("sda", "0000:00/17.0/ata-1", capacity_bytes=size_bytes)
    text = write_draft(gather_draft(Box().with_group(drives=(drive,)).snapshot(), box_name="kelp-1"))
    occupant = parse_build(text, name="draft").position[0].occupant
    assert occupant is not None
    assert occupant.capacity is not None
    assert is_same_capacity(occupant.capacity, size_bytes)


_PATHS = tuple(f"0000:00/{hops}" for hops in ("01.1", "01.2", "01.3", "02.0", "03.1/00.0/01.0", "03.1/00.0/02.0"))


@given(
    drives=st.dictionaries(st.sampled_from(_PATHS), st.tuples(st.integers(1, 5), st.sampled_from([1, 2, 4]))),
    trained=st.dictionaries(st.sampled_from(_PATHS), st.tuples(st.integers(1, 3), st.sampled_from([1, 2]))),
    aspm=st.dictionaries(st.sampled_from(_PATHS), st.integers(0, 3)),
    asleep=st.sets(st.sampled_from(_PATHS)),
    members=st.sets(st.integers(0, 5)),
    lost=st.integers(0, 1),
    privileged=st.booleans(),
    others=st.sets(st.sampled_from(["sata", "bond", "port"])),
)
def test_drafted_declaration_holds_on_the_machine_it_was_drafted_from(
    *,
    drives: dict[str, tuple[int, int]],
    trained: dict[str, tuple[int, int]],
    aspm: dict[str, int],
    asleep: set[str],
    members: set[int],
    lost: int,
    privileged: bool,
    others: set[str],
) -> None:
    box = Box().with_port("0000:00/03.1", lanes=8).with_switch("0000:00/03.1")
    for path in _PATHS:
        box.with_port(path)
        if path in drives:
            generation, lanes = drives[path]
            reached = trained.get(path)
            less = reached and (min(reached[0], generation), min(reached[1], lanes))
            power = aspm.get(path, 0)
            box.with_drive(path, gen=generation, lanes=lanes, trained=less, aspm=power, asleep=path in asleep)
    if "sata" in others:
        box.with_sata_drive("0000:00/17.0/ata-3", name="sda")
    if members:
        box.with_array("md0", tuple(f"nvme{at}n1" for at in sorted(members)), degraded=lost)
    if "bond" in others:
        box.with_port("0000:00/05.0").with_network("0000:00/05.0", "a").with_network("0000:00/05.0", "b")
        box.with_bond("bond0", ("a", "b"))
    if "port" in others:
        box.with_port("0000:00/06.0").with_network("0000:00/06.0", "c", speed=2500)
    if not privileged:
        box.without_registers()
    # With another policy the kernel's settings could disagree with each other, which is no matter of the declaration.
    box.with_power(aspm_policy=Setting(value="default", origin="default"))
    snapshot = box.snapshot()
    build = parse_build(write_draft(gather_draft(snapshot, box_name="kelp-1")), name="draft")
    found = Engine(build).observe(snapshot).findings
    lower = {path for path, (generation, lanes) in trained.items() if path in drives and path not in asleep}
    differs = [finding for finding in found if finding.kind is Kind.DIFFERS and finding.rule != "array-degraded"]
    links = [finding for finding in differs if finding.rule in ("link-slow", "link-narrow")]
    assert differs == links
    labels = {position.path: position.label for position in build.position}
    assert {finding.position for finding in links} <= {labels.get(path) for path in lower}
