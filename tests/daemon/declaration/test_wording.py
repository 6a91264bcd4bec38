import pytest
from pydantic import ValidationError

from laneproof.declaration.build import Build
from laneproof.declaration.wording import describe_errors, unknown_rule
from laneproof.rules.catalogue import RULES


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


def test_key_of_a_table_that_the_owner_named_finds_its_near_miss() -> None:
    ((_, message),) = _describe({"schema": 1, "box": {"name": "b"}, "uplink": {"x": {"lane": 1}}})
    assert message == "is not a key here; did you mean 'lanes'?"


def test_nothing_is_said_of_names_where_a_name_itself_is_wrong() -> None:
    data = {"schema": 1, "box": {"name": "b"}, "position": ["a"], "array": [{"name": "md0", "members": ["a"]}]}
    assert [path for path, _ in _describe(data)] == [("position", 0)]
