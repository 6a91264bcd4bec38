"""A settings file of the program's own: TOML into a model, and what is wrong with it, in a line a problem."""

import difflib
import tomllib
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from laneproof.declaration.key_lines import find_key_lines

Problem = tuple[tuple[str, ...], str]
"""The key's path, and the rest of a sentence that begins with it."""
_Model = TypeVar("_Model", bound=BaseModel)


class SettingsError(ValueError):
    """The settings' file says what it may not."""


def parse_settings_text(
    model: type[_Model], text: str, *, name: str, find_problems: Callable[[_Model], Iterable[Problem]] = lambda _: ()
) -> _Model:
    """Parse a settings' file.

    Args:
        model: What it may say; the value of a field without `repr`, which may hold a password, is in no sentence.
        text: TOML.
        name: The file's name, for the sentence.
        find_problems: What else is wrong with settings that the model takes.

    Raises:
        SettingsError: It is no TOML, or says what it may not; one line a problem, each with its line.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # beside wrong TOML: numbers too long, lists too deep
        raise SettingsError(f"{name}: this is not TOML: {error}") from error
    try:
        settings = model.model_validate(data)
        problems = list(find_problems(settings))
    except ValidationError as error:
        problems = [_describe(problem, model) for problem in error.errors(include_url=False)]
    if problems:
        lines = {path: key.line for path, key in find_key_lines(text).items()}
        where = [(f", line {lines[path[:1]]}" if path[:1] in lines else "", path, says) for path, says in problems]
        raise SettingsError("\n".join(f"{name}{line}: {'.'.join(map(str, path))} {says}" for line, path, says in where))
    return settings


def _describe(detail: Any, model: type[BaseModel]) -> Problem:  # noqa: ANN401 (pydantic's own dictionary)
    path = tuple(map(str, detail["loc"]))
    if detail["type"] == "missing":
        return path, "is missing"
    if detail["type"] == "extra_forbidden":
        return path, f"is not a key here; {guess_word(path[-1], model.model_fields)}"
    value = f"cannot be {detail['input']!r:.40}" if model.model_fields[path[0]].repr else "is wrong"
    return path, f"{value}: {detail['msg'][:1].lower()}{detail['msg'][1:]}"


def guess_word(word: str, known: Iterable[str]) -> str:
    """Name the known word that is nearest to a wrong one, else all of them."""
    near = difflib.get_close_matches(word, known, n=1)
    return f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"
