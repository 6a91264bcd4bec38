"""The command line: drafts that hold, exit statuses of sysexits.h, JSON against the exported schemas, explanations."""

import base64
import json
import os
import shutil
import struct
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from contracts.hand_made import CHECKOUT, Machine, inside, program, write
from contracts.hand_made_boxes import ARM, HEAD, TWO, VMD, bonded, box, nested, power, raid, remembering, sata
from support.declared_spine import SPINE

RULES_OF_THE_FIRST_DAY = (
    "position-empty", "occupant-unexpected", "occupant-differs", "link-slow", "link-narrow", "link-above-limit",
    "link-beyond-hardware", "bifurcation-not-active", "power-setting-differs", "firmware-differs", "memory-differs",
    "array-differs", "array-degraded", "network-link-slow", "bond-incomplete", "signal-errors",
    "link-retrained-down", "drops-off-bus", "controller-resets", "media-errors-rising", "spare-low", "endurance-ending",
    "critical-warning", "overheating", "unsafe-shutdowns-rising", "errors-not-counted", "errors-hidden",
    "reading-stuck",
)  # fmt: skip
NOBODY = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]


SLOW_LINK = {"speed": "5.0 GT/s PCIe", "width": 1}


def simple() -> Machine:
    return box(without_port=(3, 4))


def arm() -> Machine:
    return nested(f"{ARM}/0001:00:00.0", device="0001:01:00.0", path="0001:00/00.0", **SLOW_LINK)[0]


def virtual() -> Machine:
    machine = Machine()
    for number in (5, 6):
        machine.drive(number, f"pci0000:00/0000:00:0{number}.0")
    return machine


def vmd() -> Machine:
    return nested(VMD, device="10000:e1:00.0", path="10000:e0/06.0")[0]


def mixed() -> Machine:
    return sata(simple())


MACHINES = {
    "simple": simple, "arm": arm, "virtual": virtual, "nested": vmd, "mixed": mixed, "bonded": bonded,
    "array": lambda: raid(simple(), level="raid1", members=(1, 2)), "power": power, "memory": lambda: remembering(*TWO),
}  # fmt: skip


LOWER = ("link-slow", "link-narrow")  # what trained below what both ends can do


@pytest.mark.parametrize("name", MACHINES)
def test_drafted_declaration_holds_on_its_own_machine(tmp_path: Path, name: str) -> None:
    recording = write(tmp_path / "box.jsonl", MACHINES[name]().frame())
    drafted = inside("draft", "--from", recording)
    assert drafted.status == 0
    assert drafted.err == ""
    (tmp_path / "build.toml").write_text(drafted.out)
    plain = tomllib.loads(drafted.out)
    assert plain["schema"] == 1
    schema = json.loads(inside("schema").out)
    jsonschema.Draft202012Validator(schema).validate(plain)
    ended = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
    assert [finding["summary"] for finding in ended.json()["findings"] if finding["rule"] not in LOWER] == []
    assert inside("budget", tmp_path / "build.toml").status in {0, 1}
    assert max(map(len, drafted.out.splitlines())) <= 120


@pytest.mark.parametrize("limit", ["0", "100000"])
def test_draft_leaves_out_a_limit_that_does_not_rule_each_drive(tmp_path: Path, limit: str) -> None:
    """One drive has a limit of its own (pm_qos_latency_tolerance_us), so the module's is not what is in force."""
    machine = power(**{"/sys/module/nvme_core/parameters/default_ps_max_latency_us": f"{limit}\n"})
    folder = "/sys/devices/pci0000:00/0000:00:01.2/0000:02:00.0/nvme/nvme2"
    machine.files[f"{folder}/power/pm_qos_latency_tolerance_us"] = "25000\n"
    if limit == "0":
        table = struct.pack("<Q", 3 << 3 | 2000 << 8) + bytes(248)
        machine.nvme["nvme2"] |= {"feature:12": 1, "feature:12:data": base64.b64encode(table).decode()}
    recording = write(tmp_path / "box.jsonl", machine.frame())
    drafted = inside("draft", "--from", recording).out
    assert "nvme_default_ps_max_latency_us" not in tomllib.loads(drafted)["kernel"]
    assert any("nvme2" in line and "left out" in line for line in drafted.splitlines() if line.startswith("#"))
    (tmp_path / "build.toml").write_text(drafted)
    said = inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json").json()
    assert [finding["summary"] for finding in said["findings"] if finding["position"]] == []
    # What the kernel was asked for and did not do is reported without any declaration.
    assert len(said["findings"]) == (limit == "0")


