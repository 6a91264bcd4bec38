"""The reference of options holds each command with each of its options."""

from laneproof.commands.options import write_options
from laneproof.commands.table import COMMANDS


def test_each_command_has_a_section_with_each_option() -> None:
    page = write_options()
    sections = dict(part.split("\n", 1) for part in page.split("\n## ")[1:])
    assert list(sections) == [command.name for command in COMMANDS]
    for command in COMMANDS:
        options = [each for group in command.options for each in (group if isinstance(group, tuple) else (group,))]
        assert all(flag in sections[command.name] for option in options for flag in option.flags if flag[0] == "-")
        assert command.says in sections[command.name]


def test_each_row_of_a_table_has_two_cells() -> None:
    rows = [line for line in write_options().splitlines() if line.startswith("|")]
    assert rows
    assert {line.replace(r"\|", "").count("|") for line in rows} == {3}
