"""``laneproof record``: raw readings of this machine, pass by pass, in a file that judges them elsewhere."""

import argparse
import contextlib
import gzip
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from laneproof.commands.errors import CommandError
from laneproof.commands.sources import open_lines
from laneproof_collectors.anonymity import SerialHider
from laneproof_collectors.collection import make_collectors, read_snapshot
from laneproof_collectors.host import LiveHost
from laneproof_collectors.recorder import RecordingHost


def run(arguments: argparse.Namespace) -> int:
    """Record the passes asked for, or copy a recording; an interrupt ends it with all frames so far kept."""
    lines = _copy(arguments.source) if arguments.source else _record(arguments.every, arguments.passes)
    if arguments.hide_serials:
        lines = SerialHider().hide(lines)
    with _create(arguments.out) as out, contextlib.suppress(KeyboardInterrupt):
        for line in lines:
            out.write(line.encode() + b"\n")
            out.flush()
    return 0


def _copy(source: str) -> Iterator[str]:
    with open_lines(source) as lines:
        yield from lines


def _record(every_seconds: float, passes: int) -> Iterator[str]:
    recorder = RecordingHost(LiveHost())
    collectors = make_collectors()
    try:
        yield recorder.header()
        for number in range(passes):
            if number:
                time.sleep(every_seconds)
            read_snapshot(recorder, collectors)
            recorder.kernel_log()
            recorder.uevents()
            yield recorder.take_frame()
    finally:
        recorder.close()


@contextmanager
def _create(path: str) -> Iterator[IO[bytes]]:
    try:
        stream: IO[bytes] = Path(path).open("wb")  # noqa: SIM115 (closed below)
    except OSError as error:
        raise CommandError.from_os_error(error, path, writing=True) from error
    with stream:
        if path.endswith(".gz"):
            with gzip.GzipFile(fileobj=stream, mode="wb") as packed:
                yield packed  # type: ignore[misc]  # a GzipFile writes bytes as any binary file does
        else:
            yield stream
