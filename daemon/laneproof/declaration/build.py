"""The declaration as a whole: only the box's name and each position's label and path must be there.

Each label and path stands once, and every name that is used is declared. The tables are in ``tables.py``; reading the
file, with errors that name line and near miss, is ``file.py``'s.
"""

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Self

from pydantic import Field, PrivateAttr, model_validator

from laneproof.declaration.assumptions import Assumptions
from laneproof.declaration.fields import SchemaNumber, StrictTable
from laneproof.declaration.quoting import quote_value
from laneproof.declaration.tables import (
    Acceptance,
    DeclaredArray,
    DeclaredBond,
    DeclaredBox,
    DeclaredFan,
    DeclaredFileSystem,
    DeclaredFirmware,
    DeclaredKernel,
    DeclaredMemory,
    DeclaredNetworkPort,
    DeclaredPosition,
    DeclaredProcessor,
    DeclaredSlot,
    DeclaredSupply,
    DeclaredUplink,
)

SCHEMA = 1
NameProblem = tuple[tuple[str | int, ...], str]
"""Where, as a path of keys and indices, and what is wrong there."""


class NamesDisagreeError(ValueError):
    """Every problem that the names of one declaration have."""

    def __init__(self, problems: tuple[NameProblem, ...]) -> None:
        """Keep the keys beside the sentences."""
        super().__init__("; ".join(message for _, message in problems))
        self.problems = problems


class Build(StrictTable):
    """What a box is meant to be."""

    schema_version: SchemaNumber = Field(alias="schema", description="the version of this format")
    box: DeclaredBox
    firmware: DeclaredFirmware | None = None
    kernel: DeclaredKernel | None = None
    slot: dict[str, DeclaredSlot] = Field(default_factory=dict)
    uplink: dict[str, DeclaredUplink] = Field(default_factory=dict)
    position: tuple[DeclaredPosition, ...] = ()
    array: tuple[DeclaredArray, ...] = ()
    memory: DeclaredMemory | None = None
    network: tuple[DeclaredNetworkPort, ...] = ()
    bond: tuple[DeclaredBond, ...] = ()
    fan: tuple[DeclaredFan, ...] = ()
    file_system: tuple[DeclaredFileSystem, ...] = ()
    processor: DeclaredProcessor | None = None
    supply: DeclaredSupply | None = None
    assume: Assumptions = Field(default_factory=Assumptions)
    accept: tuple[Acceptance, ...] = ()
    _checksum: str | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _names_agree(self) -> Self:
        """Each label and path once, and every name that is used is declared; all problems in one error."""
        if problems := tuple(_find_name_problems(self)):
            raise NamesDisagreeError(problems)
        return self

    def read_from(self, text: str) -> Self:
        """Remember the text that it was read from, by its checksum."""
        self._checksum = hashlib.sha256(text.encode()).hexdigest()
        return self

    @property
    def checksum(self) -> str | None:
        """The SHA-256 of its file's bytes, as sha256sum(1) prints it; None where it came from no file."""
        return self._checksum

    def position_at(self, path: str) -> DeclaredPosition | None:
        """Find the position declared at a path."""
        return next((position for position in self.position if position.path == path), None)

    def position_named(self, label: str) -> DeclaredPosition | None:
        """Find a position by its label."""
        return next((position for position in self.position if position.label == label), None)


# --- names ------------------------------------------------------------------------------------------------------------


def _find_name_problems(build: Build) -> Iterator[NameProblem]:
    labels = {position.label for position in build.position}
    yield from _find_repeats("position", "label", [position.label for position in build.position])
    yield from _find_repeats("position", "path", [position.path for position in build.position])
    yield from _find_repeats("array", "name", [array.name for array in build.array])
    yield from _find_repeats("bond", "name", [bond.name for bond in build.bond])
    yield from _find_repeats("network", "name", [port.name for port in build.network])
    yield from _find_repeats("file_system", "mount", [mounted.mount for mounted in build.file_system])
    yield from _find_repeats("fan", "label", [" of ".join(filter(None, (fan.label, fan.chip))) for fan in build.fan])
    yield from _find_slot_problems(build)
    for at, array in enumerate(build.array):
        for key, members in (("members", array.members), ("spares", array.spares)):
            yield from _find_strangers(("array", at, key), members, labels)
    for name, uplink in build.uplink.items():
        yield from _find_strangers(("uplink", name, "positions"), uplink.positions, labels)
    for at, accepted in enumerate(build.accept):
        if accepted.position is not None and accepted.position not in labels:
            yield ("accept", at, "position"), f"{quote_value(accepted.position)} is no declared position"


def _find_repeats(table: str, key: str, names: list[str]) -> Iterator[NameProblem]:
    if len(set(names)) == len(names):
        return
    seen: Counter[str] = Counter()
    for at, name in enumerate(names):
        seen[name] += 1
        if seen[name] == 2:  # noqa: PLR2004 (said once, at the second of them)
            yield (table, at, key), f"is {quote_value(name)} a second time"


def _find_strangers(where: tuple[str | int, ...], members: Iterable[str], labels: set[str]) -> Iterator[NameProblem]:
    seen: set[str] = set()
    for at, member in enumerate(members):
        if member not in labels:
            yield (*where, at), f"{quote_value(member)} is no declared position"
        elif member in seen:
            yield (*where, at), f"{quote_value(member)} is named twice"
        seen.add(member)


def _find_slot_problems(build: Build) -> Iterator[NameProblem]:
    taken: dict[tuple[str, int], str] = {}
    for at, position in enumerate(build.position):
        branch, slot = position.branch, build.slot.get(position.slot) if position.slot is not None else None
        if position.slot is None:
            if branch is not None:
                yield ("position", at, "branch"), "is given, but no slot that it is a branch of"
        elif slot is None:
            yield ("position", at, "slot"), f"{quote_value(position.slot)} is no declared slot"
        elif branch is not None and slot.split:
            name = quote_value(position.slot)
            if branch > len(slot.split):
                yield ("position", at, "branch"), f"is {branch}, but slot {name} is split into {len(slot.split)}"
            elif not _is_switched(position):
                other = taken.setdefault((position.slot, branch), position.label)
                if other != position.label:
                    says = f"is {branch}, which {quote_value(other)} has in slot {name} already"
                    yield ("position", at, "branch"), says


def _is_switched(position: DeclaredPosition) -> bool:
    # Several positions of one switch card share the branch that the card sits in.
    return any(part.kind == "switch-card" for part in position.through)
