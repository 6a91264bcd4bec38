"""What is sent, and when: whole stories of a case, pass by pass, each with all that is said of it."""

from collections.abc import Callable, Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.findings import Change, Finding, FindingChange, Kind, Severity
from laneproof.notification.cases import collect_cases
from laneproof.notification.decisions import (
    SETTING_RULES,
    Reports,
    acknowledge,
    add_missed,
    decide,
    end_work,
    start_work,
)
from laneproof.notification.settings import NotifySettings
from laneproof.rules import RULES
from support.reported_findings import DAY, HOUR, MINUTE, NARROW, POSITIONS, SETTING, T, at

Event = tuple[Finding, ...] | Callable[[Reports, float], Reports]
SETTINGS = NotifySettings(urls=["x://y"], zone="UTC")
CRITICAL = at("riser-3", severity="critical")
NOTICE = at("riser-3", severity="notice")
DROPS = at("riser-3", rule="drops-off-bus", severity="critical")


def run(
    story: Mapping[float, Event], until: float, settings: NotifySettings = SETTINGS, step: float = 30.0
) -> list[tuple[float, str, str]]:
    """Run a story, a pass every half minute: what stands from a time on, or what is done at it. Times are from T."""
    reports, standing, said, now = Reports(), tuple[Finding, ...](), [], min(0.0, *story)
    ahead = sorted(story.items())
    while now <= until:
        while ahead and ahead[0][0] <= now:
            event = ahead.pop(0)[1]
            if isinstance(event, tuple):
                standing = event
            else:
                reports = event(reports, T + now)
        cases = collect_cases(standing, POSITIONS)
        reports, to_say = decide(reports, cases, T + now, settings)
        said += [(now, str(report.kind), f"{report.known.about} {report.severity}") for report in to_say]
        now += step
    return said


