"""The reader: who may ask it, what leads out of its folders, and what becomes of a connection that says nonsense."""

import json
import os
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from collectors.reader_machine import FUNCTION, TABLE, listen, make_tree, running
from laneproof_collectors import reader as module
from laneproof_collectors.passed_socket import FIRST_PASSED_DESCRIPTOR
from laneproof_collectors.questions import (
    FileSystem,
    FileSystemFigures,
    ListFolder,
    NvmeLog,
    Question,
    ReadFile,
    ReadKernelLog,
    ReadLink,
    ReadRange,
)
from laneproof_collectors.reader import GuardedHost, Reader, main, receive
from laneproof_collectors.reader_messages import ANSWER_LIMIT_BYTES, LENGTH, decode_answer, encode, encode_questions
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import unread


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    return make_tree(tmp_path / "tree")


@pytest.fixture
def connection(tree: Path, tmp_path: Path) -> Iterator[socket.socket]:
    with running(GuardedHost(str(tree)), tmp_path / "sock"), socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(tmp_path / "sock"))
        connection.settimeout(30)
        yield connection


def ask(connection: socket.socket, *questions: Question) -> list[object]:
    connection.sendall(encode_questions(questions))
    bodies = [receive(connection, ANSWER_LIMIT_BYTES) for _ in questions]
    return [None if body is None else decode_answer(body) for body in bodies]


def test_a_batch_is_answered_in_order_and_what_is_not_given_says_so(connection: socket.socket) -> None:
    table, refused, config, names = ask(
        connection,
        ReadFile(TABLE),
        ReadFile("/etc/shadow"),
        ReadRange(f"{FUNCTION}/config", 256, 16),
        ListFolder(FUNCTION),
    )
    assert (table, config, names) == (b"\x7f\x04table", bytes(range(16)), ("config", "vendor"))
    assert refused == Unread("/etc/shadow", "the reader does not give this", Reason.DENIED, "EACCES")


def test_the_same_connection_is_asked_again_and_again(connection: socket.socket) -> None:
    for _ in range(3):
        assert ask(connection, ReadFile(f"{FUNCTION}/vendor")) == [b"0x1b36\n"]


@pytest.mark.parametrize(
    "target", ["/etc/shadow", "../../../../../etc/shadow", "../../../kernel/secret", "self", "/dev/zero"]
)
def test_a_link_that_leads_out_of_its_folder_is_refused(tree: Path, target: str) -> None:
    (tree / "etc").mkdir()
    (tree / "etc/shadow").write_text("secret")
    link = tree / f"{FUNCTION}/model"[1:]
    link.symlink_to("model" if target == "self" else target)
    answer = unread(GuardedHost(str(tree)).file(f"{FUNCTION}/model"))
    assert answer.reason in (Reason.DENIED, Reason.ABSENT) or answer.detail == "ELOOP"


def test_a_link_within_its_folder_is_followed(tree: Path) -> None:
    (tree / "sys/bus/pci/devices").mkdir(parents=True)
    (tree / "sys/bus/pci/devices/0000:00:01.1").symlink_to("../../../devices/pci0000:00/0000:00:01.1")
    assert GuardedHost(str(tree)).file("/sys/bus/pci/devices/0000:00:01.1/vendor") == b"0x1b36\n"


def test_what_is_no_plain_file_is_not_read(tree: Path) -> None:
    os.mkfifo(tree / f"{FUNCTION}/model"[1:])
    assert unread(GuardedHost(str(tree)).file(f"{FUNCTION}/model")).reason is Reason.DENIED
    assert isinstance(GuardedHost(str(tree)).file("/var/log/messages"), Unread)  # below none of its folders


def test_a_mount_in_sysfs_is_another_file_system() -> None:
    """On this machine itself: whatever is mounted below /sys, such as the control groups, is not read."""
    below = [line.split()[4] for line in Path("/proc/self/mountinfo").read_text().splitlines()]
    mounts = [mount for mount in below if mount.startswith("/sys/") and os.access(f"{mount}/cgroup.procs", os.R_OK)]
    if not mounts:
        pytest.skip("nothing with a file is mounted below /sys here")
    assert unread(GuardedHost().file(f"{mounts[0]}/cgroup.procs")).reason is Reason.DENIED


def test_figures_are_given_of_mounts_alone(tmp_path: Path) -> None:
    root, other = GuardedHost().ask([FileSystem("/"), FileSystem(str(tmp_path))])
    assert isinstance(root, FileSystemFigures)
    assert isinstance(other, Unread)


