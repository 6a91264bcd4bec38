"""The reference of options holds each command with each of its options."""

import argparse

from laneproof.cli import make_parser
from laneproof.options import write_options


def test_each_command_has_a_section_with_each_option() -> None:
    page = write_options()
    commands = next(one for one in make_parser()._actions if isinstance(one, argparse._SubParsersAction)).choices
    sections = dict(part.split("\n", 1) for part in page.split("\n## ")[1:])
    assert sections.keys() == commands.keys()
    for name, command in commands.items():
        options = [option for action in command._actions for option in action.option_strings]
        assert all(option in sections[name] for option in options if option not in ("-h", "--help"))
        assert command.description in sections[name]


def test_each_row_of_a_table_has_two_cells() -> None:
    rows = [line for line in write_options().splitlines() if line.startswith("|")]
    assert rows
    assert {line.replace(r"\|", "").count("|") for line in rows} == {3}
