"""Arrays, a bond, memory and a bad sector on a real kernel, whole and broken: the collectors against other tools.

Second witnesses: mdadm, btrfs-progs, dmidecode, free, and the bonding driver's file under /proc.
"""

import json
import re
from typing import Any

import pytest

from laneproof_collectors.kernel_log.reading import classify
from support.unread_answers import known
from vm.boot import GUEST, Boot
from vm.boxes import WHOLE_BOX

pytestmark = pytest.mark.vm

Facts = dict[str, Any]

DMIDECODE_NAMES = (
    "Locator", "Bank Locator", "Size", "Speed", "Configured Memory Speed", "Part Number",
)  # fmt: skip


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    with Boot(WHOLE_BOX, (GUEST / "whole_box.py",), tmp_path_factory.mktemp("whole-box")) as boot:
        boot.wait("remove-from-pool")
        boot.remove_drive("pool-drive-2")
        boot.answer()
        boot.wait("remove-from-array")
        boot.remove_drive("array-drive-4")
        boot.answer()
        boot.finish()
    return boot


def _array(facts: Facts, kind: str) -> Facts:
    (found,) = (array for array in facts["facts"]["arrays"] if array["kind"] == kind)
    return dict(found)


def _number(text: str, label: str) -> int:
    found = re.search(rf"^\s*{label}\s*: (\d+)", text, re.MULTILINE)
    assert found, f"no {label} in {text}"
    return int(found[1])


def _messages(log: list[str]) -> list[str]:
    return [re.sub(r"^<\d+>\[ *[\d.]+\] ", "", line) for line in log]


@pytest.mark.parametrize(("stage", "degraded"), [("whole", 0), ("degraded", 1), ("array-failed", 2)])
def test_array_agrees_with_mdadm(box: Boot, stage: str, degraded: int) -> None:
    facts = box.facts(stage)
    array, mdadm = _array(facts, "md"), facts["mdadm"]
    assert array["level"] == known(re.search(r"Raid Level : (\w+)", mdadm))[1]
    assert array["members_wanted"] == _number(mdadm, "Raid Devices") == 4
    assert array["size_bytes"] == _number(mdadm, "Array Size") * 1024
    assert array["degraded"] == 4 - _number(mdadm, "Active Devices") == degraded
    rows = re.findall(r"^ +\S+ +\d+ +\d+ +(\d+|-) +(active sync|faulty) +(?:/dev/)?(\S+)$", mdadm, re.MULTILINE)
    mdadm_says = {name: (state, slot) for slot, state, name in rows if name != "missing"}
    states = {"in_sync": "active sync", "faulty": "faulty"}
    ours = {
        member["name"]: (states[member["state"]], "-" if member["slot"] is None else str(member["slot"]))
        for member in array["members"]
    }
    assert mdadm_says.items() <= ours.items()
    assert len(ours) == 4


def test_raid_5_of_four_holds_three(box: Boot) -> None:
    facts = box.facts("whole")
    used = _number(facts["mdadm"], "Used Dev Size") * 1024
    assert _array(facts, "md")["size_bytes"] == 3 * used


def test_a_failed_array_is_no_longer_clean(box: Boot) -> None:
    assert _array(box.facts("degraded"), "md")["state"] == "clean"
    assert _array(box.facts("array-failed"), "md")["state"] == "broken"
    assert "State : clean, FAILED" in box.facts("array-failed")["mdadm"]


def test_the_kernel_says_that_the_array_is_degraded(box: Boot) -> None:
    events = [classify(message) for message in _messages(box.facts("degraded")["kernel_log"])]
    assert {(event.kind, event.device) for event in events if event} >= {("array_degraded", "md0")}


@pytest.mark.parametrize(("stage", "missing"), [("whole", 0), ("pool-missing", 1)])
def test_mirror_agrees_with_btrfs(box: Boot, stage: str, missing: int) -> None:
    facts = box.facts(stage)
    pool = _array(facts, "btrfs")
    assert pool["name"] == "reef"
    assert pool["level"] == "raid1"
    assert pool["members_wanted"] == int(known(re.search(r"Total devices (\d+)", facts["btrfs"]))[1])
    assert pool["degraded"] == facts["btrfs"].count("MISSING") == missing
    present = re.findall(r"path /dev/(\S+)", facts["btrfs"])
    assert sorted(member["name"] for member in pool["members"] if member["state"] == "present") == sorted(present)
    assert [member["state"] for member in pool["members"]].count("missing") == missing


