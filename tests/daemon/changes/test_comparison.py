"""A firmware update and what it reset are one change; an unchanged box has none; what could not be read is said."""

import gzip
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.compared_boxes import BUILD, PATHS, compare_boxes, only_change, take
from boxes.snapshot_box import L1, Box, kelp_box
from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.box.inventory.inventory import Inventory
from laneproof.changes import Change, Comparison, Outcome, Topic, compare
from laneproof.declaration.build import Build
from laneproof.declaration.file import parse_build
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from laneproof_collectors.snapshot import Setting
from laneproof_collectors.unread import Reason, Unread


def flatten(changes: tuple[Change, ...]) -> list[Change]:
    return [detail for change in changes for detail in (change, *flatten(change.details))]


def after_update() -> Box:
    """A box whose firmware update reset the split of its slot, the rates, the link states and the memory."""
    box = Box().with_port(PATHS[0], lanes=16, gen=3, aspm=L1).with_drive(PATHS[0], serial="FN0001")
    box.with_firmware(bios_version="1.41", bios_date="09/01/2026")
    box.with_memory("32 GiB", "32 GiB", configured_mt_s=4800)
    return box.with_power(
        aspm_policy=Setting(value="default", origin="sysfs"), aer_owner=Setting(value="off", origin="firmware")
    )


def before_update() -> Box:
    return kelp_box(4).with_power(aer_owner=Setting(value="os", origin="firmware"))


def test_a_firmware_update_that_reset_everything_is_one_change() -> None:
    change = only_change(before_update(), after_update())
    assert (change.what, change.about, change.subject) == (Outcome.REFLASHED, Topic.FIRMWARE, "board firmware")
    assert change.summary == "version 1.41 of 09/01/2026, before 1.40 of 03/14/2026"
    assert {detail.subject for detail in change.details} == {
        "slot at 0000:00/01",
        "riser-1",
        "memory",
        "aspm_policy",
        "error reporting (AER) is owned by",
    }
    reported = [detail.subject for detail in flatten(change.details) if detail.what is Outcome.WENT]
    assert reported == ["riser-2", "riser-3", "riser-4"]


def test_without_the_update_the_same_resets_are_changes_of_their_own() -> None:
    after = after_update().with_firmware(bios_version="1.40", bios_date="03/14/2026")
    comparison = compare_boxes(before_update(), after)
    assert len(comparison.changes) >= 5
    assert Topic.FIRMWARE not in {change.about for change in comparison.changes}


def test_what_an_update_cannot_do_stands_beside_it() -> None:
    after = kelp_box(4).without(PATHS[3]).with_firmware(bios_version="1.41")
    changes = compare_boxes(kelp_box(4), after).changes
    assert [(change.about, change.what) for change in changes] == [
        (Topic.FIRMWARE, Outcome.REFLASHED),
        (Topic.DRIVE, Outcome.WENT),
    ]


@pytest.mark.parametrize("build", [None, BUILD])  # the drive's position has a label or not
def test_ports_that_firmware_numbered_again_are_reported_with_the_update(build: Build | None) -> None:
    before = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", serial="S1")
    after = Box().with_port("0000:00/06.0").with_drive("0000:00/06.0", serial="S1").with_firmware(bios_version="1.41")
    change = only_change(before, after, build)
    (detail,) = change.details
    assert (detail.what, detail.path) == (Outcome.MOVED, "0000:00/06.0")
    assert detail.summary.startswith("ports may have new numbers: ")


def test_the_same_move_without_an_update_is_a_move() -> None:
    before = Box().with_port("0000:00/01.1").with_drive("0000:00/01.1", serial="S1")
    after = Box().with_port("0000:00/06.0").with_drive("0000:00/06.0", serial="S1")
    change = only_change(before, after, None)
    assert (change.what, change.before, change.after) == (Outcome.MOVED, "0000:00/01.1", "0000:00/06.0")


def test_kernel_settings_go_with_the_kernel_where_both_are_new() -> None:
    policy = Setting(value="default", origin="sysfs")
    after = kelp_box(1).with_firmware(bios_version="1.41", kernel_release="6.13").with_power(aspm_policy=policy)
    firmware, kernel = compare_boxes(kelp_box(1), after).changes
    assert (firmware.details, [change.subject for change in kernel.details]) == ((), ["aspm_policy"])


