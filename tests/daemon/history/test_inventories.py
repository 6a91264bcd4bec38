"""Inventories: one each time something changed, and none for what could not be read."""

from pathlib import Path

from boxes.passes import SECOND_BOOT, Passes, events_of
from laneproof.box.inventory.inventory import Inventory
from laneproof.history.store import Store
from laneproof_collectors.snapshot import LinkEnd
from support.unread_answers import known

DRIVE = "0000:00/01.1/00.0"


def _serials(inventory: Inventory) -> list[str | None]:
    return [position.occupant.serial for position in inventory.positions if position.occupant]


def _narrow(passes: Passes) -> None:
    for own_path in ("0000:00/01.1", DRIVE):
        end = LinkEnd(trained_gt_s=16.0, trained_lanes=2, capable_gt_s=16.0, capable_lanes=4)
        passes.function(own_path, link=end, express=None)


def test_a_box_that_stays_as_it_is_has_one_inventory(store: Store, passes: Passes) -> None:
    for _ in range(5):
        store.add_pass(passes.wait(600).drive(0, health={"data_units_read": int(passes.t)}).take())
    (kept,) = store.read_inventories()
    assert _serials(kept.inventory) == ["FN0001", "FN0002"]


def test_a_drive_that_left_makes_another_and_an_event(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.wait(600).without_drive(0).take())
    first, second = store.read_inventories()
    assert (_serials(first.inventory), _serials(second.inventory)) == (["FN0001", "FN0002"], ["FN0002"])
    (event,) = events_of(store, "changed")
    assert event.path == "0000:00/01.1"
    assert event.detail["what"] == "went"
    assert event.t == passes.t


def test_a_link_that_trained_narrower_makes_another(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    _narrow(passes.wait(600))
    store.add_pass(passes.take())
    assert len(store.read_inventories()) == 2
    assert "x2" in events_of(store, "changed")[0].text


def test_what_could_not_be_read_is_no_change_and_stays_as_it_was_known(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    whole = passes.facts
    for group in ("functions", "controllers", "memory", "firmware", "arrays", "power"):
        passes.facts = whole
        store.add_pass(passes.wait(600).unread(group).take())
    assert len(store.read_inventories()) == 1
    passes.facts = whole
    store.add_pass(passes.wait(600).unread("memory").without_drive(1).take())
    assert store.read_inventories()[-1].inventory.memory == store.read_inventories()[0].inventory.memory


def test_it_is_looked_at_once_a_minute(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.wait(15).without_drive(0).take())
    assert len(store.read_inventories()) == 1
    store.add_pass(passes.wait(45).take())
    assert len(store.read_inventories()) == 2


def test_the_inventory_of_a_time(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    begun = passes.t
    store.add_pass(passes.wait(600).without_drive(0).take())
    assert store.inventory_at(begun - 1) is None
    for t, count in ((begun, 2), (begun + 599, 2), (begun + 600, 1), (begun + 10**6, 1)):
        kept = known(store.inventory_at(t))
        assert len(_serials(kept.inventory)) == count
    assert [kept.t - begun for kept in store.read_inventories(since=begun + 600)] == [600]
    assert [kept.t - begun for kept in store.read_inventories(since=begun + 300)] == [0, 600]


def test_a_restart_makes_no_inventory(tmp_path: Path) -> None:
    path, passes = str(tmp_path / "history.db"), Passes()
    for _ in range(3):
        store = Store.open(path)
        store.add_pass(passes.wait(60).take())
        store.close()
    store = Store.open(path)
    assert len(store.read_inventories()) == 1
    store.close()


def test_another_firmware_is_reported_as_one_change(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.reboot(SECOND_BOOT, bios_version="1.41").take())
    (event,) = events_of(store, "changed")
    assert event.detail["about"] == "firmware"
    assert "1.41" in event.text
