"""Series read back: by path, by drive, by name, in time."""

from boxes.passes import FIRST_BOOT, SECOND_BOOT, Passes
from boxes.snapshot_box import A_MORNING
from laneproof.history.boots import HOLE_SECONDS
from laneproof.history.series import Series
from laneproof.history.store import Store
from laneproof_collectors.snapshot import NvmeController

FIRST, SECOND = "0000:00/01.1", "0000:00/01.2"


def _swap(passes: Passes) -> None:
    """Put each drive into the other's place."""
    first, second = passes.controllers()

    def at(drive: NvmeController, origin: NvmeController) -> NvmeController:
        return NvmeController(
            **{name: getattr(drive, name) for name in drive.__dataclass_fields__} | {"address": origin.address}
        )

    passes.set(controllers=(at(first, second), at(second, first)))


def _names(found: tuple[Series, ...]) -> set[str]:
    return {series.name for series in found}


def test_the_drives_history_follows_the_drive_and_the_paths_stays(store: Store) -> None:
    passes = Passes().errors(FIRST, BadTLP=5).errors(SECOND)
    store.add_pass(passes.drive(0, health={"media_errors": 3}).take())
    _swap(passes.reboot(SECOND_BOOT).errors(FIRST, BadTLP=1).errors(SECOND))
    store.add_pass(passes.take())
    of_drive = store.read_series(drive="FN0001", names=("media_errors",))
    assert [(series.path, series.points[0].last) for series in of_drive] == [(FIRST, 3), (SECOND, 3)]
    of_path = store.read_series(path=FIRST, end="port", names=("correctable_errors",))
    assert [(series.drive, series.boot_id, series.last) for series in of_path] == [
        ("FN0001", FIRST_BOOT, 5), ("FN0002", SECOND_BOOT, 1),
    ]  # fmt: skip
    # What the drive reported in its old position ended when it left it.
    assert of_drive[0].last is None


def test_a_counter_starts_again_with_each_boot(store: Store) -> None:
    passes = Passes().errors(FIRST, BadTLP=5)
    store.add_pass(passes.take())
    store.add_pass(passes.reboot().errors(FIRST, BadTLP=2).take())
    first, second = store.read_series(path=FIRST, end="port", names=("correctable_errors.BadTLP",))
    found = [(series.boot_id, series.last) for series in (first, second)]
    assert found == [(FIRST_BOOT, 5), (SECOND_BOOT, 2)]
    assert first.known_until == A_MORNING


def test_what_counts_by_boots_is_read_back_whole_from_samples_and_hours(passes: Passes, store: Store) -> None:
    for number, hours in enumerate((5, 24 * 5)):  # of the first boot all is folded, of the second a part
        for hour in range(hours):
            passes.errors(FIRST, BadTLP=hour + 1)
            store.add_pass(passes.after(3600.0) if number == 0 or hour else passes.reboot().take())
    series = store.read_series(path=FIRST, end="port", names=("correctable_errors.BadTLP",))
    assert [(kept.points[0].low, kept.last) for kept in series] == [(1, 5), (1, 24 * 5)]
    assert series[0].points[0].began_at == A_MORNING + 3600.0
    for kept in series:
        most = [point.high for point in kept.points if point.high is not None]
        assert most == sorted(most)


def test_a_drive_that_is_added_again_in_the_same_boot_starts_again(store: Store) -> None:
    passes = Passes().errors(f"{FIRST}/00.0", RxErr=9)
    store.add_pass(passes.take())
    whole = passes.facts
    store.add_pass(passes.wait(15).without_drive(0).take())
    passes.facts = whole
    store.add_pass(passes.wait(15).errors(f"{FIRST}/00.0", RxErr=1).take())
    first, second = store.read_series(path=FIRST, end="device", names=("correctable_errors",))
    assert [point.last for point in first.points] == [9, None]
    assert [point.last for point in second.points] == [1]


def test_names_are_asked_for_one_by_one_or_with_all_their_parts(store: Store) -> None:
    store.add_pass(Passes().errors(FIRST, BadTLP=5, RxErr=1).take())

    def asked(*names: str) -> set[str]:
        return _names(store.read_series(path=FIRST, end="port", names=names))

    parts = {"correctable_errors.BadTLP", "correctable_errors.RxErr"}
    assert asked("correctable_errors") == {"correctable_errors"}
    assert asked("correctable_errors.*") == parts
    assert asked("correctable_errors", "correctable_errors.RxErr", "no_such_thing") == {
        "correctable_errors", "correctable_errors.RxErr",
    }  # fmt: skip
    assert asked() == set()
    assert parts < _names(store.read_series(path=FIRST))
    assert store.read_series(path="0000:00/0f.0") == ()


def test_percent_signs_and_quotes_in_a_name_mean_nothing(store: Store) -> None:
    store.add_pass(Passes().take())
    for odd in ("%", "_", "'; DROP TABLE series; --", "media_error_"):
        assert store.read_series(names=(odd,)) == ()
        assert store.read_series(path=odd) == ()
    assert store.read_series(names=("media_errors",))


def test_a_part_of_time_begins_with_what_held(passes: Passes, store: Store) -> None:
    for number in range(5):
        store.add_pass(passes.wait(600).drive(0, health={"media_errors": number}).take())
    (series,) = store.read_series(
        drive="FN0001", names=("media_errors",), since=A_MORNING + 1300, until=A_MORNING + 2400
    )
    assert [(point.began_at - A_MORNING, point.last) for point in series.points] == [(1300, 1), (1800, 2), (2400, 3)]
    assert series.known_until == A_MORNING + 2400


def test_what_did_not_live_yet_or_any_more_is_left_out(passes: Passes, store: Store) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.reboot(off_seconds=86400).take())
    links = store.read_series(path=FIRST, end="port", names=("trained_lanes",), until=A_MORNING + 100)
    assert [series.boot_id for series in links] == [FIRST_BOOT]


def test_what_held_when_nobody_watched_any_more_is_not_known(passes: Passes, store: Store) -> None:
    store.add_pass(passes.take())
    store.add_pass(passes.after(60))
    assert store.read_series(drive="FN0001", since=passes.t + HOLE_SECONDS + 60) == ()
    assert store.read_series(drive="FN0001", since=passes.t)


def test_a_missing_reading_is_a_gap_and_never_0(passes: Passes, store: Store) -> None:
    store.add_pass(passes.take())
    whole = passes.facts
    store.add_pass(passes.wait(60).unread("controllers").take())
    store.add_pass(passes.wait(60).take())
    passes.facts = whole
    store.add_pass(passes.wait(60).take())
    (series,) = store.read_series(drive="FN0001", names=("composite_temperature_celsius",))
    assert [(point.began_at - A_MORNING, point.last) for point in series.points] == [(0, 38), (60, None), (180, 38)]
    # The counters of its link were read all along, for the drive is known by what was read before.
    (lanes,) = store.read_series(drive="FN0001", end="device", names=("trained_lanes",))
    assert [point.last for point in lanes.points] == [4]


def test_positions_are_listed(store: Store) -> None:
    store.add_pass(Passes().take())
    assert (FIRST, "FN0001", "drive") in store.read_origins()
    assert (SECOND, "FN0002", "port") in store.read_origins()
