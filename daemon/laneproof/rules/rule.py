"""What a rule is: a small pure function with a name, a statement of what should hold, and the texts that explain it.

Examples live beside each rule: tests run them and ``explain`` shows them.
"""

import tomllib
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass

from laneproof.box.placement import Arrangement, arrange
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, Severity
from laneproof.past.past import NOTHING, Past
from laneproof_collectors.snapshot import GROUPS, Snapshot


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One pass, as every rule sees it: made once, and nobody changes it.

    Attributes:
        build: The declaration, None where there is none.
        snapshot: The facts.
        arrangement: The declaration laid over the facts.
        past: What is known of earlier passes.
        read_again: The groups of facts that were read in this pass; the others stand as they were read before.
    """

    build: Build | None
    snapshot: Snapshot
    arrangement: Arrangement
    past: Past = NOTHING
    read_again: Collection[str] = GROUPS

    @classmethod
    def of(cls, build: Build | None, snapshot: Snapshot, past: Past = NOTHING) -> "Pass":
        """Make the pass of a snapshot that was read as a whole."""
        return cls(build=build, snapshot=snapshot, arrangement=arrange(build, snapshot), past=past)


Judge = Callable[[Pass], Iterator[Finding]]


_HEAD = {"schema": 1, "box": {"name": "kelp-1"}}


@dataclass(frozen=True, slots=True)
class Said:
    """What a rule says of an example, with a piece of its summary and the beginning of its first step."""

    kind: Kind
    severity: Severity
    subject: str
    words: str
    step: str

    @classmethod
    def parse(cls, text: str) -> "Said":
        """Read ``sign notice nvme0 | 38 of the summary | See that fans``."""
        head, words, step = text.split(" | ")
        kind, severity, subject = head.split(" ", 2)
        return cls(Kind(kind), Severity(severity), subject, words, step)


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A short case that shows what the rule says; it is also a test.

    Attributes:
        says: The case in words.
        build: The declaration, as TOML text without its head; None for none.
        snapshot: Makes the facts.
        expect: What it says, a finding each in the words of `Said.parse`; empty where the rule holds.
        past: What is known of earlier passes.
        make_past: Makes the past, where that takes work; used instead of `past`.
    """

    says: str
    build: str | None
    snapshot: Callable[[], Snapshot]
    expect: tuple[str, ...]
    past: Past = NOTHING
    make_past: Callable[[], Past] | None = None

    @property
    def said(self) -> tuple[Said, ...]:
        """What the rule is to say."""
        return tuple(map(Said.parse, self.expect))

    def make_pass(self) -> Pass:
        """Make the pass; schema and the box's name need not be in the declaration's text."""
        build = None if self.build is None else Build.model_validate(_HEAD | tomllib.loads(self.build))
        return Pass.of(build, self.snapshot(), self.past if self.make_past is None else self.make_past())


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule.

    Attributes:
        name: Its kebab-case id.
        kind: What it says when it speaks: differs or sign (any rule can say unverified).
        statement: One line: what should hold.
        why: Why it matters, a short paragraph.
        look_next: What to look at next, in order, with cautions.
        judge: The function.
        examples: What holds and what does not.
        sources: Standards, documents; or 'common practice, no source'.
    """

    name: str
    kind: Kind
    statement: str
    why: str
    look_next: tuple[str, ...]
    judge: Judge
    examples: tuple[Example, ...] = ()
    sources: tuple[str, ...] = ()
