"""signal-errors: raised by what lasts, reported once, kept while it stands, cleared when it is over."""

from dataclasses import replace

import pytest

from boxes.losing_box import DOWN
from boxes.simulated_past import PATHS, count, counting_box, link_errors_past, quiet_snapshot
from boxes.snapshot_box import L1, RISER_1, SATA, Box, declare, one_drive
from boxes.story_engine import DAY, HOUR, Watcher
from laneproof.past.drives import HourHeat
from laneproof.past.error_reporting import SIGNAL_BITS, Reporting
from laneproof.past.link_errors import LinkRecord
from laneproof.past.notes import parse_note
from laneproof.rules.links.signal_errors import SIGNAL_ERRORS, describe_heat, say_acceptance
from laneproof.rules.rule import Pass
from laneproof_collectors.snapshot import AutonomousTransitions
from support.rule_examples import check_examples, example

BUILD = declare(RISER_1)


def quiet_days(days: int, *, at: int = 0, watcher: Watcher | None = None) -> Watcher:
    watcher = watcher or Watcher("signal-errors", BUILD)
    watcher.observe(counting_box((at, 0, 0, 0)), after=3 * HOUR, times=days * 8)
    return watcher


def noisy_days(watcher: Watcher, days: float, *, each_pass: int, at: int = 0) -> int:
    for number in range(1, int(days * 8) + 1):
        watcher.observe(counting_box((at + each_pass * number, 0, 0, 0)), after=3 * HOUR)
    return at + each_pass * int(days * 8)


def test_a_link_going_bad_is_reported_once_and_grows_louder() -> None:
    watcher = quiet_days(14)
    noisy_days(watcher, 3, each_pass=3)
    assert watcher.changes[0][:2] in (("raised", "notice"), ("raised", "warning"))
    assert watcher.severity == "warning"
    assert len(watcher.changes) <= 2  # counts that go on rising are no change
    (finding,) = watcher.standing
    assert (finding.position, finding.subject) == ("riser-1", "nvme0")
    assert "16 GT/s (generation 4) x4" in finding.summary
    assert finding.evidence["device_errors"] > finding.evidence["port_errors"] == 0
    assert finding.evidence["device_reporting"] == "counted"
    assert "rises_with_heat" not in finding.evidence
    assert finding.causes
    snapshot = watcher.engine.past.previous
    assert snapshot is not None
    (finding,) = SIGNAL_ERRORS.judge(Pass.of(BUILD, snapshot, watcher.engine.past))  # without the steps of its cause
    reseat = next(number for number, step in enumerate(finding.next_steps) if "reseat" in step.casefold())
    assert "47 seconds of steady traffic without one error" in finding.next_steps[reseat + 2]


def test_it_says_when_it_began_and_what_else_changed_then() -> None:
    watcher = quiet_days(14)
    watcher.restart()
    errors = 0
    for _ in range(8 * 4):
        errors += 3
        watcher.observe(counting_box((errors, 0, 0, 0)).with_firmware(kernel_release="6.13.0"), after=3 * HOUR)
    (finding,) = watcher.standing
    assert finding.evidence["began_at"].startswith("20")
    assert any("the kernel changed" in change for change in finding.evidence["changed_near"])


def test_it_clears_when_the_errors_have_stopped() -> None:
    watcher = quiet_days(14)
    last = noisy_days(watcher, 3, each_pass=3)
    quiet_days(2, at=last, watcher=watcher)
    assert watcher.standing  # the week still holds them
    quiet_days(14, at=last, watcher=watcher)
    assert watcher.standing == []
    assert watcher.changes[-1][0] == "cleared"


def test_a_drive_that_is_away_for_a_moment_does_not_clear_it() -> None:
    watcher = quiet_days(14)
    noisy_days(watcher, 3, each_pass=3)
    watcher.observe(counting_box((0, 0, 0, 0)).without(PATHS[0]), after=HOUR)
    assert watcher.standing


def test_a_storm_is_reported_within_minutes_where_the_box_is_watched_by_the_minute() -> None:
    watcher = Watcher("signal-errors", BUILD)
    watcher.observe(counting_box((0, 0, 0, 0)), after=60.0, times=30)
    for number in range(1, 4):
        watcher.observe(counting_box((400 * number, 0, 0, 0)), after=60.0)
    assert watcher.severity == "notice"
    (finding,) = watcher.standing
    assert finding.observed == "more errors than the specification allows"


def test_over_a_restart_of_the_machine_it_goes_on() -> None:
    watcher = quiet_days(14)
    noisy_days(watcher, 3, each_pass=3)
    watcher.restart()
    noisy_days(watcher, 2, each_pass=3)
    assert watcher.became.count("raised") == 1


