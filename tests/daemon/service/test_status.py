"""Before anything is known, what is status says so."""

from laneproof.service.status import DaemonStatus


def test_nothing_is_known_at_the_start() -> None:
    status = DaemonStatus()
    assert (status.build, status.last_pass, status.complete) == (None, None, False)
    assert (dict(status.runs), dict(status.overdue)) == ({}, {})
