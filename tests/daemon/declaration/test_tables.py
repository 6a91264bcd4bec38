import pytest
from pydantic import ValidationError

from boxes.snapshot_box import declare


def test_what_is_watched_is_read_as_written() -> None:
    build = declare("""
[[fan]]
label = "fan2"
chip = "board"
minimum_rpm = 600
[[file_system]]
mount = "/srv/archive"
full_above = 0.85
read_only = false
[[array]]
name = "md0"
scrub_every_days = 35
[memory]
rated_mt_s = 5600
channels = 2
""")
    (fan,), (mounted,) = build.fan, build.file_system
    assert (fan.label, fan.chip, fan.minimum_rpm) == ("fan2", "board", 600)
    assert (mounted.mount, mounted.full_above, mounted.read_only) == ("/srv/archive", 0.85, False)
    assert build.array[0].scrub_every_days == 35
    assert build.memory is not None
    assert (build.memory.rated_mt_s, build.memory.channels) == (5600, 2)


@pytest.mark.parametrize(
    "text",
    [
        '[[file_system]]\nmount = "/srv"\nfull_above = 85',  # a share, no percentage
        "[[file_system]]\nfull_above = 0.85",
        '[[fan]]\nlabel = "fan1"\nminimum_rpm = 0',
        '[[fan]]\nchip = "board"',
        '[[array]]\nname = "md0"\nscrub_every_days = "monthly"',
        '[[file_system]]\nmount = "/srv"\nfull = 0.9',
        "[supply]",
        "[processor]\nwatts = 0",
    ],
)
def test_what_makes_no_sense_is_refused(text: str) -> None:
    with pytest.raises(ValidationError):
        declare(text)


def test_devices_that_take_turns_have_in_common_what_stands_beside_them() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/01.1"\noccupant = { kind = "usb", capacity = "8 TB", any_of = ['
    text += '{ serial = "A1" }, { serial = "B1", capacity = "4 TB" }] }'
    occupant = declare(text).position[0].occupant
    assert occupant is not None
    assert [(device.kind, device.serial, device.capacity) for device in occupant.devices] == [
        ("usb", "A1", 8 * 10**12),
        ("usb", "B1", 4 * 10**12),
    ]
    assert [device.model_fields_set for device in occupant.devices] == [{"kind", "capacity", "serial"}] * 2
    other = occupant.model_copy(update={"any_of": (), "capacity": 1})
    assert [device.capacity for device in other.devices] == [1]


@pytest.mark.parametrize("beside", ['kind = "none"', 'serial = "A1"'])
def test_what_can_stand_for_one_device_alone_is_refused_beside_several(beside: str) -> None:
    text = f'[[position]]\nlabel = "a"\npath = "0000:00/01.1"\noccupant = {{ {beside}, any_of = [{{ model = "M" }}] }}'
    with pytest.raises(ValidationError, match="write each in any_of"):
        declare(text)


def test_fans_of_one_label_on_two_chips_are_two_fans() -> None:
    assert len(declare('[[fan]]\nlabel = "f"\nchip = "a"\n[[fan]]\nlabel = "f"\nchip = "b"').fan) == 2
