"""A history that cannot be read is one line with a status."""

import os
from pathlib import Path

import pytest

from laneproof.commands import history_file
from laneproof.commands.errors import CommandError
from laneproof.commands.history_file import find_history, open_history
from laneproof.history.store import Store


def test_named_folder_comes_before_the_services_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    settings = tmp_path / "service.toml"
    settings.write_text('state = "/srv/elsewhere"\n')
    monkeypatch.setattr(history_file, "DEFAULT_SETTINGS", str(settings))
    assert find_history("/srv/mine") == "/srv/mine/history.db"
    assert find_history(None) == "/srv/elsewhere/history.db"


def test_history_is_read_and_let_go(tmp_path: Path) -> None:
    file = str(tmp_path / "history.db")
    Store.open(file).close()
    with open_history(file) as history:
        assert history.load_standing() == ()


def test_missing_history_names_who_writes_it(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="'laneproof serve' writes it") as caught, open_history(str(tmp_path / "x")):
        pass
    assert caught.value.status == os.EX_NOINPUT


@pytest.mark.parametrize("content", [b"", b"no database at all, but long enough to look at" * 30])
def test_file_that_is_no_history_is_reported(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "history.db"
    file.write_bytes(content)
    with pytest.raises(CommandError, match="the history cannot be read") as caught, open_history(str(file)):
        pass
    assert caught.value.status == os.EX_DATAERR
    assert file.read_bytes() == content
