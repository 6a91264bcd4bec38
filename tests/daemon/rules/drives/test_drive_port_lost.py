"""drive-port-lost: one of a drive's two ports is gone, and the drive works on."""

import pytest

from boxes.simulated_past import HOUR, Story
from boxes.snapshot_box import Box, declare
from boxes.story_engine import DAY, Watcher
from laneproof.past.past import Past
from laneproof.rules.drives.drive_port_lost import DRIVE_PORT_LOST
from laneproof_collectors.snapshot import NvmeNamespace
from support.rule_examples import check_examples, example

FIRST, SECOND = "0000:00/01.1", "0001:00/01.1"


# NVM Express Base Specification 2.0, CNTLID: two controllers of one drive have numbers of their own (from memory)
def dual(*paths: str) -> Box:
    box = Box()
    for number, path in enumerate((SECOND, FIRST)):
        box.with_port(path)
        if path in paths:
            space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=4 * 10**12, wwid="eui.0025385b71b01121")
            box.with_drive(path, serial="A", controller={"controller_id": number, "namespaces": (space,)})
    return box


@pytest.mark.parametrize(("restarts", "severity"), [(False, "warning"), (True, "notice")])
@pytest.mark.parametrize("left", [FIRST, SECOND])
def test_a_port_that_is_lost_is_said_until_it_is_back(*, restarts: bool, severity: str, left: str) -> None:
    watcher = Watcher("drive-port-lost").observe(dual(FIRST, SECOND)).observe(dual(FIRST, SECOND), after=HOUR)
    if restarts:
        watcher.restart(after=HOUR)
    watcher.observe(dual(left), after=60.0).observe(dual(left), after=HOUR)
    if not watcher.standing:  # the loss of what the tree knew as the drive's first port is an episode for two days
        watcher.observe(dual(left), after=3 * DAY)
    assert watcher.severity == severity
    lost = SECOND if left == FIRST else FIRST
    assert f"nothing answers at {lost}" in watcher.standing[0].summary
    watcher.observe(dual(FIRST, SECOND), after=HOUR)
    assert watcher.standing == []


def test_a_short_absence_a_moved_drive_and_a_declared_position_are_no_case() -> None:
    watcher = Watcher("drive-port-lost").observe(dual(FIRST, SECOND)).observe(dual(FIRST), after=60.0)
    assert watcher.observe(dual(FIRST, SECOND), after=60.0).changes == []
    build = declare(f'[[position]]\nlabel = "a"\npath = "{SECOND}"')
    watcher = Watcher("drive-port-lost", build).observe(dual(FIRST, SECOND)).observe(dual(FIRST), after=HOUR)
    assert watcher.observe(dual(FIRST), after=HOUR).changes == []  # position-empty says so


def one_lost() -> Past:
    story = Story().observe(dual(FIRST, SECOND))
    return story.observe(dual(FIRST), after=HOUR).observe(dual(FIRST), after=HOUR).past


def test_examples() -> None:
    check_examples(
        DRIVE_PORT_LOST,
        None,
        example(dual(FIRST, SECOND)),
        example(dual(FIRST), "warning nvme0 | Leave the port", past=one_lost()),
    )
