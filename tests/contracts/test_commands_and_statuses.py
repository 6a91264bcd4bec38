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

from contracts.hand_made import CHECKOUT, T0, Machine, inside, list_reported, program, write
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
    # What the kernel was asked for and did not do is told without any declaration.
    assert len(said["findings"]) == (limit == "0")


def test_draft_declares_what_both_ends_can_do_and_hides_no_fault(tmp_path: Path) -> None:
    drafted = inside("draft", "--from", write(tmp_path / "box.jsonl", arm().frame()))
    (tmp_path / "build.toml").write_text(drafted.out)
    assert "generation = 4, lanes = 4 } # trained at generation 2 x1 when this was drafted" in drafted.out
    assert "TODO" in drafted.out
    said = inside("audit", "--from", tmp_path / "box.jsonl", "--build", tmp_path / "build.toml", "--json").json()
    assert {finding["rule"] for finding in said["findings"]} == {"link-slow", "link-narrow"}, "a draft hides no fault"


def test_draft_of_a_machine_where_hardly_anything_is_readable(tmp_path: Path) -> None:
    machine = simple()
    for path in list(machine.files):
        if "link" in path or path.endswith("/size"):
            machine.errors[path] = "EACCES"
            del machine.files[path]
    machine.nvme = {"nvme1": {"identify": {"error": "EACCES"}}}
    recording = write(tmp_path / "box.jsonl", machine.frame())
    drafted = inside("draft", "--from", recording)
    assert drafted.status == 0
    (tmp_path / "build.toml").write_text(drafted.out)
    assert inside("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json").status in {0, 2}


def test_draft_update_keeps_what_a_person_wrote(tmp_path: Path) -> None:
    build = tmp_path / "build.toml"
    build.write_text(
        "# our box, do not touch\n" + HEAD + '\n[[position]]\nlabel = "upper left" # green tape\n'
        'path = "0000:00/01.1"\nthrough = ["flexible-cable"]\noccupant = { kind = "nvme" }\n'
    )
    recording = write(tmp_path / "box.jsonl", simple().frame())
    ended = inside("draft", "--from", recording, "--update", build)
    assert ended.status == 0
    text = ended.out or build.read_text()
    for kept in ("# our box, do not touch", 'label = "upper left" # green tape', 'through = ["flexible-cable"]'):
        assert kept in text
    assert {entry["path"] for entry in tomllib.loads(text)["position"]} == {"0000:00/01.1", "0000:00/01.2"}


def test_wrong_arguments_through_a_real_process() -> None:
    assert program("audit", "--nonsense").status == 64
    assert program().status == 64


def test_common_options_mean_the_same_everywhere(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(HEAD)
    assert inside("budget", "--build", tmp_path / "build.toml") == inside("budget", tmp_path / "build.toml")
    lines = inside("replay", "--demo", "--json").lines()
    assert {"raised", "cleared"} <= {line["change"] for line in lines}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("schema = 1\n[box\n", ["line 2"]),
        ('schema = 2\n[box]\nname = "x"\n', ["schema", "1"]),
        ("schema = 1\n", ["box"]),
        (HEAD + 'colour = "red"\n', ["colour", "line 4"]),
        (HEAD + 'undeclard = "report"\n', ["undeclard", "line 4", "undeclared"]),
        (HEAD + 'undeclared = "maybe"\n', ["undeclared", "report", "ignore"]),
        (HEAD + "[kernel]\naspm_polcy = 'default'\n", ["aspm_polcy", "line 5", "aspm_policy"]),
        (HEAD + "[kernel]\naspm_policy = 'full'\n", ["aspm_policy", "performance"]),
        (HEAD + '[[position]]\nlabel = "a"\npath = "00:01.1"\n', ["path", "line 6"]),
        (HEAD + '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\nlinks = {}\n', ["links", "line 7", "link"]),
        (HEAD + '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\nlink = { generation = 9 }\n', ["generation"]),
        (HEAD + '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\noccupant = { kind = "nmve" }\n', ["nmve", "nvme"]),
        (HEAD + '[memory]\ntotal = "64 GB of it"\n', ["total", "line 5"]),
        (HEAD + '[[accept]]\nrule = "link-slow"\n', ["because", "line"]),
        (HEAD + '[[accept]]\nrule = "link-slow"\nbecause = "x"\nuntil = "soon"\n', ["until", "line 7"]),
        (HEAD + '[[accept]]\nrule = "link-slwo"\nbecause = "x"\n', ["link-slwo", "link-slow"]),
        (HEAD + '[memory]\ntotal = "4 XB"', ["memory.total"]),
        (HEAD + "[memory]\ntotal = 1.5", ["memory.total"]),
        (HEAD + '[[position]]\nlabel = "a"\npath = "0000:0A/1F.0"', ["position[0].path"]),
        ("\0", ["build.toml"]),
        ("schema = 1\n" * 2, ["line 2"]),
    ],
)
def test_malformed_declaration_is_65_and_says_key_and_line(tmp_path: Path, text: str, words: list[str]) -> None:
    (tmp_path / "build.toml").write_text(text)
    recording = write(tmp_path / "box.jsonl", simple().frame())
    for arguments in (["budget", tmp_path / "build.toml"],
                      ["audit", "--from", recording, "--build", tmp_path / "build.toml"],
                      ["replay", recording, "--build", tmp_path / "build.toml"]):  # fmt: skip
        ended = inside(*arguments)
        assert ended.status == 65, arguments
        assert "build.toml" in ended.err
        for word in words:
            assert word in ended.err, ended.err


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


