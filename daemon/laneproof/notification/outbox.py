"""The queue of messages, each for one address: what may be sent now, and what becomes of it. Pure.

Rules of this module: a message leaves the queue only when its address has taken it. One that was being sent when the
program was killed may have arrived: it is sent again and says so, since a lost alarm is worse than a doubtful one.
"""

import hashlib
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from laneproof.findings import Severity
from laneproof.notification.message import Message

FIRST_PAUSE_SECONDS, LONGEST_PAUSE_SECONDS = 30.0, 900.0
TRIES_IN_FRONT = 20
"""After so many tries other cases go first: a message that an address will not take holds up its own case alone."""
AGAIN = "(perhaps again) "


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One message for one address.

    Attributes:
        number: Counted up; older messages first.
        address: What `name_address` makes of the address: the state holds no password.
        tries: How often it was tried in vain.
        next_at: Not before this, unix seconds.
        is_under_way: Whether it is being sent.
    """

    number: int
    address: str
    message: Message
    tries: int = 0
    next_at: float = 0.0
    is_under_way: bool = False


Queue = tuple[Item, ...]


def name_address(url: str) -> str:
    """Name an address without giving it away."""
    return hashlib.sha256(url.encode()).hexdigest()[:16]


def put(queue: Queue, messages: Iterable[Message], addresses: Collection[str], first: int) -> Queue:
    """Add messages, numbered from the first free number, each for all addresses.

    None gets a reminder of a case of which a message waits for it.
    """
    waiting = {(item.message.case, item.address) for item in queue}
    pairs = [
        (message, address)
        for message in messages
        for address in addresses
        if message.kind != "reminder" or (message.case, address) not in waiting
    ]
    added = (Item(number=first + at, address=address, message=message) for at, (message, address) in enumerate(pairs))
    return (*queue, *added)


def recover(queue: Queue, addresses: Collection[str]) -> Queue:
    """Go on after a start: what was under way is sent again and says so; what has no address any more is left out."""
    return tuple(
        replace(item, is_under_way=False, message=_mark_again(item.message)) if item.is_under_way else item
        for item in queue
        if item.address in addresses
    )


def _mark_again(message: Message) -> Message:
    return message if message.title.startswith(AGAIN) else replace(message, title=AGAIN + message.title)


def find_next(queue: Queue, now: float, tried: Collection[int] = ()) -> Item | None:
    """Give what is to be sent next and was not tried in this pass; None where everything waits."""
    first_of_case: dict[tuple[str, int], Item] = {}
    for item in sorted(queue, key=lambda item: item.number):
        first_of_case.setdefault((item.address, item.message.case), item)
    heads: dict[str, Item] = {}
    for item in sorted(first_of_case.values(), key=lambda item: (item.tries // TRIES_IN_FRONT, item.number)):
        heads.setdefault(item.address, item)
    # What is put off for longer than any pause was put off by a clock that was wrong.
    due = (item for item in heads.values() if not now < item.next_at <= now + LONGEST_PAUSE_SECONDS)
    return next((item for item in due if item.number not in tried), None)


def begin(queue: Queue, number: int) -> Queue:
    """Note that a message is being sent."""
    return tuple(replace(item, is_under_way=True) if item.number == number else item for item in queue)


def end(queue: Queue, number: int, now: float, *, is_delivered: bool) -> Queue:
    """Note how sending went: delivered, or to be tried again after a pause that grows."""
    if is_delivered:
        return tuple(item for item in queue if item.number != number)
    return tuple(_put_off(item, now) if item.number == number else item for item in queue)


def _put_off(item: Item, now: float) -> Item:
    pause = min(FIRST_PAUSE_SECONDS * 2 ** min(item.tries, 10), LONGEST_PAUSE_SECONDS)
    return replace(item, is_under_way=False, tries=item.tries + 1, next_at=now + pause)


def list_cases(queue: Queue, addresses: Collection[str]) -> frozenset[int]:
    """List the cases of which a message waits for each address."""
    waiting = {(item.message.case, item.address) for item in queue}
    return frozenset(case for case, _ in waiting if all((case, address) in waiting for address in addresses))


def is_urgent(queue: Queue) -> bool:
    """Whether something other than a notice waits, and was tried in vain."""
    return any(item.tries and item.message.severity is not Severity.NOTICE for item in queue)
