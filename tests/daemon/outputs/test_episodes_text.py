"""Episodes in words: what it came to, what reported it, and what held before; what was not known is left out."""

from dataclasses import replace
from typing import Any

import pytest

from laneproof.outputs.episodes_text import list_episodes
from laneproof.outputs.events_text import Happening
from laneproof.past.episodes import ABORTED, REENUMERATED, VANISHED, Before, Episode
from laneproof.past.ledger import Ledger
from laneproof.past.timeline import Timeline

NOW = 1_790_000_000.0
PATH, OTHER = "0000:00/01.1", "0000:00/01.2"
LABELS = {PATH: "riser-1", OTHER: "riser-2"}
DROP = Episode(
    number=7, path=PATH, serial="FN0001", device="nvme0", dropped_at=NOW - 5000.0, started=NOW - 5000.0,
    ended=NOW - 4990.0, boot=1, kinds=["controller_down"], lines=6, dropped=True,
)  # fmt: skip


def ledger(*episodes: Episode) -> Ledger:
    made = Ledger(timeline=Timeline(now=NOW, before=NOW, wall=NOW, boots=2, boot_id="b"))
    made.episodes.episodes = list(episodes)
    return made


def describe(episode: Episode = DROP) -> Happening:
    (one,) = list_episodes(ledger(episode), LABELS, since=None, until=NOW)
    return one


def test_an_episode_has_its_number_its_position_its_drive_and_its_time() -> None:
    one = describe()
    assert (one.position, one.path, one.drive, one.device, one.t) == ("riser-1", PATH, "FN0001", "nvme0", NOW - 5000.0)
    assert one.kind == "episode"
    assert one.text == "episode 7: dropped off the bus, not back; reported as controller_down (6 lines)"
    assert one.detail["episode"] == 7


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"returned_at": NOW - 4000.0, "returned_boot": 1}, "dropped off the bus for 17 minutes"),
        ({"returned_at": NOW - 100.0, "returned_boot": 2}, "back only after the machine was started again"),
        ({"dropped": False, "returned_at": NOW - 4990.0, "returned_boot": 1}, "7: controller reset; reported"),
        ({"dropped": False, "kinds": [ABORTED]}, "commands timed out and were taken back"),
        ({"asked": True}, "taken out in good order"),
        ({"kinds": [VANISHED], "lines": 0}, "gone at the next pass, and nothing reported it"),
        ({"kinds": [REENUMERATED], "lines": 0}, "seen only by a counter that began again"),
        ({"together": [OTHER, "0000:00/09.0"]}, "together with riser-2, 0000:00/09.0"),
        ({"power_lost": True}, "it lost its power"),
        ({"power_lost": False}, "it kept its power"),
        ({"lines": 1}, "reported as controller_down (1 line)"),
    ],
)
def test_what_it_came_to(fields: dict[str, Any], says: str) -> None:
    assert says in describe(replace(DROP, **fields)).text


def test_what_nothing_reported_is_not_said_to_be_reported() -> None:
    assert "reported as controller" not in describe(replace(DROP, kinds=[VANISHED], lines=0)).text


@pytest.mark.parametrize(
    ("before", "says"),
    [
        (Before(load="working", load_bytes_per_second=103_400_000.0), "just before: working at 103 MB/s"),
        (Before(load="loaded", load_bytes_per_second=7.2e9), "loaded at 7.2 GB/s"),
        (Before(load="idle", load_bytes_per_second=0.0), "just before: idle"),
        (Before(load="idle", load_bytes_per_second=999.0), "idle at 999 B/s"),
        (Before(celsius=64.0, warning_celsius=80.0), "64 °C (it warns at 80)"),
        (Before(celsius=64.0), "just before: 64 °C"),
        (Before(trained="16 GT/s (generation 4) x4"), "link 16 GT/s (generation 4) x4"),
        (Before(idle_states=True), "idle states on"),
        (Before(idle_states=False), "idle states off"),
        (Before(recent_errors=0), "no link errors in the day before"),
        (Before(recent_errors=1), "1 link error in the day before"),
        (Before(recent_errors=74), "74 link errors in the day before"),
    ],
)
def test_what_held_before_is_said_as_far_as_it_was_known(before: Before, says: str) -> None:
    text = describe(replace(DROP, before=before)).text
    assert text.endswith(says)


def test_nothing_is_said_of_before_where_nothing_was_known() -> None:
    assert "just before" not in describe().text


def test_only_the_stretch_asked_for_is_listed() -> None:
    late = replace(DROP, number=8, dropped_at=NOW - 10.0)
    both = ledger(DROP, late)
    assert [episode.detail["episode"] for episode in list_episodes(both, {}, since=NOW - 60.0, until=NOW)] == [8]
    assert [episode.detail["episode"] for episode in list_episodes(both, {}, since=None, until=NOW - 60.0)] == [7]
