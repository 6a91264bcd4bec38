"""The listener: few threads, few connections, ten seconds a request; whatever a client does, the watch goes on.

Where all connections are taken, the one that has kept the listener waiting longest gives way to a new one, so a crowd
of slow clients keeps out nobody who asks and reads at once. Times are of the monotonic clock.

Rules of this module: a fault is logged and survived; every answer, an error too, has the strict headers.
"""

import contextlib
import gzip
import logging
import socket
import time
from collections.abc import Callable, Iterable
from http import HTTPStatus
from threading import Thread
from typing import Any

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask, ThreadedTaskDispatcher

from laneproof.service.access import Access
from laneproof.service.http import Pages

_log = logging.getLogger(__name__)

THREADS = 2
MOST_CONNECTIONS = 64
MOST_HEADER_BYTES = 16 << 10
MOST_BODY_BYTES = 1 << 10
"""Nothing here takes a body; a longer one than this is not even read."""
REQUEST_SECONDS = 10.0
"""How long a connection may stay without a complete request, or with an answer that it does not read."""
REST_SECONDS = 1.0
"""How long no connection is taken after one could not be: the system has no file or no memory for it."""
LONGEST_WAIT_SECONDS = 60.0
SHORTEST_PACKED = 1400
"""An answer that fits one packet is not compressed."""
_PACKING = 5  # of 1 to 9: beyond it more time and hardly less to send
_TEXT = "text/plain; charset=utf-8"
_CONTENT_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Nothing from elsewhere is loaded, and no other page may show this one in a frame."""
HEADERS = (
    ("X-Content-Type-Options", "nosniff"),
    ("Cache-Control", "no-store"),
    ("Referrer-Policy", "no-referrer"),
    ("Content-Security-Policy", _CONTENT_POLICY),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Vary", "Accept-Encoding"),
)
_CHALLENGE = (("WWW-Authenticate", 'Bearer realm="laneproof"'), ("WWW-Authenticate", 'Basic realm="laneproof"'))
_ALLOW = (("Allow", "GET, HEAD"),)

StartResponse = Callable[[str, list[tuple[str, str]]], object]


class Application:
    """Answers requests in the form that Python's servers share (PEP 3333)."""

    def __init__(self, pages: Pages, access: Access) -> None:
        """Take what is answered, and to whom."""
        self._pages, self._access = pages, access

    def __call__(self, environ: dict[str, Any], start_response: StartResponse) -> Iterable[bytes]:
        """Answer one request."""
        status, content_type, body, more = self._answer(environ)
        headers = [("Content-Type", content_type), *HEADERS, *more]
        if len(body) >= SHORTEST_PACKED and _takes_gzip(environ.get("HTTP_ACCEPT_ENCODING", "")):
            body = gzip.compress(body, _PACKING, mtime=0)
            headers.append(("Content-Encoding", "gzip"))
        headers.append(("Content-Length", str(len(body))))
        start_response(f"{status.value} {status.phrase}", headers)
        return [] if environ["REQUEST_METHOD"] == "HEAD" else [body]

    def _answer(self, environ: dict[str, Any]) -> tuple[HTTPStatus, str, bytes, tuple[tuple[str, str], ...]]:
        path = environ["PATH_INFO"].encode("latin-1").decode("utf-8", "replace")  # PEP 3333: its bytes as Latin-1
        refusal = self._access.refuse(environ.get("HTTP_HOST"), environ.get("HTTP_AUTHORIZATION"))
        if refusal is not None:
            status, says = refusal
            return status, _TEXT, f"{says}\n".encode(), _CHALLENGE if status is HTTPStatus.UNAUTHORIZED else ()
        if environ["REQUEST_METHOD"] not in ("GET", "HEAD"):
            only = b"only GET and HEAD: nothing here can be changed\n"
            return HTTPStatus.METHOD_NOT_ALLOWED, _TEXT, only, _ALLOW
        try:
            return *self._pages.answer(path, environ.get("HTTP_ACCEPT", ""), environ.get("QUERY_STRING", "")), ()
        except Exception:  # noqa: BLE001 (a fence: one bad answer must not end the thread silently)
            _log.exception("answering %s failed", ascii(path[:80]))
            return HTTPStatus.INTERNAL_SERVER_ERROR, _TEXT, b"failed; see the log\n", ()


def _takes_gzip(accepted: str) -> bool:
    codings = (coding.partition(";") for coding in accepted.lower().split(","))
    return any(name.strip() == "gzip" and weight.replace(" ", "").rstrip("0.") != "q=" for name, _, weight in codings)


class _ErrorTask(ErrorTask):
    """Answer what is no request, with the headers that every other answer has."""

    def execute(self) -> None:
        error = self.request.error
        body = f"{error.body}\n".encode("ascii", "backslashreplace")
        self.status = f"{error.code} {error.reason}"
        self.response_headers.extend((("Content-Type", _TEXT), *HEADERS))
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class _Channel(HTTPChannel):
    """One connection."""

    error_task_class = _ErrorTask

    def __init__(self, *args: Any, **more: Any) -> None:
        self.waits_since = time.monotonic()
        super().__init__(*args, **more)

    def service(self) -> None:
        self.waits_since = time.monotonic()
        super().service()
        self.waits_since = time.monotonic()

    @property
    def is_waited_for(self) -> bool:
        """Whether the client is to do something next: ask, ask on, or read."""
        return not self.requests


