"""Setup asks before it writes, loses no word of the owner's, and ends with a service that runs."""

import grp
import os
import re
import stat
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from types import SimpleNamespace

import pytest

from boxes.mount_box import mounted
from laneproof.cli import main
from laneproof.commands import setup
from laneproof.commands.inputs import open_host
from laneproof.declaration.file import parse_build
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import Snapshot
from support.terminal import Terminal

SYSTEMCTL = """#!/bin/sh
echo "$*" >>{log}
[ "$1" != "{fails}" ] || {{ echo "Unit says no." >&2; exit 1; }}
"""


@dataclass
class Box:
    """A machine that can be set up: kelp-1, with the program's files in a folder of the test's."""

    root: Path
    fails: Callable[[str], None]
    answer: Callable[[str], None]

    @property
    def build(self) -> Path:
        return self.root / "etc/build.toml"

    @property
    def settings(self) -> Path:
        return self.root / "etc/service.toml"

    @property
    def drop_in(self) -> Path:
        return self.root / "units/setup.conf"

    @property
    def socket_drop_in(self) -> Path:
        return self.root / "units/socket.conf"

    def called(self) -> list[str]:
        """Give what systemctl was asked for, and forget it."""
        log = self.root / "systemctl.log"
        lines = log.read_text().splitlines() if log.exists() else []
        log.unlink(missing_ok=True)
        return lines

    def files(self) -> dict[str, str]:
        return {path.name: path.read_text() for path in self.root.rglob("*.[tc]o*") if path.is_file()}


