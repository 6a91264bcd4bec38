"""The store as the daemon uses it."""

import sqlite3
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from boxes.passes import Passes, change_of, last_of, make_finding
from boxes.snapshot_box import kelp_box
from laneproof.engine import Engine
from laneproof.findings import Change
from laneproof.history.events import Event
from laneproof.history.history import History
from laneproof.history.retention import used_bytes
from laneproof.history.store import Store
from laneproof_collectors.unread import Unread
from support.killed_writer import kill_many

FIRST = "0000:00/01.1"


def _written(path: str) -> float | None:
    """Say what the file holds: the last reading of the first drive."""
    history = History.open(path)
    held = last_of(history, "media_errors")
    history.close()
    return held


def _errors(passes: Passes, count: int) -> Passes:
    return passes.drive(0, health={"media_errors": count})


def test_a_pass_goes_to_the_file_within_a_minute(store: Store, passes: Passes, path: str) -> None:
    store.add_pass(_errors(passes, 0).take())
    assert _written(path) == 0
    store.add_pass(_errors(passes.wait(59), 1).take())
    assert _written(path) == 0
    store.add_pass(passes.after(1))
    assert _written(path) == 1


def test_passes_of_a_still_box_write_nothing_but_that_somebody_watched(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    commits = []
    for _ in range(240):  # an hour
        before = store._database.connection.total_changes
        store.add_pass(passes.drive(0).wait(15).take())
        commits.append(store._database.connection.total_changes - before)
    assert sum(1 for count in commits if count) == 3600 / 300  # so a killed watch ends near that
    assert sum(commits) <= 2 * 3600 / 300


def test_what_a_box_is_made_of_is_kept_again_where_it_changed(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    own = next(each for each in passes.functions() if each.path == FIRST)
    assert not isinstance(own.link, Unread | None)
    store.add_pass(passes.function(FIRST, link=replace(own.link, trained_lanes=2)).after(3600))
    assert len(store.read_inventories()) == 2
    assert not isinstance(passes.facts.firmware, Unread)
    store.add_pass(passes.set(firmware=replace(passes.facts.firmware, bios_version="1.41")).after(3600))
    assert len(store.read_inventories()) == 3
    store.add_pass(passes.after(3600))
    store.add_pass(passes.unread("controllers").after(3600))
    assert len(store.read_inventories()) == 3


def test_a_drive_that_gives_its_serial_number_later_has_its_links_series_from_then_on(
    store: Store, passes: Passes
) -> None:
    store.add_pass(passes.drive(0, serial=Unread("serial", "no answer in time")).take())
    store.add_pass(passes.drive(0, serial="FN0001").after(60))  # the functions were not read again
    found = store.read_series(path=FIRST, end="device", names=("trained_lanes",))
    assert [(series.drive, series.last) for series in found] == [("", None), ("FN0001", 4)]


def test_a_finding_that_changed_takes_all_that_moved_with_it(store: Store, passes: Passes, path: str) -> None:
    store.add_pass(passes.take())
    finding = make_finding(since=passes.t)
    passes.standing = (finding,)
    _errors(passes.wait(5), 4).drive(0, health={"composite_temperature_celsius": 39.0, "media_errors": 4})
    store.add_pass(passes.take(change_of(Change.RAISED, finding, passes.t)))
    assert _written(path) == 4
    history = History.open(path)
    assert last_of(history, "composite_temperature_celsius") == 39  # a degree, which alone is not worth writing yet
    history.close()


def test_what_waits_is_written_at_the_end(path: str) -> None:
    store, passes = Store.open(path), Passes()
    store.add_pass(passes.take())
    store.add_pass(passes.wait(5).drive(0, health={"data_units_written": 800_001}).take())
    store.close()
    history = History.open(path)
    (written,) = history.read_series(drive="FN0001", names=("data_units_written",))
    assert [point.last for point in written.points] == [800_000, 800_001]
    history.close()


def test_asking_the_store_itself_sees_what_waits(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    store.add_pass(_errors(passes.wait(60), 1).take())
    passes.t += 5000.0  # the clock is set
    store.add_pass(passes.after(60))
    (series,) = store.read_series(drive="FN0001", names=("media_errors",))
    assert [(point.began_at - passes.t, point.last) for point in series.points] == [(-120.0, 0), (-60.0, 1)]


def test_an_engine_goes_on_with_what_was_kept(path: str) -> None:
    box = kelp_box(2)
    box.with_drive("0000:00/01.1", serial="FN0001", trained=(3, 4))  # gen 3, where both ends can do 4
    engine, store = Engine(None), Store.open(path)
    first = engine.observe(box.snapshot())
    assert first.changes
    store.add_pass(first)
    store.close()
    store, engine = Store.open(path), Engine(None)
    engine.restore(store.load_standing())
    again = engine.observe(box.snapshot(taken_at=first.snapshot.taken_at + 60))
    assert again.changes == ()
    assert [finding.since for finding in again.findings] == [finding.since for finding in first.findings]
    store.close()


def test_state_is_saved_and_loaded_by_name(path: str) -> None:
    store = Store.open(path)
    assert store.load_state("ledger") is None
    store.save_state("ledger", {"episodes": [1, 2], "since": 5.5})
    store.save_state("ledger", {"episodes": [1, 2, 3], "since": 5.5})
    store.save_state("other", {})
    store.close()
    store = Store.open(path)
    assert store.load_state("ledger") == {"episodes": [1, 2, 3], "since": 5.5}
    assert store.load_state("other") == {}
    store.close()


def test_state_that_did_not_change_is_not_written_again(store: Store) -> None:
    store.save_state("ledger", {"a": 1})
    store.flush()
    before = store._database.connection.total_changes
    store.save_state("ledger", {"a": 1})
    store.flush()
    assert store._database.connection.total_changes == before


def test_state_that_is_damaged_is_none(store: Store) -> None:
    store.save_state("ledger", {"a": 1})
    store.flush()
    store._database.connection.execute("UPDATE state SET content = x'00'")
    assert store.load_state("ledger") is None


def test_it_may_be_asked_from_any_thread(store: Store, passes: Passes) -> None:
    store.add_pass(passes.take())
    failures: list[BaseException] = []

    def ask() -> None:
        try:
            for _ in range(30):
                assert store.read_series(path=FIRST)
                store.read_events()
        except BaseException as error:  # noqa: BLE001 (given to the test's own thread)
            failures.append(error)

    threads = [threading.Thread(target=ask) for _ in range(3)]
    for thread in threads:
        thread.start()
    for number in range(60):
        store.add_pass(_errors(passes.wait(60), number).take())
    for thread in threads:
        thread.join()
    assert failures == []


# --- what goes wrong --------------------------------------------------------------------------------------------------


def test_a_full_disk_does_not_end_the_daemon_and_loses_nothing(path: str, caplog: pytest.LogCaptureFixture) -> None:
    store, passes = Store.open(path), Passes()
    store.add_pass(_errors(passes, 0).take())
    connection = store._database.connection
    connection.execute(f"PRAGMA max_page_count = {connection.execute('PRAGMA page_count').fetchone()[0]}")
    for number in range(1, 400):
        store.add_pass(_errors(passes.wait(60), number).drive(1, health={"data_units_read": int(passes.t)}).take())
        if store.in_memory:
            break
    assert store.in_memory
    assert last_of(store, "media_errors") == number
    for more in range(20):
        store.add_pass(_errors(passes.wait(60), number + more).take())
    assert not store.in_memory
    store.close()
    assert _written(path) == number + 19
    assert len(caplog.messages) == 2


def test_a_file_that_is_damaged_under_way_is_set_aside_and_the_next_pass_holds_all(
    path: str, caplog: pytest.LogCaptureFixture
) -> None:
    store, passes = Store.open(path), Passes()
    finding = make_finding(since=passes.t)
    passes.standing = (finding,)
    store.add_pass(passes.take(change_of(Change.RAISED, finding, passes.t)))
    store._database.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = bytearray(Path(path).read_bytes())
    content[4096:] = b"\xaa" * (len(content) - 4096)
    Path(path).write_bytes(content)
    store._database.connection.execute("PRAGMA shrink_memory")
    for number in range(1, 4):
        store.add_pass(_errors(passes.wait(60), number).take())
    assert Path(f"{path}.set-aside-1").exists()
    assert not store.in_memory
    assert last_of(store, "media_errors") == 3
    assert store.load_standing() == (finding,)
    store.close()
    assert len([line for line in caplog.messages if "set aside" in line]) == 1


def test_a_file_whose_tables_cannot_be_read_is_set_aside_at_the_start(path: str) -> None:
    store = Store.open(path)
    store.add_pass(Passes().take())
    store.close()
    connection = sqlite3.connect(path)
    connection.execute("DROP TABLE series")  # which opening the file does not look at
    connection.commit()
    connection.close()
    store = Store.open(path)
    store.add_pass(Passes().take())
    assert not store.in_memory
    assert store.read_watches()
    store.close()
    assert Path(f"{path}.set-aside-1").exists()


def test_rows_that_cannot_be_are_left_out_and_the_daemon_goes_on(
    store: Store, passes: Passes, caplog: pytest.LogCaptureFixture
) -> None:
    store.add_pass(passes.take())
    store._batch.add("INSERT INTO state (name, content) VALUES (?, ?)", ("x", None))
    store.flush()
    store.add_pass(_errors(passes.wait(60), 1).take())
    assert not store.in_memory
    assert "left out" in caplog.messages[0]
    assert last_of(store, "media_errors") == 1


def test_a_writer_that_is_killed_at_any_moment_loses_nothing(tmp_path: Path) -> None:
    assert kill_many(tmp_path, kills=8, seed=time.time_ns()) > 0


def test_a_history_at_its_limit_loses_its_oldest_and_says_so_once(path: str, caplog: pytest.LogCaptureFixture) -> None:
    store, passes, most = Store.open(path, most_bytes=200_000), Passes(), 200_000
    passes.standing = (make_finding("link-slow"),)
    store.add_pass(passes.take(change_of(Change.RAISED, passes.standing[0], passes.t)))
    for day in range(60):
        for hour in range(24):
            store.add_pass(_errors(passes.wait(3600.0), 24 * day + hour).take())
        store.add_events([Event(t=passes.t, kind="media_error", text="x" * 2000)])
    store.flush()
    store.add_pass(passes.after(3600.0))
    connection = sqlite3.connect(path)
    assert used_bytes(connection) <= most
    connection.close()
    (series,) = store.read_series(drive="FN0001", names=("media_errors",))
    assert series.points[0].began_at > passes.t - 30 * 86400
    assert series.last == 24 * 60 - 1
    assert [finding.rule for finding in store.load_standing()] == ["link-slow"]
    assert len([line for line in caplog.messages if "grown to its limit of 0 MiB" in line]) == 1
    store.close()