@pytest.mark.parametrize(
    "message",
    [
        LENGTH.pack(5) + b"quit\n",
        LENGTH.pack(1 << 24),
        encode({"ReadFile": "/etc/shadow"}),
        encode([["WriteFile", "/dev/nvme0"]]),
        encode_questions([ReadKernelLog(), ReadLink("/sys/class/nvme")]),
    ],
    ids=["no JSON", "too long", "no list", "no question", "two at once"],
)
def test_a_connection_that_says_nonsense_is_closed_and_others_go_on(
    tree: Path, tmp_path: Path, message: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    with (
        running(GuardedHost(str(tree)), tmp_path / "sock"),
        socket.socket(socket.AF_UNIX) as bad,
        socket.socket(socket.AF_UNIX) as good,
    ):
        for each in (bad, good):
            each.connect(str(tmp_path / "sock"))
            each.settimeout(30)
        bad.sendall(message)
        assert bad.recv(1) == b""
        assert ask(good, ReadFile(f"{FUNCTION}/vendor")) == [b"0x1b36\n"]
    assert "what is no message" in capfd.readouterr().err


def _as_user(user: int, group: int, monkeypatch: pytest.MonkeyPatch) -> Reader:
    """Let the kernel's word for who connected be another."""
    monkeypatch.setattr(os, "getuid", lambda: 0)
    monkeypatch.setattr(module, "_CREDENTIALS", _Told(struct.pack("3i", 1, user, group)))
    monkeypatch.setattr(module, "_find_groups", lambda _: (4242,))
    return Reader(GuardedHost(), frozenset({777}))


class _Told:
    """Credentials of somebody else."""

    size = 12

    def __init__(self, raw: bytes) -> None:
        self._raw = raw

    def unpack(self, _: bytes) -> tuple[int, ...]:
        return struct.unpack("3i", self._raw)


@pytest.mark.parametrize(("user", "group", "admitted"), [(0, 0, 0), (1000, 777, 1000), (1000, 1000, None)])
def test_root_and_the_group_may_ask_and_nobody_else(
    user: int, group: int, admitted: int | None, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    here, there = socket.socketpair()
    with here, there:
        assert _as_user(user, group, monkeypatch)._admit(here) == admitted
    assert ("user 1000 may not ask" in capfd.readouterr().err) is (admitted is None)


def test_a_member_by_a_further_group_may_ask(monkeypatch: pytest.MonkeyPatch) -> None:
    here, there = socket.socketpair()
    with here, there:
        reader = _as_user(1000, 1000, monkeypatch)
        monkeypatch.setattr(module, "_find_groups", lambda _: (27, 777))
        assert reader._admit(here) == 1000


def test_the_kernel_names_the_further_groups_of_this_process(tmp_path: Path) -> None:
    with listen(tmp_path / "sock") as listening, socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(tmp_path / "sock"))
        accepted, _ = listening.accept()
        with accepted:
            assert set(module._find_groups(accepted)) == set(os.getgroups())


def test_one_user_holds_so_many_connections_and_no_more(tree: Path, tmp_path: Path) -> None:
    with running(GuardedHost(str(tree)), tmp_path / "sock"):
        held = []
        for _ in range(module.MOST_CONNECTIONS):
            held.append(socket.socket(socket.AF_UNIX))
            held[-1].connect(str(tmp_path / "sock"))
            ask(held[-1], ReadFile(TABLE))
        with socket.socket(socket.AF_UNIX) as further:
            further.connect(str(tmp_path / "sock"))
            further.settimeout(30)
            assert further.recv(1) == b""
        for each in held:
            each.close()


def test_only_the_listed_log_is_asked_of_a_drive(connection: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[int] = []
    monkeypatch.setattr(
        "laneproof_collectors.live_host.fcntl.ioctl", lambda _, __, command, ___: sent.append(command[40]) or 0
    )
    health, telemetry = ask(connection, NvmeLog("nvme0", 0x02, 512), NvmeLog("nvme0", 0x07, 512))
    assert health == bytes(512)
    assert isinstance(telemetry, Unread)
    assert sent == [0x02]  # double word 10, whose low byte is the log's number


@pytest.mark.parametrize("words", [["--help"], ["--port", "1"], ["--socket", "/run/a", "--user", "x"]])
def test_other_options_are_wrong_usage(words: list[str]) -> None:
    assert main(words) == os.EX_USAGE


def test_without_a_socket_or_with_a_group_that_is_none_it_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("LISTEN_FDS", raising=False)
    assert main([]) == os.EX_CONFIG
    assert main(["--group", "no-such-group"]) == os.EX_CONFIG
    said = capsys.readouterr().err
    assert "systemd passed no socket; name one with --socket PATH" in said
    assert "there is no group no-such-group" in said


def test_as_a_program_it_takes_the_socket_that_systemd_passes_and_loads_nothing_of_the_judge(tmp_path: Path) -> None:
    # sd_listen_fds(3): the socket is descriptor 3, LISTEN_PID is the process itself
    call = (
        "import os, sys; os.environ['LISTEN_PID'] = str(os.getpid());"
        "from laneproof_collectors import reader; reader.IDLE_SECONDS = 0.5; status = reader.main([]);"
        "import json; print(json.dumps([status, sorted(sys.modules)]))"
    )
    with listen(tmp_path / "sock") as listening, socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(tmp_path / "sock"))
        connection.sendall(encode_questions([ReadFile("/etc/shadow")]))
        connection.shutdown(socket.SHUT_WR)
        os.set_inheritable(listening.fileno(), True)  # noqa: FBT003 (Python's own interface)
        environment = {"LISTEN_FDS": "1", "PYTHONPATH": os.pathsep.join(sys.path)}

        def pass_as_three() -> None:
            os.dup2(listening.fileno(), FIRST_PASSED_DESCRIPTOR)

        done = subprocess.run(
            [sys.executable, "-c", call],
            env=environment,
            preexec_fn=pass_as_three,
            pass_fds=[FIRST_PASSED_DESCRIPTOR],
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        assert receive(connection, ANSWER_LIMIT_BYTES)
    status, loaded = json.loads(done.stdout)
    assert status == 0
    assert not {"pydantic", "laneproof", "subprocess", "logging", "pyudev"} & set(loaded)
