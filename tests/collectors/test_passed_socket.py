"""Whether what the service manager passed is this process's; that it is taken, the reader's own test shows."""

import os

import pytest

from laneproof_collectors.passed_socket import take_passed_socket


@pytest.mark.parametrize(
    ("process", "descriptors"),
    [(None, "1"), (1, "1"), (os.getpid(), "0"), (os.getpid(), None)],
    ids=["nobody's", "another process's", "none", "not said"],
)
def test_only_a_single_socket_for_this_very_process_is_taken(
    monkeypatch: pytest.MonkeyPatch, process: int | None, descriptors: str | None
) -> None:
    for name, value in (("LISTEN_PID", process), ("LISTEN_FDS", descriptors)):
        monkeypatch.delenv(name, raising=False)
        if value is not None:
            monkeypatch.setenv(name, str(value))
    assert take_passed_socket() is None


def test_of_several_sockets_none_is_guessed_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LISTEN_PID", str(os.getpid()))
    monkeypatch.setenv("LISTEN_FDS", "2")
    with pytest.raises(OSError, match="passed 2 sockets, where one is expected"):
        take_passed_socket()