def test_a_start_in_between_is_worth_knowing_and_no_change() -> None:
    after = kelp_box(1).with_firmware(boot_id="another")
    comparison = compare_boxes(kelp_box(1), after)
    assert (comparison.changes, comparison.notes) == ((), ("the box was restarted in between",))
    assert comparison.verdict == "same"


GROUPS = (
    "functions", "controllers", "drives", "power", "firmware", "memory", "arrays", "interfaces", "bonds",
)  # fmt: skip


@given(st.sets(st.sampled_from(GROUPS)))
def test_what_one_snapshot_could_not_read_never_becomes_a_change(groups: set[str]) -> None:
    gap = Unread("it", "permission denied", Reason.DENIED)
    whole = kelp_box(3).with_array("md0", ("nvme0n1", "nvme1n1", "nvme2n1"))
    blind = kelp_box(3).with_array("md0", ("nvme0n1", "nvme1n1", "nvme2n1")).with_group(**dict.fromkeys(groups, gap))
    # The make-believe box makes the tree itself, so that group is put in last.
    for boxes in ((whole, blind), (blind, whole)):
        comparison = compare_boxes(*boxes)
        assert comparison.changes == ()
        assert comparison.verdict == ("unverified" if groups else "same")


@pytest.mark.parametrize(
    ("paths", "why"),
    [
        ("aa", "both snapshots could not read a: denied"),
        ("ab", "the earlier snapshot could not read a: denied; the later snapshot could not read b: denied"),
    ],
)
def test_a_part_that_neither_snapshot_could_read_is_said_once_and_is_no_doubt_about_a_change(
    paths: str, why: str
) -> None:
    first, second = (kelp_box(1).with_group(memory=Unread(path, "denied", Reason.DENIED)) for path in paths)
    comparison = compare_boxes(first, second)
    assert [(unknown.part, unknown.why) for unknown in comparison.gaps] == [("memory", why)]
    assert comparison.verdict == "same"


def test_an_audit_from_before_a_part_was_kept_leaves_it_open() -> None:
    new = take(kelp_box(1).with_device("0000:00/03.0"))
    old = Inventory(firmware=new.firmware, positions=new.positions)
    for sides, name in (((old, new), "earlier"), ((new, old), "later")):
        comparison = compare(*sides)
        assert (comparison.changes, comparison.verdict) == ((), "unverified")
        assert ("ports", f"the {name} snapshot does not hold it") in [(gap.part, gap.why) for gap in comparison.gaps]


def test_json_holds_the_whole_tree_of_changes() -> None:
    change = only_change(before_update(), after_update())
    answer = change.as_json()
    assert answer["what"] == "reflashed"
    assert len(answer["details"]) == len(change.details)
    assert {"what", "about", "subject", "summary", "path", "before", "after", "details"} == answer.keys()


@pytest.fixture(scope="module")
def demo() -> list[Inventory]:
    folder = resources.files("laneproof.demo")
    lines = iter(gzip.decompress(folder.joinpath("kelp-1.jsonl.gz").read_bytes()).decode().splitlines())
    build = parse_build(folder.joinpath("kelp-1.toml").read_text(), name="kelp-1.toml")
    host = RecordedHost(parse_header(next(lines)), parse_frames(lines))
    taken = []
    while host.advance():
        taken.append(make_inventory(build, read_snapshot(host)))
    return taken


def test_the_demo_is_shown_as_its_story_goes(demo: list[Inventory]) -> None:
    """The firmware update capped riser-4 and let the policy go; the cable of riser-3 is another matter."""
    comparison: Comparison = compare(demo[0], demo[-1])
    update = next(change for change in comparison.changes if change.about is Topic.FIRMWARE)
    assert [change.subject for change in update.details] == ["riser-4", "aspm_policy"]
    assert [change.summary.partition(";")[0] for change in update.details[0].details] == [
        "trained gen3 x4, before gen4 x4"
    ]
    (cable,) = [change for change in comparison.changes if change.about is Topic.LINK]
    assert (cable.what, cable.subject, cable.after) == (Outcome.RETRAINED, "riser-3", "gen4 x2")


def test_the_demo_compared_with_itself_has_no_change(demo: list[Inventory]) -> None:
    assert compare(demo[0], demo[0]).verdict == "same"
