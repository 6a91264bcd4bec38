"""What many boxes cost one real Prometheus: 200 that answer as the demo does, with counters and temperatures that move.

Run as ``python -m benchmarks.fleet_scrape [BOXES [SECONDS]]`` with ``tests`` on the path. One program answers for all
boxes, from text; what an answer costs the box itself is measured elsewhere. All alert rules are evaluated.
"""

import json
import math
import re
import subprocess
import sys
import tempfile
import time
import urllib.parse
from pathlib import Path

import psutil

from boxes.scraped_fleet import ScrapedFleet, as_box
from support.real_services import PROMETHEUS, get, get_json, running, wait_for
from support.receivers import free_port

BOXES, MEASURED_SECONDS, EVERY_SECONDS = 200, 600, 15
_MOVES = re.compile(r"^(\w+_(?:total|celsius)\b.*|laneproof_snapshot_timestamp_seconds) (\S+)$", re.MULTILINE)


class MovingBox:
    """A box whose counters count, whose temperatures go up and down, and whose passes are recent."""

    def __init__(self, text: str, number: int) -> None:
        self._parts = _MOVES.split(text)  # fixed text, name, value, fixed text, ...
        self._number = number

    def __call__(self) -> str:
        now, parts = time.time(), self._parts.copy()
        for at in range(1, len(parts), 3):
            name, value = parts[at], float(parts[at + 1])
            if "_timestamp_" in name:
                value = now
            elif "_celsius" in name:
                value += round(3 * math.sin(now / 300 + self._number + at))
            else:
                value += now // EVERY_SECONDS
            parts[at : at + 2] = f"{name} {value}", ""
        return "".join(parts)


def read_demo(folder: Path) -> str:
    """Give what the demo answers."""
    port = free_port()
    command = (sys.executable, "-m", "laneproof.cli", "serve", "--demo", "--listen", f"127.0.0.1:{port}")
    with running(folder / "demo.log", *command) as demo:
        address = f"http://127.0.0.1:{port}"
        wait_for(lambda: b"ready" in get(f"{address}/ready"), demo, folder / "demo.log")
        return get(f"{address}/metrics").decode()


def write_configuration(folder: Path) -> None:
    """Write Prometheus' configuration, and the list of boxes beside it."""
    rules = [str(PROMETHEUS / name) for name in ("laneproof-alerts.yml", "laneproof-fleet-alerts.yml")]
    configuration = {
        "global": {"scrape_interval": f"{EVERY_SECONDS}s", "evaluation_interval": f"{EVERY_SECONDS}s"},
        "rule_files": rules,
        "scrape_configs": [{"job_name": "laneproof", "file_sd_configs": [{"files": ["boxes.json"]}]}],
    }
    (folder / "prometheus.yml").write_text(json.dumps(configuration))  # JSON is YAML


def measure(address: str, process: subprocess.Popen[bytes], seconds: float, data: Path) -> dict[str, str]:
    """Wait, and say what it was."""

    def ask(query: str) -> float:
        asked = urllib.parse.urlencode({"query": query})
        return float(get_json(f"{address}/api/v1/query?{asked}")["data"]["result"][0]["value"][1])

    def read_own(name: str) -> float:
        own = get(f"{address}/metrics").decode()
        return sum(float(value) for value in re.findall(rf"^{name}(?:{{.*}})? (\S+)$", own, re.MULTILINE))

    def slowest(share: float) -> float:
        return ask(f"quantile({share}, quantile_over_time({share}, scrape_duration_seconds{window}))")

    window = f"[{int(seconds)}s]"
    server = psutil.Process(process.pid)
    time.sleep(seconds / 5)  # it reads its rules, and meets each box once
    before, began, highest = server.cpu_times(), time.monotonic(), 0
    while time.monotonic() - began < seconds:
        time.sleep(5)
        highest = max(highest, server.memory_info().rss)
    after, lasted = server.cpu_times(), time.monotonic() - began
    busy = after.user + after.system - before.user - before.system
    return {
        "boxes up": f"{ask('sum(up)'):.0f}",
        "series a box": f"{ask('avg(scrape_samples_scraped)'):.0f}",
        "series in all": f"{read_own('prometheus_tsdb_head_series'):.0f}",
        "a scrape, half of them below": f"{1000 * slowest(0.5):.1f} ms",
        "a scrape, 99 of 100 below": f"{1000 * slowest(0.99):.0f} ms",
        "scrapes that failed": f"{ask(f'sum(count_over_time(up{window}) - sum_over_time(up{window}))'):.0f}",
        "all rules, evaluated once": f"{1000 * read_own('prometheus_rule_group_last_duration_seconds'):.0f} ms",
        "Prometheus' memory at most": f"{highest / 2**20:.0f} MiB",
        "Prometheus' processor time": f"{100 * busy / lasted:.1f} % of one core",
        "its data on disk": f"{sum(file.stat().st_size for file in data.rglob('*') if file.is_file()) / 2**20:.0f} MiB",
    }  # fmt: skip


def main() -> None:
    """Print what was measured."""
    boxes = int(sys.argv[1]) if len(sys.argv) > 1 else BOXES
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else MEASURED_SECONDS
    fleet = ScrapedFleet()
    with tempfile.TemporaryDirectory() as made, fleet.running() as others:
        folder, port = Path(made), free_port()
        text = read_demo(folder)
        for number in range(1, boxes + 1):
            fleet.answers[f"kelp-{number}"] = MovingBox(as_box(text, f"kelp-{number}"), number)
        write_configuration(folder)
        (folder / "boxes.json").write_text(json.dumps(fleet.list_targets(others)))
        command = (
            "prometheus", f"--config.file={folder / 'prometheus.yml'}", f"--storage.tsdb.path={folder / 'data'}",
            f"--web.listen-address=127.0.0.1:{port}",
        )  # fmt: skip
        with running(folder / "server.log", *command) as server:
            address = f"http://127.0.0.1:{port}"
            wait_for(
                lambda: get_json(f"{address}/api/v1/query?query=up")["data"]["result"], server, folder / "server.log"
            )
            for what, figure in measure(address, server, seconds, folder / "data").items():
                print(f"{what}: {figure}")


if __name__ == "__main__":
    main()
