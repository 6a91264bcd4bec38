"""The values of a comparison: its verdict, its JSON, and the small words that sentences are made of."""

import pytest

from boxes.snapshot_box import declare, kelp_box
from laneproof.box.inventory.from_snapshot import make_inventory
from laneproof.box.inventory.inventory import Inventory, KeptLink
from laneproof.changes import Change, Comparison, DatedInventory, Gap, Outcome, Topic
from laneproof.changes.change import Pair, is_same_link, join_words

CHANGE = Change(what=Outcome.WENT, about=Topic.DRIVE, subject="riser-1", summary="it is gone")
NOTHING = Inventory(firmware=None, positions=())


@pytest.mark.parametrize(
    ("changes", "one_sided", "verdict"),
    [
        ((), [], "same"),
        ((), [False], "same"),
        ((), [False, True], "unverified"),
        ((CHANGE,), [True], "changed"),
    ],
)
def test_verdict_is_three_valued(changes: tuple[Change, ...], one_sided: list[bool], verdict: str) -> None:
    gaps = tuple(Gap(part="x", why="y", one_sided=side) for side in one_sided)
    assert Comparison(changes=changes, gaps=gaps).verdict == verdict


def test_json_names_both_snapshots() -> None:
    before = DatedInventory(name="a.json", box="kelp-1", taken_at=0.0, inventory=NOTHING)
    after = DatedInventory(name="this machine", box=None, taken_at=86400.0, inventory=NOTHING)
    answer = Comparison(changes=(CHANGE,)).as_json(before, after)
    assert answer["before"] == {"source": "a.json", "box": "kelp-1", "taken_at": "1970-01-01T00:00:00Z"}
    assert (answer["after"]["box"], answer["verdict"], answer["changes"][0]["what"]) == (None, "changed", "went")


def link(gt_s: float | None, lanes: int | None) -> KeptLink:
    return KeptLink(generation=None, lanes=lanes, transfers_per_second=None if gt_s is None else gt_s * 1e9)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (link(16, 4), link(16, 4), True),
        (link(16, 4), link(8, 4), False),
        (link(16, 4), link(16, 2), False),
        (link(None, 4), link(8, 4), True),
        (link(None, 4), link(8, 2), False),
        (link(None, None), link(8, 2), True),
    ],
)
def test_only_what_is_known_of_both_can_differ(one: KeptLink, other: KeptLink, *, same: bool) -> None:
    assert is_same_link(one, other) is same
    assert is_same_link(other, one) is same


def test_words_of_sentences() -> None:
    assert [join_words(some) for some in (["a"], ["a", "b"], ["a", "b", "c"])] == ["a", "a and b", "a, b and c"]


def test_position_is_named_by_the_label_of_either_snapshot() -> None:
    build = declare('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"')
    labelled, bare = (make_inventory(declared, kelp_box(1).snapshot()) for declared in (build, None))
    assert Pair(labelled, bare).name_position("0000:00/01.1") == "riser-1"
    assert Pair(bare, labelled).name_position("0000:00/01.1") == "riser-1"
    assert Pair(bare, bare).name_position("0000:00/01.1") == "0000:00/01.1"
