import pytest
from pydantic import ValidationError

from laneproof.declaration.build import Build
from laneproof.declaration.complaints import describe_errors, unknown_rule
from laneproof.rules.catalogue import RULES
from support.declared_spine import SPINE, complaints


def _describe(data: dict[str, object]) -> list[tuple[tuple[str | int, ...], str]]:
    with pytest.raises(ValidationError) as caught:
        Build.model_validate(data)
    return list(describe_errors(caught.value, data))


def test_place_of_a_problem_is_one_that_stands_in_the_file() -> None:
    data = {"schema": 1, "box": {"name": "b"}, "position": [{"label": "a", "path": "0000:00", "through": ["bord"]}]}
    assert [path for path, _ in _describe(data)] == [("position", 0, "through", 0)]


def test_known_keys_are_reported_in_the_order_of_the_model_where_none_is_near() -> None:
    ((_, message),) = _describe({"schema": 1, "box": {"name": "b"}, "slot": {"x": {"path": "0000:00", "qqq": 1}}})
    assert message.startswith("is not a key here; known here: path, lanes, generation, split")


def test_key_of_an_earlier_name_is_refused_with_the_new_one() -> None:
    ((path, message),) = _describe({"schema": 1, "box": {"name": "b"}, "aggregate": [{"name": "bond0"}]})
    assert (path, message) == (("aggregate",), "is now called 'bond'")


def test_every_rule_of_an_earlier_name_is_refused_with_one_that_there_is() -> None:
    rules = [rule.name for rule in RULES]
    for old in (
        "aggregate-incomplete", "link-above-plan", "network-link-unsteady", "slow-against-siblings", "split-not-active",
        "trains-short-on-some-boots", "wear-ahead",
    ):  # fmt: skip
        message = unknown_rule(old, rules)
        new = message.removeprefix(f"is '{old}', which is now called ").strip("'")
        assert new in rules
        assert new != old
    assert unknown_rule("link-slwo", rules) == "is 'link-slwo', which is no rule; did you mean 'link-slow'?"


def test_key_of_a_table_that_the_owner_named_finds_its_near_miss() -> None:
    ((_, message),) = _describe({"schema": 1, "box": {"name": "b"}, "uplink": {"x": {"lane": 1}}})
    assert message == "is not a key here; did you mean 'lanes'?"


def test_nothing_is_said_of_names_where_a_name_itself_is_wrong() -> None:
    data = {"schema": 1, "box": {"name": "b"}, "position": ["a"], "array": [{"name": "md0", "members": ["a"]}]}
    assert [path for path, _ in _describe(data)] == [("position", 0)]


def test_names_are_asked_after_even_where_other_things_are_wrong() -> None:
    text = SPINE.replace('members = ["riser-1", "riser-2"]', 'members = ["riser-1", "riser-9"]\nlevl = 3')
    found = complaints(text)
    assert any("array[0].members[1] 'riser-9' is no declared position" in line for line in found)
    assert any("array[0].levl is not a key here; did you mean 'level'?" in line for line in found)


def test_name_is_not_called_missing_where_its_own_table_is_wrong() -> None:
    found = complaints(SPINE.replace('label = "riser-2"', "label = 2"))
    assert found == ["build.toml, line 23: position[1].label must be a text in quotes, and is 2"]


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        ("x = [1,", "build.toml, line 3: this is not TOML: "),
        ("[[position]]\n[position]", "cannot declare position twice"),
        ('box.name = "again"', "this is not TOML: cannot overwrite a value"),
        ("memory = 3", "build.toml, line 3: memory must be a table, and is 3"),
        ("memory.modules = true", "memory.modules must be a whole number, and is true"),
        ("memory.modules = 0", "memory.modules must be at least 1, and is 0"),
        ("memory.modules = 1.5", "memory.modules must be a whole number, and is 1.5"),
        ("memory.ecc = 1", "memory.ecc must be true or false, and is 1"),
        (
            'memory.total = "64 GiBi"',
            "memory.total cannot be used: '64 GiBi' is no size; write it as '4 TB' or '64 GiB'",
        ),
        ("memory.total = true", "true is no size"),
        ("memory.total = 1.5", "memory.total cannot be used"),
        ('accept = [{ rule = "x", because = "y", until = "soon" }]', "accept[0].until must be a date without quotes"),
        ('slot.a = { path = "0000:00", split = [4, true] }', "slot.a.split[1] must be a whole number, and is true"),
        ('slot.a = { path = "0000:00", lanes = 3 }', "slot.a.lanes cannot be 3; it can be 1, 2, 4, 8, 12, 16 or 32"),
        ('slot.a = { path = "0000:01:00.0" }', "a bus address, which moves when a card is added"),
        ('slot.a = { path = "somewhere" }', "slot.a.path is 'somewhere', which is no path"),
        ("kernel.links_aspm = 'of'", "kernel.links_aspm cannot be 'of'; did you mean 'off'? It can be off or on"),
        ('kernel.aspm_polcy = "default"', "kernel.aspm_polcy is not a key here; did you mean 'aspm_policy'?"),
        ("kernel.colour = 1", "kernel.colour is not a key here; known here: command_line, aspm_policy"),
        ("box.position = 1", "box.position is not a key here; [position] is a table of its own"),
        (
            'position = [{ label = "a", path = "0000:00", lanes = 4 }]',
            "position[0].lanes is not a key here; it belongs to 'link' or 'occupant'",
        ),
        ("assume.supply_margin = 3", "assume.supply_margin must be at most 1, and is 3"),
        ("assume.nvme_watts = 0", "assume.nvme_watts must be more than 0, and is 0"),
        ("assume.nvme_watts = nan", "assume.nvme_watts must be a finite number, and is nan"),
        ("array = { name = 'md0' }", "array must be a list in square brackets, and is a table"),
        ("slot = 3", "slot must be a table of tables, and is 3"),
        ('position = [{ label = "", path = "0000:00" }]', "position[0].label must not be empty"),
        ('position = [{ label = "a", path = "0000:00", lnk = {} }]', "did you mean 'link'?"),
        (
            'position = [{ label = "a", path = "0000:00", through = ["bord"] }]',
            "position[0].through[0] cannot be 'bord'; did you mean 'board'? It can be board, passive-split,",
        ),
        ('"odd\\nkey" = 1', "'odd\\nkey' is not a key here"),
        (f"assume.nvme_watts = 0x1{'0' * 5000}", "assume.nvme_watts must be a number"),
        (f"kernel.aspm_policy = 0x1{'0' * 5000}", "cannot be a number of more than sixty digits"),
        (f"memory.total = 0x1{'0' * 5000}", "memory.total cannot be used: a size of that many bytes is beyond any box"),
        (f"memory.modules = 0x1{'0' * 5000}", "memory.modules must be at most 1000000000"),
    ],
)
def test_problem_is_said_in_plain_words(line: str, complaint: str) -> None:
    text = f'schema = 1\nbox.name = "kelp-1"\n{line}\n'
    (found,) = complaints(text)
    assert complaint in found
    assert found.startswith("build.toml, line ")
    assert "pydantic" not in found
    assert "Input should" not in found