@pytest.fixture
def box(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Box:
    program = tmp_path / "bin/systemctl"
    program.parent.mkdir()

    def fails(command: str) -> None:
        program.write_text(SYSTEMCTL.format(log=tmp_path / "systemctl.log", fails=command))
        program.chmod(0o755)

    def demo(_path: None) -> AbstractContextManager[Host]:
        return open_host(None, demo=True)

    fails("")
    made = Box(tmp_path, fails, lambda text: monkeypatch.setattr(sys, "stdin", Terminal(text)))
    monkeypatch.setenv("PATH", f"{program.parent}:{os.defpath}")
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(setup, "open_host", demo)
    monkeypatch.setattr(grp, "getgrnam", lambda _: SimpleNamespace(gr_gid=os.getgid()))
    files = setup.Files(
        build=str(made.build),
        settings=str(made.settings),
        drop_in=str(made.drop_in),
        socket_drop_in=str(made.socket_drop_in),
    )
    monkeypatch.setattr(setup, "FILES", files)
    return made


def mount(monkeypatch: pytest.MonkeyPatch, *mounts: tuple[str, str]) -> None:
    """Let kelp-1 have these file systems: where, and on what."""

    def read_with(host: Host) -> Snapshot:
        systems = tuple(mounted(where, device=device, available_bytes=1 << 30) for where, device in mounts)
        return replace(read_snapshot(host), file_systems=systems)

    monkeypatch.setattr(setup, "read_snapshot", read_with)


def test_without_questions_it_declares_starts_and_says_what_next(box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["setup", "--yes"]) == 0
    assert parse_build(box.build.read_text(), name="written").box.name == "kelp-1"
    assert stat.S_IMODE(box.build.stat().st_mode) == 0o644
    assert box.called() == [
        "cat laneproof.service",
        "daemon-reload",
        "enable laneproof.service",
        "start laneproof.service",
    ]
    said = capsys.readouterr().out
    assert "kelp-1: DIFFERS" in said  # the audit
    assert "sudo laneproof notify --test" in said
    todo = box.build.read_text().count("TODO")
    assert re.search(
        rf"http://127\.0\.0\.1:7766/ .*\n.*laneproof audit .*\n.*{re.escape(str(box.build))} +{todo} lines", said
    )
    assert box.files().keys() == {"build.toml"}


def test_again_it_changes_nothing_and_does_not_stop_the_watch(box: Box) -> None:
    main(["setup", "--yes"])
    before = box.files()
    box.called()
    assert main(["setup", "--yes"]) == 0
    assert box.files() == before
    assert box.called()[-1] == "start laneproof.service"


def test_what_the_owner_answers_stands_in_the_declaration(box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    box.answer("upper\npassive-split, flexible-cable\nupper\nlower\ncable\nboard\n" + "\n" * 20)
    assert main(["setup"]) == 0
    first, second, *rest = parse_build(box.build.read_text(), name="written").position
    assert [
        (first.label, [part.kind for part in first.through]),
        (second.label, [part.kind for part in second.through]),
    ] == [
        ("upper", ["passive-split", "flexible-cable"]),
        ("lower", ["board"]),
    ]
    said = capsys.readouterr().out
    assert "'upper' is the label of another position" in said
    assert "'cable' is none of board" in said
    array = parse_build(box.build.read_text(), name="written").array[0]
    assert {"upper", "lower"} <= set(array.members)
    assert not any(position.through for position in rest)


@pytest.mark.parametrize(("answers", "status"), [("upper\n", os.EX_TEMPFAIL), ("\n" * 16 + "no\n", 1)])
def test_who_leaves_or_says_no_has_changed_nothing(box: Box, answers: str, status: int) -> None:
    box.answer(answers)
    assert main(["setup"]) == status
    assert box.files() == {}
    assert box.called() == ["cat laneproof.service"]


OWN = '# Ask before pulling anything.\nschema = 1\nbox.name = "kelp-1" # the tape says so\n'


@pytest.mark.parametrize(
    ("arguments", "answers", "updated"),
    [
        (["--yes"], "", False),
        ([], "no\n", False),
        ([], "\n", False),
        (["--yes", "--update"], "", True),
        ([], "yes\n" + "\n" * 40, True),
    ],
)
def test_a_declaration_that_is_there_changes_only_where_its_owner_says_so(
    box: Box, arguments: list[str], answers: str, *, updated: bool
) -> None:
    box.build.parent.mkdir()
    box.build.write_text(OWN)
    box.answer(answers)
    assert main(["setup", *arguments]) == 0
    now = box.build.read_text()
    assert now.startswith(OWN)
    assert ("[[position]]" in now) is updated
    kept = [path.read_text() for path in box.build.parent.glob("build.toml.*")]
    assert kept == ([OWN] if updated else [])


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["--listen", "10.0.0.5"], os.EX_USAGE, "not an address and a port"),
        (["--listen", "10.0.0.5:80"], os.EX_USAGE, "port 80"),
        (["--listen", "kelp-1:7766"], os.EX_USAGE, "no address"),
        (["--listen", "10.0.0.5:7766", "--allow", "10.0.0.5/8"], os.EX_USAGE, "not a network"),
        (["--allow", "10.0.0.0/8"], os.EX_USAGE, "only this machine reaches"),
        (["--evidence", "stick"], os.EX_USAGE, "no folder"),
    ],
)
def test_wrong_wishes_are_one_sentence_and_change_nothing(
    box: Box, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int, says: str
) -> None:
    assert main(["setup", "--yes", *arguments]) == status
    error = capsys.readouterr().err
    assert says in error
    assert len(error.splitlines()) == 1
    assert box.files() == {}


