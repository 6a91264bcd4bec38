"""What happened, as text and JSON."""

from typing import Any

import pytest

from boxes.passes import make_finding
from laneproof.findings import Change, FindingChange
from laneproof.history.events import Event
from laneproof.history.notes import KeptNote
from laneproof.outputs.events_text import Happening, as_json, gather, join_repeats, join_runs, write_events
from laneproof.outputs.text_style import Style

LABELS = {"0000:00/01.1": "riser-1"}
T = 1_790_000_000.0  # 2026-09-21T14:13:20Z


def _event(
    t: float = T, kind: str = "link_down", text: str = "pcieport 0000:00:01.1: Link Down", **fields: Any
) -> Event:
    return Event(t=t, kind=kind, text=text, **({"path": "0000:00/01.1"} | fields))


def test_all_that_happened_is_in_one_order_under_its_label() -> None:
    found = gather(
        [_event(T + 20, device="0000:00:01.1")],
        [FindingChange(at=T + 30, change=Change.RAISED, finding=make_finding())],
        [KeptNote(t=T + 10, kind="note", text="moved drive to riser-2", detail={"position": "riser-2"})],
        LABELS,
    )
    assert [(event.kind, event.position) for event in found] == [
        ("note", "riser-2"), ("link_down", "riser-1"), ("finding_raised", "riser-1"),
    ]  # fmt: skip
    assert found[2].text == "link-slow: riser-1 trained at gen 3, declared gen 4"


def test_the_record_of_a_run_is_no_part_of_what_happened() -> None:
    (run,) = gather([], [], [KeptNote(t=T, kind="proof", text="acceptance run: holds", detail={"drives": []})], LABELS)
    assert (run.text, run.detail) == ("acceptance run: holds", {})


def test_what_is_said_of_a_path_is_said_of_its_label() -> None:
    (one,) = gather([_event(kind="changed", text="0000:00/01.1 target rate 8 GT/s")], [], [], LABELS)
    assert one.text == "riser-1 target rate 8 GT/s"
    (other,) = gather([_event(kind="changed", text="board firmware 1.41")], [], [], LABELS)
    assert other.text == "board firmware 1.41"


def test_what_repeats_within_an_hour_is_one_line() -> None:
    events = [_event(T + 900 * number) for number in range(10)] + [_event(T + 900 * 9 + 3600)]
    runs = join_runs(gather(events, [], [], LABELS))
    assert [(run.count, (run.last_t or 0) - run.t) for run in runs] == [(10, 8100.0), (1, 0.0)]


def test_positions_that_repeat_side_by_side_are_told_apart() -> None:
    events = [_event(T + number, path=f"0000:00/01.{1 + number % 2}") for number in range(6)]
    runs = join_runs(gather(events, [], [], LABELS))
    assert [(run.path, run.count) for run in runs] == [("0000:00/01.1", 3), ("0000:00/01.2", 3)]


@pytest.mark.parametrize("kind", ["booted", "changed", "clock_stepped", "note", "finding_raised", "finding_cleared"])
def test_each_of_the_daemons_and_the_owners_own_is_reported(kind: str) -> None:
    happened = [Happening(t=T + number, kind=kind, text="a") for number in range(3)]
    assert len(join_runs(happened)) == 3


def flapping(times: int, every: float) -> list[Happening]:
    """A finding that is raised and cleared again and again."""
    changes = [
        FindingChange(
            at=T + every * number, change=Change.CLEARED if number % 2 else Change.RAISED, finding=make_finding()
        )
        for number in range(2 * times)
    ]
    return gather([], changes, [], LABELS)


def test_a_finding_that_comes_and_goes_is_one_line_with_how_often_and_until_when() -> None:
    (line,) = join_repeats(flapping(54, 3600.0))
    assert line.kind == "finding_repeats"
    assert line.text.endswith("; raised 54 times, cleared now")
    assert line.last_t == T + 107 * 3600.0
    (standing,) = join_repeats(flapping(54, 3600.0)[:-1])
    assert standing.text.endswith("; raised 54 times, it stands")


def test_raised_and_cleared_twice_is_enough_to_be_one_line() -> None:
    assert len(join_repeats(flapping(2, 3600.0))) == 1
    assert len(join_repeats(flapping(2, 3600.0)[:-1])) == 3


def test_what_comes_once_or_far_apart_keeps_its_own_lines() -> None:
    assert len(join_repeats(flapping(1, 3600.0))) == 2
    assert len(join_repeats(flapping(4, 3 * 86400.0))) == 8


def test_repeats_lie_between_what_else_happened() -> None:
    happened = sorted([*flapping(3, 3600.0), Happening(t=T + 60, kind="booted", text="x")], key=lambda one: one.t)
    assert [run.kind for run in join_repeats(happened)] == ["finding_repeats", "booted"]


def test_what_cleared_is_named_by_its_rule() -> None:
    text = write_events(flapping(1, 3600.0), Style(width=80))
    assert text.endswith("riser-1  finding cleared\n  link-slow\n")


def test_a_line_says_when_where_what() -> None:
    happened = gather([_event(device="0000:00:01.1")], [], [], LABELS)
    wide = write_events(happened, Style(width=110))
    assert wide == "2026-09-21T14:13:20Z  riser-1         link down            pcieport 0000:00:01.1: Link Down\n"
    narrow = write_events(happened, Style(width=60))
    assert narrow == "2026-09-21T14:13:20Z  riser-1  link down\n  pcieport 0000:00:01.1: Link Down\n"


def test_a_run_says_how_often_and_until_when() -> None:
    text = write_events(gather([_event(T + 600 * number) for number in range(3)], [], [], LABELS), Style(width=140))
    assert "link down ×3" in text  # noqa: RUF001 (meant)
    assert text.endswith("Link Down (until 2026-09-21T14:33:20Z)\n")
    assert "link down x3" in write_events(gather([_event()] * 3, [], [], LABELS), Style(width=110, unicode=False))


def test_what_has_no_position_is_of_the_box() -> None:
    text = write_events([Happening(t=T, kind="booted", text="the machine was started")], Style(width=110))
    assert "  the box  " in text


def test_nothing_is_said_in_words() -> None:
    assert write_events([], Style()) == "Nothing was reported or noticed in that time.\n"


def test_json_gives_each_with_all_that_is_known() -> None:
    happened = gather([_event(device="0000:00:01.1", drive="FN0001")], [], [], LABELS)
    shown = as_json(happened, since=T - 60, until=T + 60)
    assert (shown["since"], shown["until"]) == ("2026-09-21T14:12:20Z", "2026-09-21T14:14:20Z")
    assert shown["events"] == [
        {
            "t": T, "time": "2026-09-21T14:13:20Z", "kind": "link_down", "position": "riser-1", "path": "0000:00/01.1",
            "drive": "FN0001", "device": "0000:00:01.1", "text": "pcieport 0000:00:01.1: Link Down", "count": 1,
            "last_t": T, "boot_id": None, "detail": {},
        }
    ]  # fmt: skip
