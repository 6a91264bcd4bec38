"""Before anything is known, what is published says so."""

from laneproof.service.status import Published


def test_nothing_is_known_at_the_start() -> None:
    published = Published()
    assert (published.build, published.outcome, published.complete) == (None, None, False)
    assert (dict(published.runs), dict(published.overdue)) == ({}, {})
