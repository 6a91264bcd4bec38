import pytest
from pydantic import ValidationError

from laneproof.declaration.build import Build

DATA = {
    "schema": 1,
    "box": {"name": "kelp-1"},
    "position": [
        {"label": "one", "path": "0000:00/01.1", "through": ["board", {"kind": "flexible-cable", "id": "F1"}]}
    ],
}


def test_position_is_found_by_path_and_by_label() -> None:
    build = Build.model_validate(DATA)
    assert build.position_at("0000:00/01.1") is build.position_named("one") is build.position[0]
    assert build.position_at("0000:00/01.2") is None
    assert build.position_named("two") is None


def test_part_written_as_a_word_is_a_part_without_a_name() -> None:
    parts = Build.model_validate(DATA).position[0].through
    assert [(part.kind, part.id) for part in parts] == [("board", None), ("flexible-cable", "F1")]


def test_declaration_cannot_be_changed_after_it_was_read() -> None:
    build = Build.model_validate(DATA)
    with pytest.raises(ValidationError):
        build.box.name = "other"  # type: ignore[misc]


def test_nothing_is_declared_that_was_not_written() -> None:
    build = Build.model_validate({"schema": 1, "box": {"name": "kelp-1"}})
    assert (build.kernel, build.firmware, build.memory, build.slot, build.array) == (None, None, None, {}, ())
    assert build.box.undeclared == "report"
