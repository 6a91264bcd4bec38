"""The honest answer."""

from laneproof.evidence.not_enough import NotEnough


def test_it_says_why() -> None:
    assert str(NotEnough("two readings; three are needed")) == "not enough data yet: two readings; three are needed"