def test_wrong_files_of_the_owner_are_named_and_change_nothing(box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    box.build.parent.mkdir()
    box.build.write_text("schema = 1\n[box]\nnaem = 1\n")
    assert main(["setup", "--yes"]) == os.EX_DATAERR
    box.build.write_text(OWN)
    box.settings.write_text("port = 80\n")
    assert main(["setup", "--yes"]) == os.EX_CONFIG
    errors = capsys.readouterr().err
    assert "line 3" in errors
    assert f"{box.settings}: port 80" in errors
    assert box.files() == {"build.toml": OWN, "service.toml": "port = 80\n"}


def test_another_address_opens_the_unit_to_private_networks_at_that_port_alone(
    box: Box, capsys: pytest.CaptureFixture[str]
) -> None:
    box.settings.parent.mkdir()
    box.settings.write_text("# mine\n[intervals]\nfunctions = 30\n")
    assert main(["setup", "--yes", "--listen", "192.168.7.2:7800"]) == 0
    assert box.settings.read_text().startswith("# mine\n")
    assert 'address = "192.168.7.2"\nport = 7800\n' in box.settings.read_text()
    assert box.socket_drop_in.read_text().splitlines()[-5:] == [
        "[Socket]",
        "ListenStream=",
        "ListenStream=192.168.7.2:7800",
        "FreeBind=yes",
        "IPAddressAllow=link-local 10.0.0.0/8 172.16.0.0/12 192.168.0.0/16 fc00::/7",
    ]
    assert not box.drop_in.exists()
    assert box.called()[-1] == "restart laneproof.socket laneproof.service"
    said = capsys.readouterr().out
    assert "No interface has the address 192.168.7.2 now" in said
    assert "give it a token" in said
    box.settings.write_text(f'token_file = "/etc/laneproof/token"\n{box.settings.read_text()}')
    assert main(["setup", "--yes"]) == 0
    assert "give it a token" not in capsys.readouterr().out


def test_who_may_ask_is_kept_until_somebody_says_otherwise(box: Box) -> None:
    listen = ["--listen", "[fd00::2]:7766"]
    assert main(["setup", "--yes", *listen, "--allow", "fd00::/64", "--allow", "192.168.7.9"]) == 0
    allowed = "IPAddressAllow=fd00::/64 192.168.7.9/32"
    assert box.socket_drop_in.read_text().splitlines()[-1] == allowed
    # where the version before kept it
    box.socket_drop_in.rename(box.drop_in)
    assert main(["setup", "--yes"]) == 0
    assert box.socket_drop_in.read_text().splitlines()[-1] == allowed
    assert not box.drop_in.exists()
    assert main(["setup", "--yes", "--listen", "127.0.0.1:7766"]) == 0
    assert not box.socket_drop_in.exists()


def test_evidence_goes_where_no_declared_drive_takes_it_along(
    box: Box, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    mount(monkeypatch, ("/", "/dev/nvme0n1p2"), (str(card), "/dev/mmcblk0p1"))
    assert main(["setup", "--yes"]) == 0
    folder = card / "laneproof-evidence"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o2770
    assert box.settings.read_text() == f'evidence = "{folder}"\n'
    assert box.drop_in.read_text().splitlines()[-1] == f'ReadWritePaths="-{folder}"'


@pytest.mark.usefixtures("box")
def test_a_folder_of_before_is_given_to_the_service_and_one_with_other_things_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "stick"
    folder.mkdir(mode=0o755)
    earlier = folder / "evidence-000001.jsonl"
    earlier.touch(mode=0o640)
    assert main(["setup", "--yes", "--evidence", str(folder)]) == 0
    assert stat.S_IMODE(earlier.stat().st_mode) == 0o660
    folder.chmod(0o755)
    (folder / "songs.flac").touch(mode=0o644)
    assert main(["setup", "--yes", "--evidence", str(folder)]) == os.EX_CANTCREAT
    assert "(songs.flac): name a folder of its own" in capsys.readouterr().err
    assert stat.S_IMODE(folder.stat().st_mode) == 0o755


def test_where_every_folder_lies_on_a_watched_drive_the_owner_is_warned(
    box: Box, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    mount(monkeypatch, ("/", "/dev/nvme0n1p2"))
    assert main(["setup", "--yes"]) == 0
    assert "Better a stick or a card: laneproof setup --evidence FOLDER" in capsys.readouterr().out
    assert not box.settings.exists()


@pytest.mark.parametrize(
    ("command", "says"), [("cat", "installs the unit"), ("enable", "Unit says no"), ("start", "-n 20` says why")]
)
def test_a_service_that_does_not_start_is_reported_with_the_next_step(
    box: Box, capsys: pytest.CaptureFixture[str], command: str, says: str
) -> None:
    box.fails(command)
    assert main(["setup", "--yes"]) == os.EX_UNAVAILABLE
    assert says in capsys.readouterr().err
    assert box.build.exists() is (command != "cat")


def test_who_is_not_root_or_has_no_terminal_is_refused(
    box: Box, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", StringIO())
    assert main(["setup"]) == os.EX_USAGE
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert main(["setup", "--yes"]) == os.EX_NOPERM
    assert re.search(r"with --yes\n.*run it as root\n", capsys.readouterr().err)
    assert box.files() == {}


def test_nothing_is_written_through_a_link(box: Box, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_text(OWN)
    box.build.parent.mkdir()
    box.build.symlink_to(elsewhere)
    assert main(["setup", "--yes", "--update"]) == 0
    assert elsewhere.read_text() == OWN
    assert not box.build.is_symlink()
