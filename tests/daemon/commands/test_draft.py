"""A draft is a valid declaration of the machine as it stands, and never takes a file from anybody."""

import os
from pathlib import Path

from contracts.hand_made import inside
from laneproof.declaration.file import parse_build


def test_the_printed_draft_is_valid_and_ends_with_0() -> None:
    ended = inside("draft", "--demo")
    assert ended.status == 0
    build = parse_build(ended.out, name="draft")
    assert build.box.name == "kelp-1"
    assert {position.path for position in build.position} >= {"0000:00/01.1", "0000:00/02.1/00.0/00.0", "0000:00/02.4"}


def test_a_file_is_written_once(tmp_path: Path) -> None:
    out = tmp_path / "build.toml"
    assert inside("draft", "--demo", "-o", out).status == 0
    written = out.read_text(encoding="utf-8")
    parse_build(written, name="draft")
    ended = inside("draft", "--demo", "-o", out)
    assert ended.status == os.EX_CANTCREAT
    assert out.read_text(encoding="utf-8") == written
    assert "exists and is left alone" in ended.err


def test_what_was_drafted_holds_but_for_links_that_trained_lower(tmp_path: Path) -> None:
    out = tmp_path / "build.toml"
    inside("draft", "--demo", "-o", out)
    findings = inside("audit", "--demo", "--build", out, "--json").json()["findings"]
    found = {(finding["rule"], finding["position"]) for finding in findings if finding["kind"] != "unverified"}
    positions = {position.path: position.label for position in parse_build(out.read_text(), name="draft").position}
    assert found == {("link-narrow", positions["0000:00/01.3"]), ("link-slow", positions["0000:00/01.4"])}


def test_an_update_keeps_a_persons_words(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text('schema = 1\n[box]\nname = "kelp-1" # the one under the stairs\n')
    ended = inside("draft", "--demo", "--update", mine)
    assert ended.status == 0
    assert "# the one under the stairs" in ended.out
    assert mine.read_text() == 'schema = 1\n[box]\nname = "kelp-1" # the one under the stairs\n'


def test_an_update_of_what_is_no_declaration_ends_with_65(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text("schema = 1\n[box]\nnaem = 1\n")
    ended = inside("draft", "--demo", "--update", mine, lines=2)
    assert ended.status == os.EX_DATAERR
    assert "line 3" in ended.err


def test_this_machine_can_be_drafted_whatever_it_is() -> None:
    ended = inside("draft")
    assert ended.status == 0
    parse_build(ended.out, name="draft")
