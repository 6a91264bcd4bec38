"""``laneproof metrics``: what the service answers at /metrics of the box, once, for a collector that reads files."""

import argparse
import os
from collections.abc import Iterator
from pathlib import Path

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.registry import Collector

from laneproof.commands.errors import CommandError
from laneproof.commands.terminal import show
from laneproof.commands.this_machine import Now, judge_now
from laneproof.outputs.metrics import list_judge_samples, list_samples, make_families


class _Once(Collector):
    def __init__(self, now: Now) -> None:
        self._now = now

    def collect(self) -> Iterator[Family]:
        now = self._now
        samples = (*list_samples(now.build, now.snapshot, now.findings), *list_judge_samples(now.build, now.problem))
        return make_families(samples)


def run(arguments: argparse.Namespace) -> int:
    """Judge this machine, and print or write its metrics."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Once(judge_now(arguments)))
    text = generate_latest(registry)
    if arguments.output is None:
        show(text.decode())
    else:
        _write(Path(arguments.output), text)
    return os.EX_OK


def _write(file: Path, text: bytes) -> None:
    """Write a file as a whole: who reads it meanwhile sees the one before."""
    beside = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        with beside.open("xb") as out:  # never through a link that somebody put there
            out.write(text)
        beside.replace(file)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise CommandError.from_os_error(error, str(file), writing=True) from error
