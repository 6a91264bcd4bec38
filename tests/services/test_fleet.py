"""Many boxes: declarations that are pushed, and what one real Prometheus makes of a fleet."""

import hashlib
import importlib
import json
import os
import re
import shutil
import subprocess
import sys
import urllib.parse
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.cog.plugins import register_default_plugins
from grafana_foundation_sdk.models.dashboard import Dashboard

from boxes.scraped_fleet import ScrapedFleet, as_box
from laneproof.commands.table import make_parser
from laneproof.service.settings import DEFAULT_STATE
from support.real_services import PROMETHEUS, ROOT, get, get_json, promtool, running, wait_for
from support.receivers import free_port

FLEET_RULES = PROMETHEUS / "laneproof-fleet-alerts.yml"
PUSH = ROOT / "packaging" / "fleet" / "push-declarations.sh"
# What ssh does, without a network: it joins its arguments and gives them to the login shell of the host.
SSH = """#!/bin/sh
host=${3#root@}
[ -d "$BOXES/$host" ] || { echo "ssh: Could not resolve hostname $host" >&2; exit 255; }
shift 3
command=$(printf '%s' "$*" | sed "s|/etc/laneproof|$BOXES/$host|")
if [ "$host" = broken-off ]; then head -c 20 | sh -c "$command"; else sh -c "$command"; fi
"""


class Hosts:
    """Some hosts that can be reached, and the declarations that are to be on them."""

    def __init__(self, folder: Path) -> None:
        self.wanted, self.boxes, self.rules = folder / "wanted", folder / "boxes", folder / "declarations.yml"
        (self.bin, *_) = folders = (folder / "bin", self.wanted, self.boxes)
        for each in folders:
            each.mkdir()
        for name, text in {
            "ssh": SSH,
            "laneproof": f'#!/bin/sh\nexec {sys.executable} -m laneproof.cli "$@"\n',
        }.items():
            (self.bin / name).write_text(text)
            (self.bin / name).chmod(0o755)

    def add(self, host: str, *, has: str | None = None, is_reached: bool = True) -> Path:
        (self.wanted / f"{host}.toml").write_text(f'schema = 1\nbox.name = "{host}"\n')
        if is_reached:
            (self.boxes / host).mkdir()
            if has is not None:
                (self.boxes / host / "build.toml").write_text(has)
        return self.boxes / host

    def push(self, *options: str) -> subprocess.CompletedProcess[str]:
        path = f"{self.bin}:{os.environ['PATH']}"
        return subprocess.run(
            ["sh", PUSH, *options, self.wanted, self.rules],
            env={**os.environ, "PATH": path, "BOXES": str(self.boxes)},
            capture_output=True,
            encoding="utf-8",
            check=False,
        )


@pytest.fixture
def hosts(tmp_path: Path) -> Hosts:
    return Hosts(tmp_path)


def test_each_box_gets_its_own_declaration_and_keeps_the_one_before(hosts: Hosts) -> None:
    new, changed = hosts.add("kelp-1"), hosts.add("kelp-2", has="# by hand\n")
    same = hosts.add("kelp-3", has='schema = 1\nbox.name = "kelp-3"\n')
    away = hosts.add("kelp-4", is_reached=False)
    cut = hosts.add("broken-off", has="# whole\n")
    inode = (same / "build.toml").stat().st_ino
    done = hosts.push()
    assert done.returncode == os.EX_UNAVAILABLE
    assert [line for line in done.stderr.splitlines() if "does not have it" in line] == [
        "broken-off: does not have it",
        "kelp-4: does not have it",
    ]
    assert done.stdout.splitlines() == ["kelp-1: has it", "kelp-2: has it", "kelp-3: has it"]
    for box in (new, changed, same):
        assert (box / "build.toml").read_text() == (hosts.wanted / f"{box.name}.toml").read_text()
    assert (changed / "build.toml.before").read_text() == "# by hand\n"
    assert [file.name for file in (*new.iterdir(), *same.iterdir())] == ["build.toml", "build.toml"]
    assert (same / "build.toml").stat().st_ino == inode  # not touched, so not read again
    assert not away.exists()
    assert (cut / "build.toml").read_text() == "# whole\n"


@pytest.mark.services("promtool")
def test_prometheus_is_given_the_checksum_of_each(hosts: Hosts) -> None:
    boxes = [hosts.add(host) for host in ("kelp-1", "kelp-2")]
    assert hosts.push("-n").returncode == 0
    assert [file for box in boxes for file in box.iterdir()] == []
    done = promtool("check", "rules", str(hosts.rules))
    assert "2 rules found" in done.stdout, done.stdout + done.stderr
    for file in hosts.wanted.iterdir():
        checksum = hashlib.sha256(file.read_bytes()).hexdigest()
        assert f'labels: {{ box: "{file.stem}", checksum: "{checksum}" }}' in hosts.rules.read_text()


