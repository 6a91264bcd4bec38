import tomllib
from typing import Any

import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from laneproof.declaration.key_lines import KeyPath, find_key_lines, find_line_end

TEXT = '''\
# a comment with = and [
schema = 1   # [not.a.table]
a.b."c.d" = 2
text = """
x = 1
"quoted" ""\\""" ends here"""
raw = \'\'\'it's
[[no]]\'\'\'
[box]# right behind it
name = "kelp-1 ] # \\" x"

[[position]]
label = "one"
link = { generation = 4, lanes = 4, deep = { er = [1, 2] } }
through = [
  "board",  # first
  { kind = "key-adapter",
    id = "k1" },
]

[[position.part]]
id = 1
[[position.part]]
id = 2

[[position]]
label = "two"
[position.link]
when = 2027-06-30 12:00:00
[slot."odd name"]
path = '0000:00'
'''


def _lines(text: str) -> dict[KeyPath, int]:
    return {path: place.line for path, place in find_key_lines(text).items()}


def test_each_key_is_found_at_its_line() -> None:
    lines = _lines(TEXT.replace('{ kind = "key-adapter",\n    id', '{ kind = "key-adapter", id'))
    expected: dict[KeyPath, int] = {
        ("schema",): 2,
        ("a", "b", "c.d"): 3,
        ("text",): 4,
        ("raw",): 7,
        ("box",): 9,
        ("box", "name"): 10,
        ("position",): 12,
        ("position", 0): 12,
        ("position", 0, "label"): 13,
        ("position", 0, "link", "lanes"): 14,
        ("position", 0, "link", "deep", "er", 1): 14,
        ("position", 0, "through"): 15,
        ("position", 0, "through", 0): 16,
        ("position", 0, "through", 1, "id"): 17,
        ("position", 0, "part", 0, "id"): 21,
        ("position", 0, "part", 1): 22,
        ("position", 1): 25,
        ("position", 1, "link", "when"): 28,
        ("slot", "odd name", "path"): 30,
    }
    assert {path: lines.get(path) for path in expected} == expected


def _paths(value: object, path: KeyPath = ()) -> set[KeyPath]:
    found: set[KeyPath] = {path} if path else set()
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, inner in items:
        found |= _paths(inner, (*path, step))
    return found


_VALUES: st.SearchStrategy[Any] = st.recursive(
    st.one_of(st.integers(-9, 9), st.booleans(), st.floats(), st.text(), st.dates(), st.datetimes(), st.times()),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
)


@given(st.dictionaries(st.text(), _VALUES, max_size=5))
def test_every_key_that_the_parser_reads_has_a_line(data: dict[str, Any]) -> None:
    text = tomlkit.dumps(data)
    read = tomllib.loads(text)
    lines = _lines(text)
    assert set(lines) == _paths(read)
    count = text.count("\n") + 1
    assert all(1 <= line <= count for line in lines.values())


_MORE = st.sampled_from(
    ['"a"', "'''b\n'''", '"""\n\\"c"""""', "1.5", "2027-06-30 01:02:03.5", "[1, [2,\n3],]", "{ x.y = 1 }"]
)


@given(st.lists(_MORE, max_size=6))
def test_lines_are_counted_over_values_of_any_shape(values: list[str]) -> None:
    text = "".join(f"k{at} = {value} # k = 1\n" for at, value in enumerate(values))
    lines = _lines(text)
    for at in range(len(values)):
        assert text.split("\n")[lines[(f"k{at}",)] - 1].startswith(f"k{at} =")


def test_value_stands_between_its_offsets() -> None:
    text = "a = 1 # one\nb.c = { d = \"x\", e = [ 1.5 , 2 ] }\n[[t]]\n\"f\" = '''g'''\n"
    places = find_key_lines(text)
    values = {path: text[place.start : place.end] for path, place in places.items()}
    assert values == {
        ("a",): "1",
        ("b",): "",
        ("b", "c"): '{ d = "x", e = [ 1.5 , 2 ] }',
        ("b", "c", "d"): '"x"',
        ("b", "c", "e"): "[ 1.5 , 2 ]",
        ("b", "c", "e", 0): "1.5",
        ("b", "c", "e", 1): "2",
        ("t",): "",
        ("t", 0): "",
        ("t", 0, "f"): "'''g'''",
    }
    names = [text[places[path].name_at] for path in (("a",), ("b", "c"), ("b", "c", "d"), ("t", 0, "f"))]
    assert names == list('acd"')
    assert places["b", "c", "d"].inline
    assert not places["b", "c"].inline
    assert find_key_lines("t = { a.b = 1 }")["t", "a"].inline


@given(st.dictionaries(st.text(), _VALUES, max_size=5))
def test_value_cut_out_reads_back_as_itself(data: dict[str, Any]) -> None:
    text = tomlkit.dumps(data)
    read = tomllib.loads(text)
    for path, place in find_key_lines(text).items():
        value: Any = read
        for step in path:
            value = value[step]
        if place.end > place.start:
            assert repr(tomllib.loads(f"v = {text[place.start : place.end]}")["v"]) == repr(value)


def test_comment_goes_to_the_end_of_the_line_past_strings_that_hold_its_sign() -> None:
    text = 'a = { b = 1, c = "# no" } # yes\r\nd = 2\ne = [1, """\n#""", 2]'
    places = find_key_lines(text)
    ends = [find_line_end(text, places[path].end) for path in (("a", "b"), ("d",), ("e", 0))]
    assert ends == [(text.index("\r"), True), (text.index("\ne ="), False), (len(text), False)]
