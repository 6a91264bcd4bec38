import pytest
from pydantic import ValidationError

from laneproof.declaration.build import Build
from laneproof.declaration.file import parse_build
from support.declared_spine import complaints

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
        build.box.name = "other"


def test_nothing_is_declared_that_was_not_written() -> None:
    build = Build.model_validate({"schema": 1, "box": {"name": "kelp-1"}})
    assert (build.kernel, build.firmware, build.memory, build.slot, build.array) == (None, None, None, {}, ())
    assert build.box.undeclared == "report"


# --- names ------------------------------------------------------------------------------------------------------------

TEXT = """\
schema = 1
box.name = "kelp-1"
[slot.riser]
path = "0000:00"
split = [4, 4]
[uplink.chipset]
positions = ["two"]
[[position]]
label = "one"
path = "0000:00/01.1"
slot = "riser"
branch = 1
[[position]]
label = "two"
path = "0000:00/01.2"
[[array]]
name = "md0"
members = ["one"]
spares = ["two"]
[[accept]]
rule = "link-slow"
position = "one"
because = "for now"
"""


NETWORK, MOUNT, FAN = '[[network]]\nname = "e"\n', '[[file_system]]\nmount = "/srv"\n', '[[fan]]\nlabel = "fan1"\n'


def test_names_that_agree_pass() -> None:
    assert len(parse_build(TEXT, name="b").position) == 2


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('label = "two"', 'label = "one"', "line 14: position[1].label is 'one' a second time"),
        ("00/01.2", "00/01.1", "line 15: position[1].path is '0000:00/01.1' a second time"),
        ('slot = "riser"', 'slot = "rise"', "line 11: position[0].slot 'rise' is no declared slot"),
        ("branch = 1", "branch = 3", "line 12: position[0].branch is 3, but slot 'riser' is split into 2"),
        ('slot = "riser"\n', "", "line 11: position[0].branch is given, but no slot that it is a branch of"),
        ('"two"\npath', '"two"\nslot = "riser"\nbranch = 1\npath', "position[1].branch is 1, which 'one' has in slot"),
        ('["one"]', '["one", "three"]', "line 18: array[0].members[1] 'three' is no declared position"),
        ('["one"]', '["one", "one"]', "line 18: array[0].members[1] 'one' is named twice"),
        ('spares = ["two"]', 'spares = ["three"]', "line 19: array[0].spares[0] 'three' is no declared position"),
        ('positions = ["two"]', 'positions = ["six"]', "line 7: uplink.chipset.positions[0] 'six' is no declared pos"),
        ('position = "one"', 'position = "one "', "line 22: accept[0].position 'one ' is no declared position"),
        ("[[accept]]", '[[array]]\nname = "md0"\n[[accept]]', "line 21: array[1].name is 'md0' a second time"),
        ("[[accept]]", f"{2 * NETWORK}[[accept]]", "network[1].name is 'e' a second time"),
        ("[[accept]]", f"{2 * NETWORK}[[accept]]".replace("network", "bond"), "bond[1].name is 'e' a second time"),
        ("[[accept]]", f"{2 * MOUNT}[[accept]]", "file_system[1].mount is '/srv' a second time"),
        ("[[accept]]", f"{2 * FAN}[[accept]]", "fan[1].label is 'fan1' a second time"),
    ],
)
def test_name_that_does_not_agree_is_reported_at_its_line(old: str, new: str, complaint: str) -> None:
    assert old in TEXT
    found = complaints(TEXT.replace(old, new))
    assert any(complaint in line for line in found), found


def test_all_names_that_do_not_agree_are_reported_together() -> None:
    found = complaints(TEXT.replace('"one"]', '"six"]').replace('position = "one"', 'position = "seven"'))
    assert len(found) == 2


def test_positions_of_one_switch_card_share_its_branch() -> None:
    both = 'slot = "riser"\nbranch = 1\nthrough = ["switch-card"]'
    text = TEXT.replace('slot = "riser"\nbranch = 1', both).replace('label = "two"', f'label = "two"\n{both}')
    assert len(parse_build(text, name="b").position) == 2
