"""The simulator itself: what it writes is a recording, the same each time, and says what the box truly is."""

import json
from collections import deque
from dataclasses import replace

import pytest

from laneproof.declaration.file import parse_build
from laneproof_collectors.collection import make_collectors, read_snapshot
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from simulation.box import PATHS, find_changes
from simulation.families import REPORT, TUNING, Family
from simulation.hardware import Presence
from simulation.plots import KINDS, PLOTS
from simulation.views import Counting, HealthView, View
from simulation.worlds import START, World, make_world
from support.unread_answers import known

BRIEF = replace(TUNING, pace=((1800.0, 12.0),), declared_share=1.0)
RICH = View(spacing_seconds=1800.0)


def brief(kind: str, seed: int = 1, family: Family = BRIEF) -> World:
    return make_world(kind, seed, family)


def recorded(lines: list[str]) -> RecordedHost:
    return RecordedHost(parse_header(lines[0]), parse_frames(iter(lines[1:])))


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_seed_gives_the_same_recording(kind: str) -> None:
    first, again = list(brief(kind).lines()), list(brief(kind).lines())
    assert first == again
    assert first != list(brief(kind, seed=2).lines())


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3))
def test_the_frames_add_up_to_the_box_as_it_stands(kind: str, seed: int) -> None:
    world = brief(kind, seed)
    lines = list(world.lines())
    running = world.running
    running.is_off = False
    running.frame()  # one more, at the end
    lines += running._lines
    host = recorded(lines)
    while host.advance():
        pass
    state = running.box.state()
    for path, text in state["files"].items() if world.view.has_states else ():
        if not world.view.hides(path):
            assert host.file(path) == text.encode(), path
    if world.view.health is HealthView.LOG and world.view.has_states:
        assert host._nvme == state["nvme"]


@pytest.mark.parametrize("kind", KINDS)
def test_every_frame_is_read_by_the_collectors(kind: str) -> None:
    host = recorded([*brief(kind, 5).lines()])
    collectors = make_collectors()
    count = 0
    while host.advance() and count < 150:
        snapshot = read_snapshot(host, collectors)
        assert known(snapshot.functions)
        assert known(snapshot.controllers)
        count += 1
    assert count > 50


@pytest.mark.parametrize("kind", [*PLOTS])
@pytest.mark.parametrize("family", [TUNING, REPORT])
def test_a_fault_shows_itself_and_never_before_it_began(kind: str, family: Family) -> None:
    worlds = [make_world(kind, seed, replace(family, pace=((7200.0, 40.0),))) for seed in range(3)]
    for world in worlds:
        deque(world.lines(), maxlen=0)
    faults = [fault for world in worlds for fault in world.faults]
    assert all(fault.cause == kind for fault in faults)
    assert sum(bool(fault.shown) for fault in faults) >= 2
    assert all(t >= fault.began_at for fault in faults for t in fault.shown)


def test_a_healthy_box_has_no_fault_and_all_the_noise() -> None:
    family = replace(REPORT, pace=((21600.0, 365.0),))
    worlds = [make_world("healthy", seed, family) for seed in range(3)]
    boots, refused, errors, cuts = 0, 0, 0, 0
    for world in worlds:
        drives = [life.drive for life in world.running.lives if life.drive]
        before = sum(drive.health.error_log_entries for drive in drives)
        unsafe = sum(drive.health.unsafe_shutdowns for drive in drives)
        for line in world.lines():
            frame = json.loads(line)
            boots += "boot_id" in frame
            errors += any("Bus Error" in record for record in frame.get("kmsg", ()))
        assert not world.faults
        refused += sum(drive.health.error_log_entries for drive in drives) - before
        cuts += sum(drive.health.unsafe_shutdowns for drive in drives) - unsafe
    assert boots > 3 * 10
    assert refused > 500
    assert errors > 5
    assert cuts > 5


def test_a_declaration_describes_its_box() -> None:
    world = brief("signal-path")
    build = parse_build(known(world.build), name="build.toml")
    assert {position.label for position in build.position} == set(world.labels.values())


def test_what_changed_is_named_in_the_same_order_in_each_process() -> None:
    """Which a set of words does not do: its order is drawn anew for each."""
    drives = {f"nvme{number}": {"log:2": ""} for number in range(9)}
    nothing: dict[str, dict[str, object]] = {key: {} for key in (*PATHS, "dirs", "nvme", "smartctl", "statvfs")}
    assert [*find_changes({"nvme": drives, "smartctl": drives}, nothing)["nvme"]] == [*drives]


def test_what_a_view_hides_is_not_recorded() -> None:
    world = brief("healthy")
    blind = replace(
        RICH, registers=False, block_statistics=False, counting=Counting.NONE, kernel_log=False, device_events=False
    )
    running = world.running
    running.view = running._writer._view = blind
    for port in running.box.walk_ports():
        port.has_aer = False
        if port.drive:
            port.drive.has_aer = False
    text = "".join(running.run(START + 2 * 86400))
    for hidden in ("/config", '/stat"', "aer_dev", '"kmsg"', '"uevents"'):
        assert hidden not in text


@pytest.mark.parametrize("health", [*HealthView])
def test_the_kernels_thermometers_are_recorded_where_the_log_cannot_be_read(health: HealthView) -> None:
    running = brief("heat").running
    running.box.thermometers = health is not HealthView.LOG
    running.view = running._writer._view = replace(RICH, health=health)
    host = recorded([*running.run(START + 2 * 86400)])
    collectors = make_collectors()
    readings: dict[str, set[float]] = {}
    while host.advance():
        snapshot = read_snapshot(host, collectors)
        for controller in snapshot.controllers if isinstance(snapshot.controllers, tuple) else ():
            for reading in controller.temperatures:
                (drive,) = (
                    life.drive for life in running.lives if life.drive and life.drive.serial == controller.serial
                )
                assert reading.maximum_celsius == drive.warning_celsius
                assert reading.critical_celsius == drive.critical_celsius
                assert isinstance(reading.celsius, float)
                readings.setdefault(drive.serial, set()).add(reading.celsius)
    if health is HealthView.LOG:
        assert readings == {}  # a reader has no need to ask, and a recording holds what was asked
        return
    assert len(readings) == sum(life.drive is not None for life in running.lives)
    assert all(len(celsius) > 1 for celsius in readings.values())  # they follow load and room


def test_a_lost_drive_is_gone_from_the_recorded_state_until_it_is_back() -> None:
    family = replace(REPORT, pace=((3600.0, 40.0),))
    seen = set()
    for seed in range(6):
        world = make_world("power-management", seed, family)
        before = 0
        for _ in world.lines():
            presences = [life.drive.presence for life in world.running.lives if life.drive]
            away = sum(presence is not Presence.HERE for presence in presences)
            seen.add((before > 0, away > 0))
            before = away
    assert (False, True) in seen
    assert (True, False) in seen


def test_a_swap_moves_a_drive_with_its_counters() -> None:
    moved = 0
    for seed in range(8):
        world = make_world("drive-failing", seed, replace(TUNING, pace=((21600.0, 50.0),)))
        deque(world.lines(), maxlen=0)
        fault = world.faults[0]
        moved += len(fault.positions) > 1
        assert len(fault.serials) == 1
    assert moved >= 1