def test_a_cable_that_was_changed_puts_it_on_trial() -> None:
    through = declare(f'[[position]]\nlabel = "riser-1"\npath = "{PATHS[0]}"\nthrough = ["flexible-cable"]')
    watcher = quiet_days(14)
    noisy_days(watcher, 3, each_pass=3)
    watcher.engine.build = through
    watcher.restart().observe(counting_box((0, 0, 0, 0)), after=HOUR)
    assert "none at its 3 sibling links" in watcher.standing[0].summary  # a link is not compared with itself
    assert watcher.standing[0].evidence["trial"]["outcome"] == "counting"
    quiet_days(2, watcher=watcher)
    assert watcher.standing == []  # cured, and sooner than a week of old errors would have let it


UNCORRECTABLE = "nvme 0000:01:00.0: PCIe Bus Error: severity=Uncorrectable (Fatal), type=Data Link Layer, (Receiver ID)"


def test_an_uncorrectable_error_in_the_log_alone_is_a_notice_and_a_warning_when_it_recurs() -> None:
    watcher = Watcher("signal-errors", BUILD).observe(one_drive())
    watcher.observe(one_drive(), after=HOUR, log=(UNCORRECTABLE,))
    assert [change[:2] for change in watcher.changes] == [("raised", "notice")]
    (finding,) = watcher.standing
    assert "1 uncorrectable error of the link in the last week, as the kernel's log shows" in finding.summary
    watcher.observe(one_drive(), after=HOUR, times=10)
    assert len(watcher.changes) == 1
    watcher.observe(one_drive(), after=HOUR, log=(UNCORRECTABLE,))
    assert watcher.severity == "warning"
    assert len(watcher.changes) == 2


def test_an_uncorrectable_error_of_the_log_that_goes_along_with_a_disconnect_says_nothing() -> None:
    watcher = Watcher("signal-errors", BUILD).observe(one_drive())
    watcher.observe(one_drive(), after=HOUR, log=(UNCORRECTABLE, DOWN)).observe(one_drive(), after=HOUR)
    assert watcher.changes == []


def test_an_uncorrectable_error_of_the_log_is_over_after_ten_quiet_days() -> None:
    watcher = Watcher("signal-errors", BUILD).observe(one_drive())
    watcher.observe(one_drive(), after=HOUR, log=(UNCORRECTABLE,))
    watcher.observe(one_drive(), after=DAY, times=11)
    assert watcher.standing == []


def test_the_owners_new_cable_is_on_trial_and_the_finding_says_how_it_stands() -> None:
    watcher = quiet_days(14)
    last = noisy_days(watcher, 3, each_pass=3)
    watcher.engine.add_notes(notes=(parse_note("new cable", at=watcher.now + 60.0, position="riser-1"),))
    watcher.observe(counting_box((last, 0, 0, 0)), after=3 * HOUR)
    (finding,) = watcher.standing
    assert "; on trial since your note: new cable; it must stay clean" in finding.summary
    assert finding.evidence["trial"]["outcome"] == "counting"
    noisy_days(watcher, 3, each_pass=3, at=last)
    assert "so that was not the cure" in watcher.standing[0].summary


def repeating(
    *,
    resting: bool = True,
    repeats: int = 0,
    uncorrectable: int = 0,
    damaged: int = 0,
    reporting: Reporting = Reporting.COUNTED,
    sata: bool = False,
) -> Box:
    """A drive (or a controller of SATA drives) that may rest, by what its port counted and what itself."""
    port = replace(count({"Timeout": repeats}), fatal={"DLP": uncorrectable})
    drive: dict[str, object] = {"aer": count(damaged)}
    if reporting is Reporting.NO_CAPABILITY:
        drive = {}
    elif reporting is Reporting.MASKED:
        drive["correctable_mask"] = SIGNAL_BITS
    if sata:
        card = Box().with_port(PATHS[0], function={"aer": port}, aspm=L1 if resting else 0)
        return card.with_device(PATHS[0], class_code=SATA, aspm=L1 if resting else 0, function=drive)
    states = AutonomousTransitions(enabled=resting, transitions={0: (3, 500)})
    box = Box().with_port(PATHS[0], function={"aer": port})
    return box.with_drive(PATHS[0], function=drive, controller={"autonomous_transitions": states})


@pytest.mark.parametrize(
    ("resting", "reporting", "sata", "severity"),
    [
        (True, Reporting.COUNTED, False, "notice"),
        (False, Reporting.COUNTED, False, "warning"),
        (True, Reporting.MASKED, False, "warning"),
        (True, Reporting.NO_CAPABILITY, False, "notice"),
        (False, Reporting.NO_CAPABILITY, False, "warning"),
        (True, Reporting.NO_CAPABILITY, True, "notice"),
        (False, Reporting.NO_CAPABILITY, True, "warning"),
    ],
)
def test_packets_that_were_only_repeated_are_a_notice_where_the_link_may_rest_and_no_end_hides_damage(
    *, resting: bool, reporting: Reporting, sata: bool, severity: str
) -> None:
    # replay time-outs alone are seen where a low-power state takes too long to leave (public threads on link power)
    watcher = Watcher("signal-errors", BUILD)
    for number in range(8 * 17):
        repeats = max(0, number - 8 * 14) * 3
        watcher.observe(repeating(resting=resting, repeats=repeats, reporting=reporting, sata=sata), after=3 * HOUR)
    assert watcher.severity == severity


