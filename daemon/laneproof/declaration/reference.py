"""The reference of the declaration's keys, as it is kept in the docs: made from the models, so that it cannot lag."""

from collections.abc import Iterator
from typing import Any

from laneproof.declaration.fields import PATH_PATTERN
from laneproof.declaration.schema import build_schema

_HEAD = """\
# The declaration

<!-- Written by `python -m laneproof.declaration.reference`; change the models, not this file. -->

The declaration (`build.toml`) says what a box is meant to be. It is TOML 1.0. Only what is written is compared, so ten
lines are enough to begin; everything but `schema`, `box.name` and each position's `label` and `path` can be left out.
A key that is not listed here is an error, reported with its line and the nearest key that there is.

`laneproof draft` writes one for a machine as it stands; `laneproof budget` checks one without any hardware;
`laneproof schema` prints its JSON Schema, which is also beside this file, for editors that complete and check TOML.

Sizes are written as people do (`4 TB`, `64 GiB`), or as a number of bytes; rates likewise with `/s` (`7 GB/s`). Two
capacities are the same within 1 %. A path is the chain of PCI bridges down to a position, written as device.function
hops after the host bridge (`0000:00/01.2/00.0/04.0`); what hangs on a controller adds its own hop (`/ata-3`). Bus
numbers are left out, since they move when a card is added. Where a drive's controller is no PCI device, as on small
boards, the path begins with `platform` and the controller's name (`platform/fc800000.sata/ata-1`); of a drive across a
network it is `fabrics` and the drive's serial number.
"""
_HOW = {
    "slot": "`[slot.NAME]`, one for each slot",
    "uplink": "`[uplink.NAME]`, one for each shared link; only `laneproof budget` asks for it",
    "processor": "`[processor]`; only `laneproof budget` asks for it",
    "supply": "`[supply]`; only `laneproof budget` asks for it",
    "assume": "`[assume]`; what `laneproof budget` takes for granted where nothing else is declared",
}
_NESTED = {"DeclaredLink": "position.link", "DeclaredOccupant": "position.occupant", "Part": "position.through"}
_SMALL = 1_000_000  # an upper bound beyond it only guards against nonsense


def write_reference() -> str:
    """Write the reference as Markdown."""
    schema = build_schema()
    tables = schema["$defs"]
    lines = [_HEAD]
    for key, shape in schema["properties"].items():
        name = _find_table(shape)
        if name is None:
            lines += [f"`{key}`: {shape['description']}; it is {_type_words(shape, tables)}.", ""]
            continue
        is_list = shape.get("type") == "array"
        how = _HOW.get(key, f"`[[{key}]]`, one for each" if is_list else f"`[{key}]`")
        lines += [f"## {key}", "", f"{how}. {tables[name]['description']}", "", *_write_table(tables, name), ""]
    for name, key in _NESTED.items():
        lines += [f"## {key}", "", tables[name]["description"], "", *_write_table(tables, name), ""]
    return "\n".join(lines).rstrip() + "\n"


def _find_table(shape: dict[str, Any]) -> str | None:
    """Give the name of the table that a key holds, one or many of."""
    for inner in (shape, shape.get("items"), shape.get("additionalProperties")):
        if isinstance(inner, dict) and "$ref" in inner:
            return str(inner["$ref"]).rpartition("/")[2]
    return None


def _write_table(tables: dict[str, Any], name: str) -> Iterator[str]:
    table = tables[name]
    needed = table.get("required", [])
    yield "| key | what it says | value |"
    yield "| --- | --- | --- |"
    for key, shape in table["properties"].items():
        meaning = shape.get("description", "")
        words = _type_words(shape, tables) + ("; must be there" if key in needed else "")
        default = shape.get("default")
        if default not in (None, []):
            words += f"; `{str(default).lower() if isinstance(default, bool) else default}` where left out"
        yield f"| `{key}` | {meaning} | {words} |"


def _type_words(shape: dict[str, Any], tables: dict[str, Any]) -> str:
    table = _find_table(shape)
    if table is not None:
        return f"a table, see {_link_to(table)}" if table in _NESTED else "a list of tables with these keys"
    if "const" in shape:
        return f"`{shape['const']}`"
    if "enum" in shape:
        *first, last = (f"`{option}`" for option in shape["enum"])
        return f"{', '.join(first)} or {last}"
    if "anyOf" in shape:
        words = dict.fromkeys(_type_words(option, tables) for option in shape["anyOf"])
        return " or ".join(words)
    if shape.get("type") == "array":
        items = _type_words(shape["items"], tables)
        return f"a list, each {items}"
    return _plain_words(shape)


def _link_to(table: str) -> str:
    key = _NESTED[table]
    return f"[{key}](#{key.replace('.', '')})"


def _plain_words(shape: dict[str, Any]) -> str:
    kinds = {"string": "a text", "integer": "a whole number", "number": "a number", "boolean": "`true` or `false`"}
    words = kinds[str(shape["type"])]
    low, high = shape.get("minimum", shape.get("exclusiveMinimum")), shape.get("maximum")
    if "pattern" in shape:
        pattern = shape["pattern"]
        words = "a path" if pattern == PATH_PATTERN else "a rate" if "/" in pattern else "a size"
    elif shape.get("format") == "date":
        words = "a date"
    elif high is not None and high < _SMALL:
        words = f"{words} from {low:g} to {high:g}"
    elif "exclusiveMinimum" in shape:
        words = f"{words} above {low:g}"
    return words


if __name__ == "__main__":
    print(write_reference(), end="")  # noqa: T201 (this is what it is run for)
