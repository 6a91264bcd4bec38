"""What is loaded: NVMe drives that answer, the links on their way, and the state each goes to when left alone."""

import dataclasses

import pytest

from boxes.proven_box import disks, kelp, targets
from laneproof.box.placement import arrange
from laneproof.proof.targets import Rest, find_rest, find_targets
from laneproof_collectors.snapshot import AutonomousTransitions, NvmeController, NvmeIdentity, PowerState
from laneproof_collectors.unread import Unread


def controller(transitions: AutonomousTransitions | Unread | None) -> NvmeController:
    known = kelp().snapshot.controllers
    assert not isinstance(known, Unread)
    identity = known[0].identity
    assert isinstance(identity, NvmeIdentity)
    states = (
        PowerState(number=0, non_operational=False),
        PowerState(number=3, non_operational=True, exit_us=3000),
        PowerState(number=4, non_operational=True, exit_us=41_000),
    )
    return dataclasses.replace(
        known[0], identity=dataclasses.replace(identity, power_states=states), autonomous_transitions=transitions
    )


def test_every_nvme_drive_of_the_box_is_loaded_with_the_links_on_its_way() -> None:
    found = targets()
    assert [target.name for target in found.drives] == [
        "riser-1", "riser-2", "riser-3", "riser-4", "deck-1", "deck-2", "wireless"
    ]  # fmt: skip
    paths = [target.path for target in found.drives]
    deck = next(link for link in found.links.values() if link.name == "deck")
    assert deck.used_by == ("deck-1", "deck-2")
    assert found.links[found.drives[0].path].counting_ends == ("port", "device")
    declared = [(link.declared_gt_s, link.declared_lanes) for link in map(found.links.get, paths) if link]
    assert declared == [(16.0, 4)] * 6 + [(8.0, 1)]
    assert found.parts["riser-3"] == "passive-split, flexible-cable green tape"


def test_a_shared_link_is_shared_out() -> None:
    found = targets()
    predicted = found.predict(dict.fromkeys(("riser-1", "deck-1", "deck-2"), 6e9))
    assert predicted["riser-1"] == 6e9
    assert predicted["deck-1"] == predicted["deck-2"] == pytest.approx(3.6e9, rel=0.01)  # half of 7.2 GB/s


def test_one_position_alone_can_be_asked_for() -> None:
    found = find_targets(kelp(), only="deck-2")
    assert [target.name for target in found.drives] == ["deck-2"]
    assert find_targets(kelp(), only=found.drives[0].path).only == "deck-2"
    assert not find_targets(kelp(), only="deck-9").drives


def test_a_declared_drive_that_does_not_answer_is_left_out_by_name() -> None:
    snapshot = kelp().snapshot
    assert not isinstance(snapshot.functions, Unread)
    without = tuple(function for function in snapshot.functions if not function.path.startswith("0000:00/01.2"))
    found = find_targets(arrange(kelp().build, dataclasses.replace(snapshot, functions=without)))
    assert "riser-2 is left out: no drive answers there" in found.left_out


@pytest.mark.parametrize(
    ("transitions", "rest"),
    [
        (
            AutonomousTransitions(enabled=True, transitions={0: (3, 100), 3: (4, 2000), 4: (4, 0)}),
            Rest(idle_seconds=2.52, state=4, exit_us=41_000),
        ),
        (
            AutonomousTransitions(enabled=True, transitions={0: (3, 10)}),
            Rest(idle_seconds=0.1, state=3, exit_us=3000),
        ),
    ],
)
def test_a_drive_rests_as_deep_as_its_table_in_force_leads(transitions: AutonomousTransitions, rest: Rest) -> None:
    """The table is followed from state 0, times added up (NVM Express Base Specification 2.0, feature 0Ch)."""
    assert find_rest(controller(transitions), None) == (True, rest)


@pytest.mark.parametrize(
    ("transitions", "on", "why"),
    [
        (AutonomousTransitions(enabled=False, transitions={0: (4, 100)}), False, "no idle state is on"),
        (None, False, "no idle state is on"),
        (Unread("feature 0Ch", "permission denied"), None, "not known: permission denied"),
    ],
)
def test_a_drive_that_does_not_rest_says_why(
    transitions: AutonomousTransitions | Unread | None, *, on: bool | None, why: str
) -> None:
    is_on, words = find_rest(controller(transitions), None)
    assert is_on is on
    assert why in str(words)


def test_disks_are_loaded_too_and_a_stick_only_where_it_is_asked_for() -> None:
    first, second = find_targets(disks(recommended_celsius=55.0, most_celsius=60.0)).drives
    assert (first.name, first.disk, first.record.interface, second.name) == ("bay-1", "sda", "sata", "bay-2")
    assert first.aliases == {"sda", "ata1", "ata1.00"}  # the kernel's names of disk, port and device (libata-core.c)
    assert (first.record.warning_celsius, first.critical_celsius) == (55.0, 60.0)
    assert "0000:00/1c.0" in first.link_paths  # its controller's link; its own has no counters of bits
    assert "standby is not tried" in str(first.rest)
    assert not find_targets(disks()).left_out
    (stick,) = find_targets(disks(), only="0000:00/14.0/usb-3").drives
    assert (stick.disk, stick.record.interface) == ("sdc", "usb")
