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


def ask(path: str, query: str = "", *, status: DaemonStatus | None = None) -> tuple[Reply, KeptPast]:
    past = KeptPast()

    @contextmanager
    def open_past() -> Iterator[KeptPast]:
        yield past

    pages = PositionPages(lambda: status or publish(), open_past, lambda: NOW)  # type: ignore[arg-type] # a part of a Past
    reply = pages.answer(path, query)
    assert reply is not None
    return reply, past


@pytest.mark.parametrize(
    ("query", "seconds"),
    [("", 30 * 86400.0), ("span=day", 86400.0), ("span=year", 365 * 86400.0), ("span=age&x", 30 * 86400.0)],
)
def test_as_much_of_the_past_is_read_as_is_shown(query: str, seconds: float) -> None:
    reply, past = ask("/positions/riser-2", query)
    assert reply[0] == HTTPStatus.OK
    assert past.asked == [("riser-2", seconds)]


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/positions/0000:00/01.2", b"riser-2 is not as it should be"),
        ("/positions/deck-1", b"nothing that was kept is called"),
        ("/replace/riser-2", b"nothing was kept yet"),
    ],
)
def test_a_page_is_found_by_label_or_path_also_where_nothing_was_kept(path: str, said: bytes) -> None:
    assert said in ask(path)[0][2]


@pytest.mark.parametrize("path", ["/positions/rise", "/replace/rise", "/positions/"])
def test_a_name_that_no_position_has_is_answered_with_those_there_are(path: str) -> None:
    reply, _ = ask(path)
    assert (reply[0], b"there is riser-1, riser-2" in reply[2]) == (HTTPStatus.NOT_FOUND, True)


def test_before_the_first_pass_there_is_no_page() -> None:
    assert ask("/positions/riser-2", status=DaemonStatus())[0][0] == HTTPStatus.SERVICE_UNAVAILABLE


def test_over_http_a_name_may_hold_anything(client: Client) -> None:
    for name in ("riser-2", "0000:00/01.2"):
        status, headers, body = client.ask(f"/positions/{quote(name, safe='')}")
        assert (status, headers["Content-Type"]) == (200, "text/html; charset=utf-8")
        assert b"no history is kept here" in body
    assert "riser-é".encode() in client.ask(f"/replace/{quote('riser-é')}")[2]
