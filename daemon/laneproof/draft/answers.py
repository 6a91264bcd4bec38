"""What the owner says of drafted positions: what each is called, and what stands between. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from laneproof.draft.facts import Draft, Section


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the owner says of one position.

    Attributes:
        through: What stands between the board and the device, in order; empty where the owner did not say.
    """

    label: str
    through: tuple[str, ...] = ()


def apply_answers(draft: Draft, answers: Mapping[str, Answer]) -> Draft:
    """Put the owner's words, by the positions' paths, into a draft; all labels must differ afterwards."""
    positions = tuple(
        replace(position, label=answer.label, label_from=None, through=answer.through)
        if (answer := answers.get(position.path))
        else position
        for position in draft.positions
    )
    new_labels = {old.label: new.label for old, new in zip(draft.positions, positions, strict=True)}
    return replace(draft, positions=positions, arrays=rename_members(draft.arrays, new_labels))


def rename_members(arrays: tuple[Section, ...], new_labels: Mapping[str, str]) -> tuple[Section, ...]:
    """Call the members of drafted arrays what their positions are called now."""
    return tuple(
        replace(
            array,
            values={
                key: [new_labels[label] for label in value] if isinstance(value, list) else value
                for key, value in array.values.items()
            },
        )
        for array in arrays
    )