def test_uncorrectable_errors_are_an_alarm_also_where_a_resting_link_repeats_packets() -> None:
    watcher = Watcher("signal-errors", BUILD)
    for day in range(8):
        watcher.observe(repeating(repeats=day, uncorrectable=day), after=DAY)
    assert watcher.severity == "warning"
    assert "uncorrectable" in watcher.standing[0].summary


def test_a_month_of_repeats_hides_no_damage_of_this_week() -> None:
    watcher = Watcher("signal-errors", BUILD)
    for number in range(8 * 30):
        box = repeating(repeats=100 * number, damaged=10 * max(0, number - 8 * 28))
        for path in PATHS[1:]:
            box.with_port(path, function={"aer": count()}).with_drive(path, function={"aer": count()})
        watcher.observe(box, after=3 * HOUR)
    assert watcher.severity == "warning"


# --- warmth, and new parts --------------------------------------------------------------------------------------------

BEGIN = 1_790_000_000.0 - 1_790_000_000.0 % HOUR


def link(counts: list[int], *, steady: float = 0.0) -> LinkRecord:
    """Make a link with so many errors in each hour, all in as many minutes."""
    record = LinkRecord(path="p", serial="s", gt_s=16.0, lanes=4, steady_since=steady)
    for number, errors in enumerate(counts):
        row = record.series.open_row(BEGIN + number * HOUR)
        row.seconds, row.units, row.bits = HOUR, 60.0, 64e9 * HOUR
        row.device_errors = row.most = row.marked = errors
    return record


def heat(celsius: list[float]) -> list[HourHeat]:
    first = int(BEGIN // HOUR)
    return [HourHeat(hour=first + number, readings=4, mean_celsius=degrees) for number, degrees in enumerate(celsius)]


WARMING = [30.0 + (number % 24) for number in range(48)]  # two days, each from 30 to 53 °C
WITH_WARMTH = [number % 24 // 6 for number in range(48)]


def test_errors_that_come_with_warmth_are_reported_by_quarters_of_its_hours() -> None:
    known = describe_heat(link(WITH_WARMTH), heat(WARMING))["rises_with_heat"]
    assert known["celsius"] == [32.5, 38.5, 44.5, 50.5]
    assert known["errors"] == [0, 12, 24, 36]
    # Armitage's trend for Poisson counts with equal exposures: z = (sum score x count - 1.5 K) / sqrt(1.25 K)
    # = (12 + 48 + 108 - 108) / sqrt(90) = 6.325, whose upper tail is 1.3e-10
    assert known["p"] == pytest.approx(1.27e-10, rel=0.01)


@pytest.mark.parametrize(
    ("counts", "celsius", "steady"),
    [
        pytest.param([1, 0] * 24, WARMING, 0.0, id="at all temperatures"),
        pytest.param([3 - count for count in WITH_WARMTH], WARMING, 0.0, id="with coolness"),
        pytest.param(WITH_WARMTH, [40.0 + number % 24 / 6 for number in range(48)], 0.0, id="hardly ever warmer"),
        pytest.param(WITH_WARMTH, WARMING, BEGIN + 30 * HOUR, id="before the parts were changed"),
    ],
)
def test_other_errors_say_nothing_of_warmth(counts: list[int], celsius: list[float], steady: float) -> None:
    assert describe_heat(link(counts, steady=steady), heat(celsius)) == {}


def test_one_burst_in_a_warm_hour_says_nothing_of_warmth() -> None:
    record = link([0] * 48)
    row = record.series.rows[47]
    row.device_errors = row.most = 200
    row.marked = 1
    assert describe_heat(record, heat(WARMING)) == {}


@pytest.mark.parametrize(("gt_s", "lanes", "words"), [(16.0, 4, "47 seconds"), (8.0, 1, "6 minutes")])
def test_other_parts_are_accepted_after_three_times_as_many_bits_as_one_error_may_take(
    gt_s: float, lanes: int, words: str
) -> None:
    # 3.0e12 bits: 46.8 s at 16 GT/s x4, 374.5 s at 8 GT/s x1 (1e-12 errors a bit; -ln 0.05 = 2.9957)
    said = say_acceptance(LinkRecord(path="p", serial="s", gt_s=gt_s, lanes=lanes))
    assert said is not None
    assert said.startswith(f"After a change of parts {words} of steady traffic")


def test_of_a_link_of_unknown_rate_no_time_is_said() -> None:
    assert say_acceptance(LinkRecord(path="p", serial="s")) is None


def test_examples() -> None:
    check_examples(
        SIGNAL_ERRORS,
        RISER_1,
        example(quiet_snapshot()),
        example(link_errors_past(before=2 / 7, now=2 / 7)),
        example(link_errors_past(before=0.0, now=0.0, burst=40)),
        example(link_errors_past(before=0.0, now=48.0), "warning nvme0 | See at which end"),
    )
