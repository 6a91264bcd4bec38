"""The demo: its packaged file is what its generator writes, it stays small, and it has its story."""

import gzip
import json
from functools import cache
from importlib import resources

from laneproof.declaration.build import Build
from laneproof.declaration.file import parse_build
from laneproof.desk.check import check_budget
from laneproof.rules import judge_all
from laneproof.rules.rule import Pass
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.kernel_log.formats import EventKind
from laneproof_collectors.kernel_log.reading import kernel_events
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_frames, parse_header
from laneproof_collectors.snapshot import HealthLog, Snapshot
from laneproof_collectors.unread import Unread
from simulation.kelp import write_kelp
from support.unread_answers import known

MOST_BYTES = 300_000
DEMO = resources.files("laneproof.demo")


@cache
def packaged() -> bytes:
    return DEMO.joinpath("kelp-1.jsonl.gz").read_bytes()


def build() -> Build:
    return parse_build(DEMO.joinpath("kelp-1.toml").read_text(), name="kelp-1.toml")


def lines() -> list[str]:
    return gzip.decompress(packaged()).decode().splitlines()


@cache
def as_it_stands() -> Snapshot:
    recording = lines()
    host = RecordedHost(parse_header(recording[0]), parse_frames(iter(recording[1:])))
    while host.advance():
        pass
    return read_snapshot(host)


def health_of(serial: str) -> HealthLog | Unread:
    controllers = known(as_it_stands().controllers)
    return next(controller.health for controller in controllers if controller.serial == serial)


def test_the_packaged_file_is_what_the_generator_writes() -> None:
    assert lines() == write_kelp(), "run python -m simulation.kelp ../daemon/laneproof/demo in tests"


def test_the_packaged_file_is_small() -> None:
    assert len(packaged()) < MOST_BYTES


def test_its_declaration_is_one() -> None:
    assert [position.label for position in build().position][:4] == ["riser-1", "riser-2", "riser-3", "riser-4"]


def test_at_the_end_two_links_are_short_and_one_drive_refuses() -> None:
    functions = known(as_it_stands().functions)
    links = {
        function.own_path: (function.link.trained_gt_s, function.link.trained_lanes)
        for function in functions
        if function.is_bridge
    }
    assert links["0000:00/01.1"] == (16.0, 4)
    assert links["0000:00/01.3"] == (16.0, 2)
    assert links["0000:00/01.4"] == (8.0, 4)
    assert isinstance(health_of("SW8T-5502"), Unread)


def test_the_rest_of_the_box_is_as_declared() -> None:
    """The archive's array is whole, both ports carry together, the memory runs at its rate."""
    rules = {finding.rule for finding in judge_all(Pass.of(build(), as_it_stands()))}
    assert not {rule for rule in rules if rule.startswith(("array-", "bond-", "network-", "memory-", "occupant-"))}
    (array,) = known(as_it_stands().arrays)
    assert (array.name, array.level, array.degraded, len(array.members)) == ("md0", "raid5", 0, 4)
    assert [(bond.name, bond.aggregated_ports) for bond in known(as_it_stands().bonds)] == [("bond0", 2)]
    modules = known(known(as_it_stands().memory).modules)
    assert [module.configured_mt_s for module in modules] == [5600, 5600]


def test_it_fits_and_names_the_network_as_narrowest() -> None:
    """Four of 4 TB in RAID 5 hold 12 TB, two 10 Gbit/s ports carry 20 together: common practice."""
    checked = check_budget(build())
    assert checked.problems == ()
    assert [(array.name, array.usable_bytes) for array in checked.arrays] == [("md0", 12 * 10**12)]


def test_at_the_end_the_power_settings_are_the_trial_s_and_the_fallen_back_policy() -> None:
    power = known(as_it_stands().power)
    latency = known(power.nvme_max_latency_us)
    assert (known(power.aspm_policy).value, latency.value, latency.origin) == ("default", "0", "command-line")


def test_a_cable_makes_errors_that_its_siblings_do_not() -> None:
    functions = known(as_it_stands().functions)
    counts = {
        function.path: sum(function.aer.correctable.values())
        for function in functions
        if not function.is_bridge and function.aer and not isinstance(function.aer.correctable, Unread)
    }
    assert counts.pop("0000:00/01.3") > 5_000
    assert max(counts.values()) < 5


def test_a_drive_has_found_its_first_bad_blocks() -> None:
    assert 2 <= known(health_of("SW8T-5501")).media_errors <= 8


def test_the_log_has_drops_after_rests_and_under_the_copy_and_of_lost_data() -> None:
    moments: dict[EventKind, list[float]] = {}
    for line in lines()[1:]:
        frame = json.loads(line)
        for timed in kernel_events(frame.get("kmsg", ())):
            moments.setdefault(timed.event.kind, []).append(frame["t"])
    assert len(moments[EventKind.CONTROLLER_DOWN]) >= 8
    assert len(moments[EventKind.MEDIA_ERROR]) >= 2
    assert len(moments[EventKind.AER_CORRECTABLE]) >= 20
