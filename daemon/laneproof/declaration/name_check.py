"""Whether the names in a declaration agree: each label and path once, and every name that is used is declared."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from laneproof.declaration.quoting import quote_value

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from laneproof.declaration.build import Build
    from laneproof.declaration.tables import DeclaredPosition

NameProblem = tuple[tuple[str | int, ...], str]
"""Where, as a path of keys and indices, and what is wrong there."""


class NamesDisagreeError(ValueError):
    """Every problem that the names of one declaration have."""

    def __init__(self, problems: tuple[NameProblem, ...]) -> None:
        """Keep the keys beside the sentences."""
        super().__init__("; ".join(message for _, message in problems))
        self.problems = problems


def find_name_problems(build: Build) -> Iterator[NameProblem]:
    """Find every name that is used twice or not declared.

    Yields:
        Each problem with its key.
    """
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
