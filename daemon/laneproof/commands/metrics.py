"""``laneproof metrics``: what the service answers at /metrics of the box, once, for a collector that reads files."""

import argparse
import os
from collections.abc import Iterator

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.registry import Collector

from laneproof.commands.terminal import pass_on
from laneproof.commands.this_machine import JudgedNow, judge_now
from laneproof.commands.whole_file import write_whole
from laneproof.outputs.metrics import list_judge_samples, list_samples, make_families


class _Once(Collector):
    def __init__(self, now: JudgedNow) -> None:
        self._now = now

    def collect(self) -> Iterator[Family]:
        now = self._now
        samples = (*list_samples(now.build, now.snapshot, now.findings), *list_judge_samples(now.build, now.problem))
        return make_families(samples)


def run(arguments: argparse.Namespace) -> int:
    """Judge this machine, and print or write its metrics."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Once(judge_now(arguments)))
    text = generate_latest(registry).decode()
    if arguments.output is None:
        pass_on(text)
    else:
        write_whole(arguments.output, text)
    return os.EX_OK
