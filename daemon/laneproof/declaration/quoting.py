"""How a key or a value of the declaration is shown in a sentence: as its owner wrote it, and on one line."""

import re

_LONGEST = 60
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def quote_value(value: object) -> str:
    """Show a value as TOML would write it; lists and tables by their kind alone."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            shown = repr(value)
        case dict():
            return "a table"
        case list() | tuple():
            return "a list"
        case int() if abs(value) >= 10**_LONGEST:
            return "a number of more than sixty digits"  # Python refuses to print the very long ones
        case _:
            shown = str(value)
    return shown if len(shown) <= _LONGEST else f"{shown[: _LONGEST - 4]}..."


def quote_key(path: tuple[str | int, ...]) -> str:
    """Write a key's path as a person would point to it: ``position[2].link.lanes``, counted from 0."""
    shown = ""
    for step in path:
        if isinstance(step, int):
            shown += f"[{step}]"
        else:
            shown += ("." if shown else "") + (
                step if len(step) <= _LONGEST and _BARE.fullmatch(step) else quote_value(step)
            )
    return shown


def list_words(labels: list[str]) -> str:
    """Write names one after the other: ``a, b and c``; none is "nothing"."""
    if not labels:
        return "nothing"
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