STORIES: dict[str, Any] = {
    "a case that stands is raised once it has settled": ({0: (NARROW,)}, HOUR, [(60, "raised")]),
    "what is gone within the minute was nothing": ({0: (NARROW,), 20: ()}, HOUR, []),
    "a cause that moves is waited for, and not for ever": (
        {second: (at("riser-3", cause=("heat", "signal-path")[second // 30 % 2]),) for second in range(0, 3600, 30)},
        HOUR,
        [(300, "raised")],
    ),
    "a cause that moves afterwards is no news": (
        {0: (NARROW,), 600: (at("riser-3", cause="heat"),)},
        HOUR,
        [(60, "raised")],
    ),
    "an alarm that joins makes it worse, once; a notice does not": (
        {
            0: (NARROW,),
            600: (NARROW, at("riser-3", rule="link-slow")),
            1200: (NARROW, at("riser-3", rule="link-slow"), at("riser-3", rule="throttled", severity="notice")),
        },
        HOUR,
        [(60, "raised"), (660, "worse")],
    ),
    "a louder one makes it worse, and up and down again does not": (
        {0: (NARROW,), 600: (CRITICAL,), 1200: (NARROW,), 1800: (CRITICAL,)},
        HOUR,
        [(60, "raised"), (600, "worse")],
    ),
    "an alarm that is back after a day is said again, though its case stood all the while": (
        {0: (NARROW,), 600: (NARROW, DROPS), 1200: (NARROW,), 2 * DAY: (NARROW, DROPS)},
        2 * DAY + 600,
        [(60, "raised"), (660, "worse"), (DAY + 660, "reminder"), (2 * DAY + 60, "worse")],
    ),
    "the one that opened a case is back after a day, and the case is not raised a second time": (
        {0: (NARROW,), 600: (NARROW, DROPS), 1200: (DROPS,), 2 * DAY: (NARROW, DROPS)},
        2 * DAY + 600,
        [(60, "raised"), (660, "worse"), (DAY + 660, "reminder"), (2 * DAY + 60, "worse")],
    ),
    "a notice that opened it and is back as an alarm makes it worse": (
        {0: (NARROW,), 600: (NOTICE,), 2 * DAY: (NARROW,)},
        2 * DAY + 600,
        [(60, "raised"), (2 * DAY, "worse")],
    ),
    "an alarm that comes and goes for half a day is one message, and cleared a day after": (
        {30 * number: () if number % 2 else (NARROW,) for number in range(2200)},
        2200 * 30 + 2 * DAY,
        [(60, "raised"), (2199 * 30 + DAY, "cleared")],
    ),
    "gone for ten minutes it is cleared, once": (
        {0: (NARROW,), 1200: ()},
        3 * HOUR,
        [(60, "raised"), (1800, "cleared")],
    ),
    "what comes back meanwhile was never gone": ({0: (NARROW,), 1200: (), 1500: (NARROW,)}, HOUR, [(60, "raised")]),
    "four drives of one slot, one after the other, are one message": (
        {second: tuple(at(f"riser-{number}") for number in range(1, 2 + second // 30)) for second in (0, 30, 60, 90)},
        HOUR,
        [(150, "raised")],
    ),
    "a case that splits is not raised a second time": (
        {
            0: (at("riser-1", cause="shared-supply"), at("deck-1", cause="shared-supply")),
            600: (at("riser-1", cause="heat"), at("deck-1", cause="signal-path")),
        },
        HOUR,
        [(60, "raised")],
    ),
    "cases that become one are not raised a second time": (
        {
            0: (at("riser-1", cause="heat"), at("deck-1", cause="signal-path")),
            600: (at("riser-1", cause="shared-supply"), at("deck-1", cause="shared-supply")),
        },
        HOUR,
        [(60, "raised"), (60, "raised")],
    ),
}


@pytest.mark.parametrize("name", STORIES)
def test_a_story_is_reported_in_so_many_messages(name: str) -> None:
    story, until, said = STORIES[name]
    assert [(when, kind) for when, kind, _ in run(dict(story), until)] == said


def test_an_alarm_is_reminded_of_daily_and_then_weekly() -> None:
    days = [round(when / DAY) for when, kind, _ in run({0: (NARROW,)}, 30 * DAY, step=HOUR) if kind == "reminder"]
    assert days == [1, 2, 3, 4, 5, 6, 13, 20, 27]


@pytest.mark.parametrize("finding", [at("riser-3", severity="notice"), SETTING])
def test_a_notice_and_a_setting_are_said_once(finding: Finding) -> None:
    assert [kind for _, kind, _ in run({0: (finding,)}, 40 * DAY, step=HOUR)] == ["raised"]


def test_a_setting_that_was_so_for_months_is_a_notice() -> None:
    said = run({31 * DAY: (SETTING,)}, 32 * DAY, step=HOUR)
    assert [(kind, about) for _, kind, about in said] == [("raised", "aspm_policy notice")]
    loud = NotifySettings(urls=["x://y"], least="warning")
    assert run({31 * DAY: (SETTING,), 32 * DAY: ()}, 33 * DAY, loud, step=HOUR) == []


def test_what_is_acknowledged_is_not_reminded_of_until_it_gets_worse() -> None:
    said = run(
        {0: (NARROW,), 2 * HOUR: lambda reports, _: acknowledge(reports, 1, "cable on order"), 3 * DAY: (CRITICAL,)},
        3.5 * DAY,
        step=HOUR,
    )
    assert [kind for _, kind, _ in said] == ["raised", "worse"]
    said = run(
        {0: (NARROW,), 2 * HOUR: lambda reports, _: acknowledge(reports, 7, "another one")}, 1.5 * DAY, step=HOUR
    )
    assert [kind for _, kind, _ in said] == ["raised", "reminder"]


FELL_OFF = (NARROW, at("riser-3", rule="drops-off-bus"))


@pytest.mark.parametrize(
    ("acknowledged_at", "first", "then", "said"),
    [
        (30, NARROW, (NARROW,), ["raised"]),  # while it settles
        (3 * HOUR, NARROW, FELL_OFF, ["raised", "worse"]),  # in quiet hours, which hold the message back
        (HOUR, NARROW, FELL_OFF, ["raised", "worse", "reminder"]),  # before it got worse
        (3 * HOUR, NOTICE, (NARROW,), ["raised", "worse"]),
        (HOUR, NOTICE, (NARROW,), ["raised", "worse", "reminder"]),
    ],
)
def test_what_was_acknowledged_stays_so_when_its_message_is_made_later(
    acknowledged_at: float, first: Finding, then: tuple[Finding, ...], said: list[str]
) -> None:
    quiet = NotifySettings(urls=["x://y"], zone="UTC", quiet="15:30-20:00")  # from 77 minutes after T
    story: dict[float, Event] = {
        0: (first,),
        acknowledged_at: lambda reports, _: acknowledge(reports, 1, "cable on order"),
        2 * HOUR: then,
    }
    assert [kind for _, kind, _ in run(story, 1.5 * DAY, quiet)] == said


def test_a_case_that_nobody_acknowledged_is_reminded_of_also_as_part_of_one_that_is() -> None:
    story: dict[float, Event] = {
        0: (at("riser-1", cause="heat"), at("deck-1", cause="signal-path")),
        600: lambda reports, _: acknowledge(reports, 1, "cable on order"),
        1200: (at("riser-1", cause="shared-supply"), at("deck-1", cause="shared-supply")),
    }
    assert [kind for _, kind, _ in run(story, 1.2 * DAY)] == ["raised", "raised", "reminder"]


def test_quiet_hours_hold_back_all_but_what_is_critical() -> None:
    quiet = NotifySettings(urls=["x://y"], zone="UTC", quiet="14:00-16:00")  # T is 14:13
    wait = 16 * HOUR - (T % DAY)
    assert [kind for when, kind, _ in run({0: (CRITICAL,)}, HOUR, quiet)] == ["raised"]
    assert [(when >= wait, kind) for when, kind, _ in run({0: (NARROW,)}, 3 * HOUR, quiet)] == [(True, "raised")]
    came_and_went = run({0: (NARROW,), HOUR: ()}, 3 * HOUR, quiet)
    assert [(when >= wait, kind) for when, kind, _ in came_and_went] == [(True, "over")]
    for finding, is_late in ((CRITICAL, False), (NARROW, True)):  # the end of what was reported before they began
        ends = run({-HOUR: (finding,), HOUR / 2: ()}, 3 * HOUR, quiet)
        assert [(when >= wait, kind) for when, kind, _ in ends[1:]] == [(is_late, "cleared")]


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("swap riser-2", {"riser-2"}),
        ("swap 'riser-2'/riser-3,Deck-1", {"riser-2", "riser-3", "deck-1"}),
        ("riser-20 and pre-riser-2", set()),
    ],
)
def test_work_is_at_the_positions_that_its_text_names(text: str, named: set[str]) -> None:
    begun = start_work(Reports(), text, since=T, until=T + HOUR, labels=POSITIONS).work
    assert begun is not None
    assert set(begun.positions) == named


def work(text: str, hours: float) -> Event:
    return lambda reports, now: start_work(reports, text, since=now, until=now + hours * HOUR, labels=POSITIONS)


@pytest.mark.parametrize(
    ("story", "said"),
    [
        ({0: work("swap riser-3", 2), MINUTE: (NARROW,), HOUR: ()}, []),
        ({0: work("swap riser-3", 2), MINUTE: (CRITICAL,), HOUR: ()}, []),
        ({0: work("swap riser-3", 2), MINUTE: (NARROW,)}, [(2 * HOUR + 60, "raised")]),
        ({0: work("swap riser-3", 2), MINUTE: (NARROW,), HOUR: end_work}, [(HOUR + 60, "raised")]),
        ({0: work("swap riser-3", 2), MINUTE: (at("deck-1", severity="critical"),)}, [(120, "raised")]),
        ({0: work("new fan", 2), MINUTE: (at("deck-1", severity="critical"),), HOUR: ()}, []),
        ({0: work("new fan", 168), MINUTE: (at("deck-1", severity="critical"),)}, [(4 * HOUR, "raised")]),
        ({0: work("swap riser-3", 168), MINUTE: (at(None, severity="critical"),)}, [(4 * HOUR, "raised")]),
        ({0: work("swap riser-3", 168), MINUTE: (CRITICAL,)}, []),
        ({0: work("new fan", 168), MINUTE: (NARROW,)}, []),
        ({0: (NARROW,), HOUR: work("swap riser-3", 2), 1.5 * HOUR: (CRITICAL,), 2 * HOUR: (NARROW,)}, [(60, "raised")]),
        ({0: (NARROW,), HOUR: work("swap riser-3", 2), 1.5 * HOUR: (), 2 * HOUR: (NARROW,)}, [(60, "raised")]),
        ({0: (NARROW,), HOUR: work("swap riser-3", 2), 1.5 * HOUR: ()}, [(60, "raised"), (3 * HOUR, "cleared")]),
    ],
)
def test_what_planned_work_causes_is_not_sent_until_it_ends(
    story: Mapping[float, Event], said: list[tuple[float, str]]
) -> None:
    assert [(when, kind) for when, kind, _ in run(story, 5 * HOUR)] == said


def test_what_planned_work_caused_is_kept() -> None:
    reports = start_work(Reports(), "swap riser-3", since=T, until=T + HOUR, labels=POSITIONS)
    for now in (T, T + MINUTE):
        reports, _ = decide(reports, collect_cases([NARROW], POSITIONS), now, SETTINGS)
    reports, _ = decide(reports, [], T + HOUR / 2, SETTINGS)
    assert reports.work is not None
    assert reports.work.kept == ("riser-3: link-narrow",)


def test_what_was_kept_for_hours_and_is_sent_is_no_longer_said_to_be_kept() -> None:
    reports = start_work(Reports(), "new fan", since=T, until=T + DAY, labels=POSITIONS)
    kept = []
    for hours in (0, 3, 5):
        reports, _ = decide(reports, collect_cases([CRITICAL], POSITIONS), T + hours * HOUR, SETTINGS)
        assert reports.work is not None
        kept.append(reports.work.kept)
    assert kept == [("riser-3: link-narrow",), ("riser-3: link-narrow",), ()]


def test_a_case_that_comes_and_goes_is_soon_left_standing() -> None:
    hourly = {hour * HOUR + half: () if half else (NARROW,) for hour in range(48) for half in (0.0, HOUR / 2)}
    said = run(hourly, 48 * HOUR)
    assert len(said) < 10
    assert said[-1][0] < 12 * HOUR or said[-1][1] == "reminder"


def test_what_is_less_than_asked_for_is_never_sent() -> None:
    loud = NotifySettings(urls=["x://y"], zone="UTC", least="critical")
    assert run({0: (NARROW,), HOUR: (CRITICAL,), 2 * HOUR: ()}, 3 * HOUR, loud)[0][1:] == ("raised", "riser-3 critical")
    assert run({0: (NARROW,), HOUR: ()}, 3 * HOUR, loud) == []


def test_what_came_and_went_while_nobody_asked_is_reported_once() -> None:
    changes = [
        FindingChange(at=T + HOUR * hour, change=change, finding=NARROW)
        for hour, change in ((1, Change.RAISED), (3, Change.CLEARED))
    ]
    reports, said = Reports(), []
    for minute in range(0, 60, 5):
        reports = add_missed(reports, changes, POSITIONS) if minute < 10 else reports
        reports, to_say = decide(reports, [], T + 5 * HOUR + minute * MINUTE, SETTINGS)
        said += [(str(report.kind), report.known.since, report.known.gone_since) for report in to_say]
        changes = changes if minute < 1 else []
    assert said == [("over", T + HOUR, T + 3 * HOUR)]


@pytest.mark.parametrize("at_second", [30.0, 2 * DAY])
def test_a_clock_that_is_put_back_holds_nothing_up(at_second: float) -> None:
    """A clock may be years ahead until the network sets it."""
    reports, kinds = Reports(), []
    moments = (0.0, at_second, at_second + 60, -DAY, 60 - DAY, 120 - DAY)
    for number, second in enumerate(moments):
        cases = collect_cases([NARROW] if number < 5 else [], POSITIONS)
        reports, to_say = decide(reports, cases, T + second, SETTINGS)
        kinds += [str(report.kind) for report in to_say]
    reports, to_say = decide(reports, [], T - 2 * DAY, SETTINGS)
    assert (kinds[0], str(to_say[0].kind)) == ("raised", "cleared")


def test_while_the_daemon_is_silent_nothing_is_cleared() -> None:
    reports, said = Reports(), []
    for minute in range(120):
        cases = collect_cases([NARROW] if minute < 10 else [], POSITIONS)
        reports, to_say = decide(reports, cases, T + minute * MINUTE, SETTINGS, is_complete=minute < 10)
        said += [str(report.kind) for report in to_say]
    assert said == ["raised"]


def test_settings_are_rules_that_there_are() -> None:
    assert {rule.name for rule in RULES} >= SETTING_RULES


STANDING = st.lists(
    st.builds(
        at,
        st.sampled_from(("riser-1", "riser-2", "deck-1")),
        rule=st.sampled_from(("link-narrow", "link-slow")),
        severity=st.sampled_from(("notice", "warning", "critical")),
        cause=st.sampled_from(("heat", "signal-path", "shared-supply")),
    ),
    max_size=4,
    unique_by=lambda finding: finding.identity,
)


@given(st.lists(st.tuples(st.sampled_from((15.0, 60.0, HOUR, DAY)), STANDING), max_size=25))
def test_whatever_comes_a_case_is_raised_before_all_else_and_ends_once(
    passes: list[tuple[float, list[Finding]]],
) -> None:
    reports, now, open_cases = Reports(), T, set[int]()
    for pause, standing in passes:
        now += pause
        reports, to_say = decide(reports, collect_cases(standing, POSITIONS), now, SETTINGS)
        for report in to_say:
            number = report.known.number
            match str(report.kind):
                case "raised":
                    assert number not in open_cases
                    open_cases.add(number)
                case "worse" | "reminder":
                    assert report.case is not None
                case "cleared":
                    open_cases.discard(number)
        alarms = {finding.identity for finding in standing if finding.severity is not Severity.NOTICE}
        followed = {name for known in reports.open for name in known.severities}
        assert {" ".join(identity) for identity in alarms} <= followed
        assert all(finding.kind is Kind.DIFFERS for finding in standing)


def test_cases_are_numbered_one_after_the_other() -> None:
    reports, _ = decide(Reports(), collect_cases([NARROW, at("deck-1")], POSITIONS), T, SETTINGS)
    assert [known.number for known in reports.open] == [1, 2]