def test_mirror_error_counts_agree_with_btrfs(box: Boot) -> None:
    facts = box.facts("whole")
    counts = re.findall(r"_errs +(\d+)$", facts["btrfs_errors"], re.MULTILINE)
    counted = [count for device in _array(facts, "btrfs")["error_statistics"].values() for count in device.values()]
    assert counted == [int(count) for count in counts] == [0] * 10  # five kinds on each of two devices


def test_bond_agrees_with_its_driver(box: Boot) -> None:
    facts = box.facts("whole")
    (bond,) = facts["facts"]["bonds"]
    assert bond["mode"] == "802.3ad"
    assert f"Transmit Hash Policy: {bond['transmit_hash']} " in facts["bond"]
    assert f"\tAggregator ID: {bond['active_aggregator']}\n" in facts["bond"]
    assert f"\tNumber of ports: {bond['aggregated_ports']}\n" in facts["bond"]
    assert f"\tPartner Mac Address: {bond['partner_mac']}\n" in facts["bond"]
    members = re.findall(
        r"Slave Interface: (\S+)\nMII Status: (\w+)\n"
        r"(?:.*\n)*?Link Failure Count: (\d+)\n(?:.*\n)*?Aggregator ID: (\d+)",
        facts["bond"],
    )
    assert members == [
        (member["name"], member["mii_status"], str(member["link_failures"]), str(member["aggregator_id"]))
        for member in bond["members"]
    ]


def test_two_ports_of_ten_gigabit_carry_twenty_together(box: Boot) -> None:
    """Common practice, and the bonding driver's own sum: what one flow gets is still one member's rate."""
    facts = box.facts("whole")
    speeds = {interface["name"]: interface["speed_mbit_s"] for interface in facts["facts"]["interfaces"]}
    (bond,) = facts["facts"]["bonds"]
    members = [member["name"] for member in bond["members"]]
    assert [speeds[name] for name in members] == [10000, 10000]
    assert speeds["bond0"] == 20000
    assert bond["aggregated_ports"] == 2
    assert bond["partner_mac"] == "52:54:00:00:02:01"
    assert facts["bond"].count("Speed: 10000 Mbps") == 2


def test_interfaces_agree_with_ip(box: Boot) -> None:
    facts = box.facts("whole")
    shown = {load["ifname"]: load["operstate"].lower() for load in json.loads(facts["links"])}
    ours = {interface["name"]: interface["operational_state"] for interface in facts["facts"]["interfaces"]}
    assert ours == {name: shown[name] for name in ours}
    assert len(ours) == 3


def test_a_member_whose_partner_left_is_up_but_not_aggregated(box: Boot) -> None:
    (bond,) = box.facts("not-aggregated")["facts"]["bonds"]
    assert [member["mii_status"] for member in bond["members"]] == ["up", "up"]
    assert len({member["aggregator_id"] for member in bond["members"]}) == 2
    assert bond["aggregated_ports"] == 1
    assert "\tNumber of ports: 1\n" in box.facts("not-aggregated")["bond"]


def test_memory_agrees_with_dmidecode(box: Boot) -> None:
    facts = box.facts("whole")
    tables = facts["dmidecode"].split("Memory Device\n")[1:]
    shown = [dict(re.findall(r"^\t([^:\n]+): (.*)$", table, re.MULTILINE)) for table in tables]
    ours = facts["facts"]["memory"]["modules"]
    assert [
        {
            "Locator": module["locator"],
            "Bank Locator": module["bank"],
            "Size": f"{module['size_bytes'] >> 30} GB",
            "Speed": f"{module['rated_mt_s']} MT/s",
            "Configured Memory Speed": f"{module['configured_mt_s']} MT/s",
            "Part Number": module["part"],
        }
        for module in ours
    ] == [{name: table[name] for name in DMIDECODE_NAMES} for table in shown]
    assert [(module["rated_mt_s"], module["configured_mt_s"]) for module in ours] == [(5600, 4800)] * 2
    assert [module["ecc"] for module in ours] == [table["Total Width"] != table["Data Width"] for table in shown]


def test_the_memory_that_the_kernel_has_agrees_with_free(box: Boot) -> None:
    facts = box.facts("whole")
    total = int(facts["memory_kib"].splitlines()[1].split()[1])
    assert facts["facts"]["memory"]["total_bytes"] == total * 1024


def test_an_unreadable_sector_is_reported_by_the_kernel_as_a_media_error(box: Boot) -> None:
    facts = box.facts("unreadable-sector")
    assert "error reading" in facts["dd"]
    events = [event for message in _messages(facts["kernel_log"]) if (event := classify(message))]
    disk = box.facts("whole")["disks"]["WORN-0001"]
    assert {(event.kind, event.device) for event in events} == {("media_error", disk)}
