"""All collectors of one machine: each fills its own group, and a fault in one leaves the others alone."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.collection import Collector, assemble, make_collectors, read_fenced, read_snapshot
from laneproof_collectors.host import Host
from laneproof_collectors.live_host import LiveHost
from laneproof_collectors.questions import Clock
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import parse_header
from laneproof_collectors.snapshot import GROUPS, Firmware, KernelPower, Memory, Thermal
from laneproof_collectors.unread import Reason, Unread
from simulation.nonsense import NonsenseHost
from support.unread_answers import unread

CLOCK = Clock(unix_seconds=1_790_000_000.0, up_seconds=60.0)


def empty_host() -> Host:
    return RecordedHost(parse_header('{"format": "laneproof-recording", "version": 1}'))


def test_each_group_of_a_snapshot_has_one_collector() -> None:
    assert sorted(collector.group for collector in make_collectors()) == sorted(GROUPS)


def test_each_table_remembers_for_itself() -> None:
    first, second = make_collectors(), make_collectors()
    caches = [
        collector.read.keywords.get("cache")
        for table in (first, second)
        for collector in table
        if hasattr(collector.read, "keywords")
    ]
    assert len({id(cache) for cache in caches}) == len(caches) > 0


def test_a_pass_over_a_machine_that_shows_nothing_gives_a_whole_snapshot() -> None:
    snapshot = read_snapshot(empty_host())
    assert {name for name in GROUPS if getattr(snapshot, name) is None} == set()
    assert isinstance(snapshot.functions, Unread)


def test_a_fault_of_a_collectors_code_becomes_unread_and_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    def fail(_: Host) -> object:
        raise KeyError("odd")

    facts = unread(read_fenced(Collector(group="power", interval_seconds=1, read=fail), empty_host()))
    assert facts.reason is Reason.FAILED
    assert "the collector of power failed" in caplog.text
    assert "KeyError: 'odd'" in caplog.text


def test_a_group_that_was_not_read_yet_is_unread_and_not_empty() -> None:
    snapshot = assemble({"arrays": ()}, CLOCK)
    assert (snapshot.taken_at, snapshot.up_seconds, snapshot.arrays) == (1_790_000_000.0, 60.0, ())
    others = {name: getattr(snapshot, name) for name in GROUPS - {"arrays"}}
    assert all(isinstance(other, Unread) and other.reason is Reason.NOT_ASKED for other in others.values())


WHOLE = {"power": KernelPower, "firmware": Firmware, "memory": Memory, "thermal": Thermal}
"""Groups that are one fact, whose parts fail each by itself; the others are tuples of facts."""
BTRFS = "3d7e8a52-1c4b-4f7e-9a10-7b5c2e6f9d01"
NAMES = {
    "functions": ["0000:00:01.1", "0000:01:00.0", "10000:e0:06.0", "README", "l1_aspm", "\udcff"],
    "controllers": ["nvme0", "nvme1", "nvme0n1", "nvme0c1n1", "hwmon3", "nvme-subsys0"],
    "power": ["a.conf", "0000:00:1c.0", "0000:00:1c.0:pcie002", "bind"],
    "slots": ["1", "9-0", "9-1", "strange"],
    "firmware": ["0-0", "2-0", "strange"],
    "memory": ["16-0", "17-0", "17-1", "mc0", "mc1", "strange"],
    "arrays": ["md0", "md1", "dev-nvme0n1p1", "dev-dm-0", "tank", "arcstats", BTRFS, "features", "1", "2", "raid1"],
    "interfaces": ["eth0", "bond0", "lo", "bonding_masters"],
    "bonds": ["eth0", "bond0", "lo", "bonding_masters"],
    "thermal": ["hwmon0", "temp1_input", "temp1_fault", "fan1_input", "fan1_alarm", "power1_average", "intel-rapl:0",
                "cpu0", "cpu1"],
    "drives": ["sda", "sdaa", "sr0", "phy-7:1"],
    "file_systems": ["x"],
    "mapped": ["dm-0", "dm-1", "sda", "md0", "\udcff"],
}  # fmt: skip
"""Of each group, names that lead its collector further down."""


@pytest.mark.parametrize("group", NAMES)
@given(data=st.data())
def test_any_answers_give_facts_or_a_reason(group: str, data: st.DataObject) -> None:
    (collector,) = [collector for collector in make_collectors() if collector.group == group]
    facts = collector.read(NonsenseHost(data.draw, NAMES[group]))
    assert isinstance(facts, WHOLE.get(group, tuple | Unread))


@pytest.mark.parametrize(
    "group", ["power", "firmware", "memory", "arrays", "interfaces", "bonds", "thermal", "file_systems"]
)
def test_this_machine_is_read(group: str) -> None:
    (collector,) = [collector for collector in make_collectors() if collector.group == group]
    assert isinstance(collector.read(LiveHost()), WHOLE.get(group, tuple))
