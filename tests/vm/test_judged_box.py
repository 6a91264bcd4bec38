"""The running service on a real kernel: what it says of arrays, a bond and memory while they are broken and mended.

Second witnesses: mdadm's own figures for what an array holds; the hardware itself for the rest, which the test breaks.
"""

import dataclasses
import re
from typing import Any

import pytest

from laneproof.declaration.raid_levels import LEVELS, usable_bytes
from vm.boot import GUEST, Boot
from vm.boxes import WHOLE_BOX

pytestmark = pytest.mark.vm("mdadm", "mkfs.btrfs", "ip")

Facts = dict[str, Any]

BOX = dataclasses.replace(WHOLE_BOX, modules=(*WHOLE_BOX.modules, "raid0", "raid1", "raid10"))


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    with Boot(BOX, (GUEST / "judged_box.py",), tmp_path_factory.mktemp("judged-box"), seconds=600) as boot:
        boot.wait("remove-from-array")
        boot.remove_drive("array-drive-4")
        boot.answer()
        boot.wait("remove-from-pool")
        boot.remove_drive("pool-drive-2")
        boot.answer()
        boot.finish()
    return boot


def say(facts: Facts, rule: str, subject: str | None = None) -> Facts:
    """Give the one finding of a rule, of one subject where one is named."""
    found = [
        finding for finding in facts["findings"] if finding["rule"] == rule and subject in (None, finding["subject"])
    ]
    assert len(found) == 1, [finding["summary"] for finding in facts["findings"]]
    return dict(found[0])


def rules(facts: Facts) -> set[str]:
    return {finding["rule"] for finding in facts["findings"]}


# --- the desk check against mdadm -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", LEVELS)
def test_usable_capacity_is_what_mdadm_makes(box: Boot, name: str) -> None:
    """Of what md uses of each drive the desk check's figure is exact; of the whole drives md keeps a few per cent."""
    facts = box.facts("levels")
    level, array = LEVELS[name], facts[name]
    assert f"Raid Level : {name}\n" in array["mdadm"]
    planned = usable_bytes(level, [facts["drive_bytes"]] * 4)
    assert 0.9 * planned < array["bytes"] <= planned
    if used := re.search(r"Used Dev Size : (\d+)", array["mdadm"]):  # raid0 gives none: its members may differ
        assert array["bytes"] == usable_bytes(level, [int(used[1]) * 1024] * 4)


# --- memory and bond --------------------------------------------------------------------------------------------------


def test_memory_below_its_rating_is_slow(box: Boot) -> None:
    finding = say(box.facts("whole"), "memory-slow", "memory rate")
    assert finding["kind"] == "differs"
    assert finding["observed"] == "DIMM_A2 4800 MT/s, DIMM_B2 4800 MT/s"
    assert finding["declared"] == "5600 MT/s"


def test_a_whole_box_has_no_finding_of_arrays_and_bonds_but_the_check_nobody_saw(box: Boot) -> None:
    facts = box.facts("whole")
    assert facts["settled"]
    for found in (facts, facts["audit"]):
        assert {rule for rule in rules(found) if rule.startswith(("array-", "bond-", "network-"))} == {
            "array-scrub-overdue"
        }
        assert say(found, "array-scrub-overdue")["kind"] == "unverified"


def test_a_bond_whose_partner_left_is_incomplete_with_both_members_up(box: Boot) -> None:
    facts = box.facts("not-aggregated")
    finding = say(facts, "bond-incomplete", "bond0")
    assert facts["together"] == 1
    assert set(finding["evidence"]["members"].values()) == {"up"}
    assert "is up but in aggregator" in finding["summary"]
    assert any("one copy of one file" in step for step in finding["next_steps"])


# --- arrays -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["failed", "failed-again"])
def test_a_failed_member_is_reported_with_the_positions_that_must_not_be_touched(box: Boot, stage: str) -> None:
    finding = say(box.facts(stage), "array-degraded", "md0")
    assert finding["severity"] == "critical"
    assert finding["evidence"]["out_of_it"] == ["bay-3"]
    assert sorted(finding["evidence"]["do_not_touch"]) == ["bay-1", "bay-2", "bay-4"]
    assert finding["evidence"]["further_losses_survived"] == 0
    assert "survives no further loss; do not touch bay-" in finding["summary"]


def test_a_rebuild_is_reported_with_the_time_left(box: Boot) -> None:
    facts = box.facts("rebuilding")
    assert facts["reported"]
    finding = say(facts, "array-rebuilding", "md0")
    assert finding["observed"] == "recover"
    assert 0 <= finding["evidence"]["completed_share"] < 1
    # 62 MiB of each drive at the limit that was set take a quarter of a minute; software emulation may need more
    assert 0 < finding["evidence"]["seconds_left"] < 120
    assert sorted(finding["evidence"]["do_not_touch"]) == ["bay-1", "bay-2", "bay-3", "bay-4"]


def test_a_mended_array_is_whole_again(box: Boot) -> None:
    assert box.facts("mended")["reported"]


def test_a_check_that_ran_while_the_service_watched_is_known(box: Boot) -> None:
    facts = box.facts("checked")
    assert facts["reported"], [finding["summary"] for finding in facts["findings"]]
    assert facts["mismatches"] == "0"
    assert "array-errors" not in rules(facts)


def test_a_second_loss_is_the_failure_of_the_array(box: Boot) -> None:
    assert say(box.facts("emptied"), "position-empty")["position"] == "bay-4"
    facts = box.facts("array-failed")
    finding = say(facts, "array-degraded", "md0")
    assert finding["severity"] == "critical"
    assert "has failed without 2 of 4 members" in finding["summary"]
    assert sorted(finding["evidence"]["out_of_it"]) == ["bay-3", "bay-4"]
    assert sorted(finding["evidence"]["do_not_touch"]) == ["bay-1", "bay-2"]
    assert any("force nothing" in step for step in finding["next_steps"])


def test_a_mirror_without_one_of_its_drives_is_degraded(box: Boot) -> None:
    finding = say(box.facts("pool-missing"), "array-degraded", "reef")
    assert finding["severity"] == "critical"
    assert finding["summary"].startswith("raid1 array reef runs without 1 of 2 members")


def test_the_service_ends_when_it_is_told_to(box: Boot) -> None:
    assert box.facts("stopped")["status"] == 0
