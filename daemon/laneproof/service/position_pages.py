"""Answers for the pages of one position: its own, and the guide through replacing what is in it."""

from collections.abc import Callable
from http import HTTPStatus
from urllib.parse import parse_qs

from laneproof.box.names import Position, describe_position
from laneproof.box.shown_positions import list_positions
from laneproof.engine import PassResult
from laneproof.outputs.page.guide import GuideFacts, write_guide_page
from laneproof.outputs.page.history import SPANS
from laneproof.outputs.page.position_page import PositionPageFacts, write_position
from laneproof.outputs.position_past import PositionPast
from laneproof.past.past import NO_PAST, Past
from laneproof.replacement import make_guide
from laneproof.service.api import OpenPast, PastUnreadableError
from laneproof.service.status import DaemonStatus

POSITION, GUIDE = "/positions/", "/replace/"
TEXT, HTML = "text/plain; charset=utf-8", "text/html; charset=utf-8"
Reply = tuple[HTTPStatus, str, bytes]
"""Status, content type, body."""
_DEFAULT_SPAN = "month"


class PositionPages:
    """The pages. They are made of values that were read before, never of the machine."""

    def __init__(self, status: Callable[[], DaemonStatus], open_past: OpenPast, now: Callable[[], float]) -> None:
        """Take what gives the latest value, what opens the past, and the clock that passes are stamped by."""
        self._status, self._open_past, self._now = status, open_past, now

    def answer(self, path: str, query: str) -> Reply | None:
        """Answer one GET; None where the path is none of these pages'. What is not known of a query is passed over."""
        asked = {name: values[-1] for name, values in parse_qs(query).items()}
        if path.startswith(POSITION):
            return self._find(path.removeprefix(POSITION), asked, self._position)
        return self._find(path.removeprefix(GUIDE), asked, self._guide) if path.startswith(GUIDE) else None

    def _find(
        self,
        name: str,
        asked: dict[str, str],
        write: Callable[[DaemonStatus, PassResult, Position, dict[str, str]], str],
    ) -> Reply:
        status = self._status()
        result = status.last_pass
        if result is None:
            return HTTPStatus.SERVICE_UNAVAILABLE, TEXT, b"the first pass is not complete\n"
        shown = list_positions(status.build, result.snapshot)
        path = next((position.path for position in shown if name in (position.label, position.path)), None)
        if path is None:
            known = ", ".join(position.label or position.path for position in shown) or "none"
            return HTTPStatus.NOT_FOUND, TEXT, f"there is no position {name[:80]!r}; there is {known}\n".encode()
        position = describe_position(path, status.build, result.snapshot)
        return HTTPStatus.OK, HTML, write(status, result, position, asked).encode()

    def _position(self, status: DaemonStatus, result: PassResult, position: Position, asked: dict[str, str]) -> str:
        span = asked.get("span", _DEFAULT_SPAN)
        span = span if span in SPANS else _DEFAULT_SPAN
        return write_position(
            PositionPageFacts(
                build=status.build,
                snapshot=result.snapshot,
                position=position,
                findings=result.findings,
                past=self._read_past(position.name, SPANS[span]),
                span=span,
                age_seconds=status.age(self._now()),
            )
        )

    def _read_past(self, name: str, seconds: float) -> PositionPast | str:
        try:
            with self._open_past() as opened:
                return opened.read_position(name, None, seconds)
        except (PastUnreadableError, LookupError) as error:
            return str(error)

    def _guide(self, status: DaemonStatus, result: PassResult, position: Position, asked: dict[str, str]) -> str:
        past, gap = self._read_passes()
        return write_guide_page(
            GuideFacts(
                build=status.build,
                snapshot=result.snapshot,
                findings=result.findings,
                guide=make_guide(position, status.build, result.snapshot, result.findings, past),
                gap=gap,
                with_steps=asked.get("steps") == "shown",
                age_seconds=status.age(self._now()),
            )
        )

    def _read_passes(self) -> tuple[Past, str | None]:
        """Give what the passes add up to, and why it is not known."""
        try:
            with self._open_past() as opened:
                past = opened.read_passes()
        except PastUnreadableError as error:
            return NO_PAST, str(error)
        return (NO_PAST, "nothing was kept yet, or it cannot be used") if past is None else (past, None)
