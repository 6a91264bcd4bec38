"""The declaration's file as it is followed, and what is in force when it is gone or wrong."""

import os
from pathlib import Path

import pytest

from boxes.running_daemon import BUILD, Rig, load
from laneproof.declaration.file import parse_build
from laneproof.service.declaration_file import NOTHING_KEPT, DeclarationFile, KeptDeclaration
from support.waiting import wait_for

ONE, WRONG = 'schema = 1\nbox.name = "one"\n', "schema = 1\n"
KEPT = 'schema = 1\nbox.name = "kept"\n'


def follow(file: Path, kept: KeptDeclaration = NOTHING_KEPT) -> DeclarationFile:
    return DeclarationFile(str(file), load, kept=kept)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "build.toml"


def test_what_was_read_has_not_changed(file: Path) -> None:
    file.write_text(ONE)
    declaration = follow(file)
    assert declaration.has_changed()
    declaration.read()
    assert declaration.build is not None
    assert not declaration.has_changed()


def test_new_content_and_a_file_put_in_its_place_are_changes(file: Path) -> None:
    file.write_text(ONE)
    declaration = follow(file)
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
    declaration = follow(file)
    declaration.read()
    assert (declaration.build, declaration.problem, declaration.as_state()) == (None, None, None)
    assert not declaration.has_changed()
    file.write_text(ONE)
    assert declaration.has_changed()
    declaration.read()
    file.unlink()
    assert declaration.has_changed()


def test_a_wrong_one_is_reported_once_and_not_read_again_until_it_changes(file: Path) -> None:
    file.write_text(WRONG)
    declaration = follow(file)
    declaration.read()
    assert "box" in str(declaration.problem)
    assert not declaration.has_changed()


@pytest.mark.parametrize(("text", "problem"), [(None, "build.toml is gone"), (WRONG, "box")])
@pytest.mark.parametrize("at_start", [True, False])
def test_the_last_good_one_stays_in_force(file: Path, text: str | None, problem: str, *, at_start: bool) -> None:
    file.write_text(KEPT)
    declaration = follow(file)
    declaration.read()
    state = declaration.as_state()
    if at_start:
        assert state is not None
        declaration = follow(
            file, kept=KeptDeclaration(declaration=(state["text"], parse_build(state["text"], name="kept")))
        )
    file.unlink()
    if text is not None:
        file.write_text(text)
    declaration.read()
    assert declaration.build is not None
    assert declaration.build.box.name == "kept"
    assert problem in str(declaration.problem)
    assert declaration.as_state() == state  # a wrong one takes nothing from what is kept
    file.write_text(ONE)
    declaration.read()
    assert (declaration.build.box.name, declaration.problem) == ("one", None)


def test_what_the_owner_took_out_of_force_stays_out_until_it_is_changed(file: Path) -> None:
    file.write_text(ONE)
    declaration = follow(file, kept=KeptDeclaration(out_of_force=ONE))
    declaration.read()
    assert (declaration.build, declaration.problem) == (None, None)
    assert declaration.as_state() == {"text": None, "out_of_force": ONE, "path": str(file)}
    file.write_text(f"{ONE}# a word\n")
    declaration.read()
    assert declaration.build is not None
    assert declaration.as_state() == {"text": f"{ONE}# a word\n", "out_of_force": None, "path": str(file)}


def test_a_wrong_one_leaves_the_old_one_in_force_and_is_reported_once(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    rig.start()
    before = rig.daemon.status.build
    rig.file.write_text("schema = 2\n")
    wait_for(lambda: rig.daemon.status.build_problem)
    rig.passes()
    assert rig.daemon.status.build is rig.daemon._engine.build is before
    assert rig.rules() == {("declaration-not-in-force", None)}
    assert str(rig.file) in str(rig.daemon.status.build_problem)
    (logged,) = (record.message for record in caplog.records if "was not loaded" in record.message)
    assert "the last good one stays in force" in logged
    rig.file.write_text(BUILD)
    wait_for(lambda: rig.rules() == set())


@pytest.mark.parametrize(("text", "problem"), [(None, "None"), (WRONG, "box")])
def test_without_one_the_service_runs_and_takes_one_up_when_it_comes(rig: Rig, text: str | None, problem: str) -> None:
    rig.file.unlink()
    if text is not None:
        rig.file.write_text(text)
    rig.start()
    assert rig.daemon.status.build is None
    assert problem in str(rig.daemon.status.build_problem)
    rig.file.write_text(BUILD.replace('serial = "A2"', 'serial = "B7"'))
    wait_for(lambda: ("occupant-differs", "riser-2") in rig.rules())
