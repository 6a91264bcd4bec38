"""Closes what tests of the history leave open: from version 3.13 on, Python warns of each such connection."""

import sqlite3
from collections.abc import Iterator
from typing import Any

import pytest


@pytest.fixture(autouse=True)
def connections(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[sqlite3.Connection]]:
    """Give every connection that a test opened."""
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def remember(*where: Any, **how: Any) -> sqlite3.Connection:
        opened.append(connect(*where, **how))
        return opened[-1]

    monkeypatch.setattr(sqlite3, "connect", remember)
    yield opened
    for connection in opened:
        connection.close()
