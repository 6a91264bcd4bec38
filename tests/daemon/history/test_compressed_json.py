"""JSON values in their small form."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.history.compressed_json import pack, parse_detail, unpack

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(JSON)
def test_any_value_comes_back(value: object) -> None:
    assert unpack(pack(value)) == value


def test_the_same_value_packs_the_same_whatever_its_order() -> None:
    assert pack({"a": 1, "b": 2}) == pack({"b": 2, "a": 1})


@pytest.mark.parametrize(
    ("text", "detail"), [(None, {}), ("", {}), ('{"a": 1}', {"a": 1}), ("[1]", {}), ("null", {}), ('{"a"', {})]
)
def test_further_fields_are_an_object_or_none(text: str | None, detail: dict[str, int]) -> None:
    assert parse_detail(text) == detail


@pytest.mark.parametrize("packed", [b"", b"no", pack({"a": 1})[:-3]])
def test_what_is_damaged_says_so(packed: bytes) -> None:
    with pytest.raises(ValueError, match="damaged"):
        unpack(packed)