def test_several_mistakes_are_said_at_once(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(HEAD + 'colour = "red"\n[kernel]\naspm_policy = "full"\n')
    ended = program("budget", tmp_path / "build.toml", lines=2)
    assert ended.status == 65
    assert "colour" in ended.err
    assert "aspm_policy" in ended.err


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


def test_wrong_settings_of_the_service_are_78(tmp_path: Path) -> None:
    recording = write(tmp_path / "box.jsonl", simple().frame())
    for number, text in enumerate(("[listen\n", "nonsense = 1\n", 'listen = "everywhere"\n')):
        settings = tmp_path / f"settings-{number}.toml"
        settings.write_text(text)
        ended = program("serve", "--from", recording, "--config", settings, "--state", tmp_path / "state")
        assert ended.status == 78, ended.err
        assert settings.name in ended.err


def test_every_rule_is_explained() -> None:
    listed = inside("explain")
    assert listed.status == 0
    for rule in RULES_OF_THE_FIRST_DAY:
        assert rule in listed.out
        page = inside("explain", rule)
        assert page.status == 0
        assert rule in page.out.splitlines()[0]
        assert len(page.out.splitlines()) > 10
        assert max(map(len, page.out.splitlines())) <= 80


def test_unknown_rule_names_the_nearest() -> None:
    assert "link-slow" in inside("explain", "link-slwo").err


@pytest.mark.parametrize("name", MACHINES)
def test_every_audit_validates_against_the_schema(tmp_path: Path, name: str) -> None:
    machine = MACHINES[name]()
    schema = json.loads(inside("schema", "audit").out)
    said: Any = inside("audit", "--from", write(tmp_path / "box.jsonl", machine.frame()), "--json").json()
    jsonschema.Draft202012Validator(schema).validate(said)


def test_changes_between_two_recordings(tmp_path: Path) -> None:
    before, after = simple(), simple()
    after.port("pci0000:00/0000:00:01.3")
    after.drive(3, "pci0000:00/0000:00:01.3/0000:03:00.0")
    after.files["/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0/current_link_width"] = "2\n"
    after.files["/sys/devices/pci0000:00/0000:00:01.1/current_link_width"] = "2\n"
    first, second = write(tmp_path / "a.jsonl", before.frame()), write(tmp_path / "b.jsonl", after.frame(T0 + 60))
    same = inside("changes", first, first, "--json")
    assert same.status == 0
    ended = inside("changes", first, second)
    assert ended.status == 1
    assert "PEL00003" in ended.out
    assert "x2" in ended.out
    assert max(map(len, ended.out.splitlines())) <= 80
    audits = []
    for number, recording in enumerate((first, second)):
        (tmp_path / f"{number}.json").write_text(inside("audit", "--from", recording, "--json").out)
        audits.append(tmp_path / f"{number}.json")
    again = inside("changes", *audits)
    assert again.status == 1
    assert "PEL00003" in again.out


def test_moved_drive_in_changes(tmp_path: Path) -> None:
    before, after = simple(), box(without=(1,), without_port=(3, 4))
    after.port("pci0000:00/0000:00:01.3")
    after.drive(1, "pci0000:00/0000:00:01.3/0000:03:00.0")
    ended = inside(
        "changes", write(tmp_path / "a.jsonl", before.frame()), write(tmp_path / "b.jsonl", after.frame(T0 + 60))
    )
    assert ended.status == 1
    assert "moved" in ended.out
    assert "PEL00001" in ended.out


def test_where_a_drive_is(tmp_path: Path) -> None:
    build = tmp_path / "build.toml"
    build.write_text(HEAD + '[[position]]\nlabel = "upper"\npath = "0000:00/01.2"\noccupant = { kind = "nvme" }\n')
    recording = write(tmp_path / "box.jsonl", simple().frame())
    for name in ("nvme2", "/dev/nvme2n1", "PEL00002", "0000:02:00.0", "upper", "nvme2n1p1"):
        ended = inside("where", name, "--from", recording, "--build", build)
        assert ended.status == 0, name
        assert "upper" in ended.out
        assert "0000:00/01.2" in ended.out
    assert inside("where", "nvme9", "--from", recording, "--build", build).status not in {0, 70}


def test_record_copies_a_recording_that_audits_the_same(tmp_path: Path) -> None:
    recording = write(tmp_path / "box.jsonl", simple().frame())
    assert inside("record", tmp_path / "copy.jsonl.gz", "--from", recording).status == 0
    first, second = (
        inside("audit", "--from", entry, "--json").json() for entry in (recording, tmp_path / "copy.jsonl.gz")
    )
    assert first == second


def test_recorded_serials_can_be_hidden(tmp_path: Path) -> None:
    recording = write(tmp_path / "box.jsonl", mixed().frame())
    assert inside("record", tmp_path / "copy.jsonl", "--from", recording, "--hide-serials").status == 0
    text = (tmp_path / "copy.jsonl").read_text()
    for serial in ("PEL00001", "PEL00002", "ABY777"):
        assert serial not in text
    assert list_reported(inside("audit", "--from", tmp_path / "copy.jsonl", "--json").json()) == set()


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


def test_reader_that_leaves_early_is_no_error() -> None:
    assert run_with_streams(["explain"], "| head -n 1 >/dev/null") == (0, "")


def test_streams_that_are_closed_leave_the_status(tmp_path: Path) -> None:
    assert run_with_streams(["explain", "link-slow"], ">&-")[0] == 0
    assert run_with_streams(["budget", str(tmp_path / "missing.toml")], "2>&-")[0] == 66
