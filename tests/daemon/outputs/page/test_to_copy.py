"""What is offered to be copied works as it stands, but for the reason that only the owner has."""

import shlex
import tomllib
from dataclasses import replace

import pytest

from boxes.kept_position import find_position
from boxes.snapshot_box import A_MORNING
from boxes.troubled_box import BUILD, SIGN, troubled
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import parse_declaration
from laneproof.commands.table import make_parser
from laneproof.declaration.build import Build
from laneproof.diagnosis.weights import DEFAULT
from laneproof.findings import Finding
from laneproof.outputs.page.to_copy import write_commands
from laneproof.rules.catalogue import mark_accepted
from support.html_tree import read_html


def declare(text: str) -> Build:
    return parse_declaration(f'schema = 1\n[box]\nname = "kelp-1"\n{text}', "build.toml")


def about(label: str) -> list[Finding]:
    return [finding for finding in troubled().findings if finding.position == label]


def commands(label: str, findings: list[Finding] | None = None) -> list[str]:
    written = write_commands(find_position(label), about(label) if findings is None else findings, now=A_MORNING)
    return ["".join(map(str, code.content)) for code in read_html(str(written)).all("code")]


def test_an_acceptance_with_a_reason_accepts_what_it_was_copied_for() -> None:
    block = commands("riser-2")[0]
    with pytest.raises(CommandError, match="because"):
        declare(f"{BUILD}\n{block}")
    build = declare(f"{BUILD}\n{block}".replace('because = ""', 'because = "part on order"'))
    accepted = mark_accepted(build, about("riser-2"), at=A_MORNING)
    assert {finding.accepted for finding in accepted} == {"part on order"}


def test_what_is_unverified_or_accepted_is_not_offered() -> None:
    assert not [text for text in commands("riser-1") if "[[accept]]" in text]
    assert 'rule = "link-slow"' not in commands("deck-1")[0]


def test_a_cause_is_asked_for_only_of_what_has_causes() -> None:
    names = [line.split()[2] for line in commands("riser-2", [replace(SIGN, rule="occupant-differs")])[1:]]
    assert names == ["note", "replace"]
    assert "confirm" not in " ".join(commands("riser-2", [replace(SIGN, accepted="on order")]))


def test_a_label_of_any_kind_is_quoted() -> None:
    label = 'a "b"\x7f\\é'
    (block, *_) = commands("riser-2", [replace(SIGN, position=label)])
    assert tomllib.loads(block)["accept"][0]["position"] == label


def test_every_command_is_one_that_laneproof_takes() -> None:
    lines = [text for text in commands("riser-2") if text.startswith("sudo laneproof ")]
    assert [line.split()[2] for line in lines] == ["confirm", "note", "replace"]
    for line in lines:
        make_parser().parse_args(shlex.split(line)[2:])
    assert lines[0].split()[-1] in DEFAULT.priors
