"""What a test expects to have been read, or not."""

from typing import TypeVar

from laneproof.evidence.not_enough import NotEnough
from laneproof_collectors.unread import Unread

_Value = TypeVar("_Value")


def unread(value: object) -> Unread:
    """Give a value that has to be an `Unread`, as one."""
    assert isinstance(value, Unread), value
    return value


def known(value: _Value | Unread | NotEnough | None) -> _Value:
    """Give a value that has to be there and read, as what it is."""
    assert value is not None
    assert not isinstance(value, Unread | NotEnough), value
    return value
