import pytest
from pydantic import TypeAdapter, ValidationError

from laneproof.declaration.fields import DevicePath, Generation, Lanes, Positive


@pytest.mark.parametrize(
    "path",
    [
        "0000:00",
        "0000:00/01.1",
        "10000:e1/00.0/04.7",
        "0000:00/17.0/ata-3",
        "0000:00/14.0/usb-1.2",
        "0000:00/01.0/phy-1:2",
        "0000:00/01.0/00.0/phy-0/phy-12",  # behind an expander
        "0000:00/01.0/00.0/port-2",
        "0000:00/05.0/scsi-0.4",
        "0000:00/14.0/usb-3/lun-1",
    ],
)
def test_path_of_bridges_is_accepted(path: str) -> None:
    assert TypeAdapter(DevicePath).validate_python(path) == path


@pytest.mark.parametrize(
    "path",
    [
        "",
        "00",
        "0000:00/",
        "0000:00/1.0",
        "0000:00/01.8",
        "0000:01:00.0",
        "0000:00/01.1\n",
        "0000:00/ATA-3",
        "0000:0A/1F.0",
    ],
)
def test_what_is_no_path_is_refused(path: str) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter(DevicePath).validate_python(path)


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (Lanes, True),
        (Lanes, "4"),
        (Generation, True),
        (Generation, 7),
        (Positive, float("inf")),
    ],
)
def test_value_that_only_looks_right_is_refused(kind: type, value: object) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter(kind).validate_python(value)


def test_whole_number_serves_where_a_fraction_may_stand() -> None:
    assert TypeAdapter(Positive).validate_python(9) == 9.0
