"""A settings' file: missing at its default path it is all defaults, and whatever else is wrong ends with its status."""

from pathlib import Path

import pytest

from laneproof.commands.errors import CommandError
from laneproof.commands.settings_file import read_settings_file
from laneproof.service.settings import Settings, parse_settings


def read(path: str | None, default_path: str, default: Settings | None = None) -> Settings:
    return read_settings_file(path, default_path, parse_settings, default=default)


def test_a_file_that_is_missing_is_the_default_only_where_nobody_named_it(tmp_path: Path) -> None:
    missing = str(tmp_path / "service.toml")
    assert read(None, missing, Settings()) == Settings()
    for path, default in ((missing, Settings()), (None, None)):
        with pytest.raises(CommandError) as caught:
            read(path, missing, default)
        assert caught.value.status == 66


@pytest.mark.parametrize("content", [b"\xff", b"prot = 1", b"="])
def test_what_it_may_not_say_is_a_wrong_configuration(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "service.toml"
    file.write_bytes(content)
    with pytest.raises(CommandError, match=str(file)) as caught:
        read(str(file), "")
    assert caught.value.status == 78
