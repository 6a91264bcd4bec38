"""The pages of positions over HTTP: found by label or path, with what is not there said as that."""

from collections.abc import Iterator
from contextlib import contextmanager
from http import HTTPStatus
from urllib.parse import quote

import pytest

from boxes.kept_position import make_past
from laneproof.outputs.position_past import PositionPast
from laneproof.past.past import Past
from laneproof.service.position_pages import PositionPages, Reply
from laneproof.service.status import DaemonStatus
from support.asked_service import NOW, Client, publish


class KeptPast:
    """A past that notes what it was asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, float]] = []

    def read_position(self, name: str, since: float | None, default_seconds: float) -> PositionPast:
        assert since is None
        self.asked.append((name, default_seconds))
        if name == "deck-1":
            raise LookupError("nothing that was kept is called 'deck-1'")
        return make_past()

    def read_passes(self) -> Past | None:
        return None


def ask(path: str, query: str = "", *, status: DaemonStatus | None = None) -> tuple[Reply | None, KeptPast]:
    past = KeptPast()

    @contextmanager
    def open_past() -> Iterator[KeptPast]:
        yield past

    pages = PositionPages(lambda: status or publish(), open_past, lambda: NOW)  # type: ignore[arg-type] # a part of a Past
    return pages.answer(path, query), past


@pytest.mark.parametrize(
    ("query", "seconds"),
    [("", 30 * 86400.0), ("span=day", 86400.0), ("span=year", 365 * 86400.0), ("span=age&x", 30 * 86400.0)],
)
def test_as_much_of_the_past_is_read_as_is_shown(query: str, seconds: float) -> None:
    reply, past = ask("/positions/riser-2", query)
    assert reply is not None
    assert reply[0] == HTTPStatus.OK
    assert past.asked == [("riser-2", seconds)]


def test_a_position_is_found_by_its_path_too() -> None:
    reply, _ = ask("/positions/0000:00/01.2")
    assert reply is not None
    assert b"riser-2 is not as it should be" in reply[2]


def test_a_position_of_which_nothing_was_kept_still_has_a_page() -> None:
    reply, _ = ask("/positions/deck-1")
    assert reply is not None
    assert b"nothing that was kept is called" in reply[2]


def test_what_is_none_of_these_pages_is_left_to_others() -> None:
    assert ask("/metrics")[0] is None


@pytest.mark.parametrize("path", ["/positions/rise", "/replace/rise", "/positions/"])
def test_a_name_that_no_position_has_is_answered_with_those_there_are(path: str) -> None:
    reply, _ = ask(path)
    assert reply is not None
    assert (reply[0], b"there is riser-1, riser-2" in reply[2]) == (HTTPStatus.NOT_FOUND, True)


def test_before_the_first_pass_there_is_no_page() -> None:
    reply, _ = ask("/positions/riser-2", status=DaemonStatus())
    assert reply is not None
    assert reply[0] == HTTPStatus.SERVICE_UNAVAILABLE


def test_the_guide_says_that_nothing_is_known_of_earlier_passes() -> None:
    reply, _ = ask("/replace/riser-2")
    assert reply is not None
    assert b"nothing was kept yet" in reply[2]


def test_over_http_a_name_may_hold_anything() -> None:
    made = Client(publish())
    try:
        for name in ("riser-2", "0000:00/01.2"):
            status, headers, body = made.ask(f"/positions/{quote(name, safe='')}")
            assert (status, headers["Content-Type"]) == (200, "text/html; charset=utf-8")
            assert b"no history is kept here" in body
        assert "riser-é".encode() in made.ask(f"/replace/{quote('riser-é')}")[2]
    finally:
        made.server.close()
