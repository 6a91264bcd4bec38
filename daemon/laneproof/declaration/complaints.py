"""What is wrong with a declaration, in its owner's words instead of the validator's."""

import difflib
import re
from collections.abc import Iterator, Sequence
from copy import deepcopy
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from laneproof.declaration.build import Build, NamesDisagreeError
from laneproof.declaration.key_lines import KeyPath
from laneproof.declaration.quoting import quote_value

_QUOTED = re.compile(r"'([^']*)'")
_BUS_ADDRESS = re.compile(r"[0-9a-fA-F]{4,5}:[0-9a-fA-F]{2}:[0-9a-fA-F]{2}\.[0-7]")
_WANTED = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "float_type": "a number",
    "finite_number": "a finite number",
    "date_type": "a date without quotes, such as 2027-06-30",
    "tuple_type": "a list in square brackets",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table of tables",
}
_BOUNDS = {"greater_than": "more than", "greater_than_equal": "at least", "less_than_equal": "at most"}
_RENAMED_KEYS = {"aggregate": "bond"}
_RENAMED_RULES = {
    "aggregate-incomplete": "bond-incomplete",
    "link-above-plan": "link-above-limit",
    "network-link-unsteady": "network-link-flapping",
    "slow-against-siblings": "drive-fail-slow",
    "split-not-active": "bifurcation-not-active",
    "trains-short-on-some-boots": "link-degraded-on-some-boots",
    "wear-ahead": "endurance-ending",
}
_NEAR = 0.6  # how alike two keys must be to ask whether one was meant


