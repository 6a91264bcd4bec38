"""Which ports of a drive are lost, which came back, and what is no loss."""

from boxes.simulated_past import DAY
from laneproof.past.drive_ports import DrivePorts
from laneproof.past.timeline import Timeline


def read(ports: DrivePorts, *paths: str, at: float, ran_on: bool = True) -> list[tuple[str, float, bool]]:
    ports.read(sorted(paths), Timeline(now=at), ran_on=ran_on)
    return [(port.path, port.at, port.ran_on) for port in ports.lost]


def test_a_way_that_is_missing_is_lost_until_it_is_back_or_forgotten() -> None:
    ports = DrivePorts()
    assert read(ports, "a", "b", at=1.0) == []
    assert read(ports, "b", at=2.0) == [("a", 2.0, True)]
    assert read(ports, "b", at=3.0) == [("a", 2.0, True)]
    assert read(ports, "a", "b", at=4.0) == []
    assert read(ports, "a", at=5.0, ran_on=False) == [("b", 5.0, False)]
    assert read(ports, "b", at=6.0) == [("a", 6.0, True)]
    assert read(ports, "b", at=6.0 + 30 * DAY) == []


def test_a_drive_that_no_old_way_leads_to_was_moved() -> None:
    ports = DrivePorts()
    read(ports, "a", "b", at=1.0)
    assert read(ports, "c", at=2.0) == []
    assert read(ports, "c", at=3.0) == []