@pytest.mark.parametrize("text", ["schema = 1\n", 'schema = 1\nbox.name = "tern-2"\n'])
def test_where_one_is_wrong_none_is_pushed(hosts: Hosts, text: str) -> None:
    first = hosts.add("kelp-1")
    hosts.add("kelp-2")
    (hosts.wanted / "kelp-2.toml").write_text(text)
    done = hosts.push()
    assert done.returncode == os.EX_DATAERR
    assert "kelp-2.toml" in done.stderr
    assert [*first.iterdir()] == []
    assert not hosts.rules.exists()


@pytest.mark.services("promtool")
def test_the_example_for_prometheus_is_valid(tmp_path: Path) -> None:
    for name in ("laneproof-alerts.yml", "laneproof-fleet-alerts.yml", "laneproof-boxes.yml"):
        (tmp_path / name).write_bytes((PROMETHEUS / name).read_bytes())
    for name, text in {"laneproof-token": "x", "laneproof-declarations.yml": "groups: []\n"}.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "prometheus.yml").write_bytes((PROMETHEUS / "prometheus-example.yml").read_bytes())
    done = promtool("check", "config", "prometheus.yml", folder=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr


# --- one real Prometheus, the demo and three boxes like it ------------------------------------------------------------

sys.path.insert(0, str(ROOT / "packaging"))
dashboards = importlib.import_module("dashboards")
DASHBOARDS = [(name, panel) for name in ("box", "fleet") for panel in dashboards.write_dashboard(name)["panels"]]


@dataclass(frozen=True, kw_only=True)
class Scraped:
    """A Prometheus that scrapes; the file that lists its targets, and what it holds."""

    address: str
    process: subprocess.Popen[bytes]
    log: Path
    boxes: Path
    hosts: Hosts

    def ask(self, query: str) -> list[dict[str, Any]]:
        asked = urllib.parse.urlencode({"query": query})
        found: list[dict[str, Any]] = get_json(f"{self.address}/api/v1/query?{asked}")["data"]["result"]
        return found

    def wait_for(self, query: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = wait_for(lambda: self.ask(query), self.process, self.log)
        return found


@pytest.fixture(scope="module")
def scraped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scraped]:
    """The demo as it is served, and three more boxes; of two the declaration is pushed, one of which has another."""
    folder, fleet = tmp_path_factory.mktemp("fleet"), ScrapedFleet()
    hosts, demo, port = Hosts(folder), free_port(), free_port()
    for host in ("kelp-1", "kelp-2"):
        hosts.add(host)
    text = resources.files("laneproof.demo").joinpath("kelp-1.toml").read_text("utf-8")
    (hosts.wanted / "kelp-1.toml").write_text(text)
    assert hosts.push().returncode == 0
    (folder / "rules.yml").write_text(re.sub(r"for: \w+", "for: 0s", FLEET_RULES.read_text()))
    boxes = folder / "boxes.yml"
    (folder / "prometheus.yml").write_text(
        f"""
global: {{scrape_interval: 1s, evaluation_interval: 1s}}
rule_files: [rules.yml, {hosts.rules}]
scrape_configs:
  - {{job_name: laneproof, file_sd_configs: [{{files: [boxes.yml], refresh_interval: 1s}}]}}
"""
    )
    with (
        fleet.running() as others,
        running(
            folder / "demo.log", sys.executable, "-m", "laneproof.cli", "serve", "--demo", "--listen",
            f"127.0.0.1:{demo}",
        ) as one,
        running(
            folder / "server.log", "prometheus", f"--config.file={folder / 'prometheus.yml'}",
            f"--storage.tsdb.path={folder / 'data'}", f"--web.listen-address=127.0.0.1:{port}",
        ) as two,
    ):  # fmt: skip
        text = wait_for(
            lambda: b"ready" in get(f"http://127.0.0.1:{demo}/ready") and get(f"http://127.0.0.1:{demo}/metrics"),
            one,
            folder / "demo.log",
        ).decode()
        for name in ("kelp-2", "kelp-3", "kelp-4"):
            fleet.answers[name] = partial(as_box, text, name)
        targets = [{"targets": [f"127.0.0.1:{demo}"], "labels": {"instance": "kelp-1:7766"}}]
        boxes.write_text(json.dumps(targets + fleet.list_targets(others)))
        scraped = Scraped(
            address=f"http://127.0.0.1:{port}", process=two, log=folder / "server.log", boxes=boxes, hosts=hosts
        )
        scraped.wait_for("count(count_over_time(process_cpu_seconds_total[1m]) > 2) == 4")
        yield scraped


def fill_in(panel: dict[str, Any]) -> str:
    """Put the demo in the place of the box that is chosen."""
    return panel["targets"][0]["expr"].replace("$instance", "kelp-1:7766")


@pytest.mark.services("prometheus")
@pytest.mark.parametrize(
    ("name", "panel"),
    [each for each in DASHBOARDS if each[1]["type"] != "row"],
    ids=lambda part: part["title"] if isinstance(part, dict) else part,
)
def test_no_panel_of_the_demo_is_empty(scraped: Scraped, name: str, panel: dict[str, Any]) -> None:
    found = scraped.wait_for(fill_in(panel))
    assert {row["value"][1] for row in found} - {"NaN", "+Inf"}, name
    legend = re.findall(r"\{\{(\w+)\}\}", panel["targets"][0]["legendFormat"])
    assert all(label in row["metric"] for row in found for label in legend)
    names = ["|".join(row["metric"].get(label, "") for label in legend) for row in found]
    assert panel["type"] == "table" or len(set(names)) == len(names), "two series have one name"


@pytest.mark.services("prometheus")
def test_of_a_box_that_fell_silent_no_number_is_shown(scraped: Scraped) -> None:
    numbers = [panel["targets"][0] for name, panel in DASHBOARDS if name == "box" and panel["type"] == "stat"]
    assert len(numbers) > 3
    assert all(target["instant"] for target in numbers), "the last value in a span of time may be an old one"
    assert [found for target in numbers if (found := scraped.ask(target["expr"].replace("$instance", "gone:1")))] == []


@pytest.mark.services("prometheus")
def test_the_real_prometheus_says_what_no_box_can_see(scraped: Scraped) -> None:
    def firing(alert: str) -> str:
        return f'ALERTS{{alertname="{alert}", alertstate="firing"}}'

    drifted = scraped.wait_for(firing("LaneproofDeclarationDrifted"))
    assert [row["metric"]["box"] for row in drifted] == ["kelp-2"]
    signs = scraped.wait_for(firing("LaneproofFirmwareShowsSigns"))
    assert {row["metric"]["rule"] for row in signs} == {"drops-off-bus", "media-errors-rising", "signal-errors"}
    assert scraped.ask(firing("LaneproofBoxSilent")) == []
    targets = json.loads(scraped.boxes.read_text())
    scraped.boxes.write_text(json.dumps(targets[:-1]))
    silent = scraped.wait_for(firing("LaneproofBoxSilent"))
    assert [row["metric"]["box"] for row in silent] == ["kelp-4"]


def test_the_dashboards_are_laid_out_and_say_what_grafana_knows() -> None:
    """Witness: Grafana's own library for programs reads them, and loses not a key."""
    register_default_plugins()
    for name in ("box", "fleet"):
        written = dashboards.write_dashboard(name)
        read = json.loads(JSONEncoder().encode(Dashboard.from_json(json.loads(json.dumps(written)))))
        assert find_lost(written, read) == []
        cells = [
            (panel["gridPos"]["x"] + right, panel["gridPos"]["y"] + down)
            for panel in written["panels"]
            for right in range(panel["gridPos"]["w"])
            for down in range(panel["gridPos"]["h"])
        ]
        assert len(cells) == len(set(cells)), "panels overlap"
        assert max(x for x, _ in cells) < 24


def find_lost(written: object, read: object, at: str = "") -> list[str]:
    """List what was written and is not what was read."""
    if isinstance(written, dict) and isinstance(read, dict):
        return [lost for key in written for lost in find_lost(written[key], read.get(key), f"{at}.{key}")]
    if isinstance(written, list) and isinstance(read, list) and len(written) == len(read):
        return [
            lost
            for number, pair in enumerate(zip(written, read, strict=True))
            for lost in find_lost(*pair, f"{at}[{number}]")
        ]
    return [] if written == read else [f"{at}: {written!r} became {read!r}"]


# --- a cluster --------------------------------------------------------------------------------------------------------

FLEET = ROOT / "packaging" / "fleet"
NODE = {"NODE": "kelp-1", "ADDRESS": "192.0.2.7"}  # an address for documentation (RFC 5737)


def load_pod() -> tuple[dict[str, Any], dict[str, Any]]:
    """Give the manifest, and its pod."""
    manifest = yaml.safe_load((FLEET / "daemonset.yml").read_text())
    return manifest, manifest["spec"]["template"]["spec"]


@pytest.mark.parametrize("version", ["1.30", kubernetes_validate.latest_version()])
def test_the_manifest_is_one_that_kubernetes_takes(version: str) -> None:
    manifest, _ = load_pod()
    kubernetes_validate.validate(manifest, version, strict=True)
    manifest["spec"]["template"]["spec"]["hostNetworks"] = True
    with pytest.raises(kubernetes_validate.ValidationError):
        kubernetes_validate.validate(manifest, version, strict=True)


def test_the_pods_commands_are_ones_that_there_are() -> None:
    manifest, pod = load_pod()
    assert manifest["spec"]["selector"]["matchLabels"] == manifest["spec"]["template"]["metadata"]["labels"]
    reader, judge = pod["containers"]
    assert {each["name"] for each in judge["env"]} == NODE.keys()
    words = [re.sub(r"\$\((\w+)\)", lambda match: NODE[match[1]], word) for word in judge["args"]]
    arguments = make_parser().parse_args(words)
    assert (arguments.build, arguments.listen) == ("/etc/laneproof/declarations/kelp-1.toml", "192.0.2.7:7766")
    assert f"--socket {arguments.reader} --group laneproof" in reader["command"][-1]
    program = re.search(r"-m (\S+)", reader["command"][-1])
    assert program is not None
    assert callable(importlib.import_module(program[1]).main)


def test_the_judge_has_no_privilege_and_the_pod_writes_to_no_path_of_the_node_but_its_own() -> None:
    _, pod = load_pod()
    volumes = {volume["name"]: volume for volume in pod["volumes"]}
    for container in (*pod["initContainers"], *pod["containers"]):
        assert container["securityContext"]["readOnlyRootFilesystem"]
        written = {mount["name"] for mount in container["volumeMounts"] if not mount.get("readOnly")}
        paths = {volumes[name]["hostPath"]["path"] for name in written if "hostPath" in volumes[name]}
        assert paths <= ({DEFAULT_STATE} if container["name"] != "reader" else set())
    (judge,) = [each["securityContext"] for each in pod["containers"] if not each["securityContext"].get("privileged")]
    assert (judge["runAsNonRoot"], judge["capabilities"], judge["allowPrivilegeEscalation"]) == (
        True,
        {"drop": ["ALL"]},
        False,
    )
    user = pod["securityContext"]["fsGroup"]
    assert (judge["runAsUser"], judge["runAsGroup"]) == (user, user)
    assert f"useradd -M -u {user} -g laneproof" in (ROOT / "packaging" / "Containerfile").read_text()
    assert pod["initContainers"][0]["command"] == ["chown", "-R", f"{user}:{user}", DEFAULT_STATE]


@pytest.mark.services("promtool")
def test_prometheus_takes_the_example_for_a_cluster_but_for_how_pods_are_found(tmp_path: Path) -> None:
    """Debian's Prometheus is built without the discovery of pods; the rest of the job is checked."""
    example = yaml.safe_load((FLEET / "prometheus-kubernetes-example.yml").read_text())
    (job,) = example["scrape_configs"]
    (pods,) = job.pop("kubernetes_sd_configs")
    assert pods["selectors"][0]["label"] == "app=laneproof"
    (tmp_path / "prometheus.yml").write_text(yaml.safe_dump(example))
    (tmp_path / "laneproof-token").write_text("x")
    done = promtool("check", "config", "prometheus.yml", folder=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.skipif(not shutil.which("buildah"), reason="buildah is not installed")
def test_the_image_is_built_and_runs() -> None:
    def buildah(*words: str) -> subprocess.CompletedProcess[str]:
        environment = {"BUILDAH_ISOLATION": "chroot", **os.environ}  # so that it also works within a container
        return subprocess.run(
            ["buildah", *words], cwd=ROOT, env=environment, capture_output=True, encoding="utf-8", check=False
        )

    name = "localhost/laneproof-test"
    built = buildah("bud", "-q", "-f", "packaging/Containerfile", "-t", name, ".")
    if built.returncode and "docker.io" in built.stderr:
        pytest.skip(f"the base image cannot be fetched: {built.stderr.splitlines()[-1]}")
    assert built.returncode == 0, built.stderr[-2000:]
    made = buildah("from", name).stdout.strip()
    try:
        done = buildah("run", made, "--", "laneproof", "audit", "--demo")
        assert (done.returncode, done.stdout.partition(":")[0]) == (1, "kelp-1"), done.stderr
    finally:
        buildah("rm", made)
