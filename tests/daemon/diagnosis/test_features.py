"""Features of a case: seen, looked for and absent, or unknown; and each cause named for a box that has it."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from laneproof.diagnosis.case import open_case
from laneproof.diagnosis.features import QUESTIONS, find_features
from laneproof.diagnosis.score import diagnose
from laneproof.diagnosis.weights import DEFAULT
from laneproof.evidence.disconnects import Clockwork, clockwork
from laneproof.rules.example_past import DAY, HOUR, PATHS, Story, count, counting_box
from laneproof_collectors.snapshot import AutonomousTransitions, BlockStatistics, NvmeNamespace, TemperatureReading
from laneproof_collectors.unread import Unread
from simulated_box import Box

PATH = PATHS[0]
DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"
RESET = "nvme nvme0: I/O 7 QID 3 timeout, reset controller"
MB = 1_000_000


def features(
    story: Story, path: str = PATH, told: Mapping[str, tuple[str, ...]] | None = None
) -> dict[str, bool | None]:
    return find_features(open_case(story.ledger, path, "", told or {}))


class Working:
    """A drive that works now and then: bytes moved so far, and the looks of a story at it."""

    def __init__(self) -> None:
        self.story = Story()
        self.moved = 0

    def box(self, **health: object) -> Box:
        disk = BlockStatistics(
            reads=self.moved // 131072, read_bytes=self.moved, read_milliseconds=0, writes=0, written_bytes=0,
            write_milliseconds=0, in_flight=0, busy_milliseconds=0,
        )  # fmt: skip
        space = NvmeNamespace(name="nvme0n1", number=1, size_bytes=1, logical_block_bytes=512, statistics=disk)
        made = Box().with_port(PATH).with_drive(PATH, serial="FN1", health=dict(health))
        own, one = made._controllers[0]
        made._controllers[0] = (own, replace(one, namespaces=(space,)))
        return made.with_port(PATHS[1]).with_drive(PATHS[1], serial="FN2")

    def hour(self, rate: float = 0.0, *, drops: bool = False, line: str = DOWN, **health: object) -> None:
        """An hour at a load in MB/s, looked at every ten minutes; it may drop half a minute before its end."""
        for number in range(6):
            self.moved += int(rate * MB * 600)
            self.story.look(self.box(**health), after=600.0, log=(line,) if drops and number == 5 else ())


def test_every_question_is_a_feature_with_weights_and_every_feature_is_asked() -> None:
    assert set(QUESTIONS) == {feature.name for feature in DEFAULT.features}


def test_a_first_look_knows_next_to_nothing() -> None:
    known = {name for name, seen in features(Story().look(counting_box((0, 0, 0, 0)))).items() if seen is not None}
    assert known <= {"idle_states_on", "link_below_expected"}


def test_a_place_that_nobody_knows_is_unknown_throughout() -> None:
    answers = features(Story().look(Box()), "0000:00/1f.0")
    assert set(answers.values()) == {None}


# --- the link ---------------------------------------------------------------------------------------------------------


def test_errors_above_siblings_are_seen_and_their_absence_needs_a_counter() -> None:
    bad = Story()
    for hour in range(60):
        bad.look(counting_box((hour, 0, 0, 0)), after=HOUR)
    assert features(bad)["aer_above_siblings"] is True
    assert features(bad, PATHS[1])["aer_above_siblings"] is False
    blind = Story()
    for _ in range(60):
        blind.look(Box().with_port(PATH).with_drive(PATH), after=HOUR)
    assert features(blind)["aer_above_siblings"] is None


def test_one_burst_is_not_more_than_siblings() -> None:
    story = Story()
    for hour in range(60):
        story.look(counting_box((50 if hour > 40 else 0, 0, 0, 0)), after=HOUR)
    assert features(story)["aer_above_siblings"] is False


def test_replays_without_damaged_packets_are_told_apart() -> None:
    def box(replays: int, damaged: int) -> Box:
        port = count({"Timeout": replays, "RxErr": damaged})
        return Box().with_port(PATH, function={"aer": port}).with_drive(PATH, function={"aer": count()})

    clean, noisy = Story(), Story()
    for hour in range(20):
        clean.look(box(hour, 0), after=HOUR)
        noisy.look(box(hour, hour), after=HOUR)
    assert features(clean)["only_replays"] is True
    assert features(noisy)["only_replays"] is False


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({"link-retrained-down": ()}, True),
        ({"link-slow": ("training",)}, True),
        ({"link-slow": ("target-speed",)}, None),  # a limit explains it
        ({}, False),
    ],
)
def test_a_link_below_its_plan(told: dict[str, tuple[str, ...]], expected: bool | None) -> None:  # noqa: FBT001
    assert features(Story().look(counting_box((0, 0, 0, 0))), told=told)["link_below_expected"] is expected


# --- load, idleness, heat ---------------------------------------------------------------------------------------------


def test_drops_under_load_are_seen_where_load_is_not_all_there_is() -> None:
    work = Working()
    for day in range(6):
        for hour in range(24):
            work.hour(900.0 if hour < 2 else 0.0, drops=day > 0 and hour == 1)
    answers = features(work.story)
    assert answers["drops_under_load"] is True
    assert answers["drops_after_idle_exit"] is False


def test_drops_at_rest_are_seen_where_rest_is_not_all_there_is() -> None:
    work = Working()
    for day in range(6):
        for hour in range(24):
            work.hour(900.0 if hour < 12 else 0.0, drops=day > 0 and hour == 15)
    answers = features(work.story)
    assert answers["drops_after_idle_exit"] is True
    assert answers["drops_under_load"] is False


def test_a_box_that_always_rests_says_nothing_of_rest() -> None:
    work = Working()
    for day in range(6):
        for hour in range(24):
            work.hour(900.0 if (day, hour) == (0, 0) else 0.0, drops=day > 0 and hour == 15)
    assert features(work.story)["drops_after_idle_exit"] is None


@pytest.mark.parametrize(
    ("before", "during", "at_rest", "under_load"),
    [
        (0.0, 0.0, True, False),
        (900.0, 900.0, False, True),
        (0.0, 900.0, None, None),  # it may have dropped in either
        (900.0, 0.0, None, None),
    ],
)
def test_looks_hours_apart_tell_of_rest_and_load_only_where_both_sides_agree(
    before: float,
    during: float,
    at_rest: bool | None,  # noqa: FBT001
    under_load: bool | None,  # noqa: FBT001
) -> None:
    work = Working()
    for number in range(60):
        phase = number % 10
        rate = {8: before, 9: during}.get(phase, 900.0 if phase < 4 else 0.0)
        work.moved += int(rate * MB * 6 * HOUR)
        work.story.look(work.box(), after=6 * HOUR, log=(DOWN,) if phase == 9 else ())
    answers = features(work.story)
    assert answers["drops_after_idle_exit"] is at_rest
    assert answers["drops_under_load"] is under_load


def test_what_was_looked_for_only_after_all_drops_is_unknown() -> None:
    story = Story().look(counting_box((0, 0, 0, 0)), after=HOUR, log=(DOWN,))
    for _ in range(60):
        story.look(counting_box((0, 0, 0, 0)), after=HOUR)
    known = features(story)
    assert known["drops_or_resets"] is True
    assert known["aer_above_siblings"] is known["media_errors_rising"] is known["warning_minutes_rising"] is None
    story.look(counting_box((0, 0, 0, 0)), after=HOUR, log=(DOWN,))
    assert features(story)["aer_above_siblings"] is False


def test_without_load_figures_both_are_unknown() -> None:
    story = Story().look(counting_box((0, 0, 0, 0)))
    bare = Box().with_port(PATH).with_drive(PATH, health=Unread("log 02h", "denied"))
    story = Story().look(bare).look(bare, after=HOUR, log=(DOWN,))
    answers = features(story)
    assert answers["drops_under_load"] is answers["drops_after_idle_exit"] is None
    assert answers["hot_before_drop"] is None
    assert answers["media_errors_rising"] is None


@pytest.mark.parametrize(("celsius", "expected"), [(79.0, True), (45.0, False)])
def test_heat_before_a_drop_is_judged_by_the_drives_own_limit(celsius: float, expected: bool) -> None:  # noqa: FBT001
    box = Box().with_port(PATH).with_drive(PATH, health={"composite_temperature_celsius": celsius})
    story = Story().look(box).look(box, after=600.0, log=(DOWN,))
    assert features(story)["hot_before_drop"] is expected
    late = Story().look(box).look(box, after=HOUR, log=(DOWN,))
    assert features(late)["hot_before_drop"] is None  # as it was an hour before says nothing


@pytest.mark.parametrize(
    ("before", "in_the_hour", "expected"),
    [
        (500, 12, True),
        (500, 0, False),
        (0, 0, None),  # a drive that never counted a minute may be one that does not count
    ],
)
@pytest.mark.parametrize("count", ["warning_temperature_minutes", "critical_temperature_minutes"])
def test_where_looks_are_far_apart_the_minutes_of_a_drops_hour_tell_whether_it_was_hot(
    count: str,
    before: int,
    in_the_hour: int,
    expected: bool | None,  # noqa: FBT001
) -> None:
    def box(minutes: int) -> Box:
        health = {"composite_temperature_celsius": 45.0, count: minutes}
        return Box().with_port(PATH).with_drive(PATH, health=health)

    minutes = before
    story = Story().look(box(minutes))
    for number in range(20):
        drops = number % 5 == 4
        minutes += in_the_hour if drops else 0
        story.look(box(minutes), after=HOUR, log=(DOWN,) if drops else ())
    assert features(story)["hot_before_drop"] is expected


def thermometer(celsius: float) -> Box:
    reading = TemperatureReading(label="Composite", celsius=celsius, maximum_celsius=80.0, critical_celsius=85.0)
    controller = {name: Unread(name, "denied") for name in ("identity", "health")}
    return Box().with_port(PATH).with_drive(PATH, controller={**controller, "temperatures": (reading,)})


@pytest.mark.parametrize(("celsius", "expected"), [(79.0, True), (45.0, False)])
def test_heat_before_a_drop_is_judged_by_the_thermometer_where_there_is_no_log(
    celsius: float,
    expected: bool,  # noqa: FBT001
) -> None:
    box = thermometer(celsius)
    story = Story().look(box).look(box, after=600.0, log=(DOWN,))
    assert features(story)["hot_before_drop"] is expected


@pytest.mark.parametrize(("hottest", "expected"), [(81.0, True), (60.0, False)])
def test_a_day_of_readings_tells_whether_it_was_above_its_threshold(hottest: float, expected: bool) -> None:  # noqa: FBT001
    story = Story()
    for hour in range(23):
        story.look(thermometer(hottest if hour == 9 else 45.0), after=HOUR)
    assert features(story)["warning_minutes_rising"] is (expected or None)
    story.look(thermometer(45.0), after=HOUR)
    assert features(story)["warning_minutes_rising"] is expected


def test_minutes_above_the_threshold_are_heat_even_where_no_reading_was_hot() -> None:
    story = Story()
    for day in range(5):
        box = Box().with_port(PATH).with_drive(PATH, health={"warning_temperature_minutes": 30 * day})
        story.look(box, after=DAY)
    assert features(story)["warning_minutes_rising"] is True


# --- the drive, and how it goes and comes back ------------------------------------------------------------------------


def test_a_controller_that_answers_that_it_failed_is_still_on_the_bus() -> None:
    four = counting_box((0, 0, 0, 0))
    failed = DOWN.replace("0xffffffff", "0x3")
    assert features(Story().look(four).look(four, after=HOUR, log=(failed,)))["still_on_the_bus"] is True
    assert features(Story().look(four).look(four, after=HOUR, log=(RESET,)))["still_on_the_bus"] is None
    assert features(Story().look(four).look(four, after=HOUR, log=(DOWN,)))["still_on_the_bus"] is False


def test_only_a_restart_that_was_not_enough_shows_that_power_is_needed() -> None:
    def box(cycles: int) -> Box:
        return Box().with_port(PATH).with_drive(PATH, serial="FN1", health={"power_cycles": cycles})

    def gone() -> Box:
        return Box().with_port(PATH)

    plain = (
        Story()
        .look(box(20))
        .look(gone(), after=HOUR, log=(DOWN,))
        .restart()
        .look(box(20), after=60)
        .look(box(20), after=60)
    )
    assert features(plain)["power_cycle_needed"] is False
    hard = Story().look(box(20)).look(gone(), after=HOUR, log=(DOWN,)).restart().look(gone(), after=60)
    hard.restart().look(box(21), after=60).look(box(21), after=60)
    assert features(hard)["power_cycle_needed"] is True
    unsure = (
        Story()
        .look(box(20))
        .look(gone(), after=HOUR, log=(DOWN,))
        .restart()
        .look(box(21), after=60)
        .look(box(21), after=60)
    )
    assert features(unsure)["power_cycle_needed"] is None


def test_idle_states_are_taken_as_they_were_at_the_drop() -> None:
    states = AutonomousTransitions(enabled=True, transitions={})
    on = Box().with_port(PATH).with_drive(PATH, controller={"autonomous_transitions": states})
    off = Box().with_port(PATH).with_drive(PATH)
    story = Story().look(on).look(on, after=HOUR, log=(DOWN,)).restart().look(off, after=HOUR)
    assert features(story)["idle_states_on"] is True
    assert features(Story().look(off))["idle_states_on"] is False


def test_idle_states_that_were_switched_off_for_a_cure_were_on() -> None:
    on = (
        Box()
        .with_port(PATH)
        .with_drive(PATH, controller={"autonomous_transitions": AutonomousTransitions(enabled=True, transitions={})})
    )
    off = Box().with_port(PATH).with_drive(PATH)
    story = Story().look(on, log=(DOWN,))  # how it was at the drop is not known: it was read afterwards
    story.restart().look(off, after=DAY)
    (drop,) = story.ledger.episodes.episodes
    assert drop.before.idle_states is None
    assert features(story)["idle_states_on"] is True


# --- places, others, times --------------------------------------------------------------------------------------------


def test_a_fault_that_stays_with_the_place_and_one_that_goes_with_the_drive() -> None:
    def box(here: str, there: str) -> Box:
        return (
            Box().with_port(PATH).with_drive(PATH, serial=here).with_port(PATHS[1]).with_drive(PATHS[1], serial=there)
        )

    story = Story().look(box("FN1", "FN2")).look(box("FN1", "FN2"), after=HOUR, log=(DOWN,))
    story.restart().look(box("FN2", "FN1"), after=DAY)
    assert features(story)["follows_slot_on_swap"] is None  # nothing happened since
    stays = story.look(box("FN2", "FN1"), after=DAY, log=(DOWN,))  # the first place drops again
    assert features(stays)["follows_slot_on_swap"] is True

    other = Story().look(box("FN1", "FN2")).look(box("FN1", "FN2"), after=HOUR, log=(DOWN,))
    other.restart().look(box("FN2", "FN1"), after=DAY)
    other.look(box("FN2", "FN1"), after=DAY, log=(DOWN.replace("nvme0", "nvme1"),))  # the drive drops in its new place
    assert features(other, PATHS[1])["follows_slot_on_swap"] is False


def test_drives_that_drop_together() -> None:
    four = counting_box((0, 0, 0, 0))
    story = Story().look(four)
    for _ in range(3):
        story.look(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN, DOWN.replace("nvme0", "nvme1")))
    assert features(story)["several_drives_together"] is True
    alone = Story().look(four).look(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN,))
    assert features(alone)["several_drives_together"] is False


def test_an_update_just_before_the_first_drop() -> None:
    def box(firmware: str) -> Box:
        return Box().with_port(PATH).with_drive(PATH, firmware=firmware)

    story = Story()
    for _ in range(10):
        story.look(box("2.1"), after=DAY)
    story.restart().look(box("2.2"), after=60).look(box("2.2"), after=DAY, log=(DOWN,))
    answers = features(story)
    assert answers["began_after_update"] is True
    assert answers["began_after_drive_firmware"] is True
    calm = Story()
    for _ in range(10):
        calm.look(box("2.1"), after=DAY)
    calm.look(box("2.1"), after=DAY, log=(DOWN,))
    assert features(calm)["began_after_update"] is False


def updated(story: Story, *, gaps: tuple[float, ...], what: str = "firmware", lead: float = 9.0) -> Story:
    """A month of peace, an update, and drops: the first `lead` days after it, the others with these gaps in days."""

    def box(version: str) -> Box:
        made = Box().with_port(PATH).with_drive(PATH, firmware=version if what == "firmware" else "2.1")
        return made.with_firmware(kernel_release=version) if what == "kernel" else made

    for _ in range(30):
        story.look(box("2.1"), after=DAY)
    story.restart().look(box("2.2"), after=60)
    for gap in (lead, *gaps):
        story.look(box("2.2"), after=gap * DAY / 2).look(box("2.2"), after=gap * DAY / 2, log=(DOWN,))
    return story


@pytest.mark.parametrize(
    ("gaps", "expected"),
    [
        ((), None),  # nobody knows yet whether a slow clock began with it
        ((12.1,), None),
        ((12.1, 12.1), True),  # the first came within a period of the update
        ((12.1, 3.0), False),  # what comes at random need not have waited
        ((1.1, 1.1, 1.1), False),  # a quick clock would have come sooner
    ],
)
def test_a_slow_clock_may_bring_its_first_drop_long_after_the_update(
    gaps: tuple[float, ...],
    expected: bool | None,  # noqa: FBT001
) -> None:
    answers = features(updated(Story(), gaps=gaps))
    assert answers["began_after_drive_firmware"] is expected
    assert answers["began_after_update"] is expected


def test_an_update_of_the_kernel_explains_no_more_than_the_week_after_it() -> None:
    assert features(updated(Story(), gaps=(12.1, 12.1), what="kernel"))["began_after_update"] is False
    assert features(updated(Story(), gaps=(12.1, 12.1), what="kernel", lead=5.0))["began_after_update"] is True


def test_an_update_over_a_month_before_the_first_drop_is_not_near_it() -> None:
    assert features(updated(Story(), gaps=(29.0, 29.0), lead=31.0))["began_after_drive_firmware"] is False


def test_time_that_goes_on_without_a_drop_moves_nothing_that_is_a_share_of_time() -> None:
    work = Working()
    for day in range(6):
        for hour in range(24):
            work.hour(900.0 if hour < 12 else 0.0, drops=day > 0 and hour == 15)
    for _ in range(24 * 20):  # it rests for weeks, so that most of the time is rest
        work.hour(0.0)
    answers = features(work.story)
    assert answers["drops_after_idle_exit"] is True
    for hour in range(24):
        work.hour(0.0, drops=hour == 15)
    assert features(work.story)["drops_after_idle_exit"] is None


@pytest.mark.parametrize(
    ("gaps", "expected"),
    [
        ((11.6, 12.3, 11.9, 12.2, 12.4, 11.8), True),  # the published case: coefficient of variation .026
        ((2.0, 30.0, 9.0, 3.0, 50.0, 20.0), False),
        ((12.0, 12.0), None),
    ],
)
def test_regular_times(gaps: tuple[float, ...], expected: bool | None) -> None:  # noqa: FBT001
    four = counting_box((0, 0, 0, 0))
    story = Story().look(four).look(four, after=HOUR, log=(DOWN,))
    for gap in gaps:
        story.look(counting_box((0, 0, 0, 0)), after=gap * HOUR, log=(DOWN,))
    assert features(story)["regular_period"] is expected


def test_what_is_more_even_than_chance_is_no_clock_yet() -> None:
    # gaps of 2 to 22 hours: thirty of them vary by .54, which chance makes once in thousands of times
    story = Story().look(counting_box((0, 0, 0, 0)))
    for number in range(31):
        story.look(counting_box((0, 0, 0, 0)), after=(2.0 + 20.0 * (number * 7 % 10) / 9) * HOUR, log=(DOWN,))
    times = [one.dropped_at for one in story.ledger.episodes.episodes]
    clock = clockwork(times)
    assert isinstance(clock, Clockwork)
    assert clock.is_periodic
    assert clock.variation == pytest.approx(0.54, abs=0.02)
    assert features(story)["regular_period"] is False


def test_drops_seen_only_by_looking_now_and_then_have_no_clock() -> None:
    story = Story().look(counting_box((0, 0, 0, 0)))
    for _ in range(6):
        story.look(counting_box((0, 0, 0, 0)).without(PATH), after=6 * HOUR)
        story.look(counting_box((0, 0, 0, 0)), after=6 * HOUR)
    assert len(story.ledger.episodes.episodes) == 6
    assert features(story)["regular_period"] is None


# --- what it comes to -------------------------------------------------------------------------------------------------


def test_a_bad_path_is_named() -> None:
    story = Story()
    for hour in range(24 * 14):
        bad = max(0, hour - 24 * 7)
        log = (DOWN,) if hour in (24 * 12, 24 * 13 + 5) else ()
        story.look(counting_box((bad, 0, 0, 0)), after=HOUR, log=log)
    assert diagnose(features(story, told={"link-slow": ("training",)})).verdict == "signal-path"


def test_a_failing_drive_is_named() -> None:
    story = Story()
    for day in range(20):
        box = Box().with_port(PATH, function={"aer": count()})
        box.with_drive(PATH, function={"aer": count()}, health={"media_errors": day * day})
        story.look(box, after=DAY)
    assert diagnose(features(story)).verdict == "drive-failing"


@pytest.mark.parametrize(
    ("gap", "regular", "expected"),
    [
        (29.3, True, True),  # no schedule has such a period
        (24.0, None, None),  # a nightly job would have
        (12.0, True, None),
        (6.05, True, None),
    ],
)
def test_a_clock_of_its_own(gap: float, regular: bool | None, expected: bool | None) -> None:  # noqa: FBT001
    story = Story().look(counting_box((0, 0, 0, 0)))
    for number in range(8):
        story.look(counting_box((0, 0, 0, 0)), after=gap * HOUR * (1.01 if number % 2 else 0.99), log=(DOWN,))
    assert features(story)["regular_period"] is regular
    assert features(story)["period_of_its_own"] is expected


def test_many_drops_spread_like_the_time_itself_are_none_of_rest() -> None:
    work = Working()
    for day in range(30):
        for hour in range(24):
            work.hour(900.0 if hour < 12 else 0.0, drops=(day, hour) != (0, 0) and (hour + day * 24) % 13 == 0)
    answers = features(work.story)
    assert answers["drops_after_idle_exit"] is False


def test_drives_that_lose_their_power_between_the_same_looks_lost_it_together() -> None:
    def box(first: int, second: int) -> Box:
        made = Box().with_port(PATH).with_drive(PATH, serial="FN1", health={"unsafe_shutdowns": first})
        return made.with_port(PATHS[1]).with_drive(PATHS[1], serial="FN2", health={"unsafe_shutdowns": second})

    both = Story().look(box(3, 5)).look(box(4, 6), after=HOUR)
    assert features(both)["several_drives_together"] is True
    assert features(both)["drops_or_resets"] is True
    alone = Story().look(box(3, 5)).look(box(4, 5), after=HOUR)
    assert features(alone)["several_drives_together"] is False


def test_a_clock_that_misses_a_beat_is_still_one() -> None:
    story = Story().look(counting_box((0, 0, 0, 0))).look(counting_box((0, 0, 0, 0)), after=HOUR, log=(DOWN,))
    for gap in (30.2, 29.9, 60.3, 30.1, 30.0, 90.2, 29.8, 30.3):
        story.look(counting_box((0, 0, 0, 0)), after=gap * HOUR, log=(DOWN,))
    answers = features(story)
    assert answers["regular_period"] is True
    assert answers["period_of_its_own"] is True


@pytest.mark.parametrize("days", [(8, 7, 8, 7, 8, 7), (1, 1, 1, 2, 1, 1), (7, 7, 7, 7, 7, 7)])
def test_drops_at_one_hour_of_the_day_are_regular_by_the_days_work_and_say_nothing(days: tuple[int, ...]) -> None:
    story = Story().look(counting_box((0, 0, 0, 0))).look(counting_box((0, 0, 0, 0)), after=HOUR, log=(DOWN,))
    for number in days:
        story.look(counting_box((0, 0, 0, 0)), after=(24.0 * number + 0.4) * HOUR, log=(DOWN,))
    answers = features(story)
    assert answers["regular_period"] is None
    assert answers["period_of_its_own"] is None


def test_a_clock_of_nearly_whole_days_that_wanders_through_the_day_is_one() -> None:
    story = Story().look(counting_box((0, 0, 0, 0))).look(counting_box((0, 0, 0, 0)), after=HOUR, log=(DOWN,))
    for _ in range(7):
        story.look(counting_box((0, 0, 0, 0)), after=12.1 * DAY, log=(DOWN,))
    assert features(story)["regular_period"] is True
    assert features(story)["period_of_its_own"] is None  # it is near to twelve days, which a schedule may have


@pytest.mark.parametrize(("occasions", "seen"), [(0, None), (4, None), (5, True)])
def test_media_errors_again_and_again_are_more_than_media_errors(occasions: int, seen: bool | None) -> None:  # noqa: FBT001 (a table)
    working = Working()
    for number in range(48):
        working.hour(20.0, media_errors=3 + 2 * min(occasions, number // 8))
    assert features(working.story)["media_errors_often"] is seen


ABORTED = "nvme nvme0: I/O 7 QID 3 timeout, aborting"
MEDIUM = "critical medium error, dev nvme0n1, sector 4096 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"


def test_commands_that_were_taken_back_over_bad_media_are_neither_a_drop_nor_a_reset() -> None:
    working = Working()
    for _ in range(24 * 10):
        working.hour(20.0)
    working.hour(20.0, drops=True, line=ABORTED)
    working.story.look(working.box(), after=60.0, log=(MEDIUM,))
    (drop,) = working.story.ledger.episodes.episodes
    assert drop.only_aborted
    assert features(working.story)["drops_or_resets"] is None
    working.hour(20.0, drops=True, line=RESET)
    assert features(working.story)["drops_or_resets"] is True


def test_a_drive_of_the_model_whose_commands_were_taken_back_is_no_drive_that_drops_too() -> None:
    story = Story().look(counting_box((0, 0, 0, 0)))
    story.look(counting_box((0, 0, 0, 0)), after=HOUR, log=(DOWN,))
    story.look(counting_box((0, 0, 0, 0)), after=5 * HOUR, log=(ABORTED.replace("nvme0", "nvme1"),))
    assert features(story)["same_model_affected"] is False
    story.look(counting_box((0, 0, 0, 0)), after=5 * HOUR, log=(RESET.replace("nvme0", "nvme1"),))
    assert features(story)["same_model_affected"] is not False
