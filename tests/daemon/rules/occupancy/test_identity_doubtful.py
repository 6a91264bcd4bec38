"""identity-doubtful: twins, drives without a name, drives that are not what they were."""

from boxes.simulated_past import PATHS, quiet_snapshot, renamed_past
from boxes.snapshot_box import Box, declare_risers, one_drive
from boxes.story_engine import DAY, Watcher
from laneproof.rules.occupancy.identity_doubtful import IDENTITY_DOUBTFUL
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import NvmeNamespace
from support.rule_examples import check_examples, example


def doubts(box: Box) -> list[str]:
    return [finding.summary for finding in IDENTITY_DOUBTFUL.judge(Pass.of(None, box.snapshot()))]


def two(first: dict[str, object], second: dict[str, object]) -> Box:
    made = Box().with_port(PATHS[0]).with_drive(PATHS[0], controller=first)
    return made.with_port(PATHS[1]).with_drive(PATHS[1], controller=second)


def test_a_drive_with_two_ports_is_one_drive() -> None:
    port = {"serial": "X1", "model": "A"}
    assert doubts(two({**port, "controller_id": 1}, {**port, "controller_id": 2})) == []


def test_a_drive_without_a_serial_number_is_doubtful() -> None:
    assert "reports no serial number" in doubts(two({"serial": ""}, {}))[0]


def test_namespaces_with_the_same_identifier_are_twins_and_zeros_are_none() -> None:
    def space(number: int, eui64: str) -> dict[str, object]:
        made = NvmeNamespace(name=f"nvme{number}n1", number=1, size_bytes=1, eui64=eui64)
        return {"namespaces": (made,)}

    assert len(doubts(two(space(0, "0025385b71b05d3e"), space(1, "0025385b71b05d3e")))) == 2
    assert doubts(two(space(0, "0000000000000000"), space(1, "0000000000000000"))) == []


def test_another_capacity_under_the_same_number_is_reported_for_a_week() -> None:
    watcher = (
        Watcher("identity-doubtful").observe(one_drive(capacity="2 TB")).observe(one_drive(capacity="4 TB"), after=DAY)
    )
    assert watcher.severity == "notice"
    assert "its capacity was 2000000000000 and is 4000000000000" in watcher.standing[0].summary
    watcher.observe(one_drive(capacity="4 TB"), after=8 * DAY)
    assert watcher.standing == []


def test_twins_are_reported_once_while_both_are_known() -> None:
    """Also while one of them is out: what is left is not known by that number."""
    both = two({"serial": "X1"}, {"serial": "X1"})
    alone = Box().with_port(PATHS[0]).with_port(PATHS[1]).with_drive(PATHS[1], controller={"serial": "X1"})
    watcher = Watcher("identity-doubtful").observe(both)
    for box in (alone, both, alone):
        assert len(watcher.observe(box, after=DAY).standing) == 2
    assert watcher.became == ["raised", "raised"]
    watcher.observe(alone, after=31 * DAY)
    assert watcher.standing == []


def test_examples() -> None:
    check_examples(
        IDENTITY_DOUBTFUL,
        declare_risers(2),
        example(quiet_snapshot()),
        example(
            two({"serial": "FN77"}, {"serial": "FN77"}),
            "notice nvme0 | If it was replaced",
            "notice nvme1 | If it was replaced",
        ),
        example(renamed_past(), "notice nvme0 | If it was replaced"),
    )
