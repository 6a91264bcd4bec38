"""The declaration's file as it is followed."""

import os
from pathlib import Path

import pytest

from laneproof.declaration.build import Build
from laneproof.declaration.file import BuildError, parse_build
from laneproof.service.declaration_file import DeclarationFile

ONE = 'schema = 1\nbox.name = "one"\n'


def load(path: str) -> Build | None:
    file = Path(path)
    return parse_build(file.read_text(), name=path) if file.exists() else None


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "build.toml"


def test_what_was_read_has_not_changed(file: Path) -> None:
    file.write_text(ONE)
    declaration = DeclarationFile(str(file), load)
    assert declaration.has_changed()
    assert declaration.read() is not None
    assert not declaration.has_changed()


def test_new_content_and_a_file_put_in_its_place_are_changes(file: Path) -> None:
    file.write_text(ONE)
    declaration = DeclarationFile(str(file), load)
    declaration.read()
    file.write_text(ONE + "\n# a word")
    assert declaration.has_changed()
    declaration.read()
    times = file.stat()
    other = file.with_suffix(".new")
    other.write_text(file.read_text())
    os.utime(other, ns=(times.st_atime_ns, times.st_mtime_ns))
    other.replace(file)
    assert declaration.has_changed()


def test_a_file_that_comes_and_goes_is_a_change(file: Path) -> None:
    declaration = DeclarationFile(str(file), load)
    assert declaration.read() is None
    assert not declaration.has_changed()
    file.write_text(ONE)
    assert declaration.has_changed()
    declaration.read()
    file.unlink()
    assert declaration.has_changed()


def test_a_wrong_one_is_told_once_and_not_read_again_until_it_changes(file: Path) -> None:
    file.write_text("schema = 1\n")
    declaration = DeclarationFile(str(file), load)
    with pytest.raises(BuildError, match="box"):
        declaration.read()
    assert not declaration.has_changed()
