"""The ways to a drive with several: which are lost, which came back, and what is no loss."""

from laneproof.past.drive_ports import FORGET_SECONDS, DriveWays
from laneproof.past.timeline import Timeline


def read(ways: DriveWays, *paths: str, at: float, ran_on: bool = True) -> list[tuple[str, float, bool]]:
    ways.read(sorted(paths), Timeline(now=at), ran_on=ran_on)
    return [(way.path, way.at, way.ran_on) for way in ways.lost]


def test_a_way_that_is_missing_is_lost_until_it_is_back_or_forgotten() -> None:
    ways = DriveWays()
    assert read(ways, "a", "b", at=1.0) == []
    assert read(ways, "b", at=2.0) == [("a", 2.0, True)]
    assert read(ways, "b", at=3.0) == [("a", 2.0, True)]
    assert read(ways, "a", "b", at=4.0) == []
    assert read(ways, "a", at=5.0, ran_on=False) == [("b", 5.0, False)]
    assert read(ways, "b", at=6.0) == [("a", 6.0, True)]
    assert read(ways, "b", at=6.0 + FORGET_SECONDS) == []


def test_a_drive_that_no_old_way_leads_to_was_moved() -> None:
    ways = DriveWays()
    read(ways, "a", "b", at=1.0)
    assert read(ways, "c", at=2.0) == []
    assert read(ways, "c", at=3.0) == []
