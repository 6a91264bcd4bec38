import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from laneproof.draft.text_editor import TextEditor, write_value

TEXT = """\
# mine
a = 1   # one
b = { c = 2, d = "x" }
list = [
  "p", # first
  "q",
]
empty = []
[t]
k.inner = "v"
"""


def _edit(text: str = TEXT) -> TextEditor:
    return TextEditor(text, day="2026-11-25")


def test_text_without_changes_stays_as_it_is() -> None:
    assert _edit().finish() == TEXT


def test_value_is_replaced_and_the_old_one_kept_in_the_comment() -> None:
    editor = _edit()
    editor.replace(("a",), 5)
    editor.replace(("b", "c"), 3)
    editor.replace(("b", "d"), 'y"')
    lines = editor.finish().splitlines()
    assert lines[1] == "a = 5   # one; was a = 1 until 2026-11-25"
    assert lines[2] == 'b = { c = 3, d = "y\\"" }  # was c = 2 until 2026-11-25; was d = "x" until 2026-11-25'


def test_keys_are_added_in_the_form_of_the_one_before() -> None:
    editor = _edit()
    editor.insert_after(("b", "c"), {"e": 4, "f": "g"})
    editor.insert_after(("t", "k", "inner"), {"more": True})
    editor.remark(("t", "k", "inner"), "said")
    text = editor.finish()
    assert 'b = { c = 2, e = 4, f = "g", d = "x" }' in text
    assert text.endswith('k.inner = "v"  # said\nk.more = true\n')


def test_items_are_added_to_lists_of_any_form() -> None:
    editor = _edit()
    editor.append_items(("list",), ["r"])
    editor.append_items(("empty",), ["s", {"t": 1}])
    data = tomllib.loads(editor.finish())
    assert data["list"] == ["p", "q", "r"]
    assert data["empty"] == ["s", {"t": 1}]


def test_line_breaks_stay_of_one_kind() -> None:
    editor = _edit("[t]\r\na = 1 # x\r\nb = 2\r\n")
    editor.insert_after(("t", "a"), {"c": 3})
    editor.replace(("t", "b"), 4)
    assert editor.finish() == "[t]\r\na = 1 # x\r\nc = 3\r\nb = 4  # was b = 2 until 2026-11-25\r\n"


def test_copy_changes_apart_from_its_original() -> None:
    editor = _edit()
    other = editor.fork()
    other.replace(("a",), 9)
    assert editor.finish() == TEXT
    assert "a = 9" in other.finish()


def test_form_of_a_table_is_known() -> None:
    editor = _edit()
    assert editor.is_bracketed(("b",))
    assert not editor.is_bracketed(("t",))
    assert not editor.has(("u",))
    assert editor.value_at(("b", "d")) == "x"
    assert editor.is_remarked(("a",), "one")
    assert not editor.is_remarked(("b",), "one")


_VALUES: st.SearchStrategy[object] = st.recursive(
    st.one_of(st.integers(-9, 9), st.booleans(), st.text(max_size=6)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=4,
)


@given(_VALUES)
def test_written_value_stands_on_one_line_and_reads_back_as_itself(value: object) -> None:
    written = write_value(value)
    assert tomllib.loads(f"v = {written}")["v"] == value
    assert "\n" not in written


@given(st.sampled_from([("a",), ("b", "c"), ("b", "d"), ("list", 0), ("list", 1), ("t", "k", "inner")]), _VALUES)
def test_changed_text_is_the_old_one_with_that_value(path: tuple[str | int, ...], value: object) -> None:
    editor = _edit()
    editor.replace(path, value)
    wanted = tomllib.loads(TEXT)
    part: Any = wanted
    for step in path[:-1]:
        part = part[step]
    part[path[-1]] = value
    assert tomllib.loads(editor.finish()) == wanted