def describe_errors(error: ValidationError, data: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    """Say each problem of a declaration that did not validate.

    Yields:
        The key's path, and the rest of a sentence that begins with it.
    """
    details = error.errors(include_url=False)
    for detail in details:
        cause = detail.get("ctx", {}).get("error")
        if isinstance(cause, NamesDisagreeError):
            yield from cause.problems
        else:
            yield _describe_detail(detail, data)
    yield from _find_hidden_name_problems(details, data)


def _describe_detail(detail: Any, data: dict[str, Any]) -> tuple[KeyPath, str]:  # noqa: ANN401 (pydantic's own dictionary)
    path = detail["loc"]
    match detail["type"]:
        case "extra_forbidden":
            return path, _unknown_key(path)
        case "missing":
            return path, _missing_key(path)
        case kind:
            complaint = _complain(kind, detail["input"], detail.get("ctx", {}))
            return _trim(path, data), complaint or f"cannot be used: {detail['msg'][:1].lower()}{detail['msg'][1:]}"


def _complain(kind: str, value: object, context: dict[str, Any]) -> str | None:
    complaint = None
    if kind in _WANTED:
        complaint = f"must be {_WANTED[kind]}, and is {quote_value(value)}"
    elif kind in _BOUNDS:
        bound = next(iter(context.values()))
        shown = f"{bound:g}" if isinstance(bound, float) else bound
        complaint = f"must be {_BOUNDS[kind]} {shown}, and is {quote_value(value)}"
    elif kind == "literal_error":
        complaint = _unknown_word(value, context["expected"])
    elif kind == "value_error":
        sentence = str(context["error"])
        complaint = sentence if sentence.startswith("must ") else f"cannot be used: {sentence}"
    elif kind == "string_too_short":
        complaint = "must not be empty"
    elif kind == "string_pattern_mismatch":
        complaint = _not_a_path(value)
    return complaint


def _unknown_key(path: KeyPath) -> str:
    key = str(path[-1])
    known = _keys_at(path[:-1])
    if (new := _RENAMED_KEYS.get(key)) in known:
        return f"is now called {new!r}"
    if inside := [name for name in known if key in _keys_at((*path[:-1], name))]:
        return f"is not a key here; it belongs to {' or '.join(repr(name) for name in inside)}"
    if near := difflib.get_close_matches(key, known, n=1, cutoff=_NEAR):
        return f"is not a key here; did you mean {near[0]!r}?"
    if key in _keys_at(()):
        return f"is not a key here; [{key}] is a table of its own"
    return f"is not a key here; known here: {', '.join(known)}"


def _missing_key(path: KeyPath) -> str:
    if path == ("schema",):
        return "is missing; begin the file with: schema = 1"
    if path == ("box",):
        return 'is missing; name the box: [box] name = "..."'
    return "is missing"


def _unknown_word(value: object, expected: str) -> str:
    words = _QUOTED.findall(expected)
    choices = expected.replace("'", "") if len(words) != 1 else words[0]
    near = difflib.get_close_matches(value, words, n=1, cutoff=_NEAR) if isinstance(value, str) else []
    guess = f"did you mean {near[0]!r}? " if near else ""
    return f"cannot be {quote_value(value)}; {guess}{'It' if guess else 'it'} can be {choices}"


def unknown_rule(name: str, rules: Sequence[str]) -> str:
    """Say that a name is no rule's, and which it may have been meant to be."""
    if new := _RENAMED_RULES.get(name):
        return f"is {quote_value(name)}, which is now called {new!r}"
    near = difflib.get_close_matches(name, rules, n=1, cutoff=_NEAR)
    guess = f"did you mean {near[0]!r}?" if near else "'laneproof explain' lists them"
    return f"is {quote_value(name)}, which is no rule; {guess}"


def _not_a_path(value: object) -> str:
    shape = "write the bridges down to it, such as 0000:00/01.1 (`laneproof draft` prints them)"
    if isinstance(value, str) and _BUS_ADDRESS.fullmatch(value):
        return f"is {quote_value(value)}, a bus address, which moves when a card is added; {shape}"
    return f"is {quote_value(value)}, which is no path; {shape}"


def _trim(path: KeyPath, data: object) -> KeyPath:
    # The part kind 'board' written as plain text becomes a table on the way: point at what stands in the file.
    for at, step in enumerate(path):
        match data, step:
            case dict(), str() if step in data:
                data = data[step]
            case list(), int() if step < len(data):
                data = data[step]
            case _:
                return path[:at]
    return path


def _keys_at(path: KeyPath) -> list[str]:
    """Give the keys that a table of the declaration may hold, in the order of the model."""
    shape: Any = Build
    for step in path:
        if _is_table(shape) and isinstance(step, str):
            shape = next((field.annotation for key, field in _fields(shape) if key == step), None)
        else:  # an index of a list, or a name that the owner chose
            shape = _inner(shape)
        shape = _table_in(shape)
    return [key for key, _ in _fields(shape)] if _is_table(shape) else []


def _fields(shape: type[BaseModel]) -> Iterator[tuple[str, Any]]:
    return ((field.alias or key, field) for key, field in shape.model_fields.items())


def _is_table(shape: object) -> bool:
    return isinstance(shape, type) and issubclass(shape, BaseModel)


def _table_in(shape: Any) -> Any:  # noqa: ANN401 (a type) (a type's own annotation)
    # ``DeclaredLink | None`` is a DeclaredLink here; ``tuple[X, ...]`` stays, until an index asks for what is in it.
    options = [option for option in get_args(shape) if option is not type(None)]
    return options[0] if type(None) in get_args(shape) and len(options) == 1 else shape


def _inner(shape: Any) -> Any:  # noqa: ANN401 (a type)
    inner = [option for option in get_args(shape) if option is not Ellipsis]
    if not inner:
        return None
    last = inner[-1]  # dict[str, X] and tuple[X, ...]
    return get_args(last)[0] if hasattr(last, "__metadata__") else last


def _find_hidden_name_problems(details: list[Any], data: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    """Check names too where something else is wrong: the model checks them only where nothing else is.

    Whatever is wrong is left out first, unless it makes a name that others may use: then nothing more is said.
    """
    rest = deepcopy(data)
    for detail in details:
        path = _trim(detail["loc"], data)
        while path and isinstance(path[-1], int) and len(path) > 2:  # noqa: PLR2004 (a list's item: the list goes)
            path = path[:-1]
        makes_names = path[:1] in (("position",), ("slot",)) and len(path) < 3  # noqa: PLR2004 (its own key)
        if detail["type"] == "missing" or makes_names or not path:
            return
        _leave_out(rest, path)
    try:
        Build.model_validate(rest)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            cause = detail.get("ctx", {}).get("error")
            if isinstance(cause, NamesDisagreeError):
                yield from cause.problems


def _leave_out(data: Any, path: KeyPath) -> None:  # noqa: ANN401 (parsed TOML)
    for step in path[:-1]:
        if isinstance(data, dict) and step not in data:
            return  # left out with what held it
        data = data[step]
    if isinstance(data, dict):
        data.pop(path[-1], None)
