"""Links whose errors nobody would see."""

import pytest

from boxes.simulated_past import PATHS, counting_box, mask, masked_box, quiet_snapshot, withheld_snapshot
from boxes.snapshot_box import RISER_1, Box, declare_risers, one_drive
from laneproof.findings import Finding, Kind
from laneproof.past.error_reporting import Reporting
from laneproof.rules.links.errors_not_counted import ERRORS_NOT_COUNTED, STATE_WORDS, find_aer_owner
from laneproof_collectors.snapshot import Setting, Snapshot
from laneproof_collectors.unread import Unread
from support.rule_examples import check_examples, example, judge

OFF, UNREAD = Setting(value="off", origin="command-line"), Unread("error reporting", "denied")


def blind(facts: Box | Snapshot, text: str | None = RISER_1) -> list[Finding]:
    return judge(ERRORS_NOT_COUNTED, text, facts)


def test_a_machine_that_shows_nothing_of_error_reporting_is_left_alone() -> None:
    assert blind(one_drive()) == []
    assert blind(one_drive().without_registers()) == []


@pytest.mark.parametrize(
    ("word", "step"),
    [
        # drivers/pci/pcie/aer.c, pci_no_aer; portdrv.c, pcie_port_setup; drivers/acpi/pci_root.c
        ("pci=nommconf,noaer", "Take pci=noaer off"),
        ("pcie_ports=compat", "Take pcie_ports=compat off"),
        ("pcie_aspm=off", "put pcie_aspm.policy=performance there"),
    ],
)
def test_a_word_of_the_command_line_is_named_with_the_step_that_fits_it(word: str, step: str) -> None:
    off = None if "aspm" in word else Setting(value="off", origin="command-line")
    (finding,) = blind(withheld_snapshot(off, "quiet", word))
    assert (finding.kind, finding.severity, finding.position) == (Kind.UNVERIFIED, "notice", None)
    assert finding.evidence["positions"] == ["riser-1"]
    assert step in finding.next_steps[0]


def test_a_kernel_that_counts_is_not_blind_whatever_its_command_line_has() -> None:
    owned = {"aer_owner": Setting(value="os", origin="default"), "command_line": ("pcie_aspm=off",)}  # without ACPI
    assert blind(counting_box((0, 0, 0, 0)).with_power(**owned)) == []


def test_counters_at_zero_are_no_counting_where_the_command_line_switched_it_off() -> None:
    off = {"aer_owner": Setting(value="off", origin="command-line"), "command_line": ("pci=noaer",)}
    (finding,) = blind(counting_box((0, 0, 0, 0)).with_power(**off))
    assert "command line" in finding.summary
    (finding,) = blind(one_drive().with_power(**off).without_registers())
    assert finding.evidence["positions"] == ["riser-1"]


def test_the_firmwares_keeping_it_is_said_without_a_word_about_the_command_line() -> None:
    (finding,) = blind(withheld_snapshot(Setting(value="off", origin="firmware"), "quiet"))
    assert "the firmware keeps them to itself" in finding.summary
    assert "firmware setup" in finding.next_steps[0]
    assert not any("command line" in step for step in finding.next_steps)


def test_positions_masked_alike_are_one_finding() -> None:
    box = counting_box((0, 0, 0, 0))
    for path in PATHS[:3]:
        box.edit(path, mask).edit(f"{path}/00.0", mask)
    (finding,) = blind(box, declare_risers(4))
    assert finding.evidence["positions"] == ["riser-1", "riser-2", "riser-3"]
    assert "masked" in finding.summary


def test_every_state_has_its_words() -> None:
    assert set(STATE_WORDS) == set(Reporting)


@pytest.mark.parametrize(("setting", "owner"), [(OFF, OFF), (UNREAD, None), (None, None)])
def test_an_owner_that_could_not_be_read_is_none(setting: Setting | Unread | None, owner: Setting | None) -> None:
    assert find_aer_owner(Box().with_power(aer_owner=setting).snapshot()) == owner
    assert find_aer_owner(Box().with_group(power=UNREAD).snapshot()) is None


def test_undeclared_links_are_nobodys_plan() -> None:
    assert blind(masked_box(), None) == []


def test_examples() -> None:
    check_examples(
        ERRORS_NOT_COUNTED,
        RISER_1,
        example(quiet_snapshot()),
        example(withheld_snapshot(), "notice error reporting | Take pci=noaer off"),
        example(masked_box(), "notice error reporting | Find who masks"),
    )
