"""One drive that is taken out and put back again and again under the running service, in good order and by surprise.

Second witness for when: the kernel's own stamps in its log, or the moment at which sysfs has the drive no more.
"""

import json
from collections.abc import Callable
from typing import Any

import pytest

from laneproof.declaration.file import parse_build
from laneproof.engine import Engine, PassResult
from laneproof_collectors.hotplug import read_device_events
from laneproof_collectors.kernel_log.reading import read_kernel_events
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from laneproof_collectors.replaying import ReplayReader
from vm.boot import Boot
from vm.boxes import EMPTIED
from vm.guest.removals import DROPS, EMPTY, GONE_LINE, IN_GOOD_ORDER, RECORDED, REMOVALS, SURPRISES

pytestmark = [pytest.mark.vm("setpci"), pytest.mark.services("systemctl")]

Facts = dict[str, Any]

LIMIT_SECONDS = 2.0
APART_SECONDS = 7200.0
"""Twice what makes two disconnects two episodes."""


def one_finding(facts: Facts, rule: str, position: str) -> Facts | None:
    found = [finding for finding in facts["findings"] if finding["rule"] == rule and finding["position"] == position]
    assert len(found) <= 1
    return dict(found[0]) if found else None


@pytest.mark.parametrize("name", REMOVALS)
def test_each_removal_is_an_empty_position_within_two_seconds_until_the_drive_is_back(
    service: Boot, labels: dict[str, str], name: str, record_property: Callable[[str, object], None]
) -> None:
    went, came = service.facts(name), service.facts(f"{name}-back")
    position = labels[EMPTIED]
    for what, facts in (("gone", went), ("back", came)):
        assert facts["changed"]
        for rule, seconds in facts["reported_after"].items():
            record_property(f"{what}: {rule}, seconds after the event", seconds)
            print(f"{name}: {what}: {rule} {seconds} s after the event")  # noqa: T201 (the record of the run)
    assert one_finding(went, EMPTY, position)
    assert one_finding(came, EMPTY, position) is None
    if name not in RECORDED:  # these are made while a recorder works beside the service
        assert went["reported_after"][EMPTY] < LIMIT_SECONDS * went["waiting"]


@pytest.mark.parametrize("name", IN_GOOD_ORDER)
def test_a_removal_that_somebody_asked_for_is_no_drop(service: Boot, labels: dict[str, str], name: str) -> None:
    for facts in (service.facts(name), service.facts(f"{name}-back")):
        assert not [line for line in facts["log"] if GONE_LINE in line]
        assert one_finding(facts, DROPS, labels[EMPTIED]) is None


@pytest.mark.parametrize("name", [*SURPRISES, *RECORDED])
def test_a_removal_that_the_kernel_did_not_expect_is_a_drop_until_it_is_back(
    service: Boot, labels: dict[str, str], name: str
) -> None:
    went, came = service.facts(name), service.facts(f"{name}-back")
    assert [line for line in went["log"] if GONE_LINE in line]
    drop, later = (one_finding(facts, DROPS, labels[EMPTIED]) for facts in (went, came))
    assert drop
    assert later
    assert "it is not back" in drop["summary"]
    assert "it came back" in later["summary"]
    assert drop["causes"]
    assert drop["next_steps"]


def test_drops_within_the_hour_are_one_episode_that_grows(service: Boot, labels: dict[str, str]) -> None:
    """So a contact that flaps is one complaint: its lines add up, and its severity stays."""
    drops = [one_finding(service.facts(name), DROPS, labels[EMPTIED]) for name in SURPRISES]
    reported = [drop for drop in drops if drop is not None]
    assert len(reported) == len(SURPRISES)
    assert {(finding["evidence"]["episodes"], finding["severity"]) for finding in reported} == {(1, "warning")}
    lines = [finding["evidence"]["last_episodes"][-1]["lines"] for finding in reported]
    assert lines == sorted(set(lines))


def test_each_removal_in_good_order_is_one_episode_and_reported_as_such(service: Boot, labels: dict[str, str]) -> None:
    answer = service.facts("events")["reported"]
    assert answer["status"] == 0, answer["err"]
    events = [event for event in json.loads(answer["out"])["events"] if event["kind"] == "episode"]
    here = [event["text"].split("; ")[0].partition(": ")[2] for event in events if event["position"] == labels[EMPTIED]]
    # the two, then the surprises within their hour, then the one with which the story of the service goes on
    assert here[: len(IN_GOOD_ORDER)] == ["taken out in good order"] * len(IN_GOOD_ORDER)
    assert len([line for line in here if line.startswith("dropped off the bus")]) == 1
    assert len(here) == len(IN_GOOD_ORDER) + 2


# --- the same with hours between --------------------------------------------------------------------------------------


def set_apart(recording: str) -> tuple[str, list[str]]:
    """Let hours pass before each time that the kernel tells of a card that is gone; all else is as it was recorded."""
    header, *lines = recording.splitlines()
    shift = 0.0
    frames = []
    for number, line in enumerate(lines):
        frame = json.loads(line)
        if number == 0:
            frame.pop("kmsg", None)  # the ring as it was before
        if any(GONE_LINE in record for record in frame.get("kmsg", ())):
            shift += APART_SECONDS
        for clock in ("t", "up"):
            frame[clock] += shift
        if "kmsg" in frame:
            frame["kmsg"] = [_shift_record(record, shift) for record in frame["kmsg"]]
        frames.append(json.dumps(frame))
    return header, frames


def _shift_record(record: str, shift: float) -> str:
    head, semicolon, text = record.partition(";")
    level, sequence, microseconds, *rest = head.split(",")
    return ",".join([level, sequence, str(int(microseconds) + int(shift * 1e6)), *rest]) + semicolon + text


@pytest.fixture(scope="module")
def hours(service: Boot) -> list[PassResult]:
    facts = service.facts("removals-recorded")
    assert facts["record"]["status"] == 0
    header, frames = set_apart(facts["recording"])
    host = RecordedHost(parse_header(header), parse_frames(iter(frames)))
    engine, reader = Engine(parse_build(service.facts("draft")["build"], name="build.toml")), ReplayReader(host)
    outcomes = []
    while host.advance():
        news = read_kernel_events(host), read_device_events(host)
        snapshot = reader.read()
        outcomes.append(engine.observe(snapshot, *news, read_again=reader.read_again))
    return outcomes


def test_drops_hours_apart_are_an_episode_each_and_the_second_is_worse(
    hours: list[PassResult], labels: dict[str, str]
) -> None:
    """What a real kernel said of each removal, as if two hours lay between them."""
    states: list[tuple[int, str]] = []
    for outcome in hours:
        for finding in outcome.findings:
            if finding.rule == DROPS and finding.position == labels[EMPTIED]:
                state = (finding.evidence["episodes"], str(finding.severity))
                states += [state] if state not in states else []
                assert finding.causes
                assert finding.next_steps
    assert states == [(1, "warning"), *((number, "critical") for number in range(2, len(RECORDED) + 1))]


def test_each_of_them_empties_the_position_and_fills_it_again(hours: list[PassResult], labels: dict[str, str]) -> None:
    changes = [
        str(change.change)
        for outcome in hours
        for change in outcome.changes
        if change.finding.rule == EMPTY and change.finding.position == labels[EMPTIED]
    ]
    assert changes == ["raised", "cleared"] * len(RECORDED)
