import pytest

from laneproof.declaration.quoting import quote_key, quote_value


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (True, "true"),
        (False, "false"),
        ("a\nb", r"'a\nb'"),
        (4, "4"),
        (1.5, "1.5"),
        ({}, "a table"),
        ([1], "a list"),
    ],
)
def test_value_is_shown_on_one_line(value: object, shown: str) -> None:
    assert quote_value(value) == shown


def test_number_that_python_refuses_to_print_is_described() -> None:
    assert quote_value(10**5000) == "a number of more than sixty digits"


def test_long_text_is_cut() -> None:
    assert len(quote_value("x" * 1000)) <= 60


def test_key_is_written_as_a_person_points_to_it() -> None:
    assert quote_key(("position", 2, "link", "lanes")) == "position[2].link.lanes"
    assert quote_key(("slot", "odd name", "path")) == "slot.'odd name'.path"
    assert quote_key(()) == ""
