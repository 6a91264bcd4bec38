"""Reading a declaration: a text gives a `Build`, or every problem it has, each with line, key and near miss."""

import re
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from laneproof.declaration.build import SCHEMA, Build
from laneproof.declaration.quoting import quote_key

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from laneproof.declaration.key_lines import KeyPath

_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_TUPLE = re.compile(r"\('[^()]*'?,?\)")  # how the parser names a table: ('array', 'members')
_IN_QUOTES = re.compile(r"'([^']*)'")
_MOST_PARTS = 16
# The parser keeps every beginning of every key: 50,000 parts took 14 GB.
_PART = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_LONG_KEY = re.compile(rf"""(?<![\w-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{_MOST_PARTS}}}""")


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong with a declaration.

    Attributes:
        line: Where, counted from 1; 0 where it is about the whole file.
        key: What, as a person would point to it: ``position[2].link.lanes``; empty where the text is no TOML.
        message: The rest of the sentence.
    """

    line: int
    key: str
    message: str

    def sentence(self, name: str) -> str:
        """Give the one clear sentence: file, line, key, what is wrong."""
        place = f"{name}, line {self.line}" if self.line else name
        return f"{place}: {self.key} {self.message}" if self.key else f"{place}: {self.message}"


class BuildError(Exception):
    """A declaration that cannot be used, with every problem in it."""

    def __init__(self, name: str, problems: tuple[Problem, ...]) -> None:
        """Keep the problems; the text is one sentence a line."""
        super().__init__("\n".join(problem.sentence(name) for problem in problems))
        self.problems = problems


def parse_build(text: str, *, name: str, list_rules: "Callable[[], Iterable[str]] | None" = None) -> Build:
    """Read a declaration.

    Args:
        text: TOML.
        name: What to call the file in a sentence.
        list_rules: Gives the names of the rules that may be accepted, asked for where one is; None: any name will do.

    Raises:
        BuildError: It is no TOML, or not a declaration; all problems together.
    """
    if key := _LONG_KEY.search(text):
        line = text.count("\n", 0, key.start()) + 1
        raise BuildError(name, (Problem(line=line, key="", message=f"a key of more than {_MOST_PARTS} parts"),))
    try:
        return _parse(text, name, list_rules)
    except tomllib.TOMLDecodeError as error:
        raise BuildError(name, (_syntax_problem(str(error), text),)) from None
    except (ValueError, RecursionError):  # a number of more digits than Python reads; brackets in brackets without end
        beyond = "is beyond what this program reads: a number too long, or lists too deep"
        raise BuildError(name, (Problem(line=0, key="", message=f"the file {beyond}"),)) from None


def _parse(text: str, name: str, list_rules: "Callable[[], Iterable[str]] | None") -> Build:
    data = tomllib.loads(text)
    if problem := _version_problem(data, text):
        raise BuildError(name, (problem,))
    try:
        build = Build.model_validate(data)
    except ValidationError as error:
        raise BuildError(name, _describe(error, data, text)) from None
    if list_rules and build.accept and (problems := _find_rule_problems(build, text, tuple(list_rules()))):
        raise BuildError(name, problems)
    return build.read_from(text)


def _find_rule_problems(build: Build, text: str, rules: tuple[str, ...]) -> tuple[Problem, ...]:
    # A difference accepted under a wrong name would go on being reported, and nobody would see why.
    strangers = [(at, accepted.rule) for at, accepted in enumerate(build.accept) if accepted.rule not in rules]
    if not strangers:
        return ()
    from laneproof.declaration.complaints import unknown_rule  # noqa: PLC0415 (as in `_describe`)

    lines = _find_lines(text)
    return tuple(
        Problem(line=_line_of(path, lines), key=quote_key(path), message=unknown_rule(rule, rules))
        for path, rule in ((("accept", at, "rule"), rule) for at, rule in strangers)
    )


def _syntax_problem(complaint: str, text: str) -> Problem:
    place = _PLACE.search(complaint)
    what = _TUPLE.sub(
        lambda match: ".".join(_IN_QUOTES.findall(match[0])), complaint[: place.start()] if place else complaint
    )
    what = f"this is not TOML: {what[:1].lower()}{what[1:]}"
    if place and place[1]:
        return Problem(line=int(place[1]), key="", message=f"{what} (column {place[2]})")
    return Problem(line=text.rstrip().count("\n") + 1, key="", message=f"{what} (at the end of the file)")


def _version_problem(data: dict[str, Any], text: str) -> Problem | None:
    # Of a file in a later format nothing else can be said.
    found = data.get("schema")
    if not isinstance(found, int) or isinstance(found, bool) or found == SCHEMA:
        return None
    line = _find_lines(text).get(("schema",), 0)
    return Problem(line=line, key="schema", message=f"is not {SCHEMA}, the only format that this program reads")


def _describe(error: ValidationError, data: dict[str, Any], text: str) -> tuple[Problem, ...]:
    # Only a file with problems pays for what finds and words them.
    from laneproof.declaration.complaints import describe_errors  # noqa: PLC0415 (where one is wrong)

    lines = _find_lines(text)
    described = describe_errors(error, data)
    problems = {
        Problem(line=_line_of(path, lines), key=quote_key(path), message=message) for path, message in described
    }
    return tuple(sorted(problems, key=lambda problem: (problem.line, problem.key, problem.message)))


def _find_lines(text: str) -> "dict[KeyPath, int]":
    from laneproof.declaration.key_lines import find_key_lines  # noqa: PLC0415 (only a file with problems asks)

    return {path: key.line for path, key in find_key_lines(text).items()}


def _line_of(path: "KeyPath", lines: "dict[KeyPath, int]") -> int:
    # What is missing has no line: the table it is missing from has.
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 0)
