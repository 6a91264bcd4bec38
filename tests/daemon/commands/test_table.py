"""The table of commands: each row has its module, its help, and options that the parser takes."""

import importlib

import pytest

from laneproof.commands.table import COMMANDS, Command, make_parser


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_each_command_has_a_module_that_runs_it_and_a_help(
    command: Command, capsys: pytest.CaptureFixture[str]
) -> None:
    assert callable(importlib.import_module(f"laneproof.commands.{command.name}").run)
    with pytest.raises(SystemExit) as end:
        make_parser().parse_args([command.name, "--help"])
    assert end.value.code == 0
    assert command.says in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    "name",
    [
        command.name
        for command in COMMANDS
        if any(isinstance(each, tuple) and each[0].flags == ("--from",) for each in command.options)
    ],
)
def test_a_recording_and_the_demo_exclude_each_other(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        make_parser().parse_args([name, "--from", "x", "--demo"])
    assert end.value.code == 64
    assert "not allowed with" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "parsed"),
    [
        ("record x", {"every": 60.0, "passes": 1, "hide_serials": False}),
        ("record x --every 0 --passes 1", {"every": 0.0, "passes": 1}),
        ("replace riser-1", {"timeout": 1800.0, "print": False, "was": None}),
        ("changes a", {"before": "a", "after": "@now"}),
        ("work", {"do": None, "length": "2h"}),
        ("schema", {"of": "build"}),
        ("setup", {"allow": [], "yes": False}),
        ("prove --compare a b", {"compare": ["a", "b"], "quick": False}),
    ],
)
def test_what_is_not_said_is_as_the_help_has_it(words: str, parsed: dict[str, object]) -> None:
    arguments = vars(make_parser().parse_args(words.split()))
    assert {name: arguments[name] for name in parsed} == parsed