class Server(TcpWSGIServer):
    """The listener, in threads of its own."""

    channel_class = _Channel

    def __init__(
        self, address: str, port: int, pages: Pages, access: Access | None = None, bound: socket.socket | None = None
    ) -> None:
        """Bind, or take a socket that is bound there; port 0 lets the system choose.

        Without `access` whoever asks by the address or a loopback name is answered.

        Raises:
            OSError: The address cannot be bound.
        """
        bound = bound or bind(address, port)
        logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a short queue is no news
        self._rests_until, self._is_resting, self._closing = 0.0, False, False
        self._thread = Thread(target=self._serve, name="http", daemon=True)
        super().__init__(
            Application(pages, access or Access(address)),
            dispatcher=ThreadedTaskDispatcher(),
            adj=Adjustments(
                listen="",  # nothing is looked up or bound: the socket is
                ident="laneproof",
                backlog=MOST_CONNECTIONS,
                max_request_header_size=MOST_HEADER_BYTES,
                max_request_body_size=MOST_BODY_BYTES,
                log_socket_errors=False,
                clear_untrusted_proxy_headers=False,
                asyncore_use_poll=True,
            ),
            sockinfo=(bound.family, socket.SOCK_STREAM, socket.IPPROTO_TCP, bound.getsockname()),
            _sock=bound,
            bind_socket=False,
        )

    @property
    def port(self) -> int:
        """The port that it listens on."""
        return int(self.effective_port)

    def start(self) -> None:
        """Answer from now on.

        Raises:
            RuntimeError: The system gives no thread.
        """
        self.task_dispatcher.set_thread_count(THREADS)
        self._thread.start()

    def close(self) -> None:
        """Stop answering."""
        self._closing = True
        super().pull_trigger()
        if self._thread.is_alive():
            self._thread.join(REQUEST_SECONDS)
            self.task_dispatcher.shutdown(timeout=1)
        for channel in list(self.active_channels.values()):
            channel.handle_close()
        super().close()

    def pull_trigger(self) -> None:
        """Wake the loop; a late thread must not, when the descriptor's number belongs to another file."""
        if not self._closing:
            super().pull_trigger()

    # --- the library's loop, and what it asks -------------------------------------------------------------------------

    def _serve(self) -> None:
        while not self._closing:
            try:
                self.asyncore.loop(timeout=self._find_wait(), map=self._map, use_poll=True, count=1)
            except Exception:  # noqa: BLE001 (a fence: a listener that ended would leave the watch without a voice)
                _log.exception("the listener failed, and goes on")
                time.sleep(REST_SECONDS)

    def _find_wait(self) -> float:
        """Give how long nothing but what clients send needs attention."""
        now = time.monotonic()
        ends = [channel.waits_since + REQUEST_SECONDS for channel in self._list_waiting()]
        if self._is_resting:
            ends.append(self._rests_until)
        return min(LONGEST_WAIT_SECONDS, max(0.0, min(ends) - now) + 0.01) if ends else LONGEST_WAIT_SECONDS

    def _list_waiting(self) -> list[_Channel]:
        return [channel for channel in list(self.active_channels.values()) if channel.is_waited_for]

    def readable(self) -> bool:
        """Whether a new connection may come; closes those that were waited for long enough."""
        now = time.monotonic()
        for channel in self._list_waiting():
            if now - channel.waits_since >= REQUEST_SECONDS:
                channel.will_close = True
        return now >= self._rests_until

    def handle_accept(self) -> None:
        """Take a connection; where there are too many, the one that was waited for longest gives way."""
        try:
            taken = self.accept()
        except OSError as error:
            self._rest(error)
            return
        if taken is None:
            return
        if self._is_resting:
            self._is_resting = False
            _log.warning("the listener takes connections again")
        connection, address = taken
        with contextlib.ExitStack() as undo:
            undo.callback(connection.close)
            if len(self.active_channels) >= MOST_CONNECTIONS:
                waiting = self._list_waiting()
                if not waiting:
                    return
                min(waiting, key=lambda channel: channel.waits_since).handle_close()
            self.set_socket_options(connection)
            self.channel_class(self, connection, address, self.adj, map=self._map)
            undo.pop_all()

    def _rest(self, error: OSError) -> None:
        self._rests_until = time.monotonic() + REST_SECONDS
        if not self._is_resting:
            self._is_resting = True
            _log.warning("the listener takes no connection at the moment: %s", (error.strerror or str(error)).lower())

    def handle_error(self) -> None:
        """Report a fault of the listening socket's own; the library would close it."""
        _log.exception("the listener failed, and goes on")


def bind(address: str, port: int) -> socket.socket:
    """Bind a socket.

    Raises:
        OSError: The address cannot be bound.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    with contextlib.ExitStack() as undo:
        undo.callback(made.close)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((address, port))
        undo.pop_all()
    return made
