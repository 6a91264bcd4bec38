"""What a test expects not to have been read."""

from laneproof_collectors.unread import Unread


def unread(value: object) -> Unread:
    """Give a value that has to be an `Unread`, as one."""
    assert isinstance(value, Unread), value
    return value
