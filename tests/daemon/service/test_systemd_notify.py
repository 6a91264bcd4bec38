"""What the service manager is told, over a real datagram socket. Source of the words: sd_notify(3)."""

import os
import re
import socket
import time
from collections.abc import Callable, Iterator

import pytest

from boxes.running_daemon import Rig
from laneproof.service.systemd_notify import SystemdNotifier
from support.waiting import PATIENCE_SECONDS


@pytest.fixture
def manager() -> Iterator[socket.socket]:
    """Listen as a service manager does; the name is short, since a socket's path holds 108 bytes (unix(7))."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(f"\0laneproof-test-{os.getpid()}-{time.monotonic_ns()}")
        listener.settimeout(5)
        yield listener


def environment(manager: socket.socket, **more: str) -> dict[str, str]:
    name: bytes = manager.getsockname()
    return {"NOTIFY_SOCKET": "@" + name[1:].decode()} | more


def heard(manager: socket.socket) -> list[str]:
    return manager.recv(4096).decode().split("\n")


def silent(manager: socket.socket) -> bool:
    manager.settimeout(0)
    try:
        manager.recv(4096)
    except BlockingIOError:
        return True
    return False


def test_ready_status_and_stopping_are_reported(manager: socket.socket) -> None:
    notifier = SystemdNotifier(environment(manager))
    notifier.ready("holds")
    assert heard(manager) == ["READY=1", "STATUS=holds"]
    notifier.status("differs; 2 findings")
    assert heard(manager) == ["STATUS=differs; 2 findings"]
    notifier.stopping()
    assert heard(manager) == ["STOPPING=1"]
    notifier.close()


def test_a_reload_is_reported_with_the_monotonic_clock(manager: socket.socket) -> None:
    notifier = SystemdNotifier(environment(manager))
    before = time.monotonic_ns() // 1000
    notifier.reloading()
    first, second = heard(manager)
    assert first == "RELOADING=1"
    assert before <= int(second.removeprefix("MONOTONIC_USEC=")) <= time.monotonic_ns() // 1000
    notifier.close()


def test_a_socket_in_the_file_system_is_reached(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("n") / "s"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(path))
        listener.settimeout(5)
        notifier = SystemdNotifier({"NOTIFY_SOCKET": str(path)})
        notifier.ready("holds")
        assert heard(listener)[0] == "READY=1"
        notifier.close()


def test_the_watchdog_is_fed_twice_as_often_as_it_bites(manager: socket.socket) -> None:
    notifier = SystemdNotifier(environment(manager, WATCHDOG_USEC="90000000", WATCHDOG_PID=str(os.getpid())))
    assert notifier.watchdog_seconds == 45.0
    notifier.alive(1000.0)
    assert heard(manager) == ["WATCHDOG=1"]
    notifier.alive(1010.0)
    assert silent(manager)
    manager.settimeout(5)
    notifier.alive(1023.0)
    assert heard(manager) == ["WATCHDOG=1"]
    notifier.close()


@pytest.mark.parametrize("more", [{}, {"WATCHDOG_USEC": "x"}, {"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}])
def test_a_watchdog_that_is_not_for_us_is_not_fed(manager: socket.socket, more: dict[str, str]) -> None:
    notifier = SystemdNotifier(environment(manager, **more))
    notifier.alive(1000.0)
    assert silent(manager)
    notifier.close()


def test_without_a_manager_nothing_happens() -> None:
    notifier = SystemdNotifier({"WATCHDOG_USEC": "not a number"})
    assert notifier.watchdog_seconds is None
    notifier.ready("holds")
    notifier.alive(0.0)
    notifier.close()


def test_a_manager_that_went_away_is_no_fault(manager: socket.socket) -> None:
    notifier = SystemdNotifier(environment(manager))
    notifier.ready("holds")
    assert heard(manager) == ["READY=1", "STATUS=holds"]
    manager.close()
    notifier.ready("holds still")
    notifier.close()


def test_the_service_manager_hears_of_the_whole_life(manager: socket.socket, rigs: Callable[..., Rig]) -> None:
    manager.settimeout(PATIENCE_SECONDS)
    rig = rigs(notifier=SystemdNotifier(environment(manager, WATCHDOG_USEC="400000"))).start()
    heard: list[str] = []

    def hear(pattern: str) -> str:
        """Listen until something matches; what came before it is passed over."""
        while True:
            heard.append(manager.recv(4096).decode())
            if re.fullmatch(pattern, heard[-1], re.DOTALL):
                return heard[-1]

    assert hear(r"READY=1\n.*") == "READY=1\nSTATUS=holds"
    hear("WATCHDOG=1")
    rig.box.ports[0].drive = None
    rig.host.change()
    hear(r"STATUS=differs; \d+ findings?")
    rig.file.write_text("= =")
    hear(r"RELOADING=1\nMONOTONIC_USEC=\d+")
    assert "declaration not loaded, the last good one stays" in hear(r"READY=1\n.*")
    rig.end()
    hear("STOPPING=1")
    assert not any(word.startswith("READY") for word in heard[: heard.index("READY=1\nSTATUS=holds")])
