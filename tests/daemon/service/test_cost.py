"""What this process costs, held against the kernel's own account of it."""

import os
import re
import resource
from pathlib import Path

import psutil
import pytest

from laneproof.service.cost import CostMeter


def test_the_figures_are_this_process_own() -> None:
    cost = CostMeter().read()
    used = resource.getrusage(resource.RUSAGE_SELF)  # a second witness: getrusage(2)
    assert cost.processor_seconds >= 0.9 * (used.ru_utime + used.ru_stime) - 0.1
    told = re.search(r"^VmRSS:\s+(\d+) kB", Path("/proc/self/status").read_text(), re.MULTILINE)
    assert told
    assert cost.resident_bytes == pytest.approx(int(told[1]) * 1024, rel=0.1)
    assert cost.threads >= 1
    assert abs(cost.open_files - len(os.listdir("/proc/self/fd"))) <= 2  # noqa: PTH208 (the names are enough)


def test_disk_traffic_that_may_not_be_read_is_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: psutil.Process) -> None:
        raise psutil.AccessDenied

    monkeypatch.setattr(psutil.Process, "io_counters", refuse)
    cost = CostMeter().read()
    assert (cost.read_bytes, cost.written_bytes) == (None, None)
    assert cost.resident_bytes > 0