def test_common_options_mean_the_same_everywhere(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(HEAD)
    assert inside("budget", "--build", tmp_path / "build.toml") == inside("budget", tmp_path / "build.toml")
    lines = inside("replay", "--demo", "--json").lines()
    assert {"raised", "cleared"} <= {line["change"] for line in lines}


@pytest.mark.parametrize(
    "text",
    [
        SPINE,  # each table and key of the format
        'schema = 1\nbox = { name = "kelp-1" }\n',
        *(f"{HEAD}[memory]\ntotal = {size}\n" for size in ('"4 TB "', '"0.5 TiB"', "4_000")),
    ],
)
def test_what_the_format_allows_is_read(tmp_path: Path, text: str) -> None:
    (tmp_path / "build.toml").write_text(text)
    recording = write(tmp_path / "box.jsonl", Machine(files={"/proc/cmdline": "quiet\n"}).frame())
    assert inside("audit", "--from", recording, "--build", tmp_path / "build.toml").status in {0, 1, 2}
    assert inside("budget", tmp_path / "build.toml").status == 0
    assert inside("replay", recording, "--build", tmp_path / "build.toml").status == 0


@pytest.fixture
def closed_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder that others may pass, in which they may read some files and not others."""
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        pytest.skip("needs root and setpriv, to run as another user")
    search = os.pathsep.join((str(CHECKOUT / "daemon"), str(CHECKOUT / "collectors")))
    tried = subprocess.run(
        [*NOBODY, sys.executable, "-c", "import laneproof.cli"],
        env={"PATH": os.environ["PATH"], "PYTHONPATH": search},
        capture_output=True,
        check=False,
    )
    if tried.returncode:
        pytest.skip("the checkout is closed to other users")
    for above in (tmp_path, *tmp_path.parents):
        if above.stat().st_uid == os.geteuid() and above != Path("/"):
            above.chmod(above.stat().st_mode | 0o111)
    yield tmp_path
    for above in (tmp_path, *tmp_path.parents):
        if "pytest-of" in str(above):
            above.chmod(0o700)


def test_what_may_not_be_read_is_77(closed_folder: Path) -> None:
    recording = write(closed_folder / "box.jsonl", simple().frame())
    recording.chmod(0o644)
    build = closed_folder / "build.toml"
    build.write_text(HEAD)
    build.chmod(0o600)
    ended = program("audit", "--from", recording, "--build", build, prefix=NOBODY)
    assert ended.status == 77
    assert "build.toml" in ended.err
    recording.chmod(0o600)
    assert program("audit", "--from", recording, prefix=NOBODY).status == 77
    recording.chmod(0o644)
    out = closed_folder / "copy.jsonl"
    assert program("record", out, "--from", recording, prefix=NOBODY).status in {73, 77}
    assert not out.exists()


def test_the_rules_of_the_first_day_keep_their_names() -> None:
    assert set(RULES_OF_THE_FIRST_DAY) <= {line.split()[0] for line in inside("explain").out.splitlines()}


@pytest.mark.parametrize("name", MACHINES)
def test_every_audit_validates_against_the_schema(tmp_path: Path, name: str) -> None:
    machine = MACHINES[name]()
    schema = json.loads(inside("schema", "audit").out)
    said: Any = inside("audit", "--from", write(tmp_path / "box.jsonl", machine.frame()), "--json").json()
    jsonschema.Draft202012Validator(schema).validate(said)


def run_with_streams(arguments: list[str], redirect: str) -> tuple[int, str]:
    """Run the program below a shell that redirects its streams; gives the status and what reached standard error."""
    search = os.pathsep.join((str(CHECKOUT / "daemon"), str(CHECKOUT / "collectors")))
    code = "from laneproof.cli import main; import sys; sys.exit(main())"
    done = subprocess.run(
        ["sh", "-c", f'"$@" {redirect}', "sh", sys.executable, "-c", code, *arguments],
        capture_output=True,
        encoding="utf-8",
        check=False,
        timeout=60,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": search},
    )
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr
    return done.returncode, done.stderr


def test_streams_that_are_closed_leave_the_status(tmp_path: Path) -> None:
    assert run_with_streams(["explain", "link-slow"], ">&-")[0] == 0
    assert run_with_streams(["budget", str(tmp_path / "missing.toml")], "2>&-")[0] == 66
